"""What a recording says about parts of itself: who speaks where, for scoring and for demos.

The standard's keys name span, band, label and comment. Facts it has no key for stand under keys of
our own namespace, `midwatch:`, and come back as they were written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from watcher.radio.sigmf_metadata import Metadata, Scope, read_metadata

NAMESPACE = "midwatch"


@dataclass(frozen=True, slots=True)
class Annotation:
    """One marked span of one stretch.

    Parameters
    ----------
    stretch : int
        Which capture, counted from 0: the same number that `blocks` takes.
    first_sample : int
        From the start of that stretch.
    samples : int or None
        None means to the end of the stretch.
    lower_hz, upper_hz : float or None
        Edges of the band at radio frequency; both or neither.
    label, comment : str
    facts : mapping of str to JSON values
        Keys without the namespace.
    """

    stretch: int
    first_sample: int
    samples: int | None = None
    lower_hz: float | None = None
    upper_hz: float | None = None
    label: str = ""
    comment: str = ""
    facts: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


def read_annotations(meta_path: Path) -> list[Annotation]:
    """Every annotation of a SigMF recording, in the file's order.

    Raises
    ------
    RadioError
        The metadata cannot be read or an annotation is wrong; names file, annotation, key and value.
    """
    metadata = read_metadata(meta_path)
    starts = _capture_starts(metadata)
    return [_annotation(scope, starts) for scope in metadata.annotations]


def _capture_starts(metadata: Metadata) -> list[int]:
    captures = metadata.captures or [metadata.implied_capture()]
    return [capture.whole("core:sample_start", None) for capture in captures]


def _annotation(scope: Scope, starts: list[int]) -> Annotation:
    first = scope.whole("core:sample_start", None)
    stretch = sum(start <= first for start in starts) - 1
    if stretch < 0:
        raise scope.wrong("core:sample_start", f"the first capture starts at {starts[0]}")
    lower_hz, upper_hz = scope.number("core:freq_lower_edge"), scope.number("core:freq_upper_edge")
    if (lower_hz is None) != (upper_hz is None):
        lone = "core:freq_lower_edge" if upper_hz is None else "core:freq_upper_edge"
        raise scope.wrong(lone, "SigMF wants both edges of a band or neither")
    if lower_hz is not None and upper_hz is not None and lower_hz > upper_hz:
        raise scope.wrong("core:freq_lower_edge", f"it must not be above core:freq_upper_edge, {upper_hz}")
    own = f"{NAMESPACE}:"
    return Annotation(
        stretch=stretch,
        first_sample=first - starts[stretch],
        samples=scope.whole("core:sample_count", 0) if "core:sample_count" in scope.values else None,
        lower_hz=lower_hz,
        upper_hz=upper_hz,
        label=scope.text("core:label") or "",
        comment=scope.text("core:comment") or "",
        facts={key[len(own) :]: value for key, value in scope.values.items() if key.startswith(own)},
    )
