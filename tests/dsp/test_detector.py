"""Floor, squelch, steady carriers and images together, on scenes with known truth.

The scenes are narrow so that this stays quick; what the whole receiver makes of such scenes is in
tests/watcher/receive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from dsp.channelizer import ChannelCut, Channelizer
from dsp.detector import Detection, Detector, DetectorEvent, ImageHeard, SteadyGone, TurnedSteady
from dsp.modulate import (
    VOICE_RATE_HZ,
    Audio,
    Birdie,
    Ctcss,
    Emission,
    Fm,
    FrontEnd,
    Scene,
    Unmodulated,
    image_coefficients,
    voice,
)
from dsp.squelch import Closing, Opening

RATE_HZ = 96_000
WIDTH_HZ = 11_000.0
OFFSETS_HZ = (-31_250.0, -6_250.0, 18_750.0)
NOISE_DBFS = -30.0
SPOKEN = Audio(
    samples=voice(seconds=4.0, rng=np.random.default_rng(2), pauses=False),
    rate_hz=VOICE_RATE_HZ,
    repeats=True,
)
SPEECH = Fm(audio=SPOKEN, drive=4.0)


@dataclass(frozen=True, eq=False)
class Judged:
    """Everything one detector said about one scene."""

    detections: list[Detection]
    frame_s: float

    @property
    def events(self) -> list[DetectorEvent]:
        return [event for one in self.detections for event in one.events]

    def on(self, channel: int) -> list[DetectorEvent]:
        return [event for event in self.events if event.channel == channel]

    def seconds(self, frame: int) -> float:
        return frame * self.frame_s

    def joined(self, channel: int) -> tuple[np.ndarray, np.ndarray]:
        """Power and floor of one channel, frame by frame."""
        power = np.concatenate([one.measures.power[channel] for one in self.detections])
        return power, np.concatenate([one.floor[channel] for one in self.detections])


def emission(channel: int, start_s: float, stop_s: float, cnr_db: float, *, bare: bool = False) -> Emission:
    return Emission(
        start_s=start_s,
        stop_s=stop_s,
        offset_hz=OFFSETS_HZ[channel],
        cnr_db=cnr_db,
        cnr_width_hz=WIDTH_HZ,
        modulation=Unmodulated() if bare else SPEECH,
    )


def scene(seconds: float, *emissions: Emission, front_end: FrontEnd | None = None) -> Scene:
    return Scene(
        sample_rate_hz=RATE_HZ,
        seconds=seconds,
        emissions=emissions,
        noise_dbfs=NOISE_DBFS,
        front_end=front_end,
    )


def bank() -> Channelizer:
    return Channelizer(RATE_HZ, [ChannelCut(offset, WIDTH_HZ) for offset in OFFSETS_HZ])


def judge(made: Scene, *, channelizer: Channelizer | None = None, detector: Detector | None = None) -> Judged:
    channelizer = channelizer or bank()
    detector = detector or Detector(channelizer)
    detections = []
    for block in made.blocks(np.random.default_rng(5)):
        detections += [detector.push(piece) for piece in channelizer.push(block.samples)]
    detections += [detector.push(piece) for piece in channelizer.finish()]
    return Judged(detections, channelizer.shape.hop_seconds)


def birdie(channel: int, cnr_db: float, *, off_hz: float = 0.0, drift_hz_per_s: float = 0.0) -> Birdie:
    return Birdie(
        offset_hz=OFFSETS_HZ[channel] + off_hz,
        power_dbfs=NOISE_DBFS + 10 * np.log10(WIDTH_HZ / RATE_HZ) + cnr_db,
        drift_hz_per_s=drift_hz_per_s,
    )


def test_call_opens_its_channel_and_no_other() -> None:
    judged = judge(scene(6.0, emission(1, 2.0, 4.0, 10.0)))
    opening, closing = judged.events
    assert isinstance(opening, Opening)
    assert isinstance(closing, Closing)
    assert opening.channel == closing.channel == 1
    assert opening.abrupt
    assert judged.seconds(opening.searched_from) <= 2.0 <= judged.seconds(opening.frame) <= 2.1
    assert judged.seconds(closing.last_up) == pytest.approx(4.0, abs=0.03)
    assert judged.seconds(closing.frame - closing.last_up) == pytest.approx(0.25, abs=0.02)


def test_floor_of_white_noise_is_its_power_in_the_channels_noise_bandwidth() -> None:
    """Power times bandwidth over rate, by the definition of the equivalent noise bandwidth."""
    channelizer = bank()
    judged = judge(scene(10.0), channelizer=channelizer)
    for channel in range(3):
        power, floor = judged.joined(channel)
        expected = 10 ** (NOISE_DBFS / 10) * channelizer.noise_bandwidth_hz[channel] / RATE_HZ
        assert floor.mean() == pytest.approx(expected, rel=0.05)
        assert power.mean() == pytest.approx(expected, rel=0.03)  # the bank's own noise, for comparison


def test_floor_stays_where_it_was_under_a_station() -> None:
    quiet = judge(scene(8.0))
    busy = judge(scene(8.0, emission(1, 1.0, 8.0, 40.0)))
    for channel in range(3):
        before, after = quiet.joined(channel)[1].mean(), busy.joined(channel)[1].mean()
        assert 10 * abs(np.log10(after / before)) < 0.4


def test_carrier_there_from_the_start_turns_steady_after_three_seconds() -> None:
    judged = judge(scene(8.0, front_end=FrontEnd(birdies=(birdie(1, 12.0, off_hz=410.0),))))
    opening, steady = judged.events
    assert isinstance(opening, Opening)
    assert isinstance(steady, TurnedSteady)
    assert steady.was_there_before
    assert 2.9 < judged.seconds(steady.frame) < 3.6
    assert steady.frequency_hz == pytest.approx(410.0, abs=15.0)
    assert 10 * np.log10(steady.carrier_power) == pytest.approx(birdie(1, 12.0).power_dbfs, abs=0.3)


def test_steady_carrier_is_taken_out_of_the_channels_power() -> None:
    judged = judge(scene(10.0, front_end=FrontEnd(birdies=(birdie(1, 12.0),))))
    power, floor = judged.joined(1)
    settled = int(5.0 / judged.frame_s)
    assert 10 * np.log10(power[:100].mean() / floor[:100].mean()) > 10.0
    assert 10 * np.log10(power[settled:].mean() / floor[settled:].mean()) < 0.5


@pytest.mark.parametrize("cnr_db", [6.0, 15.0, 30.0])
def test_steady_carrier_that_goes_is_noticed_at_its_frame(cnr_db: float) -> None:
    judged = judge(scene(16.0, emission(1, -1.0, 12.0, cnr_db, bare=True)))
    _, steady, gone = judged.events
    assert isinstance(steady, TurnedSteady)
    assert isinstance(gone, SteadyGone)
    assert judged.seconds(gone.frame) == pytest.approx(12.0, abs=0.03)


def test_carrier_that_came_up_while_watching_is_a_station_for_a_minute() -> None:
    judged = judge(scene(66.0, emission(1, 2.0, 66.0, 12.0, bare=True)))
    opening, steady = judged.events
    assert isinstance(opening, Opening)
    assert isinstance(steady, TurnedSteady)
    assert not steady.was_there_before
    assert judged.seconds(steady.frame) == pytest.approx(62.0, abs=0.5)


def test_speech_never_turns_steady_even_where_it_was_on_from_the_start() -> None:
    events = judge(scene(65.0, emission(0, -1.0, 66.0, 6.0), emission(2, 1.0, 66.0, 25.0))).events
    assert [(event.channel, type(event)) for event in events] == [(0, Opening), (2, Opening)]


def test_a_tone_alone_under_no_speech_is_no_idle_carrier() -> None:
    """A repeater's tail carries its tone: 350 Hz of deviation by 100 Hz moves the carrier."""
    tail = Emission(
        start_s=-1.0,
        stop_s=13.0,
        offset_hz=OFFSETS_HZ[1],
        cnr_db=15.0,
        modulation=Fm(tone=Ctcss(tone_hz=100.0, deviation_hz=350.0)),
    )
    assert [type(event) for event in judge(scene(12.0, tail)).events] == [Opening]


