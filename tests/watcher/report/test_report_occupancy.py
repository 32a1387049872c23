"""Occupancy of channels that are easy to work out by hand; `tests/checks` holds the interval to the
theory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.report.occupancy import (
    OccupancyRule,
    independent_samples_needed,
    nothing_seen_bound,
    occupancy,
    runs_and_pauses,
)


def test_share_is_heard_over_watched_time() -> None:
    found = occupancy(np.array([30.0, 60.0]), np.array([810.0, 900.0]))
    assert (found.share, found.heard_s, found.watched_s, found.runs) == (0.05, 90.0, 1800.0, 2)
    assert found.low is not None
    assert found.high is not None
    assert 0 < found.low < 0.05 < found.high < 1


def test_a_silent_channel_is_bounded_by_the_rule_of_three() -> None:
    """A day of looks 10 s apart is 8640: 3/8640 = 0.035 %."""
    found = occupancy(np.zeros(0), np.array([86_400.0]))
    assert found.rule is OccupancyRule.NONE
    assert (found.share, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(3 / 8640, rel=0.002)


def test_a_channel_that_is_never_quiet_is_bounded_likewise() -> None:
    found = occupancy(np.array([86_400.0]), np.zeros(1))
    assert found.rule is OccupancyRule.ALWAYS
    assert (found.share, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(1 - 3 / 8640, rel=1e-5)


def test_a_short_silent_watch_says_nothing() -> None:
    assert occupancy(np.zeros(0), np.array([5.0])).high == 1.0
    assert nothing_seen_bound(0.0) == 1.0


def test_a_channel_that_was_never_watched_has_no_occupancy() -> None:
    found = occupancy(np.zeros(0), np.zeros(1))
    assert found.rule is OccupancyRule.UNKNOWN
    assert (found.share, found.low, found.high) == (None, None, None)


def test_time_not_watched_is_cut_out_and_its_ends_joined() -> None:
    """Watched 0 to 100; heard 10 to 20, 30 to 40, and 40 to 45 across a cut at 40."""
    heard_s, pause_s = runs_and_pauses(np.array([10.0, 30.0, 40.0]), np.array([20.0, 40.0, 45.0]), 100.0)
    assert heard_s.tolist() == [10.0, 15.0]
    assert pause_s.tolist() == [10.0, 65.0]  # 20 to 30; 45 to 100 and 0 to 10


def test_a_burst_counts_as_one_occasion() -> None:
    """Ten transmissions within a minute of a day tell less than ten spread over it."""
    length_s = np.full(10, 4.0)
    spread = occupancy(length_s, np.full(10, 8636.0))
    burst = occupancy(length_s, np.array([*[2.0] * 9, 86_360.0 - 18.0]))
    assert spread.low is not None
    assert burst.low is not None
    assert burst.low < spread.low / 3
    # As little as one memoryless transmission would: F(2, 2) at 2.5 % is 1/39.
    assert burst.low == pytest.approx(40 / 86_360 / 39, rel=0.1)


@given(
    st.lists(st.tuples(st.floats(0.1, 1e4), st.floats(0.1, 1e6)), min_size=1, max_size=60),
    st.floats(0.5, 0.99),
)
def test_the_interval_holds_the_share_and_widens_with_confidence(
    cycles: list[tuple[float, float]], confidence: float
) -> None:
    heard_s, pause_s = np.array(cycles).T
    narrow, wide = occupancy(heard_s, pause_s, confidence), occupancy(heard_s, pause_s, 0.995)
    assert narrow.low is not None
    assert narrow.share is not None
    assert narrow.high is not None
    assert wide.low is not None
    assert wide.high is not None
    assert 0 <= wide.low <= narrow.low <= narrow.share <= narrow.high <= wide.high <= 1


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match=r"confidence is 1\.0"):
        occupancy(np.ones(1), np.ones(1), 1.0)
    with pytest.raises(ValueError, match="2 lengths and 1 pauses"):
        occupancy(np.ones(2), np.ones(1))
    with pytest.raises(ValueError, match="a length is negative"):
        occupancy(np.ones(2), np.array([1.0, -1.0]))
    with pytest.raises(ValueError, match=r"share is 0\.0"):
        independent_samples_needed(0.0)
    with pytest.raises(ValueError, match=r"relative_error -0\.1"):
        independent_samples_needed(0.5, -0.1)


def test_every_look_at_a_full_channel_finds_it_full() -> None:
    assert independent_samples_needed(1.0) == 0
