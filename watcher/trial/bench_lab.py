"""The signals and meters of the receiver bench: TIA-603's methods carried over to IQ.

Signals are closed formulas. What is measured is the road of a clip's audio (filter bank, discriminator, voice
filter) and the squelch; a real radio in front adds its own noise and its own faults. The standard is sold
under licence and was not read. Criterion and standard test modulation: TIA-603-E 1.3.3.12, 2.1.4 and 1.3.3.5
(secondary). Limits: see `watcher.trial.bench_limits`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from dsp.audio import VoiceFilter
from dsp.channelizer import ChannelCut, Channelizer
from dsp.demodulate import instantaneous_frequency
from dsp.detector import Detector
from dsp.squelch import Closing, Opening

RATE_HZ = 96_000
OFFSET_HZ = 3_100.0  # the wanted channel stands at no special place
TONE_HZ = 1000.0
UNWANTED_TONE_HZ = 400.0  # modulates the unwanted station (from memory)
AUDIO_HZ = 16_000
SETTLED = 4000  # audio frames left out at either end: filters
CRITERION_DB = 12.0

Wave = NDArray[np.complex128]
Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Service:
    """One kind of channel."""

    name: str
    spacing_hz: float
    rated_hz: float  # TIA-603 rated system deviation (secondary)
    pass_band_hz: float

    @property
    def standard_hz(self) -> float:
        """Standard test modulation: 60 % of rated deviation (TIA-603-E 1.3.3.5, secondary)."""
        return 0.6 * self.rated_hz


NARROW = Service("12.5 kHz", 12_500.0, 2500.0, 11_000.0)
WIDE = Service("25 kHz", 25_000.0, 5000.0, 16_000.0)


def bank(service: Service, rate_hz: int = RATE_HZ) -> Channelizer:
    """The filter bank with the one wanted channel."""
    return Channelizer(rate_hz, [ChannelCut(OFFSET_HZ, service.pass_band_hz)])


@lru_cache(maxsize=8)
def noise_width_hz(service: Service, rate_hz: int = RATE_HZ) -> float:
    """Equivalent noise bandwidth of the channel filter, Hz."""
    return float(bank(service, rate_hz).noise_bandwidth_hz[0])


def fm_wave(
    offset_hz: float, deviation_hz: float, tone_hz: float, seconds: float, rate_hz: int = RATE_HZ
) -> Wave:
    """FM by a sine, amplitude 1: the phase is the integral of the swing."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    turn = 2 * np.pi * offset_hz * t - deviation_hz / tone_hz * np.cos(2 * np.pi * tone_hz * t)
    made: Wave = np.exp(1j * turn)
    return made


def white_noise(seconds: float, seed: int, rate_hz: int = RATE_HZ) -> Wave:
    """White, power 1 over the whole rate: density 1 / rate."""
    rng = np.random.default_rng(seed)
    parts = rng.standard_normal((round(seconds * rate_hz), 2)) * np.sqrt(0.5)
    return np.asarray(parts.view(np.complex128)[:, 0])


def audio_of(service: Service, samples: Wave, rate_hz: int = RATE_HZ) -> Sound:
    """The road of a clip's audio: filter bank, discriminator, voice filter; Hz of deviation."""
    channelizer = bank(service, rate_hz)
    pieces = [*channelizer.push(samples.astype(np.complex64)), *channelizer.finish()]
    channel = np.concatenate([piece.blocks[0].samples for piece in pieces], axis=1)
    channel_rate_hz = channelizer.groups[0].rate_hz
    swing = instantaneous_frequency(channel[:, 1:], channel[:, 0], channel_rate_hz)
    audio = VoiceFilter(channel_rate_hz, "nfm", 1, AUDIO_HZ).push(swing, np.array([0]), 1)
    return audio[0, SETTLED:-SETTLED].astype(np.float64)


def sinad(audio: Sound, tone_hz: float = TONE_HZ) -> float:
    """SINAD by its definition, dB: the tone is fitted out at its known frequency."""
    t = np.arange(len(audio)) / AUDIO_HZ
    basis = np.stack([np.ones_like(t), np.cos(2 * np.pi * tone_hz * t), np.sin(2 * np.pi * tone_hz * t)])
    rest = audio - np.linalg.lstsq(basis.T, audio, rcond=None)[0] @ basis
    return float(10 * np.log10(np.var(audio) / np.mean(rest**2)))


def tone_size(audio: Sound, tone_hz: float) -> float:
    """Amplitude of a tone of known frequency in audio."""
    t = np.arange(len(audio)) / AUDIO_HZ
    return float(2 * abs(np.mean(audio * np.exp(-2j * np.pi * tone_hz * t))))


def amplitude(service: Service, cnr_db: float, rate_hz: int = RATE_HZ) -> float:
    """Of a carrier that stands so far over unit noise, in the channel's noise bandwidth."""
    return float(np.sqrt(10 ** (cnr_db / 10) * noise_width_hz(service, rate_hz) / rate_hz))


