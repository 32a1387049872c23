"""All tone calls of one transmission: digits, the long zero, the warning tone, paging.

One look at the frames and one search for steady tones serve all three decoders; they stand or fall together.
"""

from __future__ import annotations

from dsp.signalling.alert_tone import AlertTone, AlertToneDecoder
from dsp.signalling.dtmf import Digit, DtmfDecoder
from dsp.signalling.long_tone import LongTone
from dsp.signalling.passage import Passage
from dsp.signalling.steady_tones import SteadyTones
from dsp.signalling.tone_frames import FrameJoiner, Frames
from dsp.signalling.two_tone import TonePage, TwoToneDecoder

ToneClaim = Digit | LongTone | AlertTone | TonePage


class AudibleTones:
    """The tone calls of one transmission, at the cost of one search.

    `push` takes the passages in order, `finish` ends the transmission; both return what became known. The
    claims are those of `DtmfDecoder`, `AlertToneDecoder` and `TwoToneDecoder` on their own.
    """

    def __init__(self) -> None:
        self._joiner = FrameJoiner()
        self._tones = SteadyTones()
        self._keys = DtmfDecoder()
        self._alert = AlertToneDecoder()
        self._paging = TwoToneDecoder()

    def push(self, passage: Passage) -> list[ToneClaim]:
        """What is known after the next passage."""
        return self._take(self._joiner.push(passage), last=False)

    def finish(self) -> list[ToneClaim]:
        """What is left to say at the end."""
        frames = self._joiner.finish()
        claims = self._take(frames, last=True)
        return [*claims, *self._keys.end(frames), *self._alert.end(), *self._paging.end()]

    def _take(self, frames: Frames, *, last: bool) -> list[ToneClaim]:
        ended = self._tones.take(frames)
        ended += self._tones.finish() if last else []
        current = self._tones.current
        now_s = frames.instant_s(frames.stop)
        return [
            *self._keys.take(frames),
            *self._alert.take(ended, current, now_s),
            *self._paging.take(ended, current, now_s),
        ]
