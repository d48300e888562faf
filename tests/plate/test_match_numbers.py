"""The colour match at the numbers where its answer turns: what is asked for, what counts, what is left out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from previz.colour import JND_DE76
from previz.geometry import Array
from previz.plate import match as matching
from previz.plate import tonefit
from previz.plate.match import Clipping, colour_match
from previz.plate.matchfit import COUNT, Fitted, _cost, _huber
from previz.plate.tones import Difference, Tones, clipped, ramp, shared
from tests.plate.stills import Picture, rock_face


@pytest.mark.parametrize(("change", "asked"), [(1.2, False), (1.4, True)])
def test_a_match_is_asked_for_beyond_its_doubt_and_a_third(
    monkeypatch: pytest.MonkeyPatch, change: float, asked: bool
) -> None:
    # 1.3 times the doubt (judgement, no source): light that falls off across a picture is in every draw
    monkeypatch.setattr(matching, "doubt", lambda *_: (change, 1.0))
    rock = rock_face(1, 90, 60)
    found = colour_match(rock, 1.09 * rock[:, ::-1])
    assert 1.0 < found.before.mean_de00 < 2.0
    assert found.asked is asked
    # two dE00 and above nothing is declined, whatever the doubt
    assert colour_match(rock, 1.4 * rock[:, ::-1]).asked


def test_the_doubt_is_passed_by_five_of_a_hundred(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fits that stray by known gains: what 95 of 100 of them stay below, between the two next to it."""
    draws = np.random.default_rng(3).permutation(24)
    grey = np.linspace(0.05, 0.6, 48)[:, None].repeat(3, axis=1)
    tones = Tones(grey, np.arange(48) % 24)
    monkeypatch.setattr(tonefit, "_THINNED", 1)
    fit = tonefit.ToneFit(np.zeros(COUNT), np.ones(COUNT, dtype=bool), np.ones(48), np.ones(48), False)
    # the first is the fit that the others are held against
    answers = [np.concatenate([np.full(3, 0.01 * k), np.zeros(7)]) for k in (*draws, 0)]
    monkeypatch.setattr(tonefit, "fitted", lambda *_: Fitted(answers.pop(), 0.0))
    monkeypatch.setattr(tonefit, "quantile_fit", lambda *_: (None, None))
    doubt = tonefit.doubt(tones, tones, fit, "linear")[1]
    # L* = 116 cbrt(Y) - 16 (CIE 15:2004): greys stray by 116 cbrt(Y) (cbrt(gain) - 1); 95 % of 24 is the 21.85th
    strayed = [float(116.0 * np.mean(np.cbrt(grey)) * (np.exp(0.01 * k / 3.0) - 1.0)) for k in (21, 22)]
    assert strayed[0] < doubt < strayed[1] * 1.001


def test_two_patches_move_no_power_and_three_do() -> None:
    def stills(count: int) -> tuple[Picture, Picture, list[tuple[matching.Box, matching.Box]]]:
        own = np.array([0.05, 0.2, 0.5])[:count]
        small = np.repeat(own, 20)[None, :, None] * np.ones((20, 1, 3))
        boxes: list[tuple[matching.Box, matching.Box]] = [
            ((20 * k, 0, 20 * k + 20, 20), (20 * k, 0, 20 * k + 20, 20)) for k in range(count)
        ]
        return small, (1.1 * small) ** 1.3, boxes

    for count in (2, 3):
        small, plate, boxes = stills(count)
        found = colour_match(small, plate, patches=boxes)
        assert found.asked
        assert (found.cdl.power == (1.0, 1.0, 1.0)) is (count == 2)
        assert found.cdl.saturation == 1.0


def test_clipping_of_more_than_two_percent_is_told() -> None:
    assert matching._clipping_words(Clipping(0.015, 0.015, 0.015), "plate") == []
    told = matching._clipping_words(Clipping(0.03, 0.0, 0.04), "plate")
    assert "3.0% of the miniature's still is clipped" in told[0]
    assert "the match clips 4.0% of the miniature's pixels" in told[1]


