"""What the bench measures on audio: sensitivity, selectivity, distortion, hum, response."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dsp.audio import de_emphasis_gain
from dsp.modulate import from_cu8, to_cu8
from watcher.trial import bench_limits as limits
from watcher.trial import bench_theory as theory
from watcher.trial.bench_lab import (
    CRITERION_DB,
    OFFSET_HZ,
    TONE_HZ,
    Bench,
    amplitude,
    audio_of,
    crossing,
    fm_wave,
    noise_width_hz,
    sinad,
    tone_size,
    white_noise,
)
from watcher.trial.bench_rows import Curve, Plot, Row

STRONG_DBM = -47.0  # level of tests on a strong signal: 1 mV (from memory)
RESPONSE_HZ = (300.0, 400.0, 500.0, 700.0, 1000.0, 1500.0, 2000.0, 2500.0, 2900.0, 3000.0)
RESPONSE_SHARE = 0.2  # of rated deviation, so that nothing limits (method from memory)
EIGHT_BIT_RATE_HZ = 240_000
EIGHT_BIT_NOISE_DBFS = -39.1  # noise of one step rms on each rail: 20 log10(1 / 127.5) + 3


def sensitivity(bench: Bench) -> Iterator[Row]:
    """12 dB SINAD: as carrier to noise, and as power at the antenna for a stated noise figure."""
    service = bench.service
    cnr_db, best_db = bench.reference_cnr_db(), theory.reference_cnr_db(service)
    words = "Rice's clicks and Gaussian noise behind a discriminator"
    note = f"in {noise_width_hz(service) / 1000:.1f} kHz of noise bandwidth"
    yield Row("12 dB SINAD, carrier to noise", service.name, cnr_db, "dB", None, best_db, words, note)
    floor = theory.floor_dbm(service)
    note = f"noise figure {theory.NOISE_FIGURE_DB:g} dB at 290 K"
    yield Row(
        "12 dB SINAD sensitivity",
        service.name,
        floor + cnr_db,
        "dBm",
        limits.SENSITIVITY_DBM,
        floor + best_db,
        words,
        note,
    )


def sinad_curve(bench: Bench, seconds: float) -> Plot:
    """SINAD over carrier to noise, measured and by theory."""
    levels = tuple(float(level) for level in np.arange(2.0, 25.0, 2.0))
    return Plot(
        f"SINAD, {bench.service.name} channel",
        "carrier to noise, dB",
        "SINAD, dB",
        (
            Curve("measured", levels, tuple(bench.sinad_at(level, seconds) for level in levels)),
            Curve("theory", levels, tuple(theory.sinad_db(bench.service, each) for each in levels), True),
        ),
    )


def selectivity(bench: Bench, seconds: float) -> Iterator[Row]:
    """A neighbour on either side, and another station on the same frequency."""
    service = bench.service
    cnr_db = bench.reference_cnr_db()
    for side, word in ((-1, "below"), (1, "above")):
        yield Row(
            f"adjacent channel rejection, {word}",
            service.name,
            bench.adjacent_rejection_db(side, seconds),
            "dB",
            limits.ADJACENT_DB[service],
            theory.adjacent_rejection_db(service, side, cnr_db),
            "at least: all that the channel filter lets through taken for noise",
            "in floating point; a radio's phase noise and eight bits come before it",
        )
    worst_db, place_hz = bench.spurious_rejection_db(seconds)
    yield Row(
        "spurious rejection",
        service.name,
        worst_db,
        "dB",
        limits.SPURIOUS_DB,
        note=f"the worst of four places, {place_hz / 1000:+.1f} kHz away; this program's own responses only",
    )
    yield Row(
        "co-channel rejection",
        service.name,
        bench.co_channel_rejection_db(seconds),
        "dB",
        note="wanted 3 dB over reference; how strong, against reference, the other may be",
    )


def intermodulation(bench: Bench, seconds: float) -> Iterator[Row]:
    """Two strong carriers one and two channels away, through the codes of an 8-bit radio."""
    service, rate_hz = bench.service, EIGHT_BIT_RATE_HZ
    size = amplitude(service, bench.reference_cnr_db(), rate_hz)
    scale = 10 ** (EIGHT_BIT_NOISE_DBFS / 20)
    noise = white_noise(seconds, bench.seed, rate_hz)
    wanted = size * 10 ** (3 / 20) * fm_wave(OFFSET_HZ, service.standard_hz, TONE_HZ, seconds, rate_hz)
    near = fm_wave(OFFSET_HZ + service.spacing_hz, 0.0, TONE_HZ, seconds, rate_hz)
    # The farther one carries the modulation (method from memory).
    far = fm_wave(OFFSET_HZ + 2 * service.spacing_hz, service.standard_hz, 400.0, seconds, rate_hz)

    def over(rejection_db: float) -> float:
        strong = size * 10 ** (rejection_db / 20) * (near + far)
        codes, _ = to_cu8(np.asarray(scale * (noise + wanted + strong), np.complex64))
        return sinad(audio_of(service, from_cu8(codes).astype(np.complex128), rate_hz)) - CRITERION_DB

    ceiling_dbfs = 20 * np.log10(0.5 * from_cu8(np.array([255, 255], np.uint8)).real[0])
    yield Row(
        "intermodulation rejection, 8 bits",
        service.name,
        crossing(over, 5.0, 80.0, 0.3),
        "dB",
        limits.INTERMODULATION_DB,
        float(ceiling_dbfs - EIGHT_BIT_NOISE_DBFS - 20 * np.log10(size)),
        "both together reach the outermost code",
        f"at {rate_hz / 1000:g} kS/s, noise of one step on each rail; ten times the rate gives 10 dB more",
    )


def fidelity(bench: Bench, seconds: float) -> Iterator[Row]:
    """Distortion, hum and noise on a strong signal."""
    service = bench.service
    cnr_db = STRONG_DBM - theory.floor_dbm(service)
    size = amplitude(service, cnr_db)
    noise = white_noise(seconds, bench.seed)
    for share in (0.6, 1.0):
        swing_hz = share * service.rated_hz
        audio = audio_of(service, size * fm_wave(OFFSET_HZ, swing_hz, TONE_HZ, seconds) + noise)
        best = theory.sinad_db(service, cnr_db, deviation_hz=swing_hz)
        yield Row(
            f"distortion at {100 * share:.0f} % of rated deviation",
            service.name,
            float(100 * 10 ** (-sinad(audio) / 20)),
            "%",
            limits.DISTORTION_PER_CENT,
            float(100 * 10 ** (-best / 20)),
            "noise alone, no distortion at all",
            f"at {STRONG_DBM:g} dBm; noise is counted in",
        )
    modulated, bare = (
        audio_of(service, size * fm_wave(OFFSET_HZ, swing_hz, TONE_HZ, seconds) + noise)
        for swing_hz in (service.standard_hz, 0.0)
    )
    yield Row(
        "hum and noise, unsquelched",
        service.name,
        float(20 * np.log10(modulated.std() / bare.std())),
        "dB",
        limits.HUM_DB[service],
        theory.sinad_db(service, cnr_db),
        "Gaussian noise behind a discriminator",
        f"at {STRONG_DBM:g} dBm",
    )


def response(bench: Bench, seconds: float) -> tuple[list[Row], Plot]:
    """Audio response against the line of 6 dB an octave through 1 kHz."""
    service = bench.service
    size = amplitude(service, STRONG_DBM - theory.floor_dbm(service))
    noise = white_noise(seconds, bench.seed)
    swing_hz = RESPONSE_SHARE * service.rated_hz
    sizes = {
        tone_hz: tone_size(
            audio_of(service, size * fm_wave(OFFSET_HZ, swing_hz, tone_hz, seconds) + noise), tone_hz
        )
        for tone_hz in RESPONSE_HZ
    }
    against = [20 * np.log10(sizes[f] / sizes[TONE_HZ] / (TONE_HZ / f)) for f in RESPONSE_HZ]
    low, high = theory.response_against_line_db()
    words = "750 us of de-emphasis against the line"
    rows = [
        Row(
            "audio response, least",
            service.name,
            float(min(against)),
            "dB",
            limits.RESPONSE_LOW_DB,
            low,
            words,
        ),
        Row(
            "audio response, most",
            service.name,
            float(max(against)),
            "dB",
            limits.RESPONSE_HIGH_DB,
            high,
            words,
        ),
    ]
    line = [20 * np.log10(de_emphasis_gain(np.array([f]))[0]) for f in RESPONSE_HZ]
    measured = tuple(float(20 * np.log10(sizes[f] / sizes[TONE_HZ])) for f in RESPONSE_HZ)
    plot = Plot(
        f"Audio response, {service.name} channel",
        "audio frequency, Hz",
        "dB against 1 kHz",
        (
            Curve("measured", RESPONSE_HZ, measured),
            Curve("theory", RESPONSE_HZ, tuple(map(float, line)), True),
        ),
        log_x=True,
    )
    return rows, plot
