"""Intervals of a count of viewers, against scipy.stats and against what can be worked out by hand."""

import pytest
from scipy import stats

from previz.judge.film.people import at_most, share_interval, viewers_needed

COUNTS = [(0, 1), (1, 1), (0, 9), (6, 9), (9, 9), (1, 30), (17, 40), (3, 200), (200, 200)]


@pytest.mark.parametrize(("found", "viewers"), COUNTS)
def test_intervals_are_those_of_scipy(found: int, viewers: int) -> None:
    """Wilson's score interval without a correction, two-sided; Clopper and Pearson's, one-sided."""
    wilson = stats.binomtest(found, viewers).proportion_ci(0.95, method="wilson")
    assert share_interval(found, viewers) == pytest.approx((wilson.low, wilson.high), abs=1e-12)
    exact = stats.binomtest(found, viewers, alternative="less").proportion_ci(0.95, method="exact")
    assert at_most(found, viewers) == pytest.approx(exact.high, abs=1e-12)


@pytest.mark.parametrize(("found", "viewers"), [(0, 59), (1, 93), (2, 124), (3, 153)])
def test_how_many_a_claim_of_5_in_100_needs(found: int, viewers: int) -> None:
    """The least number by scipy's own interval: one viewer fewer is not enough. None of 59: 0.95^59 = 0.0485."""
    assert viewers_needed(found, 0.05) == viewers

    def high(count: int) -> float:
        return float(stats.binomtest(found, count, alternative="less").proportion_ci(0.95, method="exact").high)

    assert high(viewers) <= 0.05 < high(viewers - 1)


def test_an_easier_claim_needs_fewer() -> None:
    # half of them: with none finding it, 0.5^5 = 0.031 is the first below 0.05
    assert viewers_needed(0, 0.5) == 5
    assert viewers_needed(0, 0.05, confidence=0.5) == 14


@pytest.mark.parametrize(("found", "viewers"), [(2, 1), (-1, 3), (0, 0)])
def test_what_is_no_count(found: int, viewers: int) -> None:
    with pytest.raises(ValueError, match="is no count"):
        share_interval(found, viewers)
    with pytest.raises(ValueError, match="is no count"):
        at_most(found, viewers)
    with pytest.raises(ValueError, match="between 0 and 1"):
        viewers_needed(0, 1.0)
