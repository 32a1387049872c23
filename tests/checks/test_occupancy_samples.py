"""How many samples an occupancy takes: the binomial formula, held to its own table and to the binomial
law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from watcher.report.occupancy import independent_samples_needed, nothing_seen_bound

# Independent samples for 10 % relative error at 95 % confidence: n = (z/d)² (1 - p)/p with z = 1.959964,
# worked out apart from this program. ITU-R SM.1880-2, Annex 2, has the same form (from memory; its own table
# was not read).
SAMPLES_NEEDED = {
    0.01: 38_031,
    0.02: 18_824,
    0.05: 7_299,
    0.10: 3_458,
    0.20: 1_537,
    0.30: 897,
    0.50: 385,
    0.70: 165,
}


@pytest.mark.parametrize(("share", "samples"), SAMPLES_NEEDED.items())
def test_samples_needed_are_those_of_the_table(share: float, samples: int) -> None:
    assert independent_samples_needed(share, 0.10, 0.95) == samples


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
def test_so_many_samples_do_find_the_occupancy(share: float) -> None:
    """By the binomial law itself (scipy.stats.binom) the promised share of estimates is within 10 %."""
    samples = independent_samples_needed(share)
    law = stats.binom(samples, share)
    within = law.cdf(np.floor(1.1 * share * samples)) - law.cdf(np.ceil(0.9 * share * samples) - 1)
    assert within == pytest.approx(0.95, abs=0.01)


def test_nothing_seen_bound_is_the_rule_of_three() -> None:
    """Hanley and Lippman-Hand, JAMA 249, 1983: at most 3/n at 95 %; 2.996 to four figures."""
    assert nothing_seen_bound(1000) == pytest.approx(3 / 1000, rel=0.002)


@pytest.mark.parametrize("looks", [50, 1000])
def test_nothing_seen_bound_leaves_one_in_twenty(looks: int) -> None:
    """An occupancy at the bound shows nothing in 5 % of such watches: scipy.stats.binom, and no less."""
    assert stats.binom.pmf(0, looks, nothing_seen_bound(looks)) == pytest.approx(0.05, abs=0.005)
