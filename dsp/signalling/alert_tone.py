"""The warning tone of weather radio: 1050 Hz for 8 to 10 s ahead of a spoken warning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.signalling.passage import Passage
from dsp.signalling.steady_tones import SteadyTone, SteadyTones
from dsp.signalling.tone_frames import FrameJoiner

FLAG = "alert-tone"
# "Warning alarm tone, 1050 Hz" for about 10 s; receivers react within 5 s (NWS, NWR alarms page and alerting
# description, as secondary copies give it). How far a sender may be off is 0.3 % from memory.
TONE_HZ = 1050.0
SENDER_SIGMA_HZ = 0.003 * TONE_HZ / 2
TOLERANCE = 0.013  # 1 % must pass, 2 % must not: common practice, no source
# The second tone of a paging call lasts about 3 s, the longest in use 4 s; a tone with another just before it
# waits until no paging call would still send it.
REACT_S, REACT_AFTER_TONE_S = 4.5, 7.0
LONGEST_FADE_S = 1.0
JUST_BEFORE_S = 0.4
LEAST_FILLED = 0.8
OTHER_TONES_HZ = 2700.0  # where a steady tone that is no warning may lie: anywhere in the voice band


@dataclass(frozen=True, slots=True)
class AlertTone:
    """The warning tone was sent.

    Parameters
    ----------
    start_s, stop_s : float
        From the carrier's rise; `stop_s` is how far it was heard by now where it has not ended.
    ended : bool
        False in the first claim, made while the tone goes on; a second with the same start then says when
        it ended.
    frequency_hz, rms : float
        Of the tone; the latter in the unit of the audio.
    log_odds : float
        Natural logarithm of the odds that a tone of this frequency is the warning tone and not some other
        steady tone of the voice band, both being equally likely before.
    """

    start_s: float
    stop_s: float
    ended: bool
    frequency_hz: float
    rms: float
    log_odds: float


def log_odds(frequency_hz: float) -> float:
    """How much a measured frequency speaks for the warning tone.

    Half of the senders as exact as the rule wants them, half anywhere within the tolerance; other tones lie
    anywhere in the voice band.
    """
    off = (frequency_hz - TONE_HZ) / SENDER_SIGMA_HZ
    exact = np.exp(-0.5 * off**2) / (SENDER_SIGMA_HZ * np.sqrt(2 * np.pi))
    within = abs(frequency_hz - TONE_HZ) <= TOLERANCE * TONE_HZ
    loose = 1 / (2 * TOLERANCE * TONE_HZ) if within else 0.0
    return float(np.log(max(0.5 * (exact + loose) * OTHER_TONES_HZ, 1e-12)))


class AlertToneDecoder:
    """The warning tone in one transmission.

    `push` and `finish` return claims; one that shares the search for steady tones with others calls
    `take` and `end` instead.

    Examples
    --------
    >>> from dsp.modulate.tones import tone
    >>> from dsp.signalling.passage import PassageCutter
    >>> cutter, decoder = PassageCutter(), AlertToneDecoder()
    >>> sent = tone(tone_hz=1050.0, seconds=6.0, rate_hz=16_000)
    >>> claims = [claim for passage in cutter.push(sent) for claim in decoder.push(passage)]
    >>> [(claim.ended, round(claim.frequency_hz)) for claim in claims + decoder.finish()]
    [(False, 1050), (True, 1050)]
    """

    def __init__(self) -> None:
        self._joiner = FrameJoiner()
        self._tones = SteadyTones()
        self._chain: list[SteadyTone] = []  # the warning tone so far, in pieces between fades
        self._needed_s = REACT_S
        self._other_stop_s = -1e9
        self._claimed = False

    def push(self, passage: Passage) -> list[AlertTone]:
        """What can be said after the next passage."""
        frames = self._joiner.push(passage)
        ended = self._tones.take(frames)
        return self.take(ended, self._tones.current, frames.instant_s(frames.stop))

    def finish(self) -> list[AlertTone]:
        """What is left to say at the end."""
        frames = self._joiner.finish()
        ended = self._tones.take(frames) + self._tones.finish()
        return self.take(ended, None, frames.instant_s(frames.stop)) + self.end()

    def take(self, ended: list[SteadyTone], current: SteadyTone | None, now_s: float) -> list[AlertTone]:
        """Weigh the tones that ended and the one that goes on, as `SteadyTones` gives them."""
        claims: list[AlertTone] = []
        for tone in ended:
            if not _fits(tone):
                self._other_stop_s = tone.stop_s
                continue
            if self._chain and tone.start_s - self._chain[-1].stop_s > LONGEST_FADE_S:
                claims += self.end()
            self._begin(tone)
            self._chain.append(tone)
            self._chain = self._chain[:1] + self._chain[1:][-64:]
        going_on = [current] if current is not None and _fits(current) else []
        if self._chain and going_on and going_on[0].start_s - self._chain[-1].stop_s > LONGEST_FADE_S:
            claims += self.end()
        if going_on:
            self._begin(going_on[0])
        so_far = self._chain + going_on
        if so_far and not self._claimed and self._enough(so_far):
            self._claimed = True
            claims.append(_claim(so_far, ended=False))
        if self._chain and not going_on and now_s - self._chain[-1].stop_s > LONGEST_FADE_S:
            claims += self.end()
        return claims

    def end(self) -> list[AlertTone]:
        """The tone so far is over: the last claim on it, if it was one."""
        chain, self._chain = self._chain, []
        enough = bool(chain) and (self._claimed or self._enough(chain))
        self._claimed = False
        return [_claim(chain, ended=True)] if enough else []

    def _begin(self, tone: SteadyTone) -> None:
        if not self._chain:
            after_another = -0.05 < tone.start_s - self._other_stop_s < JUST_BEFORE_S
            self._needed_s = REACT_AFTER_TONE_S if after_another else REACT_S

    def _enough(self, tones: list[SteadyTone]) -> bool:
        seconds = tones[-1].stop_s - tones[0].start_s
        seen_s = sum(tone.seconds * tone.filled for tone in tones)
        return seconds >= self._needed_s and seen_s >= LEAST_FILLED * seconds


def _fits(tone: SteadyTone) -> bool:
    return abs(tone.frequency_hz - TONE_HZ) <= TOLERANCE * TONE_HZ and tone.spread_hz <= TOLERANCE * TONE_HZ


def _claim(tones: list[SteadyTone], *, ended: bool) -> AlertTone:
    weights = np.array([tone.seconds for tone in tones])
    means = weights @ np.array([(tone.frequency_hz, tone.rms) for tone in tones]) / weights.sum()
    return AlertTone(
        start_s=tones[0].start_s,
        stop_s=tones[-1].stop_s,
        ended=ended,
        frequency_hz=float(means[0]),
        rms=float(means[1]),
        log_odds=log_odds(float(means[0])),
    )
