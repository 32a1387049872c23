"""From a plan to what each radio hears."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from watcher.errors import PlanError
from watcher.plan.model import Channel, Radio, WatchPlan
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.watch.posts import shares_of


def channel(mhz: float) -> Channel:
    return Channel(name=f"{mhz}", frequency_hz=round(mhz * 1e6), mode="nfm", bandwidth_hz=12_500)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    with SigmfWriter(tmp_path / "air", "cu8", 960_000, "Noise.", None) as writer:
        writer.start_capture(146_500_000, None)
        writer.write(np.zeros(1000, np.complex64))
    return tmp_path / "air.sigmf-meta"


def test_radios_that_can_be_tuned_share_the_fewest_tunings() -> None:
    plan = WatchPlan(
        channels=tuple(map(channel, (146.52, 147.0, 446.0, 462.5625))),
        radios=(Radio(kind="rtlsdr", sample_rate_hz=2_400_000), Radio(kind="rtlsdr", serial="2")),
    )
    shares = shares_of(plan)
    assert len(shares) == 2 and shares[0].tunings == shares[1].tunings
    assert len(shares[0].tunings) == 3
    assert shares[0].dwells.tunings | shares[1].dwells.tunings == {0, 1, 2}
    assert not shares[0].dwells.tunings & shares[1].dwells.tunings


def test_a_recording_has_its_one_tuning_and_what_lies_inside_it(recording: Path) -> None:
    plan = WatchPlan(
        channels=(channel(146.52), channel(446.0)), radios=(Radio(kind="recording", path=recording),)
    )
    (share,) = shares_of(plan)
    (tuning,) = share.tunings
    assert tuning.centre_hz == 146_500_000
    assert [one.frequency_hz for one in tuning.channels] == [146_520_000]


def test_at_a_part_of_its_rate_a_recording_is_tuned_about(recording: Path) -> None:
    plan = WatchPlan(
        channels=(channel(146.3), channel(146.7)),
        radios=(Radio(kind="recording", path=recording, sample_rate_hz=240_000),),
    )
    (share,) = shares_of(plan)
    assert len(share.tunings) == 2


def test_what_cannot_be_heard_is_told(recording: Path) -> None:
    with pytest.raises(PlanError, match=r"\[\[radio\]\]"):
        shares_of(WatchPlan(channels=(channel(146.52),)))
    with pytest.raises(PlanError, match="no channel of the plan lies inside"):
        shares_of(WatchPlan(channels=(channel(446.0),), radios=(Radio(kind="recording", path=recording),)))
