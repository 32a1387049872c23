"""The bench's own machinery: theory against other makers, the table, the plots; figures in tests/checks."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from PIL import Image
from scipy import signal, stats

from dsp.filter_bank_design import prototype, shape_for_rate
from watcher.trial.bench import Effort, bench_pictures, bench_sheet, bench_tree, run_bench
from watcher.trial.bench_lab import NARROW, RATE_HZ, WIDE, crossing, fm_wave, noise_width_hz, sinad
from watcher.trial.bench_limits import ADJACENT_DB, ATTACK_MS
from watcher.trial.bench_rows import Curve, Plot, Row
from watcher.trial.bench_theory import (
    adjacent_rejection_db,
    energy_detection,
    energy_false_alarm,
    floor_dbm,
    response_against_line_db,
)
from watcher.trial.bench_tones import tones_and_codes
from watcher.trial.causes import steady_enough_db
from watcher.trial.page import render_page
from watcher.trial.plotting import HEIGHT, WIDTH, plot_png
from watcher.trial.result import as_json
from watcher.trial.sheet import as_text

TINY = Effort(2.0, 1.0, 2, 20.0, 1, (3.0,), (NARROW,))


def test_sinad_by_its_definition() -> None:
    """A tone of power 1/2 with noise of power 1/32 has (1/2 + 1/32) / (1/32): 12.3 dB."""
    rng = np.random.default_rng(1)
    t = np.arange(160_000) / 16_000
    audio = np.sin(2 * np.pi * 1000 * t) + rng.standard_normal(len(t)) * np.sqrt(1 / 32)
    assert sinad(audio) == pytest.approx(10 * np.log10(17), abs=0.05)


def test_floor_is_thermal_noise() -> None:
    """k T0 B F with k = 1.380649e-23 J/K and 290 K (SI), 6 dB of noise figure."""
    watts = 1.380649e-23 * 290 * noise_width_hz(NARROW) * 10**0.6
    assert floor_dbm(NARROW) == pytest.approx(10 * np.log10(watts * 1000), abs=0.01)


def test_energy_laws_are_those_of_simulated_noise() -> None:
    """Sums of drawn exponentials, with and without a carrier, against the F laws."""
    rng = np.random.default_rng(2)
    n, m, draws = 50, 400, 20_000
    floor = rng.gamma(m, 1 / m, draws)
    noise = rng.gamma(n, 1 / n, draws) / floor
    carrier = stats.ncx2.rvs(2 * n, 2 * n * 10**-1.0, size=draws, random_state=3) / (2 * n) / floor
    for cut in (1.1, 1.2, 1.3):
        assert np.mean(noise > cut) == pytest.approx(energy_false_alarm(cut, n, m), abs=0.012)
        assert np.mean(carrier > cut) == pytest.approx(energy_detection(cut, -10.0, n, m), abs=0.012)


def test_steady_envelope_point_by_drawing_samples() -> None:
    """At the stated ratio the fourth moment over the square of the second is the squelch's limit."""
    rng = np.random.default_rng(4)
    for way, limit in ((0, 1.70), (1, 1.87)):  # the squelch's own constants, dsp.squelch
        noise = rng.standard_normal(800_000).view(np.complex128) * np.sqrt(0.5)
        power = np.abs(noise + 10 ** (steady_enough_db(way) / 20)) ** 2
        assert np.mean(power**2) / np.mean(power) ** 2 == pytest.approx(limit, abs=0.015)


def test_adjacent_leak_by_filtering_the_neighbour_itself() -> None:
    """The neighbour's waveform through the same taps, by scipy: the power that passes, to 0.5 dB."""
    taps = prototype(shape_for_rate(RATE_HZ), NARROW.pass_band_hz)
    neighbour = fm_wave(NARROW.spacing_hz, NARROW.standard_hz, 400.0, 1.0)
    passed = signal.fftconvolve(neighbour, taps, mode="valid")[1000:-1000]
    leak_db = 10 * np.log10(np.mean(np.abs(passed) ** 2))
    assert adjacent_rejection_db(NARROW, 1, 7.0) == pytest.approx(-leak_db - 7.0, abs=0.5)


def test_response_of_750_us_against_the_line() -> None:
    """At 300 Hz: sqrt((1 + (1000/212.2)²) / (1 + (300/212.2)²)) against 1000/300, in dB."""
    low, high = response_against_line_db()
    corner = 1 / (2 * np.pi * 750e-6)

    def against(f: float) -> float:
        return float(
            10 * np.log10((1 + (1000 / corner) ** 2) / (1 + (f / corner) ** 2)) - 20 * np.log10(1000 / f)
        )

    assert low == pytest.approx(against(300.0), abs=0.01)
    assert high == pytest.approx(against(3000.0), abs=0.01)


def test_crossing_finds_a_zero_or_the_nearer_end() -> None:
    assert crossing(lambda x: 4.0 - x * x, 0.0, 10.0, 1e-6) == pytest.approx(2.0, abs=1e-5)
    assert crossing(lambda x: 20.0 - x, 0.0, 10.0, 0.1) == 10.0


def test_limits_know_their_side() -> None:
    assert ADJACENT_DB[NARROW].is_met(46.0) and not ADJACENT_DB[WIDE].is_met(46.0)
    assert ATTACK_MS.is_met(100.0) and not ATTACK_MS.is_met(151.0)
    assert Row("x", "", None, "dB", ATTACK_MS).is_met is None


def test_plot_is_a_picture_with_every_curve_in_its_colour() -> None:
    curves = (Curve("one", (1.0, 10.0, 100.0), (0.0, 0.5, 1.0)), Curve("law", (1.0, 100.0), (1.0, 0.0), True))
    image = Image.open(io.BytesIO(plot_png(Plot("A", "x", "y", curves, log_x=True)))).convert("RGB")
    assert image.size == (WIDTH, HEIGHT)
    assert len(image.getcolors(1 << 16) or []) > 3


def test_a_flat_curve_can_be_drawn() -> None:
    assert plot_png(Plot("A", "x", "y", (Curve("flat", (0.0, 1.0), (0.0, 0.0)),)))


@pytest.mark.slow
def test_a_short_bench_is_whole_and_repeats_itself() -> None:
    found = run_bench(5, effort=TINY)
    tree = bench_tree(found, "midwatch")
    assert tones_and_codes(5, 1, (3.0,))[0] == found.rows[-5:]
    names = " ".join(each["what"] for each in json.loads(as_json(tree))["figures"])
    for wanted in ("SINAD", "adjacent", "co-channel", "intermodulation", "response", "hum", "distortion"):
        assert wanted in names
    for wanted in ("opens", "closes", "attack", "closing", "CTCSS", "DCS", "false alarms"):
        assert wanted in names
    sheet = bench_sheet(found, "midwatch")
    assert all(row.limit is None or row.limit.source for row in found.rows)
    assert "12 dB SINAD" in as_text(sheet)
    page = render_page(sheet, bench_pictures(found))
    assert page.count("data:image/png;base64,") == len(found.plots) == 5
    assert "<script" not in page and "http:" not in page
