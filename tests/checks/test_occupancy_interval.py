"""The occupancy interval against exact laws where there are any, and against simulated watches where there
are none.

Alternating renewal process: D. R. Cox, Renewal Theory, 1962, ch. 7 (from memory). The simulations know the
true occupancy, because they are built with it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from watcher.report.occupancy import Lengths, Occupancy, OccupancyRule, occupancy, runs_and_pauses

Draw = Callable[[np.random.Generator, float, int], NDArray[np.float64]]

LAWS: dict[str, Draw] = {
    "memoryless": lambda rng, mean, size: rng.exponential(mean, size),
    "equal": lambda rng, mean, size: np.full(size, mean),
    "long-tailed": lambda rng, mean, size: rng.lognormal(np.log(mean) - 0.5, 1.0, size),
    "even": lambda rng, mean, size: rng.uniform(0, 2 * mean, size),
}


def watched(
    rng: np.random.Generator, lengths: Draw, pauses: Draw, share: float, cycles: int
) -> tuple[Lengths, Lengths]:
    """One watch of a channel whose occupancy is `share`, cut out of a process that has long been running."""
    length_s = 5.0
    pause_s = length_s * (1 - share) / share
    begins_s = 25 * length_s / share
    watch_s = cycles * length_s / share
    size = int(1.6 * cycles) + 120
    on, off = lengths(rng, length_s, size), pauses(rng, pause_s, size)
    stops = np.cumsum(on + off) - off
    starts = stops - on
    assert stops[-1] > begins_s + watch_s
    inside = (stops > begins_s) & (starts < begins_s + watch_s)
    cut = np.clip(np.stack((starts[inside], stops[inside])) - begins_s, 0, watch_s)
    return runs_and_pauses(cut[0], cut[1], watch_s)


def coverage(results: list[Occupancy], share: float) -> float:
    """How often the interval held the truth."""
    return float(np.mean([one.low is not None and one.low <= share <= (one.high or 0) for one in results]))


@pytest.mark.parametrize("runs", [1, 4, 12])
def test_few_transmissions_give_the_beta_quantiles(runs: int) -> None:
    """Memoryless lengths and pauses: heard over watched follows a beta law (scipy.stats.beta).

    The same law as the interval for the availability of a machine with memoryless failures and repairs;
    upwards with one run more, as Garwood's interval has it.
    """
    found = occupancy(np.full(runs, 6.0), np.full(runs, 594.0))
    assert found.rule is OccupancyRule.FEW
    for promised, quantile in (
        (found.low, stats.beta.ppf(0.025, runs, runs)),
        (found.high, stats.beta.ppf(0.975, runs + 1, runs)),
    ):
        odds = 6 / 594 * quantile / (1 - quantile)
        assert promised == pytest.approx(odds / (1 + odds), rel=1e-6)


def test_equal_transmissions_give_the_exact_poisson_interval() -> None:
    """Only their number is random: Garwood, Biometrika 28, 1936, by scipy.stats.chi2, times their length."""
    runs, length_s, quiet_s = 400, 3.0, 400_000.0
    # The quantiles of the exponential law stand for memoryless pauses.
    pauses = stats.expon.ppf((np.arange(runs) + 0.5) / runs)
    found = occupancy(np.full(runs, length_s), pauses * quiet_s / pauses.sum())
    assert found.rule is OccupancyRule.RENEWAL
    low = length_s * stats.chi2.ppf(0.025, 2 * runs) / 2 / quiet_s
    high = length_s * stats.chi2.ppf(0.975, 2 * runs + 2) / 2 / quiet_s
    assert found.low == pytest.approx(low / (1 + low), rel=0.005)
    assert found.high == pytest.approx(high / (1 + high), rel=0.005)


def test_independent_samples_match_the_two_state_markov_chain() -> None:
    """Memoryless on and off times m and v: the correlation decays with time mv/(m + v), so a watch of T is
    worth T (m + v)/(2 m v) samples (integral of the autocorrelation; any text on random processes, no
    source)."""
    rng = np.random.default_rng(7)
    share, cycles = 0.2, 4000
    found = occupancy(*watched(rng, LAWS["memoryless"], LAWS["memoryless"], share, cycles))
    length_s, pause_s = 5.0, 20.0
    samples = cycles * (length_s + pause_s) * (length_s + pause_s) / (2 * length_s * pause_s)
    assert found.independent_samples == pytest.approx(samples, rel=0.1)


def test_pauses_that_divide_one_whole_are_taken_for_what_they_are() -> None:
    """n memoryless pauses cut from one whole have a squared variation of (n - 1)/(n + 1) on average, not 1
    (moments of uniform spacings: R. Pyke, J. Royal Stat. Soc. B 27, 1965; from memory). The estimate must
    come back to 1."""
    rng = np.random.default_rng(13)
    runs, share = 40, 0.05
    estimates = []
    for _ in range(2500):
        pauses = rng.exponential(1.0, runs)
        found = occupancy(np.full(runs, share), pauses / pauses.mean() * (1 - share))
        assert found.independent_samples is not None
        both = runs / (found.independent_samples * share * (1 - share))
        # By the rule for few, lengths are said to vary as much as pauses; by the other, the cut ends add 1/n.
        estimates.append(both / 2 if found.rule is OccupancyRule.FEW else both - 1 / runs)
    # One estimate spreads by about 0.31, the mean by 0.006; without the correction it would be 0.976.
    assert np.mean(estimates) == pytest.approx(1.0, abs=0.0125)


@pytest.mark.parametrize("lengths", ["memoryless", "equal", "long-tailed"])
def test_variance_promised_is_the_variance_met(lengths: str) -> None:
    """share (1 - share) / independent samples against the spread of the shares of 600 simulated watches."""
    rng = np.random.default_rng(11)
    results = [occupancy(*watched(rng, LAWS[lengths], LAWS["memoryless"], 0.1, 150)) for _ in range(600)]
    met = np.var([one.share or 0.0 for one in results])
    promised = np.median(
        [(one.share or 0) * (1 - (one.share or 0)) / (one.independent_samples or 1) for one in results]
    )
    # The spread of a variance from 600 draws is sqrt(2/600) = 6 %; three of those.
    assert promised == pytest.approx(met, rel=0.18)


@pytest.mark.parametrize("share", [0.01, 0.3, 0.8])
@pytest.mark.parametrize(
    ("lengths", "pauses"),
    [
        ("memoryless", "memoryless"),
        ("equal", "memoryless"),
        ("long-tailed", "memoryless"),
        ("memoryless", "even"),
    ],
)
def test_interval_from_many_transmissions_holds_95_of_100(lengths: str, pauses: str, share: float) -> None:
    rng = np.random.default_rng(23)
    results = [occupancy(*watched(rng, LAWS[lengths], LAWS[pauses], share, 120)) for _ in range(400)]
    assert np.mean([one.rule is OccupancyRule.RENEWAL for one in results]) > 0.95
    # Three standard deviations of 400 draws at 0.95 are 0.033. An interval far too wide fails as well.
    assert 0.95 - 0.033 <= coverage(results, share) <= 0.985


@pytest.mark.parametrize("cycles", [3, 8, 15])
@pytest.mark.parametrize(("lengths", "pauses"), [("memoryless", "memoryless"), ("long-tailed", "memoryless")])
def test_interval_from_few_transmissions_holds_at_least_95_of_100(
    lengths: str, pauses: str, cycles: int
) -> None:
    rng = np.random.default_rng(29)
    results = [occupancy(*watched(rng, LAWS[lengths], LAWS[pauses], 0.02, cycles)) for _ in range(400)]
    heard = [one for one in results if one.rule is not OccupancyRule.NONE]
    assert coverage(heard, 0.02) >= 0.95 - 0.033


@pytest.mark.parametrize("exchanges", [4, 12, 40])
def test_interval_holds_when_transmissions_come_in_exchanges(exchanges: int) -> None:
    """Bursts of 8 overs on average, 3 s apart: counting overs as independent would promise far too much."""
    rng = np.random.default_rng(31)
    share, overs, over_s, pause_s = 0.01, 8, 5.0, 3.0
    cycle_s = overs * over_s / share
    idle_s = cycle_s - overs * over_s - (overs - 1) * pause_s

    def pauses(count: int) -> NDArray[np.float64]:
        ends_exchange = rng.random(count) < 1 / overs
        return np.where(ends_exchange, rng.exponential(idle_s, count), rng.exponential(pause_s, count))

    results = []
    for _ in range(400):
        size = int(2 * exchanges * overs) + 400
        on, off = rng.gamma(2, over_s / 2, size), pauses(size)
        stops = np.cumsum(on + off) - off
        begins_s, watch_s = 10 * cycle_s, exchanges * cycle_s
        inside = (stops > begins_s) & (stops - on < begins_s + watch_s)
        cut = np.clip(np.stack(((stops - on)[inside], stops[inside])) - begins_s, 0, watch_s)
        results.append(occupancy(*runs_and_pauses(cut[0], cut[1], watch_s)))
    heard = [one for one in results if one.rule is not OccupancyRule.NONE]
    assert coverage(heard, share) >= 0.95 - 0.033
