"""A scene: the truth about it, its blocks, its receiver's faults."""

import tracemalloc

import numpy as np
import pytest
from scipy import signal

from dsp.modulate import (
    Audio,
    Birdie,
    Ctcss,
    Emission,
    Fading,
    FadingPath,
    Fm,
    FrontEnd,
    FrontEndFaults,
    ImpulseNoise,
    Impulses,
    NoiseRise,
    Scene,
    audio_tone,
    carrier_power,
    from_cu8,
    to_cu8,
    transmit,
    voice,
)

SPOKEN = Audio(samples=voice(seconds=1.0, rng=np.random.default_rng(1)), rate_hz=16_000, repeats=True)


def everything(rate_hz: int = 240_000, seconds: float = 0.6) -> Scene:
    """A scene with one of each thing."""
    return Scene(
        sample_rate_hz=rate_hz,
        seconds=seconds,
        centre_hz=146_500_000,
        ppm_error=20.0,
        emissions=(
            Emission(
                start_s=0.1,
                stop_s=0.4,
                offset_hz=40_000.0,
                cnr_db=20.0,
                modulation=Fm(audio=SPOKEN, tone=Ctcss(tone_hz=100.0)),
                label="calling",
            ),
            Emission(
                start_s=-0.2, stop_s=0.3, offset_hz=-60_000.0, cnr_db=10.0, fading=Fading(doppler_hz=20.0)
            ),
        ),
        rises=(NoiseRise(start_s=0.2, stop_s=0.3, rise_db=6.0),),
        impulses=(Impulses(per_second=50.0, width_s=5e-5, power_dbfs=-10.0),),
        front_end=FrontEnd(
            zero_spike_dbfs=-30.0,
            skirt_dbfs=-35.0,
            gain_imbalance_db=0.4,
            phase_imbalance_deg=2.0,
            birdies=(Birdie(offset_hz=20_000.0, power_dbfs=-50.0),),
            edge_droop_db=3.0,
        ),
        eight_bit=True,
    )


@pytest.mark.parametrize("block_samples", [1000, 4096, 65_536, 10**9])
def test_blocks_of_any_size_hold_the_same_samples(block_samples: int) -> None:
    scene = everything()
    whole = scene.render(np.random.default_rng(2))
    blocks = list(scene.blocks(np.random.default_rng(2), block_samples=block_samples))
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), whole)
    assert all(len(block.samples) == block_samples for block in blocks[:-1])
    assert [block.first_sample for block in blocks] == list(range(0, scene.samples, block_samples))
    assert {(block.sample_rate_hz, block.centre_hz) for block in blocks} == {(240_000, 146_500_000)}
    assert len(whole) == scene.samples == 144_000


def test_another_generator_state_gives_other_noise() -> None:
    scene = everything(seconds=0.1)
    first, other = (scene.render(np.random.default_rng(seed)) for seed in (3, 4))
    assert not np.array_equal(first, other)


@pytest.mark.parametrize(
    "rate_hz", [12_000, 16_000, 48_000, 225_001, 960_000, 1_024_000, 2_048_000, 3_200_000]
)
def test_carrier_is_where_when_and_as_strong_as_the_truth_says(rate_hz: int) -> None:
    offset_hz = 0.2 * rate_hz + 17.3
    emission = Emission(start_s=0.05, stop_s=0.25, offset_hz=offset_hz, cnr_db=100.0, cnr_width_hz=rate_hz)
    scene = Scene(sample_rate_hz=rate_hz, seconds=0.3, emissions=(emission,), noise_dbfs=-120.0)
    (truth,) = scene.truth()
    samples = scene.render(np.random.default_rng(5)).astype(np.complex128)
    samples *= np.exp(-2j * np.pi * truth.offset_hz * np.arange(len(samples)) / rate_hz)
    amplitude = 10 ** (truth.power_dbfs / 20)
    slope = round(0.003 * rate_hz)
    inside = samples[truth.start_sample + 2 * slope : truth.stop_sample - 2 * slope]
    assert np.abs(inside - inside[0]).max() < 2e-4 * amplitude  # steady in amplitude and in phase
    assert np.abs(inside).mean() == pytest.approx(amplitude, rel=1e-4)
    outside = np.r_[samples[: truth.start_sample - slope], samples[truth.stop_sample + slope :]]
    assert np.abs(outside).max() < 2e-4 * amplitude
    half = np.flatnonzero(np.abs(samples) > 0.5 * amplitude)
    assert half[0] == pytest.approx(truth.start_sample + slope / 2, abs=2 + 1e-4 * rate_hz)
    assert half[-1] == pytest.approx(truth.stop_sample - slope / 2, abs=2 + 1e-4 * rate_hz)


