"""The receiver measured as TIA-603 measures receivers, in floating-point simulation.

The standard is sold under licence and was not read. Criterion and standard test modulation: TIA-603-E
1.3.3.12, 2.1.4 and 1.3.3.5 (secondary). The limits -116 dBm, 45 and 75 dB, 40 and 45 dB, 5 %, 150 and
250 ms: TIA-603-E 3.1 (from memory). A real radio in front adds its own noise and its own faults: what is
measured here is the part that this program answers for.

Signals and meters are those of the receiver bench (`watcher.trial.bench_lab`): closed formulas, and of `dsp`
only what lies on the road of a clip. Its theory is held here to a receiver made of scipy alone.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import signal

from dsp.measure import sinad_db
from watcher.trial.bench_lab import (
    AUDIO_HZ,
    NARROW,
    OFFSET_HZ,
    RATE_HZ,
    SETTLED,
    TONE_HZ,
    WIDE,
    Bench,
    Service,
    Wave,
    amplitude,
    audio_of,
    fm_wave,
    noise_width_hz,
    sinad,
    white_noise,
)
from watcher.trial.bench_theory import reference_cnr_db as theory_cnr_db
from watcher.trial.bench_theory import sinad_db as theory_sinad_db

THERMAL_DBM_PER_HZ = -173.98  # k T0 at 290 K (arithmetic)
NOISE_FIGURE_DB = 6.0  # of a common receiver stick (our choice)
SERVICES = pytest.mark.parametrize("service", [NARROW, WIDE], ids=["12.5 kHz", "25 kHz"])
ADJACENT_DB = {NARROW: 45.0, WIDE: 75.0}  # TIA-603-E 3.1.6 (from memory)
HUM_DB = {NARROW: 40.0, WIDE: 45.0}  # TIA-603-E 2.1.11 method (from memory)


@cache
def wave(offset_hz: float, deviation_hz: float, tone_hz: float, seconds: float) -> Wave:
    return fm_wave(offset_hz, deviation_hz, tone_hz, seconds)


@cache
def noise(seconds: float) -> Wave:
    return white_noise(seconds, 603)


def reference_cnr_db(service: Service) -> float:
    return Bench(service).reference_cnr_db()


# --- reference sensitivity ----------------------------------------------------------------------------


@SERVICES
def test_theory_holds_for_a_textbook_receiver(service: Service) -> None:
    """Scipy's filters at the full rate and the angle of the quotient: 12 dB where theory says, to 1 dB.

    One dB of SINAD is a third of a dB of carrier here, so close to threshold.
    """
    samples = amplitude(service, theory_cnr_db(service)) * wave(
        OFFSET_HZ, service.standard_hz, TONE_HZ, 16.0
    ) + noise(16.0)
    t = np.arange(len(samples)) / RATE_HZ
    taps = signal.firwin(601, noise_width_hz(service) / 2, fs=RATE_HZ, window=("kaiser", 8.0))
    channel = signal.oaconvolve(samples * np.exp(-2j * np.pi * OFFSET_HZ * t), taps, mode="same")
    swing = np.angle(channel[1:] / channel[:-1]) * RATE_HZ / (2 * np.pi)
    f = np.fft.rfftfreq(len(swing), 1 / RATE_HZ)
    curve = np.sqrt(1 / (1 + (2 * np.pi * 750e-6 * f) ** 2)) * ((f >= 300) & (f <= 3000))
    audio = np.fft.irfft(np.fft.rfft(swing) * curve, len(swing))[:: RATE_HZ // AUDIO_HZ]
    assert sinad(audio[SETTLED:-SETTLED]) == pytest.approx(12.0, abs=1.0)


@SERVICES
def test_reference_sensitivity_is_what_fm_theory_gives(service: Service) -> None:
    """No more than 0.3 dB of carrier worse than theory, and no more than 1.3 dB better.

    Better because a discriminator at 16 kS/s does not see a turn that is over within one sample: it counts
    fewer clicks than the continuous one of the theory.
    """
    assert -1.3 < reference_cnr_db(service) - theory_cnr_db(service) < 0.3


@SERVICES
def test_reference_sensitivity_of_a_radio_with_6_db_noise_figure(service: Service) -> None:
    """-116 dBm is the limit for class A, TIA-603-E 3.1.4 (from memory)."""
    floor_dbm = THERMAL_DBM_PER_HZ + NOISE_FIGURE_DB + 10 * np.log10(noise_width_hz(service))
    assert floor_dbm + reference_cnr_db(service) < -116.0


@SERVICES
def test_well_above_threshold_theory_is_met_closely(service: Service) -> None:
    for cnr_db in (14.0, 20.0):
        assert Bench(service).sinad_at(cnr_db, 8.0) == pytest.approx(
            theory_sinad_db(service, cnr_db), abs=0.4
        )


@SERVICES
def test_audio_falls_by_less_than_3_db_at_reference_sensitivity(service: Service) -> None:
    """Sensitivity is the worse of 12 dB SINAD and audio 3 dB down: TIA-603-E 2.1.4 (secondary)."""
    wanted = wave(OFFSET_HZ, service.standard_hz, TONE_HZ, 8.0)
    outputs = []
    for cnr_db in (reference_cnr_db(service), 60.0):
        audio = audio_of(service, amplitude(service, cnr_db) * wanted + noise(8.0))
        t = np.arange(len(audio)) / AUDIO_HZ
        outputs.append(abs(np.mean(audio * np.exp(-2j * np.pi * TONE_HZ * t))))
    assert 20 * np.log10(outputs[0] / outputs[1]) > -3.0


@SERVICES
def test_projects_own_sinad_meter_agrees(service: Service) -> None:
    wanted = wave(OFFSET_HZ, service.standard_hz, TONE_HZ, 8.0)
    for cnr_db in (reference_cnr_db(service), 15.0):
        audio = audio_of(service, amplitude(service, cnr_db) * wanted + noise(8.0))
        reading = sinad_db(audio, audio_rate_hz=AUDIO_HZ, tone_hz=TONE_HZ)
        assert reading is not None
        assert reading.value == pytest.approx(sinad(audio), abs=0.1)


# --- adjacent channel rejection -----------------------------------------------------------------------


@SERVICES
@pytest.mark.parametrize("side", [-1, 1])
def test_adjacent_channel_rejection(service: Service, side: int) -> None:
    """45 dB at 12.5 kHz and 75 dB at 25 kHz for class A: TIA-603-E 3.1.6 (from memory)."""
    assert Bench(service).adjacent_rejection_db(side) > ADJACENT_DB[service]


# --- hum and noise, distortion ------------------------------------------------------------------------


STRONG_DBM = -47.0  # level of tests on a strong signal: 1 mV (from memory)


def strong_cnr_db(service: Service) -> float:
    return float(STRONG_DBM - THERMAL_DBM_PER_HZ - NOISE_FIGURE_DB - 10 * np.log10(noise_width_hz(service)))


@SERVICES
def test_hum_and_noise_unsquelched(service: Service) -> None:
    """Audio with standard test modulation over audio with none: 40 and 45 dB (from memory)."""
    size = amplitude(service, strong_cnr_db(service))
    modulated, bare = (
        audio_of(service, size * wave(OFFSET_HZ, deviation_hz, TONE_HZ, 4.0) + noise(4.0))
        for deviation_hz in (service.standard_hz, 0.0)
    )
    assert 20 * np.log10(modulated.std() / bare.std()) > HUM_DB[service]


@SERVICES
@pytest.mark.parametrize("share", [0.6, 1.0])
def test_audio_distortion(service: Service, share: float) -> None:
    """At most 5 %: TIA-603-E 3.1 (from memory). At full deviation too, which the channel filter must pass."""
    size = amplitude(service, strong_cnr_db(service))
    audio = audio_of(service, size * wave(OFFSET_HZ, share * service.rated_hz, TONE_HZ, 4.0) + noise(4.0))
    distortion = 10 ** (-sinad(audio) / 20)
    assert distortion < 0.05


@SERVICES
def test_carrier_off_by_a_kilohertz_distorts_little_more(service: Service) -> None:
    """2.3 ppm at 440 MHz, about what land-mobile stations are held to (2.5 ppm, from memory)."""
    size = amplitude(service, strong_cnr_db(service))
    off = wave(OFFSET_HZ + 1000.0, service.standard_hz, TONE_HZ, 4.0)
    assert 10 ** (-sinad(audio_of(service, size * off + noise(4.0))) / 20) < 0.05


# --- squelch ------------------------------------------------------------------------------------------


@SERVICES
@pytest.mark.parametrize("over_reference_db", [0.0, 12.0])
def test_squelch_opens_within_the_attack_time(service: Service, over_reference_db: float) -> None:
    """150 ms: TIA-603-E 3.1 (from memory), there 12 dB over reference sensitivity; met at sensitivity too.

    In stream time: the receiver works on 16 frames at once, so that a clip grows up to 0.2 s later. No
    syllable is lost by either, because the clip looks back.
    """
    attacks, _ = Bench(service).squelch_times_s(over_reference_db)
    assert min(attacks) > 0
    assert max(attacks) < 0.150


@SERVICES
def test_squelch_closes_after_the_fade_it_bridges_and_before_the_pause_it_parts(service: Service) -> None:
    """200 and 300 ms are the project's own figures.

    TIA-603-E 3.1 has 250 ms for closing (from memory), a noise squelch without hang time; here the hang time
    alone is 250 ms, and what is heard of it, the clip's tail, is 100 ms (tests/watcher/receive).
    """
    _, closes = Bench(service).squelch_times_s(12.0)
    assert min(closes) > 0.200
    assert max(closes) < 0.300
