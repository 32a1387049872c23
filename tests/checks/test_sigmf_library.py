"""Our SigMF against the reference library of the standard (package sigmf, specification 1.2)."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import sigmf
from sigmf import SigMFFile

from watcher.radio import open_recording
from watcher.radio.sigmf_annotations import Annotation, read_annotations
from watcher.radio.sigmf_writer import SigmfWriter

START = datetime(2031, 5, 4, 3, 2, 1, 250_001, tzinfo=UTC)
LICENCE = "https://creativecommons.org/publicdomain/zero/1.0/"

# The library reads cu8 as (u - 128) / 128; we as (u - 127.5) / 127.5, so that both ends are full scale.
TO_OURS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "cu8": lambda samples: (samples * 128 + 0.5 + 0.5j) / 127.5,
    "ci8": lambda samples: samples,
    "ci16_le": lambda samples: samples,
    "cf32_le": lambda samples: samples,
}


def written_by_the_library(folder: Path, datatype: str, raw: bytes) -> Path:
    data_path = folder / "theirs.sigmf-data"
    data_path.write_bytes(raw)
    recording = SigMFFile(
        data_file=str(data_path),
        global_info={"core:datatype": datatype, "core:sample_rate": 240_000},
        skip_checksum=True,
    )
    recording.add_capture(
        0, metadata={"core:frequency": 146_000_000, "core:datetime": "2031-05-04T03:02:01.250001Z"}
    )
    recording.add_capture(30, metadata={"core:frequency": 462_000_000})
    recording.add_annotation(
        40,
        length=7,
        metadata={"core:label": "voice", "core:freq_lower_edge": 461.9e6, "core:freq_upper_edge": 462e6},
    )
    recording.tofile(str(folder / "theirs.sigmf-meta"))
    return folder / "theirs.sigmf-meta"


@pytest.mark.parametrize("datatype", TO_OURS)
def test_we_read_what_the_library_writes(tmp_path: Path, rng: np.random.Generator, datatype: str) -> None:
    if datatype == "cf32_le":
        raw = rng.standard_normal(200).astype("<f4").tobytes()
    else:
        raw = rng.integers(0, 256, 100 * (4 if datatype == "ci16_le" else 2), dtype=np.uint8).tobytes()
    path = written_by_the_library(tmp_path, datatype, raw)
    source = open_recording(path)
    ours = np.concatenate([block.samples for n in range(2) for block in source.blocks(n)])
    theirs = sigmf.fromfile(str(path), skip_checksum=True).read_samples()
    np.testing.assert_allclose(ours, TO_OURS[datatype](theirs), atol=1e-6)
    first, second = source.stretches()
    assert (first.samples, first.centre_hz, first.start_utc) == (30, 146_000_000, START)
    assert (second.samples, second.centre_hz) == (70, 462_000_000)
    assert read_annotations(path) == [Annotation(1, 10, 7, 461.9e6, 462e6, "voice")]
    source.close()


@pytest.mark.parametrize("datatype", TO_OURS)
def test_the_library_reads_and_validates_what_we_write(
    tmp_path: Path, rng: np.random.Generator, datatype: str
) -> None:
    samples = rng.uniform(-0.9, 0.9, (100, 2)).astype(np.float32).view(np.complex64)[:, 0]
    with SigmfWriter(tmp_path / "ours", datatype, 240_000, "Noise, made by a seed.", LICENCE) as writer:
        writer.start_capture(146_000_000, START)
        writer.write(samples[:60])
        writer.start_capture(462_000_000, None)
        writer.write(samples[60:])
        writer.annotate(Annotation(1, 5, 20, 461.9e6, 462e6, "voice", "who speaks", {"tone_hz": 100.0}))
        writer.annotate(Annotation(0, 5))
    recording = sigmf.fromfile(str(tmp_path / "ours.sigmf-meta"), skip_checksum=True)
    recording.validate()
    theirs = TO_OURS[datatype](recording.read_samples())
    assert np.abs((theirs - samples).view(np.float32)).max() <= 0.5 / 127.5 + 1e-6
    assert recording.get_global_field("core:license") == LICENCE
    first, second = recording.get_captures()
    assert first["core:datetime"] == "2031-05-04T03:02:01.250001Z"
    assert (second["core:sample_start"], second["core:frequency"]) == (60, 462_000_000)
    plain, voice = recording.get_annotations()
    assert plain["core:sample_start"] == 5
    assert (voice["core:sample_start"], voice["core:sample_count"]) == (65, 20)
    assert voice["midwatch:tone_hz"] == 100.0


def test_the_library_refuses_what_the_standard_does(tmp_path: Path) -> None:
    """So that the validation above is known to look."""
    with SigmfWriter(tmp_path / "ours", "cu8", -1, "", LICENCE) as writer:
        writer.start_capture(1, START)
        writer.write(np.zeros(4, np.complex64))
    recording = sigmf.fromfile(str(tmp_path / "ours.sigmf-meta"), skip_checksum=True)
    with pytest.raises(Exception, match="-1 is less than or equal to"):
        recording.validate()
