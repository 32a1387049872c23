"""Measure a radio: noise, clipping, losses, how fast its reference runs, and lines it makes itself.

The radio is opened, tuned to each tuning for a while, and closed; what a radio does wrong meanwhile is told,
not raised.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from watcher.errors import RadioError
from watcher.radio.clocks import running_s
from watcher.radio.iq_measures import mean_spectrum, noise_floor_dbfs_hz, peak_dbfs
from watcher.radio.live import LiveRadio, LiveStream
from watcher.radio.survey_measures import (
    CarrierError,
    PpmEstimate,
    SteadyLine,
    carrier_error,
    estimate_ppm,
    find_carrier,
    mean_frequency_hz,
    steady_lines,
)

WEATHER_RADIO_HZ = tuple(range(162_400_000, 162_550_001, 25_000))
"""Stations that are on the air day and night: NWS marine weather radio page (read)."""

STATION_SIGMA_PPM = 2.5 / 3**0.5
"""2.5 ppm either way, evenly: 47 CFR 90.213 for base stations in 150-174 MHz, from memory; weather radio is a
federal service held to much the same."""

LOOK_FIRST_S = 1.0  # of a tuning, to see roughly where a carrier stands
LOOK_FIRST_BLOCKS = 4
SPECTRUM_BIN_HZ = 80.0
PIECE_BLOCKS = 8
READ_WAIT_S = 0.25
BUSY_SHARE = 0.5
"""Of the time that may go into measuring."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A channel to be looked at for lines: its name and the edges of its pass band, Hz."""

    name: str
    low_edge_hz: float
    high_edge_hz: float


@dataclass(frozen=True, slots=True)
class SurveyTuning:
    """A tuning to be measured, with the channels listed there and the carriers known to be there."""

    centre_hz: int
    channels: tuple[Listed, ...] = ()
    carriers_hz: tuple[int, ...] = WEATHER_RADIO_HZ


@dataclass(frozen=True, slots=True)
class TuningMeasured:
    """What one tuning showed.

    Parameters
    ----------
    centre_hz, sample_rate_hz : int
        As the radio was really set.
    seconds : float
        Received.
    floor_dbfs_hz, floor_sigma_db : float
        Median over the blocks of the noise floor, and how much it scattered between them.
    peak_dbfs, clipped_share : float
    lost_samples, losses : int
        Samples lost, in how many places.
    carriers : tuple of CarrierError
        Of the known carriers, those that were heard.
    lines : tuple of (str, SteadyLine)
        Lines on listed channels: the channel's name and the line.
    """

    centre_hz: int
    sample_rate_hz: int
    seconds: float
    floor_dbfs_hz: float
    floor_sigma_db: float
    peak_dbfs: float
    clipped_share: float
    lost_samples: int
    losses: int
    carriers: tuple[CarrierError, ...]
    lines: tuple[tuple[str, SteadyLine], ...]


@dataclass(frozen=True, slots=True)
class Survey:
    """What a radio showed; `failure` is the sentence with which it ended early, if it did."""

    label: str
    tunings: tuple[TuningMeasured, ...]
    ppm: PpmEstimate | None
    notes: tuple[str, ...]
    failure: str | None = None

    @property
    def lost_samples(self) -> int:
        """Over all tunings."""
        return sum(tuning.lost_samples for tuning in self.tunings)

    @property
    def seconds(self) -> float:
        """Received over all tunings."""
        return sum(tuning.seconds for tuning in self.tunings)


