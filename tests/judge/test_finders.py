"""The map from break to people: what must be true of it, and that its constants are those of what was recorded."""

from __future__ import annotations

import numpy as np
import pytest

from previz.judge import finders
from previz.judge.finders import REFERENCE_PCT, hazard, share_found
from tests.benchmarks.finderfit import PEOPLE, RECORD, Calibration, Fit, fitted

# Guo et al. 2023, tables 1 and 2: from the paint that fewest people found to the one that most did, with the
# plus-minus printed beside them
FEWEST, MOST = 1.0 - 0.447, 1.0 - 0.161
FEWEST_ERROR, MOST_ERROR = 0.030, 0.023


@pytest.fixture(scope="module")
def recorded() -> Calibration:
    return Calibration.read(RECORD)


@pytest.fixture(scope="module")
def fit(recorded: Calibration) -> Fit:
    return fitted(recorded.found)


def test_more_break_is_found_by_more_people() -> None:
    percent = np.linspace(0.0, 100.0, 401)
    for said in (hazard(percent), share_found(percent)):
        assert (np.diff(said.value) > 0.0).all()
        assert (np.diff(said.high) > 0.0).all()
        assert (said.low <= said.value).all()
        assert (said.value <= said.high).all()


def test_without_break_there_is_nothing_to_find() -> None:
    said = share_found(0.0)
    assert said.value == 0.0
    assert said.low == 0.0
    # what people would find there no study says: the logistic curve through the same shares
    assert said.high == pytest.approx(1.0 / (1.0 + np.exp(-finders.LOGIT_AT_0)), rel=1e-9)


def test_share_and_hazard_are_one() -> None:
    # a constant hazard: share = 1 - exp(-h t), so h = -ln(1 - share) / 60 (exponential distribution, textbook)
    percent = np.array([1.0, 10.0, 55.0])
    minute = share_found(percent)
    for share, each in zip((minute.value, minute.low), (hazard(percent).value, hazard(percent).low), strict=True):
        assert -np.log(1.0 - share) / 60.0 == pytest.approx(each, rel=1e-9)
    # who has not found it in a half has the same chance in the next
    half = share_found(percent, 30.0).value
    assert (1.0 - half) ** 2 == pytest.approx(1.0 - minute.value, rel=1e-9)


def test_the_interval_is_that_of_the_straight_line() -> None:
    # log h = a + p x with x = log(break / reference): variance sa^2 + 2 r sa sp x + sp^2 x^2 (textbook)
    for percent in (REFERENCE_PCT, 80.0):
        x = np.log(percent / REFERENCE_PCT)
        sa, sp, r = finders.LOG_HAZARD_SD, finders.EXPONENT_SD, finders.CORRELATION
        sd = np.sqrt(sa**2 + 2.0 * r * sa * sp * x + sp**2 * x**2)
        said = hazard(percent)
        assert np.log(said.value / said.low) == pytest.approx(1.96 * sd, rel=1e-3)


@pytest.mark.parametrize("percent", [-0.1, 100.1, np.nan])
def test_what_is_no_break_is_refused(percent) -> None:
    with pytest.raises(ValueError, match="0 to 100"):
        hazard([5.0, percent])


def test_at_the_paints_mean_break_the_share_is_the_studys(recorded: Calibration) -> None:
    for paint, (not_found, error) in PEOPLE.items():
        said = share_found(float(recorded.found[paint].mean()))
        assert FEWEST - 2.0 * FEWEST_ERROR <= said.value <= MOST + 2.0 * MOST_ERROR
        # 2.5 of the printed errors: five paints
        assert said.value == pytest.approx(1.0 - not_found / 100.0, abs=2.5 * error / 100.0)


def test_the_constants_are_those_of_the_recorded_calibration(fit: Fit) -> None:
    assert fit.sets == finders.FITTED_SETS
    wanted = dict(line.split(": Final = ") for line in fit.constants().splitlines())
    for name, value in wanted.items():
        assert getattr(finders, name) == pytest.approx(float(value), rel=0.02, abs=0.02), name
    assert abs(np.log(finders.HAZARD / fit.hazard)) < 0.1 * fit.log_hazard_sd


def flat(breaks: dict[str, float]) -> dict[str, np.ndarray]:
    """The same break on each of twenty sets."""
    return {paint: np.full(20, percent) for paint, percent in breaks.items()}


def test_a_known_map_is_found_again() -> None:
    # break such that every share is right for h = 0.02 (break / 50)^1.3: turned round by hand
    hazards = {paint: -np.log(not_found / 100.0) / 60.0 for paint, (not_found, _) in PEOPLE.items()}
    breaks = {paint: 50.0 * (h / 0.02) ** (1.0 / 1.3) for paint, h in hazards.items()}
    found = fitted(flat(breaks))
    assert found.hazard == pytest.approx(0.02, rel=1e-6)
    assert found.exponent == pytest.approx(1.3, rel=1e-6)
    assert max(abs(v) for v in found.residual.values()) < 1e-6
    assert found.least_shown_pct == pytest.approx(min(breaks.values()))


def test_its_errors_are_those_of_weighted_least_squares() -> None:
    # sets all alike: only the study's errors are left, and the covariance is (X' W X)^-1 (textbook), W being one over
    # the squares of the errors of log(-ln q), which are error / (q |ln q|)
    breaks = {paint: 10.0 + 20.0 * k for k, paint in enumerate(reversed(PEOPLE))}
    found = fitted(flat(breaks), 4000)
    q, error = (np.array(column) / 100.0 for column in zip(*PEOPLE.values(), strict=True))
    x = np.stack([np.ones(len(q)), np.log([breaks[paint] / REFERENCE_PCT for paint in PEOPLE])], axis=1)
    weight = (q * np.log(q) / error) ** 2
    around = np.linalg.inv(x.T @ (weight[:, None] * x))
    # 4000 draws know a standard deviation to about 1 %; to first order only, the curve is not straight: 5 %
    assert found.log_hazard_sd == pytest.approx(np.sqrt(around[0, 0]), rel=0.06)
    assert found.exponent_sd == pytest.approx(np.sqrt(around[1, 1]), rel=0.06)
    assert found.correlation == pytest.approx(around[0, 1] / np.sqrt(around[0, 0] * around[1, 1]), abs=0.06)


def test_sets_that_differ_make_it_less_sure() -> None:
    # h goes with the mean break of the sets drawn: log h has the relative error of that mean beside the study's own
    breaks = {paint: 40.0 * -np.log(not_found / 100.0) / 60.0 / 0.02 for paint, (not_found, _) in PEOPLE.items()}
    spread = np.random.default_rng(6).uniform(0.2, 1.8, 20)
    apart = {paint: values * spread for paint, values in flat(breaks).items()}
    own, alike = fitted(apart, 4000), fitted(flat(breaks), 4000)
    of_mean = spread.std() / spread.mean() / np.sqrt(20)
    assert own.log_hazard_sd == pytest.approx(np.hypot(alike.log_hazard_sd, of_mean * own.exponent), rel=0.08)
    assert own.log_hazard_sd > 1.5 * alike.log_hazard_sd


def test_what_is_recorded_reads_as_it_was_written(recorded: Calibration, tmp_path) -> None:
    recorded.written(tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == RECORD.read_bytes()
    assert len(recorded.names) == len(recorded.laid) == len(recorded.found["mean"])
