"""Activity where no channel is listed: from samples through kept spectra to a table that can be copied."""

from __future__ import annotations

import tomllib
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from dsp.modulate import Birdie, Emission, FrontEnd, Impulses, NoiseRise
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, call, listed, receive, scene
from watcher.cli import main
from watcher.plan.model import WatchPlan
from watcher.radio.recording import open_recording
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.receive.spectra import SpectrumStore
from watcher.report.local_time import LocalClock
from watcher.report.unlisted import Unlisted, UnlistedActivity, unlisted_activity
from watcher.report.unlisted_text import NOT_KEPT, write_unlisted
from watcher.watch.replay import replay

RATE_HZ = 240_000
LISTED, UNLISTED = listed(30_000), listed(-60_000)
UTC_CLOCK = LocalClock("UTC")


def seen(folder: Path, seconds: float, *calls: Emission, seed: int = 1, **more: object) -> UnlistedActivity:
    folder.mkdir(exist_ok=True)
    made = scene(RATE_HZ, seconds, *calls, **more)
    receive(made, [LISTED], spectra=SpectrumStore(folder), seed=seed)
    return unlisted_activity(folder, [(LISTED.frequency_hz, 12_500)])


def moving(found: UnlistedActivity) -> list[Unlisted]:
    return [one for one in found.signals if not one.is_steady]


@pytest.mark.parametrize("cnr_db", [3.0, 10.0, 30.0])
def test_two_seconds_of_an_unlisted_station_are_found(tmp_path: Path, cnr_db: float) -> None:
    found = seen(tmp_path, 40, call(UNLISTED, 20.3, 22.3, cnr_db), call(LISTED, 28, 36, 40))
    (one,) = moving(found)
    assert abs(one.frequency_hz - UNLISTED.frequency_hz) < 2 * one.sigma_hz
    assert (one.place_hz, one.raster_hz) == (146_460_000, 5_000)
    assert one.snr_db == pytest.approx(cnr_db, abs=1.5)
    assert one.occupancy.heard_s == pytest.approx(2.0, abs=1.0)
    assert one.occupancy.watched_s == pytest.approx(40, abs=0.5)
    assert one.occupancy.low < 2 / 40 < one.occupancy.high
    assert abs((one.first_utc - BEGAN_UTC).total_seconds() - 20) <= 2


def test_two_neighbours_are_two_and_their_times_are_counted(tmp_path: Path) -> None:
    other = listed(-47_500)
    calls = (call(UNLISTED, 4, 8, 15), call(UNLISTED, 30, 50, 15), call(other, 12, 14, 15))
    first, second = moving(seen(tmp_path, 60, *calls))
    assert first.seen == 2 and first.occupancy.heard_s == pytest.approx(24, abs=2.5)
    assert second.seen == 1 and abs(second.frequency_hz - other.frequency_hz) < 1_200


def test_two_that_speak_at_once_are_no_third(tmp_path: Path) -> None:
    other = listed(-47_500)
    calls = [call(UNLISTED, 5 + 20 * n, 9 + 20 * n, 30) for n in range(4)]
    calls += [call(other, 12 + 20 * n, 16 + 20 * n, 30) for n in range(4)]
    together = call(other, 6, 8, 30), call(UNLISTED, 33, 35, 38), call(other, 46, 48, 22)
    found = moving(seen(tmp_path, 90, *calls, *together))
    assert len(found) == 2
    for one, channel in zip(sorted(found, key=lambda one: one.frequency_hz), (UNLISTED, other), strict=True):
        assert abs(one.frequency_hz - channel.frequency_hz) < 2 * one.sigma_hz


def test_noise_gives_nothing(tmp_path: Path) -> None:
    for seed in range(3):
        assert seen(tmp_path / str(seed), 120, seed=seed).signals == ()