def test_clipped_is_the_last_code_of_either_end() -> None:
    # 8-bit codes 0 and 255, decoded by hand (IEC 61966-2-1): 254.5 / 255 and above would be written as 255
    last = ((254.5 / 255.0 + 0.055) / 1.055) ** 2.4
    assert clipped(np.array([[0.5, 0.5, last - 1e-4], [0.5, 0.5, last + 1e-6], [0.0, 0.5, 0.5]])).tolist() == [
        False,
        True,
        True,
    ]


def test_hubers_weight_is_ninety_five_percent_as_good_as_least_squares() -> None:
    """Huber (1981): the efficiency of the location estimate at the normal distribution, (E psi')^2 / E psi^2."""
    # standard normal residuals at evenly spaced ranks: the scale is 1
    residuals = norm.ppf((np.arange(20001) + 0.5) / 20001)
    weights, limit = _huber(residuals)

    def squared(x: float) -> float:
        return min(abs(x), limit) ** 2 * float(norm.pdf(x))

    inside = norm.cdf(limit) - norm.cdf(-limit)
    assert inside**2 / quad(squared, -8.0, 8.0, points=[-limit, limit])[0] == pytest.approx(0.95, abs=0.001)
    assert weights == pytest.approx(np.minimum(1.0, limit / np.maximum(np.abs(residuals), 1e-12)))


@pytest.mark.parametrize(("number", "usual"), [(0, 1.0), (3, 0.1), (6, 0.5), (9, 0.5)])
def test_a_usual_change_costs_as_much_as_one_step_of_lightness(number: int, usual: float) -> None:
    nothing, limit = np.zeros(1), 10.0
    moved = np.zeros(COUNT)
    moved[number] = usual
    step = _cost(np.ones(1), limit, np.zeros(COUNT))
    assert step == pytest.approx(0.5)
    assert _cost(nothing, limit, moved) == pytest.approx(step)
    # beyond the limit the cost grows evenly (Huber 1964): 10 (25 - 5)
    assert _cost(np.full(1, 25.0), limit, np.zeros(COUNT)) == pytest.approx(200.0)


def of_two(first: float, count: int = 400) -> Array:
    """Tones of two colours far apart, a share ``first`` of them the first."""
    many = round(first * count)
    return np.concatenate([np.tile([0.5, 0.1, 0.1], (many, 1)), np.tile([0.05, 0.2, 0.5], (count - many, 1))])


def test_a_colour_counts_fully_where_the_other_picture_has_half_as_much_of_it() -> None:
    for share, weight in ((0.35, 1.0), (0.125, 0.5), (0.05, 0.2)):
        weights = shared(of_two(0.5), of_two(share))[0]
        assert weights[0] == pytest.approx(weight, abs=0.01)
        assert weights[-1] == pytest.approx(1.0)


def test_sparks_and_holes_do_not_count() -> None:
    # fifteen of a thousand at either end are below the two percent that are left out
    tones = np.full((1000, 3), 0.2)
    tones[:15], tones[-15:] = 0.0, 1.0
    assert ramp(tones, np.ones(1000)) == pytest.approx(np.full((48, 3), 0.2))


def test_nobody_tells_means_that_are_less_than_one_step_apart() -> None:
    # dE00 of 1 between the means (by convention), dE*ab of 2.3 between the ramps (Mahy et al. 1994)
    assert Difference(0.5, 2.0, 0.9, 2.2, 2.2).below(JND_DE76)
    for apart in (Difference(0.5, 2.0, 1.1, 2.2, 2.2), Difference(0.5, 2.0, 0.9, 2.4, 2.2)):
        assert not apart.below(JND_DE76)
    assert not Difference(0.5, 2.0, 0.9, 2.2, -2.4).below(JND_DE76)
