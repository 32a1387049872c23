"""One key-down: slopes, continuity, pieces, and what is refused."""

import numpy as np
import pytest

from dsp.modulate import Am, Audio, Ctcss, Fm, Modulation, Sender, Unmodulated, audio_tone, transmit, voice

SPOKEN = Audio(samples=voice(seconds=0.5, rng=np.random.default_rng(1)), rate_hz=16_000, start_s=0.1)
EVERY_KIND: list[Modulation] = [
    Fm(audio=SPOKEN, drive=4.0, tone=Ctcss(tone_hz=88.5, reverse_burst_s=0.1)),
    Am(audio=SPOKEN),
    Unmodulated(),
]


@pytest.mark.parametrize("modulation", EVERY_KIND)
@pytest.mark.parametrize("rate_hz", [48_000.0, 51_200.7])
def test_pieces_of_any_length_make_the_same_transmission(modulation: Modulation, rate_hz: float) -> None:
    def sender() -> Sender:
        return Sender(
            modulation, sample_rate_hz=rate_hz, seconds=0.6, first_instant_s=-0.02, offset_hz=1234.5
        )

    whole = sender().take(40_000)
    again, sizes = sender(), [1, 2, 3, 997, 5000, 1, 20_000, 13_996]
    pieces = np.concatenate([again.take(size) for size in sizes])
    assert sum(sizes) == 40_000
    assert np.abs(pieces - whole).max() < 1e-5


@pytest.mark.parametrize("modulation", EVERY_KIND)
def test_carrier_rises_and_falls_inside_the_key_down(modulation: Modulation) -> None:
    rate_hz, seconds = 48_000.0, 0.5
    sender = Sender(
        modulation, sample_rate_hz=rate_hz, seconds=seconds, first_instant_s=-0.1, rise_s=0.004, fall_s=0.008
    )
    amplitude = np.abs(sender.take(48_000))
    start, stop = round(0.1 * rate_hz), round(0.6 * rate_hz)
    assert not amplitude[: start - 1].any()
    assert not amplitude[stop + 1 :].any()
    assert amplitude[start + round(0.002 * rate_hz)] == pytest.approx(0.5, abs=0.02)
    if not isinstance(modulation, Am):  # whose amplitude is speech by then
        assert amplitude[stop - round(0.004 * rate_hz)] == pytest.approx(0.5, abs=0.02)
    up = amplitude[start + round(0.004 * rate_hz) : start + round(0.09 * rate_hz)]
    assert up == pytest.approx(np.ones(len(up)), abs=1e-3)  # the audio starts at 0.1 s


def test_slopes_keep_the_key_click_narrow() -> None:
    """A raised-cosine rise over 3 ms leaves less than -60 dB beyond 3 kHz from the carrier."""
    sent = transmit(Unmodulated(), sample_rate_hz=48_000, seconds=0.1)
    spectrum = np.abs(np.fft.fft(sent, 1 << 16)) ** 2
    away = np.abs(np.fft.fftfreq(1 << 16, 1 / 48_000)) > 3000
    assert 10 * np.log10(spectrum[away].sum() / spectrum.sum()) < -60.0


def test_fm_keeps_its_amplitude_and_its_phase_without_jumps() -> None:
    sent = transmit(EVERY_KIND[0], sample_rate_hz=96_000, seconds=1.0, offset_hz=-3000.0)
    inside = sent[500:-1200]
    assert np.abs(inside) == pytest.approx(np.ones(len(inside)), abs=1e-5)
    swing = np.angle(inside[1:] * inside[:-1].conj()) * 96_000 / (2 * np.pi) + 3000.0
    assert np.abs(swing).max() < 2500.0 * 1.01


@pytest.mark.parametrize("rate_hz", [8000, 16_000, 25_000, 48_000, 96_000])
@pytest.mark.parametrize("seconds", [0.0001, 0.1, 1.2345])
def test_transmit_gives_the_length_asked_for(rate_hz: int, seconds: float) -> None:
    sent = transmit(Unmodulated(), sample_rate_hz=rate_hz, seconds=seconds)
    assert sent.dtype == np.complex64
    assert len(sent) == round(rate_hz * seconds)


def test_offset_moves_the_carrier_and_nothing_else() -> None:
    still = transmit(EVERY_KIND[0], sample_rate_hz=96_000, seconds=0.4)
    moved = transmit(EVERY_KIND[0], sample_rate_hz=96_000, seconds=0.4, offset_hz=7000.0)
    turn = np.exp(2j * np.pi * 7000.0 * np.arange(len(still)) / 96_000)
    assert np.abs(moved - still * turn).max() < 1e-4


def test_audio_starts_when_told_and_repeats_only_when_told() -> None:
    tone = audio_tone(seconds=0.1, tone_hz=1000.0, rate_hz=16_000)
    for repeats in (False, True):
        audio = Audio(samples=tone, rate_hz=16_000, start_s=0.2, repeats=repeats)
        sent = transmit(Fm(audio=audio, drive=0.5), sample_rate_hz=48_000, seconds=0.6)
        swing = np.abs(np.angle(sent[1:] * sent[:-1].conj())) * 48_000 / (2 * np.pi)
        assert swing[480:9500].max() < 1.0  # from the end of the slope to 0.198 s
        assert swing[9700:14_300].max() == pytest.approx(1250.0, rel=0.05)
        later = swing[15_300:28_000].max()  # after the audio, before the fall
        assert later > 1200.0 if repeats else later < 1.0


def test_reverse_burst_mutes_speech() -> None:
    tone = Audio(samples=audio_tone(seconds=1.0, rate_hz=16_000), rate_hz=16_000, repeats=True)
    ctcss = Ctcss(tone_hz=100.0, deviation_hz=300.0, reverse_burst_s=0.15)
    sent = transmit(Fm(audio=tone, tone=ctcss), sample_rate_hz=48_000, seconds=1.0)
    swing = np.abs(np.angle(sent[1:] * sent[:-1].conj())) * 48_000 / (2 * np.pi)
    assert swing[20_000:40_000].max() > 2000.0
    assert swing[round(0.851 * 48_000) : round(0.996 * 48_000)].max() <= 300.5


def test_impossible_modulation_is_refused() -> None:
    with pytest.raises(ValueError, match=r"by 500\.0 Hz; it must stay under the limit of 400\.0 Hz"):
        Fm(deviation_limit_hz=400.0, tone=Ctcss(tone_hz=100.0, deviation_hz=500.0))
    with pytest.raises(ValueError, match=r"depth_limit is 1\.5"):
        Am(depth_limit=1.5)


@pytest.mark.parametrize(("rate_hz", "seconds"), [(0, 1.0), (-5, 1.0), (16_000, 0.0), (16_000, -1.0)])
def test_a_transmission_needs_a_rate_and_a_length(rate_hz: int, seconds: float) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        transmit(Unmodulated(), sample_rate_hz=rate_hz, seconds=seconds)
