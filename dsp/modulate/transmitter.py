"""One transmitter: audio in, complex baseband out, from key-down to key-up.

Narrowband FM with pre-emphasis, deviation limit and sub-audible tone or code; AM with a depth limit; a bare
carrier. The carrier has an amplitude of 1 while it is up. What the air and the receiver do to it is elsewhere
in this package. There is no path from here to any radio.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TypeAlias

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.modulate.audio_shaping import PROGRAMME_RATE_HZ, shape_audio
from dsp.modulate.digital_code import DigitalCode

LEAST_SYNTHESIS_RATE_HZ = 48_000
"""Below this rate the sidebands of wide FM would fold, so they are made here and filtered down."""

_CHUNK = 1 << 18


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Audio:
    """What the microphone hears.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A full-scale sine has an amplitude of 1.
    rate_hz : int
    start_s : float
        Seconds from key-down to the first sample; silence before.
    repeats : bool
        Whether the audio starts again when it ends; otherwise silence follows.
    """

    samples: NDArray[np.floating]
    rate_hz: int
    start_s: float = 0.0
    repeats: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ctcss:
    """A sub-audible tone, with the phase flip that announces the end where `reverse_burst_s` is not 0.

    Makers flip by 180 or 120 degrees for 80 to 200 ms (TIA-603 1.3.5.4, secondary); speech is mute then.
    """

    tone_hz: float
    deviation_hz: float = 350.0
    phase_rad: float = 0.0
    reverse_burst_s: float = 0.0
    reverse_degrees: float = 180.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Fm:
    """Narrowband FM.

    Parameters
    ----------
    audio : Audio or None
        None sends the carrier with nothing but the tone or code.
    deviation_limit_hz : float
        Peak deviation that speech, tone and code together never pass.
    drive : float
        Share of the deviation limit that a full-scale 1 kHz sine would reach without limiter; 0.6 is standard
        test modulation (TIA-603-E, 1.3.3.5, secondary), above 1 the limiter works; speech with a peak of 1
        sounds as loud as on the air at about 4.
    emphasised : bool
        Whether speech is lifted by 6 dB/octave (750 us).
    low_cut_hz : float or None
        Corner of the high-pass for speech, None to send its low end too, as cheap radios do.
    tone : Ctcss or None
    code : DigitalCode or None

    Raises
    ------
    ValueError
        The tone or the code deviates by more than the limit.
    """

    audio: Audio | None = None
    deviation_limit_hz: float = 2500.0
    drive: float = 1.0
    emphasised: bool = True
    low_cut_hz: float | None = None
    tone: Ctcss | None = None
    code: DigitalCode | None = None

    def __post_init__(self) -> None:
        if self.under_hz > self.deviation_limit_hz:
            name = " and ".join(name for name in ("tone", "code") if getattr(self, name) is not None)
            raise ValueError(
                f"the {name} deviates by {self.under_hz} Hz; it must stay under the limit of "
                f"{self.deviation_limit_hz} Hz"
            )

    @property
    def under_hz(self) -> float:
        """What tone and code take of the deviation, Hz."""
        return sum(under.deviation_hz for under in (self.tone, self.code) if under is not None)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Am:
    """Amplitude modulation with full carrier.

    Parameters
    ----------
    audio : Audio or None
    depth : float
        Modulation depth of a full-scale 1 kHz sine.
    depth_limit : float
        Depth that no peak passes.
    low_cut_hz : float or None

    Raises
    ------
    ValueError
        `depth_limit` is not between 0 and 1.
    """

    audio: Audio | None = None
    depth: float = 0.8
    depth_limit: float = 0.95
    low_cut_hz: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.depth_limit <= 1.0:
            raise ValueError(f"depth_limit is {self.depth_limit}; it must be between 0 and 1")


@dataclass(frozen=True, slots=True)
class Unmodulated:
    """A carrier and nothing else."""


Modulation: TypeAlias = Fm | Am | Unmodulated


class Sender:
    """The baseband of one key-down, in pieces of any length.

    Parameters
    ----------
    modulation : Fm, Am or Unmodulated
    sample_rate_hz : float
        Complex samples per second; need not be whole.
    seconds : float
        From key-down to key-up. Outside it the samples are exactly zero.
    first_instant_s : float
        Instant of the first sample against key-down; may be negative.
    offset_hz : float
        Where the carrier stands.
    rise_s, fall_s : float
        Raised-cosine slopes, inside the key-down.

    Raises
    ------
    ValueError
        The rate or duration is not positive.
    """

    def __init__(
        self,
        modulation: Modulation,
        *,
        sample_rate_hz: float,
        seconds: float,
        first_instant_s: float = 0.0,
        offset_hz: float = 0.0,
        rise_s: float = 0.003,
        fall_s: float = 0.003,
    ) -> None:
        if sample_rate_hz <= 0 or seconds <= 0:
            raise ValueError(
                f"sample_rate_hz is {sample_rate_hz} and seconds is {seconds}; both must be positive"
            )
        self._modulation = modulation
        self._rate_hz = float(sample_rate_hz)
        self._seconds = seconds
        self._first_instant_s = first_instant_s
        self._offset_hz = offset_hz
        self._rise_s = rise_s
        self._fall_s = fall_s
        self._taken = 0
        self._turned_rad = 0.0  # phase from modulation so far
        self._programme = _programme(modulation)

    def take(self, count: int) -> NDArray[np.complex64]:
        """The next `count` samples, complex64, carrier amplitude 1."""
        places = np.arange(self._taken - 1, self._taken + count + 1, dtype=np.float64)
        instants_s = places / self._rate_hz + self._first_instant_s
        self._taken += count
        inside_s = instants_s[1:-1]
        if inside_s.size == 0 or inside_s[-1] < 0.0 or inside_s[0] >= self._seconds:
            return np.zeros(count, dtype=np.complex64)
        phase_rad = 2.0 * np.pi * self._offset_hz * inside_s
        if isinstance(self._modulation, Fm):
            swing_hz = self._swing_hz(self._modulation, instants_s)
            # The phase moves by the mean of the swing over a sample, not by its value in the middle:
            # mean = middle + second difference / 24, good to 1e-4 at 3 kHz and 48 kS/s.
            mean_hz = swing_hz[1:-1] + np.diff(swing_hz, 2) / 24.0
            mean_hz[inside_s < 0.0] = 0.0  # counted from key-down, however the samples are taken
            turned_rad = self._turned_rad + np.cumsum(mean_hz) * (2.0 * np.pi / self._rate_hz)
            self._turned_rad = float(turned_rad[-1] % (2.0 * np.pi))
            phase_rad += turned_rad
        amplitude = self._envelope(inside_s)
        if isinstance(self._modulation, Am) and self._modulation.audio is not None:
            amplitude *= 1.0 + self._speech(self._modulation.audio, inside_s)
        out = np.empty(count, dtype=np.complex64)
        out.real = amplitude * np.cos(phase_rad)
        out.imag = amplitude * np.sin(phase_rad)
        return out

    def _swing_hz(self, modulation: Fm, instants_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Instantaneous frequency against the carrier, Hz."""
        swing_hz = np.zeros(instants_s.size)
        speech_stop_s = self._seconds
        tone = modulation.tone
        if tone is not None:
            turn_rad = 2.0 * np.pi * tone.tone_hz * instants_s + tone.phase_rad
            if tone.reverse_burst_s > 0:
                speech_stop_s -= tone.reverse_burst_s
                turn_rad -= np.where(instants_s >= speech_stop_s, np.deg2rad(tone.reverse_degrees), 0.0)
            swing_hz += tone.deviation_hz * np.sin(turn_rad)
        if modulation.code is not None:
            stop_s = self._seconds - modulation.code.turn_off_s
            speech_stop_s = min(speech_stop_s, stop_s)
            swing_hz += modulation.code.swing_hz(instants_s, stop_s)
        if modulation.audio is not None:
            speech = self._speech(modulation.audio, instants_s)
            speech[instants_s >= speech_stop_s] = 0.0
            swing_hz += speech
        return swing_hz

    def _speech(self, audio: Audio, instants_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """The shaped programme at the asked instants, zero where there is none."""
        programme = self._programme
        place = (instants_s - audio.start_s) * PROGRAMME_RATE_HZ
        if self._rate_hz == PROGRAMME_RATE_HZ:  # one to one: move by less than a sample and only copy
            index = np.floor(place[0] + 0.5).astype(np.int64) + np.arange(place.size)
            values = np.asarray(programme.take(index, mode="wrap"), dtype=np.float64)
        else:
            values = _cubic(programme, place)
        before = place < 0
        if not audio.repeats:
            before |= place >= programme.size
        values[before] = 0.0
        return values

    def _envelope(self, instants_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude of the carrier between key-down and key-up."""
        rising = np.clip(instants_s / max(self._rise_s, 1e-9), 0.0, 1.0)
        falling = np.clip((self._seconds - instants_s) / max(self._fall_s, 1e-9), 0.0, 1.0)
        steady = (instants_s >= 0.0) & (instants_s < self._seconds)
        return np.where(steady, np.sin(0.5 * np.pi * rising) ** 2 * np.sin(0.5 * np.pi * falling) ** 2, 0.0)


def transmit(
    modulation: Modulation,
    *,
    sample_rate_hz: int,
    seconds: float,
    offset_hz: float = 0.0,
    rise_s: float = 0.003,
    fall_s: float = 0.003,
) -> NDArray[np.complex64]:
    """One whole key-down as complex baseband, carrier amplitude 1.

    Parameters
    ----------
    modulation : Fm, Am or Unmodulated
    sample_rate_hz : int
        Below 48 kS/s the signal is made at a multiple and filtered down: flat to 0.42 of the rate,
        80 dB down at half of it.
    seconds, offset_hz, rise_s, fall_s : float
        As for :class:`Sender`.

    Returns
    -------
    ndarray of complex64, shape (round(seconds * sample_rate_hz),)

    Examples
    --------
    >>> carrier = transmit(Unmodulated(), sample_rate_hz=16_000, seconds=0.1, offset_hz=250.0)
    >>> carrier.shape, carrier.dtype
    ((1600,), dtype('complex64'))
    """
    count = round(seconds * sample_rate_hz)
    factor = ceil(LEAST_SYNTHESIS_RATE_HZ / sample_rate_hz) if sample_rate_hz > 0 else 1
    sender = Sender(
        modulation,
        sample_rate_hz=sample_rate_hz * factor,
        seconds=seconds,
        offset_hz=offset_hz,
        rise_s=rise_s,
        fall_s=fall_s,
    )
    total = count * factor
    made = np.concatenate(
        [sender.take(min(_CHUNK, total - at)) for at in range(0, total, _CHUNK)]
        or [np.zeros(0, dtype=np.complex64)]
    )
    if factor == 1 or total == 0:
        return made
    # Kaiser's formula for 80 dB over 0.08 of the low rate
    taps, beta = scipy.signal.kaiserord(80.0, 0.16 / factor)
    prototype = scipy.signal.firwin(taps | 1, 0.92 / factor, window=("kaiser", beta))
    return np.asarray(scipy.signal.resample_poly(made, 1, factor, window=prototype), dtype=np.complex64)


def _programme(modulation: Modulation) -> NDArray[np.float32]:
    """The shaped audio of a modulation: Hz of deviation, or depth; one zero where there is none."""
    if isinstance(modulation, Unmodulated) or modulation.audio is None:
        return np.zeros(1, dtype=np.float32)
    audio = modulation.audio
    if isinstance(modulation, Am):
        full_scale, limit, emphasised = modulation.depth, modulation.depth_limit, False
    else:
        limit = modulation.deviation_limit_hz - modulation.under_hz
        full_scale = modulation.drive * modulation.deviation_limit_hz
        emphasised = modulation.emphasised
    return shape_audio(
        audio.samples,
        audio_rate_hz=audio.rate_hz,
        full_scale=full_scale,
        limit=limit,
        emphasised=emphasised,
        low_cut_hz=modulation.low_cut_hz,
        repeats=audio.repeats,
    )


def _cubic(values: NDArray[np.float32], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Third-order Lagrange interpolation of a repeating array at fractional places."""
    whole = np.floor(place)
    x = place - whole
    index = whole.astype(np.int64)
    weights = (
        -x * (x - 1.0) * (x - 2.0) / 6.0,
        (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
        -(x + 1.0) * x * (x - 2.0) / 2.0,
        (x + 1.0) * x * (x - 1.0) / 6.0,
    )
    total = np.zeros(place.size)
    for lag, weight in enumerate(weights):
        total += weight * values.take(index + (lag - 1), mode="wrap")
    return total
