"""The keys that a transmission sends in tones, after ITU-T Q.23 and Q.24, and the long zero.

A key is taken from 40 ms on, never at 23 ms or less; equal keys are two when 40 ms of quiet lie between them,
and one across a break of 10 ms. A zero held for 3 s is an amateur convention for distress.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dsp.signalling.key_frames import COLUMNS_HZ, KEYS, ROWS_HZ, ZERO, KeyStretch, key_stretches
from dsp.signalling.long_tone import LongTone, ZeroRow
from dsp.signalling.passage import Passage
from dsp.signalling.tone_frames import FrameJoiner, Frames, fine_frequency

# ITU-T Q.24, table A-1 (secondary copies; config/dtmf.csv): 40 ms must operate, 23 ms must not; 1.5 % must,
# 3.5 % must not; a break of 10 ms must not split, a pause of 40 ms must. Half way each.
SHORTEST_S = 0.0315
TOLERANCE = 0.021
SHORTEST_PAUSE_S = 0.025
LONGEST_NOISY_PAUSE_S = 0.06  # one that noise fills is a fade
NOISY = 0.35  # of the tones' power; the pauses of a keypad are quiet
# Measured: 40 ms of a key at 6 dB carrier-to-noise in 11 kHz hold a share of 0.66 or more and a third line of
# 0.05 or less; 25 minutes of speech 0.74 or less and 0.04 or more where they look like a key at all.
# Distortion makes third lines, but leaves the share high.
LEAST_SHARE, LARGEST_THIRD = 0.58, 0.055
SURE_SHARE, SURE_THIRD = 0.88, 0.12
LONG_PAUSE_S = 2.0
MOST_ZEROS = 256  # that are held back; more without 0.1 s of pause do not come from a keypad


@dataclass(frozen=True, slots=True)
class Digit:
    """One key sent.

    Parameters
    ----------
    key : str
        0 to 9, A to D, * or #.
    start_s, stop_s : float
        From the carrier's rise; good to about 3 ms.
    row_hz, column_hz : float
        As measured.
    row_rms, column_rms : float
        Of each tone, in the unit of the audio (Hz of deviation, or depth).
    share : float
        Share of the power from 312 to 3000 Hz that is the two tones, 0.5 to 1.
    """

    key: str
    start_s: float
    stop_s: float
    row_hz: float
    column_hz: float
    row_rms: float
    column_rms: float
    share: float

    @property
    def twist_db(self) -> float:
        """How much stronger the row tone is."""
        return float(20 * np.log10(self.row_rms / self.column_rms))


def dialled(digits: Sequence[Digit], pause_s: float = LONG_PAUSE_S) -> str:
    """The keys as one text, a space where more than `pause_s` lie between two."""
    text = ""
    for before, digit in zip([None, *digits], digits, strict=False):
        apart = before is not None and digit.start_s - before.stop_s > pause_s
        text += " " + digit.key if apart else digit.key
    return text


class DtmfDecoder:
    """The keys of one transmission.

    `push` and `finish` return digits and long tones in order of their end; `take` and `end` serve those that
    share the frames with others. A zero is held back until 0.1 s has shown that it is over.

    Examples
    --------
    >>> from dsp.modulate.tones import key_sequence
    >>> from dsp.signalling.passage import PassageCutter
    >>> cutter, decoder = PassageCutter(), DtmfDecoder()
    >>> sent = key_sequence("A10#", rate_hz=16_000)
    >>> passages = cutter.push(sent) + cutter.finish()
    >>> dialled([digit for p in passages for digit in decoder.push(p)] + decoder.finish())
    'A10#'
    """

    def __init__(self) -> None:
        self._joiner = FrameJoiner()
        self._open: KeyStretch | None = None
        self._zeros = ZeroRow()
        self._held: list[Digit] = []  # zeros that may turn out to be one long tone

    def push(self, passage: Passage) -> list[Digit | LongTone]:
        """What is known after the next passage."""
        return self.take(self._joiner.push(passage))

    def finish(self) -> list[Digit | LongTone]:
        """What is left to say at the end."""
        frames = self._joiner.finish()
        return self.take(frames) + self.end(frames)

    def take(self, frames: Frames) -> list[Digit | LongTone]:
        """Judge the next frames."""
        claims: list[Digit | LongTone] = []
        for stretch in key_stretches(frames):
            joined = self._joined(stretch, frames)
            if joined is None:
                claims += self._close(frames)
                self._open = stretch
            else:
                self._open = joined
        now_s = frames.instant_s(frames.stop)
        if self._open is not None and now_s - self._open.stop_s > LONGEST_NOISY_PAUSE_S:
            claims += self._close(frames)
        going_on = self._open if self._open is not None and self._open.key == ZERO else None
        if self._zeros.is_over(now_s, going_on):
            claims += self._end_zeros()
        return claims + list(self._zeros.look(going_on))

    def end(self, frames: Frames) -> list[Digit | LongTone]:
        """Nothing more comes: close what is open."""
        return self._close(frames) + self._end_zeros()

    def _joined(self, stretch: KeyStretch, frames: Frames) -> KeyStretch | None:
        """The open key with this stretch added, None where another key begins."""
        before = self._open
        if before is None or before.key != stretch.key:
            return None
        pause_s = stretch.start_s - before.stop_s
        if pause_s >= SHORTEST_PAUSE_S and not (
            pause_s < LONGEST_NOISY_PAUSE_S
            and quiet_between(frames, before.stop_s, stretch.start_s, before.total) > NOISY
        ):
            return None
        weight = before.frames / (before.frames + stretch.frames)
        mean = {
            name: weight * getattr(before, name) + (1 - weight) * getattr(stretch, name)
            for name in ("row_hz", "column_hz", "row_power", "column_power", "share", "third", "total")
        }
        return replace(
            stretch,
            start_s=before.start_s,
            stop_s=max(before.stop_s, stretch.stop_s),
            frames=before.frames + stretch.frames,
            **mean,
        )

    def _close(self, frames: Frames) -> list[Digit | LongTone]:
        """The open key is over."""
        stretch, self._open = self._open, None
        if stretch is None:
            return []
        digit = _digit(stretch, frames)
        sent = [digit] if digit is not None else []
        if stretch.key != ZERO:
            # What is too short to be a key does not end a row of zeros: noise can look like one.
            return [*self._end_zeros(), *sent] if sent else []
        over = [] if self._zeros.continues(stretch) else self._end_zeros()
        noise = quiet_between(frames, self._zeros.stop_s, stretch.start_s, stretch.total)
        self._zeros.add(stretch, noise)
        self._held = [*self._held, *sent][-MOST_ZEROS:]
        return over

    def _end_zeros(self) -> list[Digit | LongTone]:
        """The row of zeros is over: one long tone, or digits."""
        held, self._held = self._held, []
        whole = self._zeros.end()
        if whole is None:
            return list(held)
        long_tone, stretch = whole
        return [_as_digit(stretch, stretch.row_hz, stretch.column_hz), long_tone]


def quiet_between(frames: Frames, start_s: float, stop_s: float, tones_power: float) -> float:
    """Power between two instants over that of the tones beside it; 0 where no window fits between."""
    # Windows reach 16 ms to either side, of which the outer halves of the taper weigh little.
    if not start_s > 0:
        return 0.0
    first = int(np.ceil(frames.column_at(start_s + 0.012)))
    last = int(np.floor(frames.column_at(stop_s - 0.012)))
    between = frames.total[max(first, 0) : max(last + 1, 0)]
    return float(np.median(between)) / max(tones_power, 1e-30) if len(between) else 0.0


def _digit(stretch: KeyStretch, frames: Frames) -> Digit | None:
    """The digit that a stretch is, by the limits of Q.24; None where it is none."""
    seconds = stretch.stop_s - stretch.start_s
    largest_third = SURE_THIRD if stretch.share >= SURE_SHARE else LARGEST_THIRD
    if seconds < SHORTEST_S or stretch.share < LEAST_SHARE or stretch.third > largest_third:
        return None
    piece = frames.span(stretch.start_s + 0.003, stretch.stop_s - 0.003, 0.1)
    row = fine_frequency(piece, stretch.row_hz, 30.0)
    column = fine_frequency(piece, stretch.column_hz, 30.0)
    row_hz = row[0] if row else stretch.row_hz
    column_hz = column[0] if column else stretch.column_hz
    listed = ROWS_HZ[stretch.key // 4], COLUMNS_HZ[stretch.key % 4]
    if max(abs(row_hz / listed[0] - 1), abs(column_hz / listed[1] - 1)) > TOLERANCE:
        return None
    return _as_digit(stretch, row_hz, column_hz)


def _as_digit(stretch: KeyStretch, row_hz: float, column_hz: float) -> Digit:
    return Digit(
        key=KEYS[stretch.key],
        start_s=stretch.start_s,
        stop_s=stretch.stop_s,
        row_hz=row_hz,
        column_hz=column_hz,
        row_rms=float(np.sqrt(stretch.row_power / 1.5)),
        column_rms=float(np.sqrt(stretch.column_power / 1.5)),
        share=stretch.share,
    )