def survey(
    radio: LiveRadio,
    tunings: Sequence[SurveyTuning],
    *,
    seconds: float = 60.0,
    station_sigma_ppm: float = STATION_SIGMA_PPM,
    clock: Callable[[], float] = running_s,
    progress: Callable[[float], None] = lambda share: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> Survey:
    """Measure a radio on each tuning; `seconds` is for all of them together.

    Parameters
    ----------
    radio : LiveRadio
        Closed; it is closed again afterwards.
    tunings : sequence of SurveyTuning
        At least one.
    seconds : float
        A minute shows losses that come now and then.
    station_sigma_ppm : float
        Standard uncertainty of the known carriers' own frequencies.
    clock : callable
        Seconds that never step.
    progress : callable
        Told the share done, 0 to 1.
    stop_wanted : callable
        Ends the survey early; what was measured is kept.
    """
    measured: list[TuningMeasured] = []
    failure = None
    notes: list[str] = []
    try:
        radio.open()
        for number, tuning in enumerate(tunings):
            if stop_wanted():
                break
            stream = radio.tune(tuning.centre_hz)
            collected = _Collected(tuning)
            try:
                _collect(
                    stream,
                    collected,
                    seconds=seconds / len(tunings),
                    clock=clock,
                    progress=partial(_of_all, progress, number, len(tunings)),
                    stop_wanted=stop_wanted,
                )
            finally:
                stream.stop()
                if collected.samples:
                    measured.append(collected.measured())
    except RadioError as ended:
        failure = str(ended)
    finally:
        radio.close()
        notes += radio.notes()
    errors = [error for each in measured for error in each.carriers]
    return Survey(
        radio.label, tuple(measured), estimate_ppm(errors, station_sigma_ppm), tuple(notes), failure
    )


def _of_all(progress: Callable[[float], None], done: int, tunings: int, share: float) -> None:
    progress((done + share) / tunings)


def _collect(
    stream: LiveStream,
    collected: _Collected,
    *,
    seconds: float,
    clock: Callable[[], float],
    progress: Callable[[float], None],
    stop_wanted: Callable[[], bool],
) -> None:
    began_s = clock()
    busy_s = 0.0
    while (passed_s := clock() - began_s) < seconds and not stop_wanted():
        block = stream.read(READ_WAIT_S)
        if block is not None:
            collected.count(block)
            # A slow computer measures fewer blocks: what it loses must be the radio's loss, not its own.
            if busy_s <= BUSY_SHARE * passed_s:
                measured_s = clock()
                collected.measure(block)
                busy_s += clock() - measured_s
        progress(min(1.0, passed_s / seconds))


@dataclass(slots=True)
class _Collected:
    """What has been measured of one tuning; grows by a few numbers a block."""

    tuning: SurveyTuning
    samples: int = 0
    clipped: int = 0
    lost: int = 0
    losses: int = 0
    peak_dbfs: float = -np.inf
    centre_hz: int = 0
    rate_hz: int = 1
    bins: int = 0
    spectra: int = 0
    floors: list[float] = field(default_factory=list)
    pieces: list[NDArray[np.float64]] = field(default_factory=list)
    blocks_in_piece: int = 0
    seen_at_hz: dict[int, float] = field(default_factory=dict)
    looks: dict[int, list[tuple[float, float]]] = field(default_factory=dict)
    has_looked: bool = False

    def count(self, block: IqBlock) -> None:
        """What every block tells."""
        self.centre_hz, self.rate_hz = block.centre_hz, block.sample_rate_hz
        self.samples += len(block.samples)
        self.clipped += block.clipped
        self.lost += block.lost_before
        self.losses += block.lost_before > 0

    def measure(self, block: IqBlock) -> None:
        """What some blocks tell; one too short for a spectrum tells nothing."""
        self.peak_dbfs = max(self.peak_dbfs, peak_dbfs(block.samples))
        self.bins = self.bins or _power_of_two(block.sample_rate_hz / SPECTRUM_BIN_HZ)
        spectra = len(block.samples) // self.bins
        if not spectra:
            return
        self.floors.append(noise_floor_dbfs_hz(block.samples, block.sample_rate_hz))
        density = mean_spectrum(block.samples, block.sample_rate_hz, self.bins)
        if self.blocks_in_piece in (0, PIECE_BLOCKS):
            self.pieces.append(np.zeros(self.bins))
            self.blocks_in_piece = 0
        self.pieces[-1] += density
        self.blocks_in_piece += 1
        self.spectra += spectra
        enough = len(self.floors) >= LOOK_FIRST_BLOCKS and self.samples >= LOOK_FIRST_S * self.rate_hz
        if enough and not self.has_looked:
            self._look(np.sum(self.pieces, axis=0) / len(self.floors))
        if self.seen_at_hz:  # by turns: mixing the whole block takes longer than all else here
            carrier_hz = list(self.seen_at_hz)[len(self.floors) % len(self.seen_at_hz)]
            offset_hz = self.seen_at_hz[carrier_hz]
            self.looks[carrier_hz].append(mean_frequency_hz(block.samples, self.rate_hz, offset_hz))

    def measured(self) -> TuningMeasured:
        """The figures."""
        floor = float(np.median(self.floors)) if self.floors else float("nan")
        floor_density = 10 ** (floor / 10)
        errors = [
            carrier_error(carrier_hz, self.centre_hz, looks, floor_density)
            for carrier_hz, looks in self.looks.items()
        ]
        return TuningMeasured(
            centre_hz=self.centre_hz,
            sample_rate_hz=self.rate_hz,
            seconds=self.samples / self.rate_hz,
            floor_dbfs_hz=floor,
            floor_sigma_db=float(np.std(self.floors)) if self.floors else float("nan"),
            peak_dbfs=self.peak_dbfs,
            clipped_share=self.clipped / self.samples,
            lost_samples=self.lost,
            losses=self.losses,
            carriers=tuple(error for error in errors if error is not None),
            lines=tuple(self._lines()),
        )

    def _look(self, density: NDArray[np.float64]) -> None:
        self.has_looked = True
        for carrier_hz in self.tuning.carriers_hz:
            offset_hz = find_carrier(density, self.rate_hz, carrier_hz - self.centre_hz)
            if offset_hz is not None:
                self.seen_at_hz[carrier_hz] = offset_hz
                self.looks[carrier_hz] = []

    def _lines(self) -> list[tuple[str, SteadyLine]]:
        whole = self.pieces if self.blocks_in_piece == PIECE_BLOCKS else self.pieces[:-1]
        if len(whole) < 2:
            return []
        spectra_in_piece = self.spectra * PIECE_BLOCKS // len(self.floors)
        pieces = np.array(whole) / PIECE_BLOCKS
        return [
            (channel.name, line)
            for channel in self.tuning.channels
            for line in steady_lines(
                pieces,
                spectra_in_piece,
                self.rate_hz,
                self.centre_hz,
                [(channel.low_edge_hz, channel.high_edge_hz)],
            )
        ]


def _power_of_two(most: float) -> int:
    """The largest power of two up to `most`, at least 512."""
    return max(512, 1 << (int(most).bit_length() - 1))
