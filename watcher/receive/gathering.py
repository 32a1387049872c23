"""The measures of one transmission, gathered while it is on the air and drawn up when it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, RealSamples
from dsp.signalling import dcs
from dsp.signalling.ctcss import TonePiece, decide, first_word
from dsp.signalling.tail import reverse_burst
from watcher.receive.low_band_kept import KeptLowBand
from watcher.receive.records import CodeReading, Measured, ToneReading, Transmission

SAMPLE_S = 1.0  # of channel samples that are kept to measure deviation and frequency on
FIRST_WORD_S = 0.3  # after which the tone is named for the first time
Decoder = Callable[[RealSamples, float], TonePiece]
EDGE_GUARD_S = 0.02  # of the sub-audible part left out at either edge of the carrier


@dataclass(frozen=True, slots=True, eq=False)
class FrameRun:
    """Frame measures over consecutive frames of the filter bank, one row a channel or of one channel."""

    first_frame: int
    power: NDArray[np.float32]
    floor: NDArray[np.float32]
    lag_one: ComplexSamples


class Gathering:
    """Gather what a transmission's measures need, in bounded memory.

    Times are seconds after the first sample of the clip.

    Parameters
    ----------
    row : int
        The channel's row in the frame measures.
    carrier_up_s : float
        When the carrier came up.
    channel_rate_hz : float
    low_band_rate_hz : float
        0 where the mode carries no sub-audible tone.
    low_band_from_s : float
        The instant of the first sub-audible sample.
    """

    def __init__(
        self,
        row: int,
        carrier_up_s: float,
        channel_rate_hz: float,
        low_band_rate_hz: float,
        low_band_from_s: float,
    ) -> None:
        self._row = row
        self._carrier_up_s = carrier_up_s
        self._channel_rate_hz = channel_rate_hz
        self._low_rate_hz = low_band_rate_hz
        self._low_from_s = low_band_from_s
        self._runs: list[FrameRun] = []
        self._low_band = KeptLowBand(low_band_rate_hz)
        self._sample: list[ComplexSamples] = []
        self._sample_held = 0
        self._seen = 0
        self._word_tried = False
        self.first_word: ToneReading | None = None
        self.problems: list[str] = []

    def take_frames(self, run: FrameRun) -> None:
        """Frame measures of the next slice, all channels; only the reference is kept."""
        self._runs.append(run)

    def follow(self, earlier: Gathering) -> None:
        """Take over the frame measures of an earlier piece, part of which belongs to this one."""
        self._runs = list(earlier._runs)

    def take_samples(self, samples: ComplexSamples) -> None:
        """Channel samples in order; the first seconds after the carrier came up are kept."""
        ahead = max(0, round(self._carrier_up_s * self._channel_rate_hz) - self._seen)
        room = int(SAMPLE_S * self._channel_rate_hz) - self._sample_held
        self._seen += len(samples)
        if room > 0 and len(samples) > ahead:
            kept = samples[ahead : ahead + room].copy()
            self._sample.append(kept)
            self._sample_held += len(kept)

    def take_low_band(self, low_band: RealSamples) -> None:
        """Sub-audible samples in order; the tone is named once there is enough."""
        self._low_band.push(low_band)
        held_s = self._low_from_s + self._low_band.samples / self._low_rate_hz
        if not self._word_tried and held_s >= self._carrier_up_s + FIRST_WORD_S:
            self._word_tried = True
            heard = self._low_between(self._carrier_up_s, self._carrier_up_s + FIRST_WORD_S)
            word = self._guarded(first_word, heard)
            self.first_word = None if word is None else _as_tone(word, 1000 * FIRST_WORD_S)

    def sample(self, carrier_down_s: float) -> ComplexSamples:
        """The channel samples kept, up to the carrier's fall; shape (n,)."""
        if not self._sample:
            return np.empty(0, np.complex64)
        held = round((carrier_down_s - max(self._carrier_up_s, 0.0)) * self._channel_rate_hz)
        return np.concatenate(self._sample)[: max(held, 0)]

    def frames(self, first_frame: int, stop_frame: int) -> FrameRun:
        """The frame measures within [first_frame, stop_frame), as one run."""
        power, floor, lag_one = (
            [np.empty(0, np.float32)],
            [np.empty(0, np.float32)],
            [np.empty(0, np.complex64)],
        )
        for run in self._runs:
            lower = max(0, first_frame - run.first_frame)
            upper = max(lower, stop_frame - run.first_frame)
            power.append(run.power[self._row, lower:upper])
            floor.append(run.floor[self._row, lower:upper])
            lag_one.append(run.lag_one[self._row, lower:upper])
        return FrameRun(first_frame, np.concatenate(power), np.concatenate(floor), np.concatenate(lag_one))

    def tone(self, carrier_down_s: float) -> ToneReading | None:
        """The tone, judged on the whole transmission; None where the mode carries none."""
        if not self._low_rate_hz:
            return None
        heard = self._low_between(self._carrier_up_s + EDGE_GUARD_S, carrier_down_s - EDGE_GUARD_S)
        final = self._guarded(decide, heard)
        if final is None:
            return None
        first_ms = None
        if (
            final.tone_hz is not None
            and self.first_word is not None
            and self.first_word.tone_hz == final.tone_hz
        ):
            first_ms = self.first_word.first_word_ms
        return _as_tone(final, first_ms)

    def code(self, carrier_down_s: float) -> CodeReading | None:
        """The digital code, judged on the whole transmission; None where the mode carries none."""
        if not self._low_rate_hz:
            return None
        heard = self._low_between(self._carrier_up_s + EDGE_GUARD_S, carrier_down_s - EDGE_GUARD_S)
        try:
            reading = dcs.decide(heard, self._low_rate_hz)
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong in a decoder stays in it
            self.problems.append(f"the code decoder failed ({failure!r}); the code is unknown")
            return None
        begun_s = reading.turn_off_s
        return CodeReading(
            code=reading.name,
            other_name=reading.inverted_name,
            deviation_hz=reading.deviation_hz,
            probability=reading.probability,
            turn_off_s=None if begun_s is None else len(heard) / self._low_rate_hz + EDGE_GUARD_S - begun_s,
        )

    def goodbye_s(self, carrier_down_s: float, heard: Transmission) -> float | None:
        """How long before the carrier's fall a reverse burst or a turn-off code began; None without one."""
        if heard.code is not None and heard.code.code is not None:
            return heard.code.turn_off_s
        if heard.tone is None or heard.tone.tone_hz is None or heard.tone.estimate_hz is None:
            return None
        low_band = self._low_between(self._carrier_up_s, carrier_down_s)
        try:
            burst = reverse_burst(low_band, self._low_rate_hz, heard.tone.estimate_hz.value)
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong in a decoder stays in it
            self.problems.append(f"the search for a reverse burst failed ({failure!r}); the clip ends later")
            return None
        return None if burst is None else burst.before_end_s

    def _guarded(self, decoder: Decoder, heard: RealSamples) -> TonePiece | None:
        """Run a decoder; if it fails, that costs its own result and never the clip."""
        try:
            return decoder(heard, self._low_rate_hz)
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong in a decoder stays in it
            self.problems.append(f"the tone decoder failed ({failure!r}); the tone is unknown")
            return None

    def _low_between(self, start_s: float, stop_s: float) -> RealSamples:
        first = max(0, round((start_s - self._low_from_s) * self._low_rate_hz))
        stop = max(first, round((stop_s - self._low_from_s) * self._low_rate_hz))
        return self._low_band.between(first, stop)


def _as_tone(reading: TonePiece, first_word_ms: float | None) -> ToneReading:
    return ToneReading(
        tone_hz=reading.tone_hz,
        estimate_hz=_measured(reading.estimate_hz, reading.estimate_sigma_hz),
        deviation_hz=_measured(reading.deviation_hz, reading.deviation_sigma_hz),
        probability=reading.probability,
        first_word_ms=first_word_ms,
    )


def _measured(value: float | None, sigma: float | None) -> Measured | None:
    return None if value is None else Measured(value, sigma)
