"""The truth reader: what it understands, what it says of what it does not, and that nothing breaks it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import MidwatchError, RadioError, UsageProblem
from watcher.radio.sigmf_annotations import Annotation
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.radio.source import Stretch
from watcher.shipped import demo_truth
from watcher.trial.truth import read_truth

BEGAN_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)
STRETCH = Stretch(BEGAN_UTC, True, 48_000, 146_520_000, 480_000, "made")
LINE = {"start_s": 1.0, "stop_s": 2.5, "frequency_hz": 146_520_000}


def written(path: Path, *lines: object) -> Path:
    texts = [line if isinstance(line, str) else json.dumps(line) for line in lines]
    path.write_text("\n".join(texts), encoding="utf-8")
    return path


def test_lines_in_seconds_and_in_utc_are_the_same(tmp_path: Path) -> None:
    as_utc = {
        "start_utc": "2031-05-04T03:00:01.000Z",
        "end_utc": "2031-05-04T03:00:02.500Z",
        "channel": "2 m calling",
        "ctcss_hz": 100.0,
        "dcs": None,
        "cnr_db": 7,
    }
    in_seconds, by_utc = read_truth(
        written(tmp_path / "t.jsonl", "# made by hand", LINE, "", as_utc), [STRETCH]
    )
    assert in_seconds.start_utc == by_utc.start_utc == BEGAN_UTC + timedelta(seconds=1)
    assert in_seconds.seconds == by_utc.seconds == 1.5
    assert not in_seconds.tone_is_known and by_utc.tone_hz == 100.0
    assert by_utc.code_is_known and by_utc.code is None
    assert by_utc.cnr_db == 7.0


def test_a_line_of_an_export_is_understood(tmp_path: Path) -> None:
    line = {
        "start_utc": "2031-05-04T03:00:01.000Z",
        "end_utc": "2031-05-04T03:00:02.500Z",
        "channel": "low",
        "frequency_hz": 146_507_500,
        "snr_db": 12.5,
        "ctcss_hz": None,
        "dcs": "047I",
        "flags": [],
    }
    (sent,) = read_truth(written(tmp_path / "t.jsonl", line), [STRETCH])
    assert sent.code == "023N"  # the inverted code of its partner (TIA-603, secondary; config/dcs.csv)
    assert sent.tone_is_known and sent.tone_hz is None
    assert sent.cnr_db == 12.5


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ({**LINE, "stop_s": 0.5}, "line 1: ends at"),
        ({**LINE, "start_s": "soon"}, 'line 1: start_s is "soon"; it must be a number'),
        ({**LINE, "frequency_hz": True}, "line 1: frequency_hz is true; it must be a number"),
        ({"start_s": 1, "stop_s": 2}, "line 1: frequency_hz is missing; give frequency_hz or channel"),
        ({"stop_s": 2, "channel": "a"}, "line 1: start_utc is missing; give start_utc or start_s"),
        ({**LINE, "dcs": "999"}, 'line 1: dcs is "999"; it must be one of the 104 codes'),
        ({"start_utc": "noon", "channel": "a"}, 'line 1: start_utc is "noon"; it must be an instant'),
        ("[1]", "line 1 is [1]; it must be a JSON object"),
        ("nonsense", "it must be one JSON object"),
        ("# only this", "holds no transmission"),
    ],
)
def test_what_is_wrong_is_one_sentence(tmp_path: Path, line: object, sentence: str) -> None:
    with pytest.raises(UsageProblem) as told:
        read_truth(written(tmp_path / "t.jsonl", line), [STRETCH])
    assert sentence in str(told.value)
    assert "\n" not in str(told.value)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem, match="cannot be read"):
        read_truth(tmp_path / "none.jsonl", [STRETCH])


def test_plain_annotations_of_others_are_understood(tmp_path: Path) -> None:
    """Only the standard's own keys: edges, label, comment."""
    with SigmfWriter(tmp_path / "other", "cf32_le", 48_000, "Made.", None) as writer:
        writer.start_capture(146_520_000, BEGAN_UTC)
        writer.write(np.zeros(480, np.complex64))
        writer.annotate(
            Annotation(0, 4800, 9600, 146_514_500.0, 146_525_500.0, label="somebody", comment="hello")
        )
    (sent,) = read_truth(tmp_path / "other.sigmf-meta", [])
    assert sent.frequency_hz == 146_520_000
    assert sent.start_utc == BEGAN_UTC + timedelta(seconds=0.1)
    assert sent.seconds == 0.2
    assert (sent.label, sent.comment) == ("somebody", "hello")
    assert not sent.tone_is_known and sent.cnr_db is None