def test_scene_holds_the_same_transmission_as_transmit() -> None:
    """Speech through the long spectrum equals speech made at 48 kS/s and raised by scipy's own resampler."""
    modulation = Fm(audio=SPOKEN, drive=4.0, tone=Ctcss(tone_hz=123.0))
    rate_hz = 240_000
    direct = signal.resample_poly(
        transmit(modulation, sample_rate_hz=48_000, seconds=0.5), 5, 1, window=("kaiser", 12.0)
    )
    emission = Emission(
        start_s=0.0, stop_s=0.5, offset_hz=50_000.0, cnr_db=0.0, cnr_width_hz=rate_hz, modulation=modulation
    )
    scene = Scene(sample_rate_hz=rate_hz, seconds=0.5, emissions=(emission,), noise_dbfs=0.0)
    quiet = Scene(sample_rate_hz=rate_hz, seconds=0.5, noise_dbfs=0.0)
    mixed = scene.render(np.random.default_rng(6)) - quiet.render(np.random.default_rng(6))
    mixed = mixed * np.exp(-2j * np.pi * 50_000.0 * np.arange(len(mixed)) / rate_hz)
    assert np.abs(mixed - direct)[1000:-1000].max() < 2e-3


def test_truth_counts_samples_and_cuts_at_the_ends() -> None:
    scene = Scene(
        sample_rate_hz=1_000_000,
        seconds=10.0,
        emissions=(
            Emission(start_s=8.0, stop_s=12.0, offset_hz=0.0, cnr_db=6.0, label="late"),
            Emission(
                start_s=-1.0, stop_s=3.0, offset_hz=1e5, cnr_db=6.0, modulation=Fm(tone=Ctcss(tone_hz=67.0))
            ),
            Emission(start_s=11.0, stop_s=12.0, offset_hz=0.0, cnr_db=6.0, label="never"),
            Emission(start_s=-3.0, stop_s=-1.0, offset_hz=0.0, cnr_db=6.0, label="before"),
        ),
    )
    first, last = scene.truth()
    assert (first.start_sample, first.stop_sample, first.tone_hz, first.mode) == (0, 3_000_000, 67.0, "fm")
    assert (last.start_sample, last.stop_sample, last.tone_hz, last.mode) == (
        8_000_000,
        10_000_000,
        None,
        "carrier",
    )
    assert (first.on_at_start, first.on_at_end, last.on_at_start, last.on_at_end) == (
        True,
        False,
        False,
        True,
    )


def test_wrong_clock_moves_carriers_and_instants() -> None:
    """50 ppm at 446 MHz is 22.3 kHz, more than a channel (arithmetic); a fast clock sees carriers too low."""
    emission = Emission(start_s=0.1, stop_s=0.4, offset_hz=40_000.0, cnr_db=60.0)
    scene = Scene(
        sample_rate_hz=240_000, seconds=0.5, emissions=(emission,), centre_hz=446_000_000, ppm_error=50.0
    )
    (truth,) = scene.truth()
    assert truth.offset_hz == pytest.approx(40_000.0 - 22_300.0, abs=2.5)
    samples = scene.render(np.random.default_rng(7))[30_000:90_000].astype(np.complex128)
    spectrum = np.abs(np.fft.fft(samples * np.hanning(60_000)))
    assert np.argmax(spectrum) * 4.0 == pytest.approx(truth.offset_hz, abs=4.0)
    assert truth.start_sample == round(0.1 * 240_000 * (1 + 50e-6))


