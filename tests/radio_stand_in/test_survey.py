"""A survey of a radio through the stand-in driver library, whose air and reference are known."""

from __future__ import annotations

import math

import pytest

from tests.radio_stand_in.placing import StandIn
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_settings import RtlSdrSettings
from watcher.radio.survey import Listed, SurveyTuning, survey

RATE_HZ = 1_024_000
CENTRE_HZ = 162_300_000
CARRIER_HZ = 162_400_000
LISTED = (
    Listed("weather", CARRIER_HZ - 8_000, CARRIER_HZ + 8_000),
    Listed("other", 162_541_000, 162_559_000),
)


def radio() -> RtlSdrRadio:
    return RtlSdrRadio(RtlSdrSettings(sample_rate_hz=RATE_HZ, gain_db=0.0))


def air(stand_in: StandIn, **more: float) -> None:
    """Noise of -40 dBFS, a carrier of -30 dBFS that stands still, and a reference 8 ppm fast."""
    stand_in.set(source=1, noise_db=-40, carrier_db=-30, carrier_hz=CARRIER_HZ, reference_ppm=8, **more)


def test_everything_that_is_known_is_found(stand_in: StandIn) -> None:
    air(stand_in)
    shares: list[float] = []
    told = survey(radio(), [SurveyTuning(CENTRE_HZ, LISTED)], seconds=1.6, progress=shares.append)
    assert told.failure is None and told.label == "RTL-SDR"
    (tuning,) = told.tunings
    # -40 dBFS over the rate, and step² / 12 in I and in Q of a converter with a step of 1 / 127.5.
    floor = 10 * math.log10((1e-4 + (1 / 127.5) ** 2 / 6) / RATE_HZ)
    assert tuning.floor_dbfs_hz == pytest.approx(floor, abs=0.15) and tuning.floor_sigma_db < 0.3
    assert (tuning.clipped_share, tuning.lost_samples, tuning.losses) == (0, 0, 0)
    assert (tuning.centre_hz, tuning.sample_rate_hz) == (CENTRE_HZ, RATE_HZ)
    assert 1.2 < tuning.seconds < 1.8 and told.seconds == tuning.seconds
    (carrier,) = tuning.carriers
    assert carrier.frequency_hz == CARRIER_HZ
    # Tuning and sample clock are 8 ppm fast: (f - 1.000008 c) / 1.000008 is f - c less 8 ppm of f, 1299.2 Hz.
    assert abs(carrier.offset_hz + 1299.2) < max(1.0, 4 * carrier.sigma_hz)
    assert told.ppm is not None and abs(told.ppm.ppm - 8) < 0.01 and told.ppm.sigma_ppm < 2
    ((name, line),) = tuning.lines
    assert name == "weather" and abs(line.frequency_hz - (CARRIER_HZ - 1299.2)) < 40
    assert shares == sorted(shares) and 0.8 < shares[-1] <= 1


def test_losses_and_clipping_are_counted(stand_in: StandIn) -> None:
    air(stand_in, pace=4)
    stand_in.set(carrier_db=2, drop_every=0)

    told = survey(radio(), [SurveyTuning(CENTRE_HZ)], seconds=0.5)
    (tuning,) = told.tunings
    # A carrier 2 dB over full scale: I is beyond the limits for 2 acos(10^-0.1) / π = 41 % of a turn.
    assert tuning.clipped_share > 0.4 and tuning.peak_dbfs == pytest.approx(0.0, abs=0.01)
    assert any("of the samples clipped; a lower gain_db is needed" in note for note in told.notes)


def test_a_radio_that_goes_away_keeps_what_was_measured(stand_in: StandIn) -> None:
    air(stand_in, unplug_after_ms=400)
    told = survey(radio(), [SurveyTuning(CENTRE_HZ), SurveyTuning(CENTRE_HZ)], seconds=10.0)
    assert told.failure is not None and "went away while it was read" in told.failure
    assert len(told.tunings) == 1 and told.ppm is None  # too short a look for a carrier


def test_a_radio_that_is_not_there_is_told(stand_in: StandIn) -> None:
    stand_in.set(present=0)
    told = survey(radio(), [SurveyTuning(CENTRE_HZ)], seconds=1.0)
    assert told.tunings == () and told.ppm is None and told.lost_samples == 0
    assert told.failure == "RTL-SDR: no RTL-SDR is plugged in; check its plug and its cable"


def test_a_survey_can_be_ended_early(stand_in: StandIn) -> None:
    told = survey(radio(), [SurveyTuning(CENTRE_HZ)], seconds=60.0, stop_wanted=lambda: True)
    assert told.tunings == () and told.failure is None
