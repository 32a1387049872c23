"""The audible decoders of one transmission: fed a second at a time, and none can cost more than itself.

What they find becomes findings in plain words, in `watcher.receive.findings`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.signalling.passage import RATE_HZ, Passage, PassageCutter
from watcher.receive.records import Finding

# Audio is held back so long before it is decoded: what the squelch takes to notice that the carrier fell, so
# that the noise behind it is never decoded. 0.25 s of hang time, a slice and the search for the edge.
HELD_BACK_S = 0.7


class Decoder(Protocol):
    """One of `dsp.signalling`: passages in, claims out."""

    def push(self, passage: Passage) -> list[Any]:
        """What became certain with the next passage."""

    def finish(self) -> list[Any]:
        """What was still waited for."""


Teller = Callable[[Any], Iterable[Finding]]


class Decoding:
    """Run decoders over the audio of one transmission, from the carrier's rise on.

    Parameters
    ----------
    decoders : sequence of (str, Decoder, callable)
        What each is called in a sentence, the decoder, and what turns its claims into findings.
    scale : float
        From the counts of the 16-bit audio to its unit.
    """

    def __init__(self, decoders: Iterable[tuple[str, Decoder, Teller]], scale: float) -> None:
        self._running = list(decoders)
        self._scale = np.float32(scale)
        self._cutter = PassageCutter()
        self._held: list[NDArray[np.int16]] = []
        self._held_frames = 0
        self.problems: list[str] = []

    def push(self, audio: NDArray[np.int16]) -> list[Finding]:
        """Take the next audio, shape (m,), 16 kHz; return what was found."""
        self._held.append(audio)
        self._held_frames += len(audio)
        ready = self._held_frames - round(HELD_BACK_S * RATE_HZ)
        # Whole seconds only: fewer, longer steps cost less, and a decoder answers once a second anyway.
        if ready < RATE_HZ:
            return []
        waiting = np.concatenate(self._held)
        self._held = [waiting[ready:].copy()]
        self._held_frames -= ready
        return self._decode(self._cutter.push(self._as_real(waiting[:ready])))

    def finish(self, beyond: int = 0) -> list[Finding]:
        """End the transmission; `beyond` is how many of the last frames lie behind the carrier's fall."""
        waiting = np.concatenate(self._held) if self._held else np.empty(0, np.int16)
        self._held, self._held_frames = [], 0
        kept = waiting[: max(0, len(waiting) - max(0, beyond))]
        found = self._decode([*self._cutter.push(self._as_real(kept)), *self._cutter.finish()])
        for each in list(self._running):
            found += self._guarded(each, each[1].finish)
        self._running = []
        return found

    def _as_real(self, audio: NDArray[np.int16]) -> RealSamples:
        real: RealSamples = audio * self._scale
        return real

    def _decode(self, passages: Iterable[Passage]) -> list[Finding]:
        found: list[Finding] = []
        for passage in passages:
            for each in list(self._running):
                found += self._guarded(each, partial(each[1].push, passage))
        return found

    def _guarded(self, running: tuple[str, Decoder, Teller], step: Callable[[], list[Any]]) -> list[Finding]:
        """One step of a decoder; if it fails, it is heard no more and the rest goes on."""
        name, _, tell = running
        try:
            return [finding for claim in step() for finding in tell(claim)]
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong in a decoder stays in it
            self._running.remove(running)
            self.problems.append(
                f"the {name} decoder failed ({failure!r}); what it might have found is unknown"
            )
            return []
