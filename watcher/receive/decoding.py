"""The audible decoders of one transmission: fed a second at a time, and none can cost more than itself.

What they find becomes findings in plain words, in `watcher.receive.findings`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.signalling.kind import KindDecoder
from dsp.signalling.passage import RATE_HZ, Passage, PassageCutter
from watcher.receive.records import Finding, Kind, KindReading

# Audio is held back so long before it is decoded: what the squelch takes to notice that the carrier fell, so
# that the noise behind it is never decoded. 0.25 s of hang time, a slice and the search for the edge.
HELD_BACK_S = 0.7


class Decoder(Protocol):
    """One of `dsp.signalling`: passages in, claims out."""

    def push(self, passage: Passage) -> Sequence[Any]:
        """What became certain with the next passage."""

    def finish(self) -> Sequence[Any]:
        """What was still waited for."""


Teller = Callable[[Any], Iterable[Finding]]
Running = tuple[str, Decoder, Teller]


class Decoding:
    """Run decoders over the audio of one transmission, from the carrier's rise on.

    Parameters
    ----------
    decoders : sequence of (str, Decoder, callable)
        What each is called in a sentence, the decoder, and what turns its claims into findings.
    scale : float
        From the counts of the 16-bit audio to its unit.
    kind : KindDecoder or None
        What tells the kind of transmission.
    """

    def __init__(
        self,
        decoders: Iterable[Running],
        scale: float,
        kind: KindDecoder | None = None,
    ) -> None:
        self._kind = kind
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

    def kind(self, carrier_to_noise_db: float | None) -> KindReading | None:
        """What kind of transmission it is by all that was decoded so far; None where nobody can tell."""
        if self._kind is None:
            return None
        try:
            reading = self._kind.finish(carrier_to_noise_db=carrier_to_noise_db)
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong in a decoder stays in it
            self._lose_kind(failure)
            return None
        if reading is None:
            return None
        return KindReading(
            Kind(reading.kind.value),
            reading.probability,
            reading.speech_s,
            reading.tone_s,
            reading.data_s,
        )

    def _lose_kind(self, failure: Exception) -> None:
        self._kind = None
        self.problems.append(f"telling the kind of transmission failed ({failure!r}); the kind is unknown")

    def _as_real(self, audio: NDArray[np.int16]) -> RealSamples:
        real: RealSamples = audio * self._scale
        return real

    def _decode(self, passages: Iterable[Passage]) -> list[Finding]:
        found: list[Finding] = []
        for passage in passages:
            for each in list(self._running):
                found += self._guarded(each, partial(each[1].push, passage))
            if self._kind is not None:
                try:
                    self._kind.push(passage)
                except Exception as failure:  # noqa: BLE001 - as below
                    self._lose_kind(failure)
        return found

    def _guarded(
        self, running: tuple[str, Decoder, Teller], step: Callable[[], Sequence[Any]]
    ) -> list[Finding]:
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