def test_is_idle_carrier_tells_of_the_undecided_time() -> None:
    channelizer = bank()
    detector = Detector(channelizer)
    made = scene(2.0, front_end=FrontEnd(birdies=(birdie(1, 15.0, off_hz=-700.0),)))
    judge(made, channelizer=channelizer, detector=detector)
    assert detector.is_idle_from_before(1)
    assert detector.idle_offset_hz(1) == pytest.approx(-700.0, abs=15.0)
    assert not detector.is_idle_from_before(0)
    assert detector.idle_offset_hz(0) == 0.0


@pytest.mark.parametrize(("gain_db", "phase_deg"), [(0.2, 1.0), (0.1, 0.3)])
def test_image_of_an_unlisted_station_is_named_with_its_rejection(gain_db: float, phase_deg: float) -> None:
    """The rejection |b / a|² follows from the imbalance (model: M. Valkama et al., 2001)."""
    strong = Emission(
        start_s=1.0,
        stop_s=4.0,
        offset_hz=-OFFSETS_HZ[0],
        cnr_db=58.0,
        cnr_width_hz=WIDTH_HZ,
        modulation=SPEECH,
    )
    imbalance = FrontEnd(gain_imbalance_db=gain_db, phase_imbalance_deg=phase_deg)
    judged = judge(scene(6.0, strong, front_end=imbalance))
    assert judged.events
    assert {type(event) for event in judged.events} == {ImageHeard}
    assert {event.channel for event in judged.events} == {0}
    direct, mirrored = image_coefficients(gain_db=gain_db, phase_deg=phase_deg)
    rejections_db = [event.rejection_db for event in judged.events if isinstance(event, ImageHeard)]
    expected_db = -20 * np.log10(abs(mirrored / direct))
    assert np.median(rejections_db) == pytest.approx(expected_db, abs=1.0)