@pytest.mark.parametrize("offset_hz", [-119_000.0, 119_000.0, -125_000.0, 125_000.0])
def test_transmission_across_the_edge_is_cut_and_does_not_wrap(offset_hz: float) -> None:
    emission = Emission(
        start_s=-1.0,
        stop_s=1.0,
        offset_hz=offset_hz,
        cnr_db=80.0,
        modulation=Fm(audio=SPOKEN, deviation_limit_hz=5000.0, drive=4.0),
    )
    scene = Scene(sample_rate_hz=240_000, seconds=0.3, emissions=(emission,), noise_dbfs=-90.0)
    samples = scene.render(np.random.default_rng(8))
    spectrum = np.abs(np.fft.fft(samples * np.kaiser(len(samples), 14.0))) ** 2
    frequency_hz = np.fft.fftfreq(len(samples), 1 / 240_000)
    mirrored = spectrum[np.sign(frequency_hz) == -np.sign(offset_hz)].mean()
    elsewhere = spectrum[np.abs(frequency_hz) < 50_000].mean()
    assert mirrored < 10 * elsewhere


def test_memory_does_not_grow_with_the_scene() -> None:
    def peak_bytes(seconds: float) -> int:
        scene = Scene(
            sample_rate_hz=240_000,
            seconds=seconds,
            emissions=(
                Emission(start_s=0.0, stop_s=seconds, offset_hz=5e4, cnr_db=9.0, modulation=Fm(audio=SPOKEN)),
            ),
        )
        tracemalloc.start()
        for _ in scene.blocks(np.random.default_rng(9)):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    assert peak_bytes(6.0) < 1.1 * peak_bytes(2.0)


def test_fading_scales_the_carrier_by_its_path() -> None:
    emission = Emission(start_s=-1.0, stop_s=3.0, offset_hz=0.0, cnr_db=60.0, fading=Fading(doppler_hz=5.0))
    scene = Scene(sample_rate_hz=48_000, seconds=2.0, emissions=(emission,))
    power = np.abs(scene.render(np.random.default_rng(10))) ** 2 / 10 ** (scene.truth()[0].power_dbfs / 10)
    assert power.min() < 0.1
    assert power.max() > 1.2
    # and slowly: over a millisecond a 5 Hz path turns by 0.03 rad, noise 54 dB down in all
    assert np.abs(np.diff(np.sqrt(power[::48]))).max() < 0.1


def test_eight_bit_scene_counts_clipped_samples() -> None:
    loud = Emission(start_s=-1.0, stop_s=1.0, offset_hz=1000.0, cnr_db=40.0, cnr_width_hz=48_000.0)
    scene = Scene(sample_rate_hz=48_000, seconds=0.1, emissions=(loud,), noise_dbfs=-37.0, eight_bit=True)
    (block,) = scene.blocks(np.random.default_rng(11))
    assert block.clipped > 1000  # amplitude 1.41
    assert np.abs(block.samples.real).max() <= 1.0
    codes = block.samples.view(np.float32) * 127.5 + 127.5
    assert codes == pytest.approx(np.rint(codes), abs=1e-3)


def test_every_code_of_an_eight_bit_radio_survives_the_round_trip() -> None:
    codes = np.repeat(np.arange(256, dtype=np.uint8), 2)
    samples = from_cu8(codes)
    assert samples.dtype == np.complex64
    assert samples[0] == pytest.approx(-1 - 1j)
    assert samples[-1] == pytest.approx(1 + 1j)
    again, clipped = to_cu8(samples)
    assert np.array_equal(again, codes)
    assert clipped == 0
    _, clipped = to_cu8(np.array([1.2, 0.5, -1.1j, 0.99 - 0.99j], dtype=np.complex64))
    assert clipped == 2


