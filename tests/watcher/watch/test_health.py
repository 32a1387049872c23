"""Figures of health: counted, written for monitors, and answered on this computer alone."""

from __future__ import annotations

import http.client
import math
import os
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from watcher.receive.records import Clip, EndedBy, Gap, GapCause, Transmission
from watcher.watch.alerts import AlertCounts
from watcher.watch.health import CONTENT_TYPE, Health, free_bytes, prometheus_text
from watcher.watch.health_endpoint import HealthEndpoint

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


def heard(piece: int = 1) -> Transmission:
    return Transmission("a", 1, "nfm", 0, 1, NOON, NOON, NOON, NOON, EndedBy.CARRIER_DROP, piece=piece)


def full() -> Health:
    health = Health(NOON, pid=77)
    health.update(
        samples=2_400_000_000_001,
        samples_lost=3,
        clock_drift_s=-0.0125,
        disk_free_bytes=5_000_000_000,
        radio_opens=2,
        radio_losses=1,
        last_sample_utc=NOON + timedelta(seconds=1.25),
        next_window_utc=NOON + timedelta(hours=3),
    )
    health.set_noise_floor("146.520", -92.5)
    health.set_noise_floor('odd "name"\\\n', float("-inf"))
    health.set_alerts(AlertCounts(4, 3, 2, 1))
    health.take([Gap("a", NOON, NOON, GapCause.RADIO_LOST)] * 2 + [Gap("a", NOON, NOON, GapCause.TUNING)])
    return health


def test_records_of_the_log_are_counted() -> None:
    health = Health(NOON)
    clip = Path("a.flac")
    health.take([Clip(heard(), clip, "", 1), Clip(heard(2), clip, "", 1), heard(), heard(2)])
    health.take([Gap("a", NOON, NOON, GapCause.TUNING)])
    figures = health.figures
    assert (figures.transmissions, figures.clips, figures.gaps) == (2, 2, {"tuning": 1})
    assert figures.pid == os.getpid()


def test_an_unknown_figure_is_refused() -> None:
    with pytest.raises(TypeError, match="temperature"):
        Health(NOON).update(temperature=20)


def test_figures_once_asked_for_do_not_change() -> None:
    health = full()
    before = health.figures
    health.set_noise_floor("146.520", -80.0)
    health.take([Gap("a", NOON, NOON, GapCause.TUNING)])
    assert before.noise_floor_dbfs["146.520"] == -92.5
    assert before.gaps == {"no radio": 2, "tuning": 1}


def test_many_threads_lose_no_count() -> None:
    health = Health(NOON)
    threads = [
        threading.Thread(target=lambda: [health.take([heard()]) for _ in range(500)]) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert health.figures.transmissions == 2000


def test_another_readers_parser_understands_the_text() -> None:
    """Read by prometheus_client, the library of those who define the format."""
    families = {
        family.name: family for family in text_string_to_metric_families(prometheus_text(full().figures))
    }
    one = {name: family.samples[0].value for name, family in families.items() if not family.samples[0].labels}
    assert one["midwatch_samples"] == 2_400_000_000_001
    assert one["midwatch_clock_drift_seconds"] == -0.0125
    assert one["midwatch_start_time_seconds"] == NOON.timestamp()
    assert one["midwatch_last_sample_time_seconds"] == NOON.timestamp() + 1.25
    assert one["midwatch_alerts_waiting"] == 1
    assert one["midwatch_window_open"] == 0
    gaps = {sample.labels["cause"]: sample.value for sample in families["midwatch_gaps"].samples}
    assert gaps == {"no radio": 2, "tuning": 1}
    floors = {s.labels["tuning_mhz"]: s.value for s in families["midwatch_noise_floor_dbfs"].samples}
    assert floors == {"146.520": -92.5, 'odd "name"\\\n': -math.inf}
    assert {family.type for family in families.values()} == {"counter", "gauge"}
    assert all(family.documentation for family in families.values())


def test_what_is_not_known_is_not_there() -> None:
    text = prometheus_text(Health(NOON).figures)
    names = {family.name for family in text_string_to_metric_families(text)}
    assert "midwatch_samples" in names
    for absent in ("clock_drift_seconds", "disk_free_bytes", "noise_floor_dbfs", "gaps", "last_sample"):
        assert not any(absent in name for name in names)


def test_free_room_is_asked_of_the_folders_disk(tmp_path: Path) -> None:
    status = os.statvfs(tmp_path)
    free = free_bytes(tmp_path)
    assert free is not None
    assert free == pytest.approx(status.f_bavail * status.f_frsize, rel=0.2)  # others write meanwhile
    assert free_bytes(tmp_path / "gone") is None
    health = Health(NOON)
    health.look_at_disk(tmp_path)
    assert health.figures.disk_free_bytes is not None


@pytest.fixture
def endpoint() -> Iterator[HealthEndpoint]:
    served = HealthEndpoint(0, lambda: prometheus_text(full().figures))
    yield served
    served.close()


def ask(port: int, path: str, how: str = "GET") -> tuple[int, str | None, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request(how, path)
        answer = connection.getresponse()
        return answer.status, answer.getheader("Content-Type"), answer.read()
    finally:
        connection.close()


def test_metrics_are_answered_and_nothing_else(endpoint: HealthEndpoint) -> None:
    status, kind, content = ask(endpoint.port, "/metrics")
    assert (status, kind) == (200, CONTENT_TYPE)
    assert content.decode() == prometheus_text(full().figures)
    assert ask(endpoint.port, "/")[0] == 404
    assert ask(endpoint.port, "/metrics/../status.json")[0] == 404
    assert ask(endpoint.port, "/metrics", "POST")[0] == 501


def test_one_who_hangs_up_does_not_end_it(endpoint: HealthEndpoint) -> None:
    for _ in range(3):
        with socket.create_connection(("127.0.0.1", endpoint.port)) as caller:
            caller.sendall(b"GET /met")
    assert ask(endpoint.port, "/metrics")[0] == 200


def test_only_this_computer_is_answered(endpoint: HealthEndpoint) -> None:
    assert endpoint._server is not None
    assert endpoint._server.socket.getsockname()[0] == "127.0.0.1"


def test_a_port_that_is_taken_is_one_sentence(endpoint: HealthEndpoint) -> None:
    second = HealthEndpoint(endpoint.port, lambda: "")
    assert second.problem == (
        f"health_port {endpoint.port} cannot be listened on (Address already in use); "
        "give another one, or end the program that has it"
    )
    second.close()


def test_closed_it_answers_no_more_and_may_be_closed_again() -> None:
    served = HealthEndpoint(0, lambda: "")
    served.close()
    served.close()
    with pytest.raises(ConnectionRefusedError):
        ask(served.port, "/metrics")
