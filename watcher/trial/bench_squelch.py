"""What the bench measures on the squelch: where it opens and closes, how fast, and how near the ideal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dsp.channelizer import cell_powers
from dsp.detector import Detector
from dsp.noise_floor import NoiseFloor
from dsp.squelch import LONG_FRAMES, Closing, Opening
from watcher.trial import bench_limits as limits
from watcher.trial import bench_theory as theory
from watcher.trial.bench_lab import (
    OFFSET_HZ,
    RATE_HZ,
    TONE_HZ,
    Bench,
    Wave,
    amplitude,
    bank,
    fm_wave,
    noise_width_hz,
    white_noise,
)
from watcher.trial.bench_rows import Curve, Plot, Row
from watcher.trial.causes import steady_enough_db

LEAD_S = 1.0  # of noise before the first carrier: the floor is learned
KEYED_S, PAUSE_S = 1.0, 0.6
LEVELS_DB = (-6.0, -5.0, -4.0, -3.0, -2.0, -1.0, 0.0, 1.0)
CLOSING_LEVELS_DB = (-8.0, -5.0, -4.0, -3.5, -3.0, -2.5, -2.0, -1.0)
PIECE_S = 10.0
ROC_LEVELS_DB = (-12.0, -10.0)


def points(bench: Bench, carriers: int) -> tuple[list[Row], Plot]:
    """Where half of all carriers open the squelch, and where half of those that fade away close it."""
    service = bench.service
    squelch = Detector(bank(service)).squelch
    opened = tuple(_share_opened(bench, level, carriers) for level in LEVELS_DB)
    closed = tuple(_share_closed(bench, level, max(3, carriers // 2)) for level in CLOSING_LEVELS_DB)
    opens_db, closes_db = _half(LEVELS_DB, opened), _half(CLOSING_LEVELS_DB, closed)
    energy_db = float(10 * np.log10(squelch.long_ratio[0] - 1))
    steady_db = steady_enough_db(1)
    rows = [
        Row(
            "squelch opens at",
            service.name,
            opens_db,
            "dB",
            None,
            max(energy_db, steady_db),
            "the harder of energy (F law) and a steady envelope (Rice), in the mean of one look",
            f"{carriers} carriers of {KEYED_S:g} s a level, standard modulation; half of them open",
        ),
        Row(
            "squelch closes at",
            service.name,
            closes_db,
            "dB",
            None,
            float(10 * np.log10(squelch.close_ratio[0] - 1)),
            "energy of two frames under its own limit",
            "an open carrier falls to the level for 1 s; half of them close",
        ),
    ]
    if opens_db is not None:
        rows.append(
            Row(
                "SINAD where the squelch opens",
                service.name,
                bench.sinad_at(opens_db, 8.0),
                "dB",
                limits.SQUELCH_SINAD_DB,
                note="a carrier squelch for weak callers opens well under the point of good speech",
            )
        )
    plot = Plot(
        f"Carriers of {KEYED_S:g} s that open the squelch, {service.name} channel",
        "carrier to noise, dB",
        "share opened",
        (Curve("opened", LEVELS_DB, opened), Curve("closed", CLOSING_LEVELS_DB, closed)),
    )
    return rows, plot


def times(bench: Bench) -> Iterator[Row]:
    """Attack and closing times, 12 dB over reference sensitivity as the standard has it, and at it."""
    for over_db in (12.0, 0.0):
        attacks, closes = bench.squelch_times_s(over_db)
        where = f"{over_db:g} dB over reference"
        yield Row(
            f"attack time, {where}",
            bench.service.name,
            1000 * max(attacks),
            "ms",
            limits.ATTACK_MS,
            note="the slowest of ten, in stream time; the clip looks back before it",
        )
        yield Row(
            f"closing time, {where}",
            bench.service.name,
            1000 * max(closes),
            "ms",
            limits.CLOSING_MS,
            note="the slowest of ten; the hang time that bridges a fade is in it",
        )


def operating_curves(bench: Bench, seconds: float) -> tuple[list[Row], Plot]:
    """The energy measure in 200 ms against the ideal detector: chances of detection and of false alarm."""
    channelizer = bank(bench.service)
    detector = Detector(channelizer)
    # Independent samples in 200 ms: width times time, of the noise as the filter passes it.
    independent = noise_width_hz(bench.service) * channelizer.shape.hop_seconds * LONG_FRAMES
    floor_samples = LONG_FRAMES / detector.floor_variance
    quiet = _long_ratios(bench, seconds, bench.seed + 1, None)
    rows, curves = [], []
    for level in ROC_LEVELS_DB:
        loud = _long_ratios(bench, seconds, bench.seed + 2, level)
        cuts = np.quantile(quiet, 1 - np.array([0.5, 0.3, 0.2, 0.1, 0.05, 0.03, 0.02]))
        false = tuple(float(np.mean(quiet > cut)) for cut in cuts)
        found = tuple(float(np.mean(loud > cut)) for cut in cuts)
        ideal_cuts = np.linspace(1.0, 1.0 + 3.0 / np.sqrt(independent), 31)
        ideal_false = tuple(theory.energy_false_alarm(c, independent, floor_samples) for c in ideal_cuts)
        ideal_found = tuple(theory.energy_detection(c, level, independent, floor_samples) for c in ideal_cuts)
        curves.append(Curve(f"measured, {level:g} dB", false, found))
        curves.append(Curve(f"theory, {level:g} dB", ideal_false, ideal_found, True))
        ideal = float(np.interp(0.1, ideal_false[::-1], ideal_found[::-1]))
        rows.append(
            Row(
                f"detected at {level:g} dB and 10 % false alarms",
                bench.service.name,
                100 * found[3],
                "%",
                None,
                100 * ideal,
                "energy detector with an estimated floor (F and noncentral F laws)",
                f"energy in {LONG_FRAMES} frames; {len(quiet)} of noise",
            )
        )
    title = f"Energy detector, {bench.service.name} channel, 200 ms"
    return rows, Plot(title, "false alarms", "detected", tuple(curves), log_x=True)


def _long_ratios(bench: Bench, seconds: float, seed: int, cnr_db: float | None) -> NDArray[np.float64]:
    """Power over floor in stretches of 16 frames that share none, the first second left out.

    Of noise, with a carrier in it where a level is given; made in pieces, so that memory does not grow.
    """
    carrier: Wave | float = 0.0
    if cnr_db is not None:  # a piece holds whole turns of carrier and tone, so that the phase runs on
        wave = fm_wave(OFFSET_HZ, bench.service.standard_hz, TONE_HZ, PIECE_S)
        carrier = amplitude(bench.service, cnr_db) * wave
    channelizer = bank(bench.service)
    floor = NoiseFloor(channelizer.shape, channelizer.cuts, channelizer.noise_bandwidth_hz)
    frame_samples = channelizer.groups[0].frame_samples
    ratios: list[float] = []
    for number in range(max(1, round(seconds / PIECE_S))):
        samples = white_noise(PIECE_S, seed + 1000 * number) + carrier
        for piece in channelizer.push(samples.astype(np.complex64)):
            channel = piece.blocks[0].samples[0].reshape(-1, frame_samples)
            power = np.mean(channel.real**2 + channel.imag**2, axis=1)
            ratios += (power / floor.push(cell_powers(piece.spectra))[0]).tolist()
    skipped = round(LEAD_S / channelizer.shape.hop_seconds)
    kept = ratios[skipped:]
    count = len(kept) // LONG_FRAMES * LONG_FRAMES
    means: NDArray[np.float64] = np.asarray(kept[:count]).reshape(-1, LONG_FRAMES).mean(axis=1)
    return means


def _share_opened(bench: Bench, cnr_db: float, carriers: int) -> float:
    """Share of keyed carriers during which the squelch opened."""
    period_s = KEYED_S + PAUSE_S + 0.0137  # at no particular place of the frame grid
    samples = white_noise(LEAD_S + carriers * period_s, bench.seed + 3).copy()
    keyed = amplitude(bench.service, cnr_db) * fm_wave(OFFSET_HZ, bench.service.standard_hz, TONE_HZ, KEYED_S)
    ups = [LEAD_S + n * period_s for n in range(carriers)]
    for up in ups:
        first = round(up * RATE_HZ)
        samples[first : first + len(keyed)] += keyed
    opened_s = [at for at, event in _events(bench, samples) if isinstance(event, Opening)]
    return sum(any(up <= at < up + KEYED_S + 0.1 for at in opened_s) for up in ups) / carriers


def _share_closed(bench: Bench, cnr_db: float, carriers: int) -> float:
    """Share of carriers, opened at 10 dB, that are closed by falling to a level for a second."""
    high, low = amplitude(bench.service, 10.0), amplitude(bench.service, cnr_db)
    period_s = 2 * KEYED_S + PAUSE_S + 0.0137
    samples = white_noise(LEAD_S + carriers * period_s, bench.seed + 4).copy()
    wave = fm_wave(OFFSET_HZ, bench.service.standard_hz, TONE_HZ, 2 * KEYED_S)
    wave *= np.where(np.arange(len(wave)) < len(wave) // 2, high, low)
    falls = [LEAD_S + n * period_s + KEYED_S for n in range(carriers)]
    for fall in falls:
        first = round((fall - KEYED_S) * RATE_HZ)
        samples[first : first + len(wave)] += wave
    closed_s = [at for at, event in _events(bench, samples) if isinstance(event, Closing)]
    return sum(any(fall < at < fall + KEYED_S for at in closed_s) for fall in falls) / carriers


def _events(bench: Bench, samples: Wave) -> list[tuple[float, object]]:
    """What the squelch decided, and when, s."""
    channelizer = bank(bench.service)
    detector = Detector(channelizer)
    hop_s = channelizer.shape.hop_seconds
    found: list[tuple[float, object]] = []
    for piece in channelizer.push(samples.astype(np.complex64)):
        for event in detector.push(piece).events:
            found.append((event.frame * hop_s, event))
    return found


def _half(levels: tuple[float, ...], shares: tuple[float, ...]) -> float | None:
    """Where a share that rises or falls with the level crosses one half; None where it does not."""
    for (low, one), (high, other) in pairwise(zip(levels, shares, strict=True)):
        if (one - 0.5) * (other - 0.5) <= 0 and one != other:
            return low + (high - low) * (0.5 - one) / (other - one)
    return None
