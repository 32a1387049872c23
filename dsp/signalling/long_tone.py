"""A zero held for three seconds or more: an amateur convention for distress, "long tone zero".

Source: a custom described in the ARRL Repeater Directory 1997-98 (P. Newland), as a reprint gives it: the
zero (941 and 1336 Hz) for at least 3 s, then voice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.signalling.key_frames import KeyStretch

FLAG = "long-tone"
LEAST_S = 3.0
LONGEST_BREAK_S = 0.1
LEAST_FILLED = 0.75
QUIET = 0.35  # a break in which less than this share of the tones' power is heard was made by a finger
EVEN_S = 0.02  # keypads that send digits of fixed length keep it to a few milliseconds
LONGEST_FIXED_S = 1.2
TOLERANCE = 0.025
_MEASURING_S = 0.012  # the two ends of what is measured as 3 s may be off by so much together
_MOST_PIECES = 256


@dataclass(frozen=True, slots=True)
class LongTone:
    """A zero held for three seconds or more.

    Parameters
    ----------
    start_s, stop_s : float
        From the carrier's rise; where it has not ended, how far it was heard by now.
    ended : bool
        False in the first claim, made while the tone goes on; a second, of the same start, when it ended.
    row_hz, column_hz : float
    share : float
        Share of the power from 312 to 3000 Hz that is the two tones, 0 to 1.
    filled : float
        Share of the time in which they were heard, breaks being the rest.
    """

    start_s: float
    stop_s: float
    ended: bool
    row_hz: float
    column_hz: float
    share: float
    filled: float


class ZeroRow:
    """Zeros less than 100 ms apart: one tone with fades in it, or a key pressed again and again."""

    def __init__(self) -> None:
        self._pieces: list[KeyStretch] = []
        self._breaks: list[float] = []  # noise in each break over the tones' power
        self._claimed = False
        self._start_s: float | None = None
        self._seen_s = 0.0

    @property
    def stop_s(self) -> float:
        """Where the row ends so far."""
        return self._pieces[-1].stop_s if self._pieces else -np.inf

    def continues(self, stretch: KeyStretch) -> bool:
        """Does this zero belong to the row?"""
        return not self._pieces or stretch.start_s - self.stop_s < LONGEST_BREAK_S

    def add(self, stretch: KeyStretch, noise: float) -> None:
        """Another piece; `noise` is what was heard in the break before it, over the tones' power."""
        if self._start_s is None:
            self._start_s = stretch.start_s
        else:
            self._breaks.append(noise)
        self._pieces.append(stretch)
        self._seen_s += stretch.stop_s - stretch.start_s
        del self._pieces[:-_MOST_PIECES], self._breaks[:-_MOST_PIECES]

    def is_over(self, now_s: float, going_on: KeyStretch | None) -> bool:
        """Has the row ended for good?"""
        if going_on is not None:
            return not self.continues(going_on)
        return bool(self._pieces) and now_s - self.stop_s > LONGEST_BREAK_S

    def look(self, going_on: KeyStretch | None) -> list[LongTone]:
        """The first claim, once there are three seconds; nothing afterwards."""
        if self._claimed:
            return []
        tone = self._long_tone(self._pieces if going_on is None else [*self._pieces, going_on])
        if tone is None:
            return []
        self._claimed = True
        return [replace(tone, ended=False)]

    def end(self) -> tuple[LongTone, KeyStretch] | None:
        """Forget the row: the long tone that it was and its measures as one stretch, or None."""
        pieces, claimed = self._pieces, self._claimed
        tone = self._long_tone(pieces, certain=claimed)
        self._pieces, self._breaks, self._claimed, self._start_s, self._seen_s = [], [], False, None, 0.0
        if tone is None:
            return None
        merged = replace(
            pieces[-1], start_s=tone.start_s, row_hz=tone.row_hz, column_hz=tone.column_hz, share=tone.share
        )
        return tone, merged

    def _long_tone(self, pieces: list[KeyStretch], certain: bool = False) -> LongTone | None:
        if not pieces:
            return None
        start_s = pieces[0].start_s if self._start_s is None else self._start_s
        stop_s = pieces[-1].stop_s
        extra = pieces[-1].stop_s - pieces[-1].start_s if len(pieces) > len(self._pieces) else 0.0
        filled = (self._seen_s + extra) / max(stop_s - start_s, 1e-9)
        weights = np.array([piece.frames for piece in pieces], float)
        values = np.array([(piece.row_hz, piece.column_hz, piece.share) for piece in pieces])
        row_hz, column_hz, share = (float(mean) for mean in weights @ values / weights.sum())
        off = max(abs(row_hz / 941.0 - 1), abs(column_hz / 1336.0 - 1))
        long_enough = stop_s - start_s >= LEAST_S - _MEASURING_S and filled >= LEAST_FILLED
        if not certain and (not long_enough or off > TOLERANCE or self._is_keyed(pieces)):
            return None
        return LongTone(start_s, stop_s, True, row_hz, column_hz, share, min(filled, 1.0))

    def _is_keyed(self, pieces: list[KeyStretch]) -> bool:
        """Are these digits of one fixed length, with quiet between them?"""
        if len(pieces) < 3:
            return False
        seconds = np.array([piece.stop_s - piece.start_s for piece in pieces])
        earlier = seconds[:-1]
        even = np.ptp(earlier) <= EVEN_S and seconds[-1] <= earlier.max() + EVEN_S
        quiet = float(np.median(self._breaks)) < QUIET if self._breaks else True
        return bool(even and quiet and earlier.max() <= LONGEST_FIXED_S)
