"""What is written is read back; what is broken off is no recording."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import RadioError
from watcher.radio import open_recording
from watcher.radio.sigmf_annotations import Annotation, read_annotations
from watcher.radio.sigmf_writer import SigmfWriter

START = datetime(2031, 5, 4, 3, 2, 1, 250_001, tzinfo=UTC)
LICENCE = "https://creativecommons.org/publicdomain/zero/1.0/"

# Half a step of the converter; float32 keeps everything.
HALF_STEP = {"cu8": 0.5 / 127.5, "ci8": 0.5 / 128, "ci16_le": 0.5 / 32768, "cf32_le": 0.0}


@pytest.mark.parametrize("datatype", HALF_STEP)
def test_samples_come_back_within_half_a_step(
    tmp_path: Path, rng: np.random.Generator, datatype: str
) -> None:
    parts = rng.uniform(-0.99, 0.99, (3000, 2)).astype(np.float32)
    samples = parts.view(np.complex64)[:, 0]
    with SigmfWriter(tmp_path / "a.b", datatype, 1000, "Noise.", LICENCE) as writer:
        writer.start_capture(146_000_000, START)
        for piece in np.array_split(samples, 7):
            writer.write(piece)
        assert writer.samples == 3000
    source = open_recording(tmp_path / "a.b")
    (stretch,) = source.stretches()
    assert (stretch.samples, stretch.centre_hz, stretch.start_utc) == (3000, 146_000_000, START)
    back = np.concatenate([block.samples for block in source.blocks(0)])
    assert np.abs((back - samples).view(np.float32)).max() <= HALF_STEP[datatype] + 1e-6


@pytest.mark.parametrize("datatype", ["cu8", "ci8", "ci16_le"])
def test_what_exceeds_full_scale_is_clipped_and_counted(tmp_path: Path, datatype: str) -> None:
    with SigmfWriter(tmp_path / "loud", datatype, 1000, "", LICENCE) as writer:
        writer.start_capture(1, None)
        writer.write(np.array([3 - 3j, 0.1j, -1e9 + 0j], np.complex64))
    (block,) = open_recording(tmp_path / "loud").blocks(0)
    assert block.clipped == 2
    np.testing.assert_allclose(block.samples, [1 - 1j, 0.1j, -1 + 0j], atol=0.01)


def test_captures_keep_time_and_centre(tmp_path: Path) -> None:
    local = START.astimezone(timezone(timedelta(hours=-6)))
    with SigmfWriter(tmp_path / "night", "cf32_le", 1000, "", LICENCE) as writer:
        writer.start_capture(146_000_000, local)
        writer.write(np.zeros(10, np.complex64))
        writer.start_capture(462_000_000, None)
        writer.write(np.zeros(5, np.complex64))
    first, second = open_recording(tmp_path / "night").stretches()
    assert (first.samples, first.centre_hz, first.start_utc) == (10, 146_000_000, START)
    assert (second.samples, second.centre_hz) == (5, 462_000_000)
    assert second.start_utc == START + timedelta(milliseconds=10)


annotations = st.builds(
    Annotation,
    stretch=st.integers(0, 1),
    first_sample=st.integers(0, 49),
    samples=st.none() | st.integers(0, 50),
    label=st.text(max_size=20),
    comment=st.text(max_size=20),
    facts=st.dictionaries(
        st.from_regex("[a-z_]{1,9}", fullmatch=True),
        st.none()
        | st.booleans()
        | st.integers()
        | st.text()
        | st.floats(allow_nan=False, allow_infinity=False),
        max_size=3,
    ),
).flatmap(
    lambda plain: st.sampled_from(
        [
            plain,
            Annotation(
                plain.stretch,
                plain.first_sample,
                plain.samples,
                146_519_000.0,
                146_521_000.0,
                plain.label,
                plain.comment,
                plain.facts,
            ),
        ]
    )
)


@given(written=st.lists(annotations, max_size=4))
def test_annotations_come_back(tmp_path_factory: pytest.TempPathFactory, written: list[Annotation]) -> None:
    base = tmp_path_factory.mktemp("annotated") / "night"
    with SigmfWriter(base, "cu8", 1000, "", LICENCE) as writer:
        for _ in range(2):
            writer.start_capture(146_000_000, START)
            writer.write(np.zeros(50, np.complex64))
        for annotation in written:
            writer.annotate(annotation)
    back = read_annotations(base.with_name("night.sigmf-meta"))
    assert back == sorted(written, key=lambda one: 50 * one.stretch + one.first_sample)


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ({"core:sample_start": 3}, "core:sample_start is 3; the first capture starts at 10"),
        ({}, "core:sample_start is missing; it must be a whole number from 0"),
        (
            {"core:sample_start": 30, "core:freq_lower_edge": 1},
            "core:freq_lower_edge is 1; SigMF wants both edges of a band or neither",
        ),
        (
            {"core:sample_start": 30, "core:freq_upper_edge": 1, "core:freq_lower_edge": 2},
            "core:freq_lower_edge is 2; it must not be above core:freq_upper_edge, 1",
        ),
        ({"core:sample_start": 30, "core:label": 1}, "core:label is 1; it must be a text"),
    ],
)
def test_wrong_annotations_are_named(tmp_path: Path, entry: dict[str, object], expected: str) -> None:
    path = tmp_path / "night.sigmf-meta"
    tree = {"global": {}, "captures": [{"core:sample_start": 10}], "annotations": [entry]}
    path.write_text(json.dumps(tree))
    with pytest.raises(RadioError) as caught:
        read_annotations(path)
    assert str(caught.value) == f"{path}: annotations[0]: {expected}"


def test_what_is_broken_off_is_no_recording(tmp_path: Path) -> None:
    with SigmfWriter(tmp_path / "night", "cu8", 1000, "The old one.", LICENCE) as writer:
        writer.start_capture(1, START)
        writer.write(np.zeros(5, np.complex64))
    with (
        pytest.raises(RuntimeError, match="power"),
        SigmfWriter(tmp_path / "night", "cu8", 1000, "", LICENCE) as writer,
    ):
        writer.start_capture(1, START)
        writer.write(np.zeros(5, np.complex64))
        raise RuntimeError("power went")
    assert [path.name for path in tmp_path.iterdir()] == ["night.sigmf-data"]


def test_the_writer_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="datatype is 'cu9'; it must be one of cu8, "):
        SigmfWriter(tmp_path / "a", "cu9", 1000, "", LICENCE)
    with SigmfWriter(tmp_path / "a", "cu8", 1000, "", LICENCE) as writer:
        with pytest.raises(ValueError, match="no capture is started; call start_capture first"):
            writer.write(np.zeros(5, np.complex64))
        with pytest.raises(ValueError, match="start_utc has no time zone"):
            writer.start_capture(1, START.replace(tzinfo=None))