@pytest.mark.parametrize("sizes", [[5000], [1, 2, 3, 4, 990, 4000], [100] * 50])
def test_impulses_and_faults_do_not_depend_on_blocks(sizes: list[int]) -> None:
    """5000 samples in blocks of these sizes equal 5000 samples at once."""

    def made(steps: list[int]) -> tuple[np.ndarray, np.ndarray]:
        source = ImpulseNoise(
            Impulses(per_second=400.0, width_s=2e-3, power_dbfs=0.0, start_s=0.01, stop_s=0.08),
            sample_rate_hz=48_000.0,
            rng=np.random.default_rng(12),
        )
        faults = FrontEndFaults(
            everything().front_end or FrontEnd(), sample_rate_hz=48_000.0, rng=np.random.default_rng(13)
        )
        impulses, faulty = [], []
        for size in steps:
            block = np.zeros(size, dtype=np.complex64)
            source.add_to(block)
            impulses.append(block)
            faulty.append(faults.push(block))
        return np.concatenate(impulses), np.concatenate(faulty)

    for whole, parts in zip(made([5000]), made(sizes), strict=True):
        assert np.abs(whole - parts).max() < 1e-5
        assert whole.any()
    places = np.flatnonzero(made(sizes)[0])
    assert places.min() >= 480
    assert places.max() <= 0.08 * 48_000 + 96


def test_receiver_faults_leave_the_block_they_got_alone() -> None:
    block = np.ones(1000, dtype=np.complex64)
    faults = FrontEndFaults(
        FrontEnd(zero_spike_dbfs=-10.0), sample_rate_hz=48_000, rng=np.random.default_rng(1)
    )
    assert not np.array_equal(faults.push(block), block)
    assert np.array_equal(block, np.ones(1000, dtype=np.complex64))


def test_empty_scene_has_no_blocks() -> None:
    scene = Scene(sample_rate_hz=48_000, seconds=0.0)
    assert list(scene.blocks(np.random.default_rng(1))) == []
    assert len(scene.render(np.random.default_rng(1))) == 0
    assert scene.truth() == ()


def test_wrong_facts_are_named() -> None:
    with pytest.raises(ValueError, match=r"stop_s is 1\.0; it must be later"):
        Emission(start_s=1.0, stop_s=1.0, offset_hz=0.0, cnr_db=3.0)
    with pytest.raises(ValueError, match="sample_rate_hz is 100"):
        Scene(sample_rate_hz=100, seconds=1.0)
    with pytest.raises(ValueError, match="block_samples is 0"):
        next(Scene(sample_rate_hz=48_000, seconds=1.0).blocks(np.random.default_rng(1), block_samples=0))
    with pytest.raises(ValueError, match=r"shadow_s 0\.0"):
        Fading(shadow_s=0.0)
    with pytest.raises(ValueError, match="per_second is 0"):
        ImpulseNoise(
            Impulses(per_second=0.0, width_s=1e-3, power_dbfs=0.0),
            sample_rate_hz=1e5,
            rng=np.random.default_rng(1),
        )
    with pytest.raises(ValueError, match=r"width_hz is 0\.0"):
        carrier_power(cnr_db=3.0, width_hz=0.0, noise_power=1.0, sample_rate_hz=1.0)


def test_path_without_fading_is_flat() -> None:
    gain = FadingPath(Fading(), np.random.default_rng(1)).gain_along(0.0, 1000, 48_000.0)
    assert gain == pytest.approx(np.ones(1000))


def test_audio_tone_fills_a_scene_by_repeating() -> None:
    tone = Audio(samples=audio_tone(seconds=0.01, rate_hz=16_000), rate_hz=16_000, repeats=True)
    emission = Emission(
        start_s=-1.0, stop_s=2.0, offset_hz=0.0, cnr_db=70.0, modulation=Fm(audio=tone, drive=0.6)
    )
    samples = Scene(sample_rate_hz=48_000, seconds=1.0, emissions=(emission,)).render(
        np.random.default_rng(1)
    )
    swing = np.angle(samples[1:] * samples[:-1].conj()) * 48_000 / (2 * np.pi)
    assert np.std(swing) == pytest.approx(1500.0 / np.sqrt(2), rel=0.02)