def test_station_of_its_own_opposite_a_strong_one_is_no_image() -> None:
    strong = Emission(
        start_s=1.0,
        stop_s=5.0,
        offset_hz=-OFFSETS_HZ[0],
        cnr_db=50.0,
        cnr_width_hz=WIDTH_HZ,
        modulation=SPEECH,
    )
    imbalance = FrontEnd(gain_imbalance_db=0.1, phase_imbalance_deg=0.3)
    judged = judge(scene(6.0, strong, emission(0, 2.0, 4.0, 12.0), front_end=imbalance))
    kinds = [type(event) for event in judged.on(0) if not isinstance(event, ImageHeard)]
    assert kinds == [Opening, Closing]


@pytest.mark.parametrize(("apart_hz", "up_s"), [(3.0, 2.06), (3.0, 2.12), (7.0, 2.15)])
def test_bare_carrier_opposite_another_is_looked_for_from_where_it_came_up(
    apart_hz: float, up_s: float
) -> None:
    """At first the weaker one looks like the image of the stronger."""
    strong, weak = (
        Emission(
            start_s=start_s,
            stop_s=3.2,
            offset_hz=offset_hz,
            cnr_db=cnr_db,
            cnr_width_hz=WIDTH_HZ,
            modulation=Unmodulated(),
        )
        for start_s, offset_hz, cnr_db in (
            (0.5, -OFFSETS_HZ[0], 40.0),
            (up_s, OFFSETS_HZ[0] + apart_hz, 20.0),
        )
    )
    judged = judge(scene(3.4, strong, weak))
    opening = next(event for event in judged.on(0) if isinstance(event, Opening))
    assert judged.seconds(opening.searched_from) <= up_s <= judged.seconds(opening.frame)


def test_threshold_raised_by_the_plan_keeps_a_weak_station_out() -> None:
    made = scene(4.0, emission(0, 1.0, 3.0, 6.0), emission(1, 1.0, 3.0, 6.0))
    channelizer = bank()
    judged = judge(made, channelizer=channelizer, detector=Detector(channelizer, raise_db=[10.0, 0.0, 0.0]))
    assert {event.channel for event in judged.events} == {1}


def test_wanted_false_rate_sets_the_threshold() -> None:
    strict, lax = (Detector(bank(), false_per_hour=rate) for rate in (1e-6, 1.0))
    assert (strict.squelch.short_ratio > lax.squelch.short_ratio).all()


def test_reset_forgets_everything() -> None:
    channelizer = bank()
    detector = Detector(channelizer)
    dirty = scene(4.0, emission(0, 1.0, 9.0, 20.0), front_end=FrontEnd(birdies=(birdie(1, 12.0),)))
    judge(dirty, channelizer=channelizer, detector=detector)
    channelizer.reset()
    detector.reset()
    made = scene(4.0, emission(1, 1.0, 2.0, 6.0), emission(2, 1.5, 3.0, 12.0))
    again = judge(made, channelizer=channelizer, detector=detector)
    fresh = judge(made)
    assert again.events == fresh.events
    assert fresh.events
    for channel in range(3):
        np.testing.assert_array_equal(again.joined(channel), fresh.joined(channel))


def test_zeros_in_open_nothing() -> None:
    """A radio that delivers nothing but zeros hears nothing, and no arithmetic fails."""
    channelizer = bank()
    detector = Detector(channelizer)
    for piece in channelizer.push(np.zeros(3 * RATE_HZ, np.complex64)):
        assert not detector.push(piece).events


def test_events_come_in_order_of_frame_within_the_slice_that_shows_them() -> None:
    judged = judge(scene(8.0, *(emission(n % 3, 0.5 + 0.9 * n, 1.0 + 0.9 * n, 12.0) for n in range(7))))
    frames = [event.frame for event in judged.events]
    assert frames == sorted(frames)
    assert len(frames) == 14
    at = 0
    for one in judged.detections:
        assert one.first_frame == at
        assert all(at <= event.frame < at + len(one.cells) for event in one.events)
        at += len(one.cells)
