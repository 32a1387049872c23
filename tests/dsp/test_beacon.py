"""The beacon sweep: counted, measured, and not seen where there is none.

Figures: at least 700 Hz within 1600 to 300 Hz, 2 to 4 times a second, 47 CFR 87.141 (from memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray
from scipy import signal

from dsp.modulate import voice
from dsp.modulate.beacon import beacon_audio
from dsp.modulate.same import same_message
from dsp.signalling.beacon import BeaconDecoder, BeaconSweep
from dsp.signalling.passage import RATE_HZ, PassageCutter


def decoded(audio: NDArray[np.floating], *pieces: int) -> list[BeaconSweep]:
    cutter, decoder = PassageCutter(), BeaconDecoder()
    told = []
    for piece in np.split(audio.astype(np.float32), np.cumsum(pieces)):
        told += [report for passage in cutter.push(piece) for report in decoder.push(passage)]
    told += [report for passage in cutter.finish() for report in decoder.push(passage)]
    return told + decoder.finish()


def in_noise(audio: NDArray[np.floating], snr_db: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Through a 300 to 3000 Hz band-pass, with noise in the same band, the ratio between both."""
    taps = signal.firwin(801, [300, 3000], fs=RATE_HZ, pass_zero=False)
    heard = signal.oaconvolve(audio, taps, mode="same")
    noise = signal.oaconvolve(rng.normal(size=len(audio)), taps, mode="same")
    on = np.abs(audio) > 0
    return np.asarray(heard + noise * heard[on].std() / noise.std() / 10 ** (snr_db / 20))


def alone(audio: NDArray[np.float32], before_s: float = 0.73, after_s: float = 1.1) -> NDArray[np.float32]:
    return np.pad(audio, (int(before_s * RATE_HZ), int(after_s * RATE_HZ)))


@pytest.mark.parametrize("snr_db", [20.0, 0.0])
@pytest.mark.parametrize(
    ("high_hz", "low_hz", "sweeps_per_s", "duty", "curved"),
    [
        (1500, 500, 3.0, 0.4, False),
        (1600, 300, 2.0, 0.33, False),
        (1600, 300, 4.0, 0.55, True),
        (1200, 450, 2.5, 0.45, False),
        (1400, 500, 3.3, 0.33, True),
    ],
)
def test_sweep_is_counted_and_measured(
    high_hz: float,
    low_hz: float,
    sweeps_per_s: float,
    duty: float,
    curved: bool,
    snr_db: float,
    rng: np.random.Generator,
) -> None:
    sent = beacon_audio(
        seconds=24 / sweeps_per_s,
        rate_hz=RATE_HZ,
        high_hz=high_hz,
        low_hz=low_hz,
        sweeps_per_s=sweeps_per_s,
        duty=duty,
        curved=curved,
    )
    first, *_, last = decoded(in_noise(alone(sent), snr_db, rng))
    assert (first.direction, first.sweeps) == ("falling", 3) and first.is_distress_sweep
    assert last.sweeps == pytest.approx(24, abs=1)
    assert last.rate_hz == pytest.approx(sweeps_per_s, rel=0.03)
    # Half a window of 32 ms is missing at either end of what is seen of a sweep.
    unseen_hz = (
        0.016 * sweeps_per_s * high_hz * (np.log(high_hz / low_hz) if curved else 1 - low_hz / high_hz)
    )
    assert high_hz - unseen_hz - 60 <= last.high_hz <= high_hz + 30
    assert low_hz - 30 <= last.low_hz <= low_hz + unseen_hz + 40
    assert last.start_s == pytest.approx(0.73, abs=0.08) and first.start_s == last.start_s
    assert last.stop_s == pytest.approx(0.73 + 24 / sweeps_per_s, abs=0.5 / sweeps_per_s)


def test_three_sweeps_of_a_ground_test_are_enough(rng: np.random.Generator) -> None:
    for before_s, after_s in ((0.0, 0.0), (0.5, 0.0), (0.9, 2.0)):
        sent = alone(beacon_audio(seconds=1, rate_hz=RATE_HZ, sweeps_per_s=3), before_s, after_s)
        (report,) = decoded(in_noise(sent, 10, rng))
        assert report.sweeps == 3 and report.is_short_as_a_test


def test_two_sweeps_are_no_claim(rng: np.random.Generator) -> None:
    sent = alone(beacon_audio(seconds=2 / 3, rate_hz=RATE_HZ, sweeps_per_s=3))
    assert decoded(in_noise(sent, 20, rng)) == []


def test_upward_sweep_is_reported_as_rising_and_no_distress_sweep(rng: np.random.Generator) -> None:
    sent = beacon_audio(seconds=5, rate_hz=RATE_HZ, rising=True)
    reports = decoded(in_noise(alone(sent), 6, rng))
    assert {report.direction for report in reports} == {"rising"}
    assert not any(report.is_distress_sweep for report in reports)


