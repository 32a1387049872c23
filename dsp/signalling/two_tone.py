"""Two-tone sequential paging, as fire and rescue services call their crews.

The first tone lasts about 1 s, the second about 3 s; one tone of about 8 s calls a group. Frequencies and
durations are measured, never rounded to a list: makers' lists differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dsp.signalling.alert_tone import TOLERANCE as ALERT_TOLERANCE
from dsp.signalling.alert_tone import TONE_HZ as ALERT_HZ
from dsp.signalling.passage import Passage
from dsp.signalling.steady_tones import SteadyTone, SteadyTones
from dsp.signalling.tone_frames import FrameJoiner

# Common practice of the services, no source: 1 s and 3 s, quick variants 0.4 s and 0.8 s, a group tone of
# 8 s.
FIRST_S = (0.35, 2.0)
SECOND_S = 0.7
GROUP_S = 5.5
LONGEST_GAP_S = 0.4
LEAST_DIFFERENCE = 0.015  # neighbours in makers' lists are 2.5 to 3 % apart
PLAN_TOLERANCE = 0.012
# The second tone is this much longer than the first, in one call and in a row of them; a melody's is not.
PAIR_RATIO, ROW_RATIO = 1.4, 2.0
MOST_IN_ROW = 64


@dataclass(frozen=True, slots=True)
class TonePage:
    """A paging call.

    Parameters
    ----------
    start_s, stop_s : float
        From the carrier's rise.
    first_hz, first_s : float
        The first tone, or the only one of a group call.
    second_hz, second_s : float or None
        The second tone; None for a group call.
    share : float
        Share of the audio's power that is the tones, 0 to 1: how clear the call was.
    """

    start_s: float
    stop_s: float
    first_hz: float
    first_s: float
    second_hz: float | None
    second_s: float | None
    share: float


def named_page(
    page: TonePage, pairs: Mapping[str, tuple[float, float | None]], tolerance: float = PLAN_TOLERANCE
) -> str | None:
    """The name of the pair that a call was sent with.

    Parameters
    ----------
    page : TonePage
    pairs : mapping of str to (float, float or None)
        First and second tone in Hz of each named pair; None as the second stands for a group call.
    tolerance : float
        How far each tone may be off, as a share.

    Returns
    -------
    str or None
        The closest pair whose tones are both within the tolerance; None where no pair is.
    """
    best, best_off = None, tolerance
    for name, (first_hz, second_hz) in pairs.items():
        if (second_hz is None) != (page.second_hz is None):
            continue
        off = abs(page.first_hz / first_hz - 1)
        if second_hz is not None and page.second_hz is not None:
            off = max(off, abs(page.second_hz / second_hz - 1))
        if off <= best_off:
            best, best_off = name, off
    return best


class TwoToneDecoder:
    """Paging calls in one transmission.

    A call is reported 0.4 s after its last tone, when it is known that no other follows: one tone after
    another without end is a melody. `take` and `end` serve those that share the search for steady tones.

    Examples
    --------
    >>> from dsp.modulate.tones import two_tone
    >>> from dsp.signalling.passage import PassageCutter
    >>> cutter, decoder = PassageCutter(), TwoToneDecoder()
    >>> call = two_tone(600.0, 1200.0, rate_hz=16_000)
    >>> pages = [page for p in cutter.push(call) for page in decoder.push(p)] + decoder.finish()
    >>> [(round(p.first_hz), round(p.first_s, 1), round(p.second_hz), round(p.second_s, 1)) for p in pages]
    [(600, 1.0, 1200, 3.0)]
    """

    def __init__(self) -> None:
        self._joiner = FrameJoiner()
        self._tones = SteadyTones()
        self._row: list[SteadyTone] = []

    def push(self, passage: Passage) -> list[TonePage]:
        """The calls that are over after the next passage."""
        frames = self._joiner.push(passage)
        ended = self._tones.take(frames)
        return self.take(ended, self._tones.current, frames.instant_s(frames.stop))

    def finish(self) -> list[TonePage]:
        """The call that was still open, if any."""
        frames = self._joiner.finish()
        ended = self._tones.take(frames) + self._tones.finish()
        return self.take(ended, None, frames.instant_s(frames.stop)) + self.end()

    def take(self, ended: list[SteadyTone], current: SteadyTone | None, now_s: float) -> list[TonePage]:
        """Weigh the tones that ended; `current` is the one that goes on."""
        pages: list[TonePage] = []
        for tone in ended:
            if self._row and tone.start_s - self._row[-1].stop_s > LONGEST_GAP_S:
                pages += self.end()
            self._row.append(tone)
            del self._row[MOST_IN_ROW:]  # so long a row is no call whatever follows
        last_s = current.start_s if current is not None else now_s
        if self._row and last_s - self._row[-1].stop_s > LONGEST_GAP_S:
            pages += self.end()
        return pages

    def end(self) -> list[TonePage]:
        """Nothing follows the tones so far: the calls they make up."""
        row, self._row = self._row, []
        if len(row) == 1 and row[0].seconds >= GROUP_S and not _is_alert(row[0]):
            return [_page(row[0], None)]
        if len(row) % 2 or len(row) >= MOST_IN_ROW:
            return []
        pairs = list(zip(row[::2], row[1::2], strict=True))
        ratio = PAIR_RATIO if len(pairs) == 1 else ROW_RATIO
        return [_page(a, b) for a, b in pairs] if all(_makes_pair(a, b, ratio) for a, b in pairs) else []


def _is_alert(tone: SteadyTone) -> bool:
    return abs(tone.frequency_hz - ALERT_HZ) <= ALERT_TOLERANCE * ALERT_HZ


def _makes_pair(first: SteadyTone, second: SteadyTone, ratio: float) -> bool:
    return (
        FIRST_S[0] <= first.seconds <= FIRST_S[1]
        and second.seconds >= max(SECOND_S, ratio * first.seconds)
        and abs(first.frequency_hz / second.frequency_hz - 1) >= LEAST_DIFFERENCE
    )


def _page(first: SteadyTone, second: SteadyTone | None) -> TonePage:
    last = second or first
    seconds = first.seconds + (second.seconds if second else 0.0)
    heard = first.share * first.seconds + (second.share * second.seconds if second else 0.0)
    return TonePage(
        start_s=first.start_s,
        stop_s=last.stop_s,
        first_hz=first.frequency_hz,
        first_s=first.seconds,
        second_hz=second.frequency_hz if second else None,
        second_s=second.seconds if second else None,
        share=heard / seconds,
    )
