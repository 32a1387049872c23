"""Write a SigMF recording, sample by sample, for demos and tests.

The samples stream to their file; the metadata is written last and at once, so a recording that was
broken off has no metadata and cannot be mistaken for a whole one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, RealSamples
from watcher.durable import write_whole
from watcher.radio.sample_formats import SIGMF_FORMATS, SampleFormat
from watcher.radio.sigmf_annotations import NAMESPACE, Annotation
from watcher.radio.sigmf_recording import DATA_SUFFIX, META_SUFFIX

SIGMF_VERSION = "1.2.0"
_INTEGER_DTYPES: Mapping[str, str] = MappingProxyType({"cu8": "u1", "ci8": "i1", "ci16_le": "<i2"})


class SigmfWriter:
    """One recording being written; a context manager that finishes it unless an error passes through.

    Parameters
    ----------
    base : Path
        The common name of both files, without an ending. Old files of that name are replaced.
    datatype : str
        `cu8`, `ci8`, `ci16_le` or `cf32_le`.
    sample_rate_hz : int
    description : str
        What a stranger should know about the recording.
    licence_url : str or None
        Where the licence of the recording is written; None where it has none.

    Raises
    ------
    ValueError
        The datatype is none of the four.
    OSError
        The samples cannot be written.

    Examples
    --------
    >>> with SigmfWriter(base, "cu8", 240_000, "A tone.", "https://…") as writer:  # doctest: +SKIP
    ...     writer.start_capture(146_000_000, start_utc)
    ...     writer.write(samples)
    """

    def __init__(
        self, base: Path, datatype: str, sample_rate_hz: int, description: str, licence_url: str | None
    ) -> None:
        if datatype not in SIGMF_FORMATS:
            raise ValueError(f"datatype is {datatype!r}; it must be one of {', '.join(SIGMF_FORMATS)}")
        self._meta_path = base.with_name(base.name + META_SUFFIX)
        self._to_bytes = _encoder(SIGMF_FORMATS[datatype])
        self._globals: dict[str, Any] = {
            "core:datatype": SIGMF_FORMATS[datatype].name,
            "core:sample_rate": sample_rate_hz,
            "core:version": SIGMF_VERSION,
            "core:description": description,
        }
        if licence_url is not None:
            self._globals["core:license"] = licence_url
        self._captures: list[dict[str, Any]] = []
        self._annotations: list[dict[str, Any]] = []
        self._samples = 0
        self._meta_path.unlink(missing_ok=True)  # it told of the samples that are about to go
        self._file = base.with_name(base.name + DATA_SUFFIX).open("wb")

    @property
    def samples(self) -> int:
        """How many samples are written so far."""
        return self._samples

    def start_capture(self, centre_hz: int, start_utc: datetime | None) -> None:
        """Say what the samples from here on are; None leaves the time unknown."""
        capture: dict[str, Any] = {"core:sample_start": self._samples, "core:frequency": centre_hz}
        if start_utc is not None:
            if start_utc.tzinfo is None:
                raise ValueError("start_utc has no time zone; give an aware datetime")
            naive_utc = start_utc.astimezone(UTC).replace(tzinfo=None)
            capture["core:datetime"] = naive_utc.isoformat(timespec="microseconds") + "Z"
        self._captures.append(capture)

    def write(self, samples: ComplexSamples) -> None:
        """Append samples; a full scale of 1 meets the converter's limits and what exceeds it is clipped."""
        if not self._captures:
            raise ValueError("no capture is started; call start_capture first")
        self._file.write(self._to_bytes(np.ascontiguousarray(samples, np.complex64).view(np.float32)))
        self._samples += len(samples)

    def annotate(self, annotation: Annotation) -> None:
        """Mark a span of a capture that is already started."""
        entry: dict[str, Any] = {
            "core:sample_start": self._captures[annotation.stretch]["core:sample_start"]
            + annotation.first_sample
        }
        optional = {
            "core:sample_count": annotation.samples,
            "core:freq_lower_edge": annotation.lower_hz,
            "core:freq_upper_edge": annotation.upper_hz,
            "core:label": annotation.label or None,
            "core:comment": annotation.comment or None,
        }
        entry.update({key: value for key, value in optional.items() if value is not None})
        entry.update({f"{NAMESPACE}:{key}": value for key, value in annotation.facts.items()})
        self._annotations.append(entry)

    def finish(self) -> Path:
        """Close the samples and write the metadata; returns the path of the metadata."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        if any(key.startswith(f"{NAMESPACE}:") for entry in self._annotations for key in entry):
            self._globals["core:extensions"] = [{"name": NAMESPACE, "version": "1.0.0", "optional": True}]
        tree = {
            "global": self._globals,
            "captures": self._captures,
            "annotations": sorted(self._annotations, key=lambda entry: entry["core:sample_start"]),
        }
        text = json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False)
        write_whole(self._meta_path, (text + "\n").encode())
        return self._meta_path

    def abandon(self) -> None:
        """Let go of the file; what is written stays without metadata."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.finish()
        else:
            self.abandon()


def _encoder(sample_format: SampleFormat) -> Callable[[RealSamples], bytes]:
    """From I and Q side by side to the bytes of one format; the inverse of reading, to half a step."""
    if sample_format.limits is None:
        return lambda parts: parts.astype("<f4", copy=False).tobytes()
    low, high = sample_format.limits
    dtype = _INTEGER_DTYPES[sample_format.name]

    def encode(parts: RealSamples) -> bytes:
        numbers: NDArray[np.float32] = parts * np.float32(sample_format.full_scale)
        numbers += np.float32(sample_format.zero)
        return np.clip(np.rint(numbers), low, high).astype(dtype).tobytes()

    return encode