def test_annotations_without_a_time_take_that_of_the_recording(tmp_path: Path) -> None:
    with SigmfWriter(tmp_path / "other", "cf32_le", 48_000, "Made.", None) as writer:
        writer.start_capture(146_520_000, None)
        writer.annotate(Annotation(0, 0, None, 146_514_500.0, 146_525_500.0))
    (sent,) = read_truth(tmp_path / "other.sigmf-meta", [STRETCH])
    assert sent.start_utc == BEGAN_UTC
    assert sent.seconds == 10.0  # to the end of the stretch
    with pytest.raises(RadioError, match="tells no time"):
        read_truth(tmp_path / "other.sigmf-meta", [])


def test_the_demo_recordings_truth_is_understood() -> None:
    sent = read_truth(demo_truth(), [])
    assert [one.label for one in sent if one.is_steady] == ["Hikers"]
    assert len(sent) == 8
    assert {one.tone_hz for one in sent} == {None, 67.0, 123.0}
    assert all(one.tone_is_known for one in sent)


@pytest.fixture(scope="module")
def one_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One for all examples: each writes its file anew."""
    return tmp_path_factory.mktemp("fuzz")


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(
    [
        *("start_s", "stop_s", "start_utc", "end_utc", "frequency_hz", "frequency_mhz", "channel"),
        *("comment", "ctcss_hz", "dcs", "cnr_db", "snr_db", "noise_width_hz", "kind", "fades"),
    ]
)


@given(st.lists(st.dictionaries(KEYS, JSON_VALUES, max_size=8), max_size=4))
def test_any_lines_are_read_or_refused_in_one_sentence(
    one_folder: Path, lines: list[dict[str, object]]
) -> None:
    path = one_folder / "t.jsonl"
    path.write_text("\n".join(json.dumps(line) for line in lines), encoding="utf-8")
    try:
        for sent in read_truth(path, [STRETCH]):
            assert sent.stop_utc > sent.start_utc
    except MidwatchError as told:
        assert "\n" not in str(told)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_read(one_folder: Path, content: bytes) -> None:
    for name in ("t.jsonl", "t.sigmf-meta"):
        path = one_folder / name
        path.write_bytes(content)
        with pytest.raises(MidwatchError):
            read_truth(path, [STRETCH])


@given(st.dictionaries(KEYS.map(lambda key: f"midwatch:{key}"), JSON_VALUES, max_size=6))
def test_any_facts_in_annotations_are_read_or_refused(one_folder: Path, facts: dict[str, object]) -> None:
    path = one_folder / "t.sigmf-meta"
    annotation = {"core:sample_start": 0, "core:sample_count": 480, **facts}
    tree = {
        "global": {"core:datatype": "cu8", "core:sample_rate": 48_000, "core:version": "1.2.0"},
        "captures": [{"core:sample_start": 0, "core:datetime": "2031-05-04T03:00:00Z"}],
        "annotations": [annotation],
    }
    path.write_text(json.dumps(tree), encoding="utf-8")
    try:
        read_truth(path, [])
    except MidwatchError as told:
        assert "\n" not in str(told)


@pytest.mark.parametrize(
    ("rate", "first", "sentence"),
    [
        (0.3, 0, "core:sample_rate is 0.3"),
        (0, 0, "core:sample_rate is 0;"),
        (48_000, 10**30, "all calendars"),
    ],
)
def test_impossible_counts_are_told(tmp_path: Path, rate: float, first: int, sentence: str) -> None:
    tree = {
        "global": {"core:datatype": "cu8", "core:sample_rate": rate, "core:version": "1.2.0"},
        "captures": [{"core:sample_start": 0, "core:datetime": "2031-05-04T03:00:00Z"}],
        "annotations": [{"core:sample_start": first, "core:sample_count": 480, "core:label": "a"}],
    }
    path = tmp_path / "t.sigmf-meta"
    path.write_text(json.dumps(tree))
    with pytest.raises(RadioError, match=sentence):
        read_truth(path, [])
