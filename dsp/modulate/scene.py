"""A scene on the air as one receiver samples it: many transmissions, noise and faults, and the truth.

Memory depends on the output rate and on the audio handed in, not on the length of the scene.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from dsp.modulate.air import Fading, FadingPath, ImpulseNoise, Impulses, carrier_power, complex_noise
from dsp.modulate.front_end import FrontEnd, FrontEndFaults, from_cu8, to_cu8
from dsp.modulate.span import SpanMixer, Speaker
from dsp.modulate.transmitter import Fm, Modulation, Unmodulated


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Emission:
    """One key-down in a scene.

    Parameters
    ----------
    start_s, stop_s : float
        True time in the scene when the carrier begins to rise and when it has fallen. May lie outside
        the scene: a start before 0 is a transmission already up when the recording begins.
    offset_hz : float
        Carrier against the centre of the scene, the transmitter's error included, the receiver's not.
    cnr_db : float
        Carrier over noise in `cnr_width_hz`, fading aside.
    cnr_width_hz : float
    modulation : Fm, Am or Unmodulated
    fading : Fading or None
    rise_s, fall_s : float
    label : str
        Any name, for the truth.

    Raises
    ------
    ValueError
        The stop is not later than the start.
    """

    start_s: float
    stop_s: float
    offset_hz: float
    cnr_db: float
    cnr_width_hz: float = 11_000.0
    modulation: Modulation = field(default_factory=Unmodulated)
    fading: Fading | None = None
    rise_s: float = 0.003
    fall_s: float = 0.003
    label: str = ""

    def __post_init__(self) -> None:
        if not self.stop_s > self.start_s:
            raise ValueError(f"stop_s is {self.stop_s}; it must be later than start_s, {self.start_s}")


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseRise:
    """A span in which the noise over the whole passband stands higher."""

    start_s: float
    stop_s: float
    rise_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of one emission in the samples of a scene.

    `start_sample` and `stop_sample` count samples and are cut to the scene; `offset_hz` is where the
    carrier appears in the samples, the receiver's error included; `tone_hz` is the CTCSS tone or None.
    """

    label: str
    start_sample: int
    stop_sample: int
    offset_hz: float
    cnr_db: float
    cnr_width_hz: float
    power_dbfs: float
    mode: str
    tone_hz: float | None
    on_at_start: bool
    on_at_end: bool


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scene:
    """Everything one recording holds.

    Parameters
    ----------
    sample_rate_hz : int
        Nominal rate of the samples.
    seconds : float
    emissions : tuple of Emission
    noise_dbfs : float
        Mean |x|^2 of the noise over the whole sample rate.
    centre_hz : int
        Radio frequency at 0 Hz as the receiver believes it.
    ppm_error : float
        The receiver's clock runs fast by this much: it tunes too high, so that carriers appear too low,
        and it takes its samples too quickly.
    rises : tuple of NoiseRise
    impulses : tuple of Impulses
    front_end : FrontEnd or None
    eight_bit : bool
        Whether samples pass through the codes of an 8-bit radio.

    Notes
    -----
    Only what lies inside the span appears: a transmission across its edge is cut there, as by an
    anti-alias filter.

    Raises
    ------
    ValueError
        The rate is under 8000 Hz or the duration is negative.
    """

    sample_rate_hz: int
    seconds: float
    emissions: tuple[Emission, ...] = ()
    noise_dbfs: float = -30.0
    centre_hz: int = 0
    ppm_error: float = 0.0
    rises: tuple[NoiseRise, ...] = ()
    impulses: tuple[Impulses, ...] = ()
    front_end: FrontEnd | None = None
    eight_bit: bool = False

    def __post_init__(self) -> None:
        if self.sample_rate_hz < 8000 or self.seconds < 0:
            raise ValueError(
                f"sample_rate_hz is {self.sample_rate_hz} and seconds is {self.seconds}; "
                "they must be at least 8000 and 0"
            )

    @property
    def samples(self) -> int:
        """How many samples the scene has."""
        return round(self.seconds * self.sample_rate_hz)

    def truth(self) -> tuple[Truth, ...]:
        """What a perfect receiver would find, in order of start; emissions outside the scene are left out."""
        found = []
        clock_hz = self.sample_rate_hz * (1.0 + self.ppm_error * 1e-6)
        for emission in self.emissions:
            start, stop = round(emission.start_s * clock_hz), round(emission.stop_s * clock_hz)
            if stop <= 0 or start >= self.samples:
                continue
            modulation = emission.modulation
            tone = modulation.tone if isinstance(modulation, Fm) else None
            found.append(
                Truth(
                    label=emission.label,
                    start_sample=max(start, 0),
                    stop_sample=min(stop, self.samples),
                    offset_hz=self._seen_offset_hz(emission),
                    cnr_db=emission.cnr_db,
                    cnr_width_hz=emission.cnr_width_hz,
                    power_dbfs=float(10.0 * np.log10(self._power(emission))),
                    mode={"Fm": "fm", "Am": "am"}.get(type(modulation).__name__, "carrier"),
                    tone_hz=None if tone is None else tone.tone_hz,
                    on_at_start=start < 0,
                    on_at_end=stop > self.samples,
                )
            )
        return tuple(sorted(found, key=lambda truth: truth.start_sample))

    def blocks(self, rng: np.random.Generator, *, block_samples: int = 65_536) -> Iterator[IqBlock]:
        """The samples in order, in blocks of `block_samples` (the last may be shorter).

        The same state of `rng` gives the same samples whatever the block size.

        Raises
        ------
        ValueError
            `block_samples` is not positive.
        """
        if block_samples <= 0:
            raise ValueError(f"block_samples is {block_samples}; it must be positive")
        held: list[NDArray[np.complex64]] = []
        size = first = 0
        for piece in self._pieces(rng):
            held.append(piece)
            size += len(piece)
            if size < block_samples:
                continue
            joined = np.concatenate(held)
            whole = size - size % block_samples
            for at in range(0, whole, block_samples):
                yield self._block(joined[at : at + block_samples], first)
                first += block_samples
            held, size = [joined[whole:]], size - whole
        if size:
            yield self._block(np.concatenate(held), first)

    def render(self, rng: np.random.Generator) -> NDArray[np.complex64]:
        """All samples at once, for short scenes; complex64, shape (samples,)."""
        parts = [block.samples for block in self.blocks(rng)]
        return np.concatenate(parts) if parts else np.zeros(0, dtype=np.complex64)

    def _block(self, samples: NDArray[np.complex64], first: int) -> IqBlock:
        clipped = 0
        if self.eight_bit:
            codes, clipped = to_cu8(samples)
            samples = from_cu8(codes)
        return IqBlock(
            samples=samples,
            first_sample=first,
            sample_rate_hz=self.sample_rate_hz,
            centre_hz=self.centre_hz,
            clipped=clipped,
        )

    def _pieces(self, rng: np.random.Generator) -> Iterator[NDArray[np.complex64]]:
        """Pieces of one length each, the last cut to the scene, before quantising."""
        clock_hz = self.sample_rate_hz * (1.0 + self.ppm_error * 1e-6)
        noise_rng, fault_rng, impulse_rng, fading_rng = rng.spawn(4)
        speakers = [
            self._speaker(emission, one)
            for emission, one in zip(self.emissions, fading_rng.spawn(len(self.emissions)), strict=True)
        ]
        mixer = SpanMixer(speakers, sample_rate_hz=self.sample_rate_hz, clock_hz=clock_hz)
        impulses = [
            ImpulseNoise(one, sample_rate_hz=clock_hz, rng=child)
            for one, child in zip(self.impulses, impulse_rng.spawn(len(self.impulses)), strict=True)
        ]
        faults = None
        if self.front_end is not None:
            faults = FrontEndFaults(self.front_end, sample_rate_hz=clock_hz, rng=fault_rng)
        noise_power = 10.0 ** (self.noise_dbfs / 10.0)
        for first in range(0, self.samples, mixer.hop):
            piece = complex_noise(mixer.hop, power=noise_power, rng=noise_rng)
            for rise in self.rises:
                start = min(max(round(rise.start_s * clock_hz) - first, 0), mixer.hop)
                stop = min(max(round(rise.stop_s * clock_hz) - first, 0), mixer.hop)
                piece[start:stop] *= np.float32(10.0 ** (rise.rise_db / 20.0))
            mixer.add_to(piece)
            for source in impulses:
                source.add_to(piece)
            if faults is not None:
                piece = faults.push(piece)
            yield piece[: self.samples - first]

    def _speaker(self, emission: Emission, rng: np.random.Generator) -> Speaker:
        """The emission as the mixer wants it: what it sends, where and how strongly it arrives."""
        return Speaker(
            modulation=emission.modulation,
            start_s=emission.start_s,
            stop_s=emission.stop_s,
            offset_hz=emission.offset_hz - self.centre_hz * self.ppm_error * 1e-6,
            power=self._power(emission),
            path=None if emission.fading is None else FadingPath(emission.fading, rng),
            rise_s=emission.rise_s,
            fall_s=emission.fall_s,
        )

    def _power(self, emission: Emission) -> float:
        """Power of an unfaded carrier, against full scale."""
        return carrier_power(
            cnr_db=emission.cnr_db,
            width_hz=emission.cnr_width_hz,
            noise_power=10.0 ** (self.noise_dbfs / 10.0),
            sample_rate_hz=self.sample_rate_hz,
        )

    def _seen_offset_hz(self, emission: Emission) -> float:
        """Where the carrier appears in samples read at the nominal rate."""
        stretch = 1.0 + self.ppm_error * 1e-6
        return (self.centre_hz + emission.offset_hz - self.centre_hz * stretch) / stretch