def test_the_radios_own_making_is_no_station(tmp_path: Path) -> None:
    own = FrontEnd(
        zero_spike_dbfs=-30.0,
        skirt_dbfs=-50.0,
        gain_imbalance_db=0.3,
        phase_imbalance_deg=2.0,
        birdies=(Birdie(offset_hz=55_000, power_dbfs=-40.0),),
    )
    strong = call(UNLISTED, 10, 20, 40)  # its image lies 34 dB under it, at 60 kHz
    found = seen(tmp_path, 40, strong, front_end=own, noise_dbfs=-30.0)
    assert [round(one.frequency_hz, -3) for one in moving(found)] == [146_460_000]
    (birdie,) = (one for one in found.signals if one.is_steady)
    assert abs(birdie.frequency_hz - (CENTRE_HZ + 55_000)) < 1_000 and birdie.width_hz < 5_000


@pytest.mark.parametrize("drift_hz_per_s", [20.0, 100.0])
def test_a_carrier_that_drifts_from_column_to_column_never_stopped(
    tmp_path: Path, drift_hz_per_s: float
) -> None:
    own = FrontEnd(birdies=(Birdie(offset_hz=55_000, power_dbfs=-35.0, drift_hz_per_s=drift_hz_per_s),))
    found = seen(tmp_path, 120, front_end=own)
    assert found.signals and not moving(found)
    assert "[[channel]]" not in write_unlisted(found, UTC_CLOCK, 30)


def test_impulses_rises_and_a_drooping_filter_give_nothing(tmp_path: Path) -> None:
    arcs = Impulses(per_second=20, width_s=60e-6, power_dbfs=-5.0)
    flash = Impulses(per_second=0.2, width_s=1e-3, power_dbfs=0.0)
    rises = NoiseRise(start_s=20, stop_s=24, rise_db=10), NoiseRise(start_s=30, stop_s=30.3, rise_db=15)
    droop = FrontEnd(edge_droop_db=12.0)
    assert seen(tmp_path / "a", 60, impulses=(arcs,)).signals == ()
    assert seen(tmp_path / "b", 60, impulses=(flash,), front_end=droop).signals == ()
    assert seen(tmp_path / "c", 60, rises=rises, front_end=droop).signals == ()


def test_a_strong_station_on_a_listed_channel_is_not_told_again(tmp_path: Path) -> None:
    assert seen(tmp_path, 40, call(LISTED, 5, 30, 60)).signals == ()


def test_the_command_offers_a_table_that_a_plan_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = scene(RATE_HZ, 30, call(listed(60_000), 6, 12, 20), call(LISTED, 16, 18, 20))
    recording = tmp_path / "evening"
    with SigmfWriter(recording, "cu8", RATE_HZ, "made for a test", "https://example.org/licence") as writer:
        writer.start_capture(CENTRE_HZ, BEGAN_UTC)
        writer.write(made.render(np.random.default_rng(2)) * np.float32(0.2))
    folder = tmp_path / "log"
    with closing(open_recording(f"{recording}.sigmf-meta")) as source:
        replay(WatchPlan(channels=(LISTED,)), [source], folder)
    told = suggested(capsys, str(folder))
    assert "146.580 MHz (measured 146.580" in told and "on the raster of 5 kHz" in told
    assert "listed there: 2 m simplex 146.580 (us)" in told
    table = told[told.index("[[channel]]") :].split("\n\n")[0]
    assert tomllib.loads(table)["channel"][0]["frequency_mhz"] == 146.58
    # A plan that lists it is told nothing of it.
    plan = tmp_path / "plan.toml"
    plan.write_text(table, encoding="utf-8")
    assert "none was seen" in suggested(capsys, str(folder), str(plan))


def suggested(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main(["suggest", *arguments])
    assert not ended.value.code
    return capsys.readouterr().out


def test_a_log_without_spectra_says_so() -> None:
    assert write_unlisted(UnlistedActivity(0.0, ()), UTC_CLOCK, 30) == NOT_KEPT
