"""The squelch as states, driven by measures made by hand: no samples, only powers and envelopes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.energy_law import open_ratio
from dsp.frame_measures import FrameMeasures
from dsp.squelch import Closing, Edge, Opening, Squelch, State

FRAME_S = 0.0125
RATE_HZ, PASS_HZ = 16_000.0, 11_000.0
NOISE_LAG = 0.283  # of noise filtered to 12.2 kHz, at 16 kS/s: sin(pi B / R) / (pi B / R)


def squelch(channels: int = 1, **options: float) -> Squelch:
    one = np.ones(channels)
    return Squelch(
        one * PASS_HZ * FRAME_S,
        one * RATE_HZ,
        one * PASS_HZ,
        one * NOISE_LAG,
        frame_s=FRAME_S,
        floor_variance=0.0012,
        **options,
    )


def measures(cnr: np.ndarray, offset_hz: float = 0.0, envelope: np.ndarray | None = None) -> FrameMeasures:
    """Ideal measures of a constant carrier at a linear carrier-to-noise ratio per frame, noise power 1."""
    cnr = np.atleast_2d(cnr).astype(np.float64)
    rice = (cnr**2 + 4 * cnr + 2) / (cnr + 1) ** 2
    lag = cnr * np.exp(2j * np.pi * offset_hz / RATE_HZ) + NOISE_LAG
    return FrameMeasures(
        (cnr + 1).astype(np.float32),
        (rice if envelope is None else np.atleast_2d(envelope)).astype(np.float32),
        lag.astype(np.complex64),
    )


def drive(gate: Squelch, made: FrameMeasures, floor: np.ndarray | None = None, step: int = 16) -> list[Edge]:
    edges: list[Edge] = []
    frames = made.power.shape[1]
    floor = np.ones_like(made.power) if floor is None else floor
    for at in range(0, frames, step):
        part = slice(at, at + step)
        edges += gate.push(
            FrameMeasures(made.power[:, part], made.envelope[:, part], made.lag_one[:, part]), floor[:, part]
        )
    return edges


def spell(*parts: tuple[float, float]) -> np.ndarray:
    """Carrier-to-noise ratios of frames: (seconds, ratio in dB or -inf for none)."""
    return np.concatenate(
        [np.full(round(s / FRAME_S), 10 ** (db / 10) if db > -90 else 0.0) for s, db in parts]
    )


NONE = -99.0


def test_a_call_opens_and_closes_once() -> None:
    edges = drive(squelch(), measures(spell((0.5, NONE), (1.0, 6), (1.0, NONE))))
    opening, closing = edges
    assert isinstance(opening, Opening)
    assert isinstance(closing, Closing)
    assert 40 <= opening.frame <= 48  # within 100 ms
    assert opening.searched_from <= 40
    assert opening.abrupt
    assert closing.last_up in (119, 120)
    assert closing.frame - closing.last_up == 20  # the hang time


@pytest.mark.parametrize("cnr_db", [-2.0, 0.0, 3.0, 40.0])
def test_half_a_second_opens_down_to_minus_two_db(cnr_db: float) -> None:
    edges = drive(squelch(), measures(spell((1.0, NONE), (0.5, cnr_db), (1.0, NONE))))
    assert [type(edge) for edge in edges] == [Opening, Closing]


def test_hang_time_bridges_a_fade_of_200_ms() -> None:
    edges = drive(squelch(), measures(spell((0.5, NONE), (1, 10), (0.2, NONE), (1, 10), (1, NONE))))
    assert [type(edge) for edge in edges] == [Opening, Closing]


def test_a_pause_of_300_ms_parts_two_key_downs() -> None:
    edges = drive(squelch(), measures(spell((0.5, NONE), (1, 10), (0.3, NONE), (1, 10), (1, NONE))))
    assert [type(edge) for edge in edges] == [Opening, Closing, Opening, Closing]
    assert edges[2].abrupt  # type: ignore[union-attr]


def test_a_rise_of_floor_and_channel_together_opens_nothing() -> None:
    rise = np.concatenate([np.ones(80), np.full(80, 4.0)])[None].astype(np.float32)
    made = measures(np.zeros(160))
    assert not drive(squelch(), FrameMeasures(made.power * rise, made.envelope, made.lag_one * rise), rise)


def test_gaussian_energy_in_one_channel_alone_opens_nothing_unless_strong() -> None:
    hump = np.concatenate([np.zeros(40), np.full(160, 2.0)])  # 4.8 dB over the floor, envelope of noise
    assert not drive(squelch(), measures(hump, envelope=np.full(200, 2.0)))
    strong = np.concatenate([np.zeros(40), np.full(160, 20.0)])
    assert drive(squelch(), measures(strong, envelope=np.full(200, 2.0)))


def test_impulses_open_nothing() -> None:
    power = np.zeros(200)
    power[60:120] = 30.0
    assert not drive(squelch(), measures(power, envelope=np.where(power > 0, 12.0, 2.0)))


def test_power_at_the_edge_of_the_pass_band_is_a_neighbours() -> None:
    call = spell((0.5, NONE), (1, 10), (0.5, NONE))
    assert not drive(squelch(), measures(call, offset_hz=4_800))
    assert drive(squelch(), measures(call, offset_hz=2_500))


def test_a_carrier_that_was_there_before_is_not_abrupt() -> None:
    creeping = np.concatenate([np.full(60, 3.0), np.full(60, 3.0)])
    made = measures(creeping)
    made.lag_one[0, :60] = measures(creeping, offset_hz=5_000).lag_one[0, :60]  # drifts in from the edge
    opening = drive(squelch(), made)[0]
    assert isinstance(opening, Opening)
    assert not opening.abrupt


def test_what_turns_out_to_be_noise_is_closed_again() -> None:
    call = spell((0.5, NONE), (0.5, 6))
    noisy = np.concatenate([call, np.full(120, 0.8)])  # afterwards the floor is 2.5 dB wrong
    envelope = np.concatenate([measures(call).envelope[0], np.full(120, 2.0)])
    edges = drive(squelch(), measures(noisy, envelope=envelope))
    assert [type(edge) for edge in edges] == [Opening, Closing]


def test_raised_threshold_keeps_a_weak_carrier_out() -> None:
    call = measures(spell((0.5, NONE), (1, 6), (0.5, NONE)))
    assert drive(squelch(raise_db=np.array([3.0])), call)  # type: ignore[arg-type]
    assert not drive(squelch(raise_db=np.array([9.0])), call)  # type: ignore[arg-type]


def test_force_closed_leaves_no_edge_and_no_memory() -> None:
    gate = squelch()
    drive(gate, measures(spell((0.5, NONE), (0.5, 20))))
    assert gate.state[0] == State.OPEN
    gate.force_closed(0)
    assert not drive(gate, measures(spell((1.0, NONE))))


def test_quiet_channel_teaches_its_own_ratio() -> None:
    gate = squelch()
    floor = np.full((1, 1600), 0.8, np.float32)  # the reference reads 1 dB low
    drive(gate, measures(np.zeros(1600)), floor)
    assert gate.quiet_ratio[0] == pytest.approx(1.25, rel=0.02)


def test_open_ratio_falls_with_looking_longer_and_rises_with_demand() -> None:
    short, long = (open_ratio(n, 137, 0.0012, 0.001, FRAME_S) for n in (4, 16))
    assert 1 < long < short
    assert open_ratio(4, 137, 0.0012, 1e-6, FRAME_S) > short


SPELLS = st.lists(
    st.tuples(st.floats(0.02, 1.0), st.sampled_from([NONE, NONE, -2.0, 3.0, 12.0, 30.0])),
    min_size=1,
    max_size=12,
)


@settings(max_examples=40)
@given(parts=st.lists(SPELLS, min_size=1, max_size=3), step=st.integers(1, 40))
def test_edges_alternate_stay_in_order_and_never_overlap(parts: list, step: int) -> None:
    spells = [spell(*part) for part in parts]
    longest = max(map(len, spells))
    made = measures(np.stack([np.pad(one, (0, longest - len(one))) for one in spells]))
    gate = squelch(len(parts))
    edges = drive(gate, made, step=step)
    for channel in range(len(parts)):
        own = [edge for edge in edges if edge.channel == channel]
        assert [type(edge) for edge in own] == [Opening, Closing] * (len(own) // 2) + [Opening] * (
            len(own) % 2
        )
        frames = [edge.frame for edge in own]
        assert frames == sorted(frames)
        assert (gate.state[channel] == State.CLOSED) == (len(own) % 2 == 0)
        # No transmission is lost: whatever lasts 0.5 s at 3 dB or more lies inside an open span.
        at = 0
        for seconds, db in parts[channel]:
            count = round(seconds / FRAME_S)
            if count >= 40 and db >= 3.0:
                middle = at + count - 1
                opened = sum(e.frame <= middle for e in own if isinstance(e, Opening))
                closed = sum(e.frame <= middle for e in own if isinstance(e, Closing))
                assert opened == closed + 1
            at += count


@settings(max_examples=15)
@given(step=st.integers(1, 50))
def test_how_the_frames_are_grouped_does_not_matter_to_a_plain_call(step: int) -> None:
    made = measures(spell((0.5, NONE), (0.6, 10), (0.3, NONE), (0.4, 3), (1, NONE)))
    assert drive(squelch(), made, step=step) == drive(squelch(), made, step=16)


def hump(power: np.ndarray, envelope: float = 2.0) -> FrameMeasures:
    """Gaussian noise that fills the channel, over a floor of 1."""
    power = np.atleast_2d(power)
    return FrameMeasures(
        power.astype(np.float32),
        np.full(power.shape, envelope, np.float32),
        (NOISE_LAG * power).astype(np.complex64),
    )


@pytest.mark.parametrize("hump_db", [3.0, 6.0, 10.0, 20.0, 70.0])
def test_noise_in_one_channel_alone_is_learned_within_two_seconds(hump_db: float) -> None:
    gate = squelch()
    power = np.concatenate([np.ones(80), np.full(160, 10 ** (hump_db / 10))])
    assert not drive(gate, hump(power))
    assert 10 * np.log10(gate.quiet_ratio[0]) == pytest.approx(hump_db, abs=0.5)


def test_channel_that_noise_opened_closes_after_a_second_and_stays_closed() -> None:
    """By chance the envelope looks steady for 50 ms."""
    made = hump(np.concatenate([np.ones(80), np.full(400, 4.0)]))
    made.envelope[0, 84:88] = 1.5
    opening, closing = drive(squelch(), made)
    assert isinstance(opening, Opening)
    assert isinstance(closing, Closing)
    assert (closing.frame - opening.frame) * FRAME_S < 1.6


def test_call_over_a_learned_hump_is_heard_and_the_hump_that_goes_is_forgotten() -> None:
    gate = squelch()
    noise_power = np.concatenate([np.full(300, 4.0), np.ones(200)])
    cnr = np.zeros(500)
    cnr[200:240] = 2.0  # 0.5 s at 3 dB over the hump
    cnr[400:440] = 2.0  # and over the noise that is left
    made = measures(cnr)
    scaled = FrameMeasures(
        (made.power * noise_power).astype(np.float32),
        made.envelope,
        (made.lag_one * noise_power).astype(np.complex64),
    )
    edges = drive(gate, scaled)
    assert [type(edge) for edge in edges] == [Opening, Closing] * 2
    assert [200 < edge.frame < 240 for edge in edges[::2]] == [True, False]
    assert 400 < edges[2].frame < 440
    assert gate.quiet_ratio[0] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("cnr_db", [-2.0, 0.0, 3.0, 30.0])
def test_a_carrier_of_any_strength_is_not_learned(cnr_db: float) -> None:
    gate = squelch()
    edges = drive(gate, measures(spell((1.0, NONE), (10.0, cnr_db))))
    assert [type(edge) for edge in edges] == [Opening]
    assert gate.quiet_ratio[0] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("offset", [0, 3, 7, 11, 15])
def test_the_onset_of_a_call_teaches_nothing(offset: int) -> None:
    """Wherever in a slice it falls: the ratio decides what SNR is stated."""
    cnr = np.concatenate([np.zeros(32 + offset), np.full(80, 10.0)])
    gate = squelch()
    assert drive(gate, measures(cnr))
    assert 10 * np.log10(gate.quiet_ratio[0]) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("gap_frames", [4, 8, 12])
def test_carrier_is_not_looked_for_before_a_quiet_spell(gap_frames: int) -> None:
    """A neighbour's splatter, made of impulses, just ahead of a call."""
    call = spell((0.5, NONE), (0.025, 9), (gap_frames * FRAME_S, NONE), (1, 10))
    made = measures(call)
    made.envelope[0, 40:42] = 6.0
    opening = drive(squelch(), made)[0]
    assert isinstance(opening, Opening)
    assert 42 <= opening.searched_from <= 42 + gap_frames