def crossing(over: Callable[[float], float], low: float, high: float, step: float) -> float:
    """Where a falling or rising figure crosses zero; an end of the range where it does not within it.

    Parameters
    ----------
    over : callable
    low, high, step : float
        The range, and how exactly the place is wanted.
    """
    first, last = over(low), over(high)
    if first * last > 0:
        return low if abs(first) < abs(last) else high
    return float(brentq(over, low, high, xtol=step))


@dataclass(frozen=True)
class Bench:
    """One receiver under test, with its seed; longer signals give steadier figures.

    Parameters
    ----------
    service : Service
    seed : int
    seconds : float
        Of test signal for each SINAD.
    """

    service: Service
    seed: int = 603
    seconds: float = 16.0

    def sinad_at(self, cnr_db: float, seconds: float | None = None) -> float:
        """SINAD of standard test modulation at a carrier to noise ratio, dB."""
        length_s = seconds or self.seconds
        service = self.service
        wanted = _standard(service, length_s)
        return sinad(audio_of(service, amplitude(service, cnr_db) * wanted + _noise(length_s, self.seed)))

    def reference_cnr_db(self) -> float:
        """Carrier to noise at reference sensitivity, 12 dB SINAD (TIA-603-E 1.3.3.12, 2.1.4, secondary)."""
        return _reference(self)

    def adjacent_rejection_db(self, side: int, seconds: float = 4.0) -> float:
        """How far over reference sensitivity a neighbour brings SINAD back to 12 dB.

        TIA-603-E 2.1.6 method (section and details from memory): wanted 3 dB over reference sensitivity; one
        channel away a carrier modulated by 400 Hz with 60 % of rated deviation, raised until SINAD is 12 dB
        again. Beyond some 100 dB the rounding of float32 takes part; radios fail far earlier.
        """
        return self._rejection_db(OFFSET_HZ + side * self.service.spacing_hz, seconds, (20.0, 200.0))

    def co_channel_rejection_db(self, seconds: float = 4.0) -> float:
        """The same with the unwanted station on the wanted one's own frequency: negative, by capture."""
        return self._rejection_db(OFFSET_HZ, seconds, (-40.0, 20.0))

    def spurious_rejection_db(self, seconds: float = 4.0) -> tuple[float, float]:
        """The least of the same over places far from the channel, and where it is, Hz from the channel.

        The places: near both ends of the span, and halfway to each.
        """
        places = [share * RATE_HZ for share in (-0.45, -0.3, 0.3, 0.45)]
        found = [(self._rejection_db(place, seconds, (20.0, 200.0)), place - OFFSET_HZ) for place in places]
        return min(found)

    def _rejection_db(self, unwanted_hz: float, seconds: float, within: tuple[float, float]) -> float:
        service = self.service
        reference = amplitude(service, self.reference_cnr_db())
        wanted = _standard(service, seconds) * reference * 10 ** (3 / 20) + _noise(seconds, self.seed)
        unwanted = reference * fm_wave(unwanted_hz, service.standard_hz, UNWANTED_TONE_HZ, seconds)

        def over(rejection_db: float) -> float:
            return sinad(audio_of(service, wanted + unwanted * 10 ** (rejection_db / 20))) - CRITERION_DB

        return crossing(over, *within, 0.2)

    def squelch_times_s(self, over_reference_db: float) -> tuple[list[float], list[float]]:
        """Attack and closing times of ten carriers keyed at no particular place of the frame grid.

        Raises
        ------
        ValueError
            Not every carrier opened and closed the squelch once.
        """
        channelizer = bank(self.service)
        detector = Detector(channelizer)
        size = amplitude(self.service, self.reference_cnr_db() + over_reference_db)
        ups = [1.0 + 1.5137 * n for n in range(10)]
        samples = _noise(17.0, self.seed).copy()
        keyed = fm_wave(OFFSET_HZ, self.service.standard_hz, TONE_HZ, 0.75)
        for up in ups:
            first = round(up * RATE_HZ)
            samples[first : first + len(keyed)] += size * keyed
        events = [
            event
            for piece in channelizer.push(samples.astype(np.complex64))
            for event in detector.push(piece).events
        ]
        openings = [event for event in events if isinstance(event, Opening)]
        closings = [event for event in events if isinstance(event, Closing)]
        if not len(openings) == len(closings) == len(ups):
            raise ValueError(f"{len(openings)} of {len(ups)} carriers opened the squelch")
        hop_s = channelizer.shape.hop_seconds
        # a frame's decision falls when its last sample is in, and the filter's half length behind it
        late_s = hop_s + channelizer.delay_samples / RATE_HZ
        attacks = [event.frame * hop_s + late_s - up for event, up in zip(openings, ups, strict=True)]
        closes = [event.frame * hop_s + late_s - up - 0.75 for event, up in zip(closings, ups, strict=True)]
        return attacks, closes


@lru_cache(maxsize=32)
def _reference(bench: Bench) -> float:
    return crossing(lambda cnr_db: bench.sinad_at(cnr_db) - CRITERION_DB, 3.0, 12.0, 0.03)


@lru_cache(maxsize=4)
def _noise(seconds: float, seed: int) -> Wave:
    return white_noise(seconds, seed)


@lru_cache(maxsize=4)
def _standard(service: Service, seconds: float) -> Wave:
    return fm_wave(OFFSET_HZ, service.standard_hz, TONE_HZ, seconds)