@given(st.lists(st.integers(0, 40_000), max_size=5))
@settings(max_examples=10)
def test_any_split_of_the_audio_gives_the_same_reports(pieces: list[int]) -> None:
    sent = alone(beacon_audio(seconds=4, rate_hz=RATE_HZ))
    assert decoded(sent, *pieces) == decoded(sent)


def _swept(sweep_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.sin(2 * np.pi * np.cumsum(sweep_hz) / RATE_HZ))


@lru_cache(maxsize=1)
def _others() -> dict[str, NDArray[np.floating]]:
    rng = np.random.default_rng(87)
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    found: dict[str, NDArray[np.floating]] = {
        "noise": rng.normal(size=60 * RATE_HZ),
        "voice": voice(seconds=60, rng=rng),
        "alert": same_message("ZCZC-WXR-TOR-016001+0045-1261805-QQ0/TEST-", rate_hz=RATE_HZ, alert_tone_s=5),
        "two-tone siren": _swept(np.where(t * 2 % 1 < 0.5, 600.0, 1400.0)),
        "data": _swept(np.repeat(rng.choice([1200.0, 2200.0], 24_000), 14)[: len(t)]),
        "music": _swept(np.repeat(440 * 2 ** (rng.integers(-5, 14, 120) / 12), RATE_HZ // 6)),
        "whistle": _swept(900 + 25 * np.cumsum(rng.normal(size=len(t))) / np.sqrt(100)),
        "sweep too narrow": _swept(1000 - 500 * (t * 3 % 1)),
        "sweep too slow": _swept(1500 - 1000 * (t * 1.2 % 1)),
        "sweep too fast": _swept(1500 - 1000 * (t * 6 % 1)),
        "sweep too high": _swept(2600 - 1000 * (t * 3 % 1)),
        "silence": np.zeros(5 * RATE_HZ),
    }
    for rate_hz in (0.2, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0):
        turn = t * rate_hz % 1
        found[f"wail {rate_hz} Hz"] = _swept(500 * 3.0 ** (1 - np.abs(2 * turn - 1)))
        lopsided = np.where(turn < 0.35, turn / 0.35, (1 - turn) / 0.65)
        found[f"lopsided wail {rate_hz} Hz"] = _swept(450 + 1000 * lopsided)
    return found


@pytest.mark.parametrize("kind", list(_others()))
def test_nothing_else_makes_a_claim(kind: str, rng: np.random.Generator) -> None:
    other = _others()[kind]
    assert decoded(other) == []
    if kind not in {"silence", "noise"}:
        assert decoded(in_noise(other, 6, rng)) == []


WILD = st.floats(width=32, allow_nan=True, allow_infinity=True)


@given(
    st.lists(arrays.arrays(np.float32, st.integers(0, 4000), elements=WILD), max_size=4), st.integers(1, 20)
)
@settings(max_examples=40)
def test_broken_samples_neither_crash_nor_claim(pieces: list[NDArray[np.float32]], repeats: int) -> None:
    stream = np.tile(np.concatenate([*pieces, np.zeros(0, np.float32)]), repeats)
    with np.errstate(all="ignore"):  # the cutter's own spectra of what is not finite
        passages = [*(cutter := PassageCutter()).push(stream), *cutter.finish()]
    decoder = BeaconDecoder()
    assert [claim for passage in passages for claim in decoder.push(passage)] + decoder.finish() == []


def test_transmitter_sweeps_as_told() -> None:
    """Zero crossings of the keying at a duty of a half: a square wave that crosses twice a cycle."""
    made = beacon_audio(
        seconds=1, rate_hz=48_000, high_hz=1600, low_hz=400, sweeps_per_s=1, duty=0.5, amplitude=2.0
    )
    crossings = np.flatnonzero(np.diff(np.signbit(made)))
    middles = (crossings[2:] + crossings[:-2]) / 2 / 48_000
    measured_hz = 48_000 / (crossings[2:] - crossings[:-2])
    inside = (middles > 0.05) & (middles < 0.95)
    np.testing.assert_allclose(measured_hz[inside], (1600 - 1200 * middles)[inside], rtol=0.06)
    assert made.std() == pytest.approx(1.0, rel=0.03)  # a swing of 2 is a square wave of 1


@pytest.mark.parametrize(
    ("high_hz", "duty", "words"), [(400.0, 0.4, "high_hz is 400"), (1500.0, 1.0, "duty")]
)
def test_transmitter_says_what_it_cannot_make(high_hz: float, duty: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        beacon_audio(seconds=1, rate_hz=RATE_HZ, high_hz=high_hz, duty=duty)
