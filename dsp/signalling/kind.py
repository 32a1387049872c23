"""What kind of transmission it was: voice, data, tones, a bare carrier, or noise; and how sure that is.

Each tenth of a second is given to one kind by what it sounds like, its seconds are counted, and the counts
are weighed at the end. A word in ten seconds of noise is voice. It sorts, it never hides anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.kind_figures import AM, FM
from dsp.signalling.kind_measures import BLOCK_S, MEASURE_COUNT, measure_blocks
from dsp.signalling.passage import RATE_HZ, Passage

LEAST_SPEECH_S = 0.5  # less is not called voice
_SQUARED = 5  # measures whose square counts too, from the first on
INPUT_COUNT = MEASURE_COUNT + 1 + _SQUARED + 2  # spread of the level, its square, a constant
# Where the carrier-to-noise ratio stops saying anything more about the kind, dB.
_LEAST_RATIO_DB, _MOST_RATIO_DB = -5.0, 15.0
_MARGIN_S = 0.05  # half a block, so that none at all has a logarithm


class Kind(StrEnum):
    """What a transmission carried."""

    VOICE = "voice"
    TONES = "tones"
    DATA = "data"
    CARRIER = "unmodulated carrier"
    NOISE = "noise"


_KINDS = tuple(Kind)


@dataclass(frozen=True, slots=True)
class KindReading:
    """The kind of a transmission, and the seconds of each in it.

    Parameters
    ----------
    kind : Kind
    probability : float
        Posterior probability of `kind`, 0 to 1, all five being equally likely beforehand.
    speech_s, tone_s, data_s, carrier_s, noise_s : float
        Seconds that sounded like each, in steps of 0.1 s. Only what carries a voice's pitch sounds like
        speech: pauses between words count for what is heard in them.
    start_s, stop_s : float
        What was looked at, from the carrier's rise.
    """

    kind: Kind
    probability: float
    speech_s: float
    tone_s: float
    data_s: float
    carrier_s: float
    noise_s: float
    start_s: float
    stop_s: float


class KindDecoder:
    """Sorts one transmission. What it keeps does not grow with the transmission.

    Parameters
    ----------
    is_am : bool
        Whether the audio is modulation depth; otherwise it is Hz of deviation.
    """

    def __init__(self, *, is_am: bool = False) -> None:
        self._weights = AM if is_am else FM
        self._blocks = [0] * len(_KINDS)
        self._sure_blocks = [0.0] * len(_KINDS)
        self._start_s: float | None = None
        self._stop_s = 0.0

    def push(self, passage: Passage) -> list[KindReading]:
        """Take the next passage. Nothing is said before the end: the list is always empty."""
        measures = measure_blocks(passage)
        if len(measures):
            self._count(measures)
            if self._start_s is None:
                self._start_s = passage.first_sample / RATE_HZ
            self._stop_s = (passage.first_sample + len(passage.audio)) / RATE_HZ
        return []

    def finish(self, *, carrier_to_noise_db: float | None = None) -> KindReading | None:
        """The kind of what was pushed; None where there was too little to hear (under 60 ms).

        Parameters
        ----------
        carrier_to_noise_db : float or None
            Of the whole transmission, in its channel width, where it was measured. It tells wide data,
            which sounds like noise, from noise.
        """
        if self._start_s is None:
            return None
        inputs = np.log(np.array(self._sure_blocks) * BLOCK_S + _MARGIN_S)
        weights = self._weights.seconds
        if carrier_to_noise_db is not None and np.isfinite(carrier_to_noise_db):
            weights = self._weights.seconds_and_ratio
            inputs = np.append(inputs, np.clip(carrier_to_noise_db, _LEAST_RATIO_DB, _MOST_RATIO_DB))
        scores = inputs @ weights[:-1] + weights[-1]
        chances = np.exp(scores - scores.max())
        chances /= chances.sum()
        seconds = [float(round(count * BLOCK_S, 1)) for count in self._blocks]
        allowed = chances.copy()
        if seconds[0] < LEAST_SPEECH_S:
            allowed[0] = -1.0
        best = int(allowed.argmax())
        return KindReading(
            kind=_KINDS[best],
            probability=float(chances[best]),
            speech_s=seconds[0],
            tone_s=seconds[1],
            data_s=seconds[2],
            carrier_s=seconds[3],
            noise_s=seconds[4],
            start_s=self._start_s,
            stop_s=self._stop_s,
        )

    def _count(self, measures: NDArray[np.float32]) -> None:
        """Give each block to its likeliest kind; how likely that is counts as well."""
        inputs = np.empty((len(measures), INPUT_COUNT), dtype=np.float32)
        inputs[:, :MEASURE_COUNT] = measures
        level = measures[:, 0]
        level = level - level.sum() / len(level)
        inputs[:, MEASURE_COUNT] = np.sqrt(np.dot(level, level) / len(level))
        np.square(inputs[:, :_SQUARED], out=inputs[:, MEASURE_COUNT + 1 : -2])
        np.square(inputs[:, MEASURE_COUNT], out=inputs[:, -2])
        inputs[:, -1] = 1.0
        scores = inputs @ self._weights.block
        chosen = scores.argmax(axis=1)
        scores -= scores.max(axis=1)[:, None]
        sureness = 1.0 / np.exp(scores).sum(axis=1)
        for kind, sure in zip(chosen.tolist(), sureness.tolist(), strict=True):
            self._blocks[kind] += 1
            self._sure_blocks[kind] += sure
