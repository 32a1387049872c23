"""Intervals of shares and of counts, against scipy's own and against figures of handbooks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from watcher.trial.rates import per_hour, share, spread


@given(st.integers(1, 500).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_share_has_wilsons_interval(case: tuple[int, int]) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    count, of = case
    told = stats.binomtest(count, of).proportion_ci(0.95, method="wilson")
    found = share(count, of)
    assert found.low == pytest.approx(told.low, abs=1e-9)
    assert found.high == pytest.approx(told.high, abs=1e-9)


@given(st.integers(0, 300), st.floats(0.01, 1000))
def test_count_has_the_exact_poisson_interval(count: int, hours: float) -> None:
    """By its definition: at each end the count lies in a tail of 2.5 %, with scipy's Poisson law."""
    found = per_hour(count, hours)
    assert stats.poisson.cdf(count, found.high * hours) == pytest.approx(0.025, rel=1e-6)
    if count:
        assert stats.poisson.sf(count - 1, found.low * hours) == pytest.approx(0.025, rel=1e-6)
    else:
        assert found.low == 0


def test_known_figures() -> None:
    """0 in 1 h: at most -ln 0.025. 8 of 10: 0.490 to 0.943 (Brown, Cai and DasGupta 2001; from memory)."""
    assert per_hour(0, 1.0).high == pytest.approx(-math.log(0.025))
    assert (share(8, 10).low, share(8, 10).high) == pytest.approx((0.490, 0.943), abs=5e-4)


def test_nothing_tried_is_unknown() -> None:
    assert share(0, 0).value is None
    assert per_hour(0, 0.0).value is None


def test_more_than_all_is_refused() -> None:
    with pytest.raises(ValueError, match="count is 3; it must be between 0 and 2"):
        share(3, 2)


def test_spread_by_hand() -> None:
    found = spread([0.1, -0.4, 0.2])
    assert found is not None
    assert (found.median, found.worst, found.count) == (0.1, -0.4, 3)
    assert found.p90 == pytest.approx(0.36)  # between 0.2 and 0.4, at 0.8 of the way
    assert spread([]) is None
