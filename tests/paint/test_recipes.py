"""Mixed paints: Kubelka and Munk's formulas, and recipes that a painter can measure out.

K/S of R = 0.5 is 0.25 and of R = 0.1 is 4.05: arithmetic of the formula that textbooks of colorimetry print (from
memory).
CIEDE2000 by scikit-image.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from previz import colour
from previz.paint.recipes import (
    MOST_PARTS,
    MOST_PIGMENTS,
    MUCH_WHITE,
    PIGMENTS,
    TUBES_NOTE,
    Recipe,
    constants,
    gamut,
    mixed,
    ratio,
    recipes_for,
    reflectance_of,
    tubes,
)

NAMES = list(PIGMENTS)
CODE_VALUE = 1.0 / 255.0


def row(**parts: int) -> np.ndarray:
    return np.array([parts.get(name.replace(" ", "_"), 0) for name in NAMES])


@pytest.mark.parametrize(("reflectance", "expected"), [(0.5, 0.25), (0.1, 4.05), (0.2, 1.6), (1.0, 0.0)])
def test_ratio_of_absorption_to_scattering(reflectance: float, expected: float) -> None:
    assert float(ratio(reflectance)) == pytest.approx(expected, rel=1e-12)


@given(st.floats(0.001, 1.0))
def test_reflectance_comes_back(reflectance: float) -> None:
    assert float(reflectance_of(ratio(reflectance))) == pytest.approx(reflectance, rel=1e-6)


def test_pigments_look_as_they_are_listed() -> None:
    for i, (masstone, tint) in enumerate(PIGMENTS.values()):
        alone, thinned = np.zeros(len(NAMES), dtype=int), np.zeros(len(NAMES), dtype=int)
        alone[i] = 1
        thinned[NAMES.index("titanium white")] = 9
        thinned[i] += 1
        for parts, listed in ((alone, masstone), (thinned, tint)):
            got = colour.encoded(mixed(parts))
            assert np.abs(got - colour.encoded(colour.hex_linear(listed))).max() < 0.1 * CODE_VALUE


def test_pigments_absorb_and_scatter() -> None:
    k, s = constants()
    assert (k > 0.0).all()
    assert (s > 0.0).all()


@given(st.integers(0, 7), st.integers(0, 7), st.integers(0, 11))
def test_more_of_a_pigment_goes_its_way_in_every_band(one: int, other: int, parts: int) -> None:
    amounts = np.zeros((2, len(NAMES)), dtype=int)
    amounts[:, one] += 12 - np.array([parts, parts + 1])
    amounts[:, other] += np.array([parts, parts + 1])
    ends = mixed(np.eye(len(NAMES))[[one, other]])
    less, more = mixed(amounts)
    towards = np.sign(ends[1] - ends[0])
    assert (towards * (more - less) >= -1e-12).all()
    assert (np.stack([less, more]) >= ends.min(axis=0) - 1e-12).all()
    assert (np.stack([less, more]) <= ends.max(axis=0) + 1e-12).all()


def test_a_strong_black_darkens_white_much_more_than_its_share() -> None:
    # the plain mean of 11 parts white and 1 part black would be above 0.8
    assert mixed(row(titanium_white=11, lamp_black=1))[1] < 0.3


@given(st.lists(st.integers(0, 7), min_size=1, max_size=MOST_PIGMENTS, unique=True), st.data())
@settings(max_examples=40, deadline=None)
def test_a_mixture_is_found_again(which: list[int], data: st.DataObject) -> None:
    parts = np.zeros(len(NAMES), dtype=int)
    left = MOST_PARTS - len(which)
    for i in which:
        n = data.draw(st.integers(0, left))
        parts[i], left = 1 + n, left - n
    target = mixed(parts)
    (recipe,) = recipes_for(target)
    assert recipe.matches
    assert recipe.de00 <= 0.4 + 1e-9
    assert len(recipe.parts) <= len(which)


@given(st.tuples(*[st.floats(0.02, 0.9)] * 3))
@settings(max_examples=40, deadline=None)
def test_recipes_are_small_whole_numbers_and_say_how_far_off_they_are(target: tuple[float, float, float]) -> None:
    (recipe,) = recipes_for([target])
    amounts = [n for _, n in recipe.parts]
    assert 1 <= len(amounts) <= MOST_PIGMENTS
    assert min(amounts) >= 1
    if sum(amounts) > MOST_PARTS:
        assert recipe.parts[0][0] == "titanium white"
        assert recipe.parts[0][1] in MUCH_WHITE
    again = mixed(row(**{name.replace(" ", "_"): n for name, n in recipe.parts}))
    assert np.allclose(again, recipe.reflectance)
    pair = [rgb2lab(np.asarray(colour.encoded(np.array(v)))) for v in (recipe.reflectance, target)]
    assert float(deltaE_ciede2000(*pair)) == pytest.approx(recipe.de00, abs=0.05)
    assert recipe.matches == (recipe.de00 <= 2.0)


def test_no_other_mixture_of_two_comes_clearly_nearer() -> None:
    target = colour.hex_linear("#7d7b70")
    (recipe,) = recipes_for(target)
    wanted = colour.lab(target)
    nearest = np.inf
    for i in range(len(NAMES)):
        for j in range(len(NAMES)):
            for n in range(1, MOST_PARTS):
                for m in range(MOST_PARTS - n + 1):
                    parts = np.zeros(len(NAMES), dtype=int)
                    parts[i] += n
                    parts[j] += m
                    nearest = min(nearest, float(colour.de00(colour.lab(mixed(parts)), wanted)))
    assert recipe.de00 <= nearest + 0.4


def test_words() -> None:
    white, tint = recipes_for([mixed(row(titanium_white=1)), mixed(row(titanium_white=4, raw_umber=1))])
    assert white.words == "titanium white as it is"
    assert tint.words == "4 parts titanium white, 1 part raw umber"


@pytest.mark.parametrize("code", ["#ff0000", "#00ff40", "#0000ff", "#000000"])
def test_what_no_such_paint_reaches_is_marked(code: str) -> None:
    (recipe,) = recipes_for(colour.hex_linear(code))
    assert not recipe.matches
    assert recipe.de00 > 2.0


def test_gamut_is_stated() -> None:
    assert gamut().startswith("These pigments mix L* ")
    darkest, lightest = (int(word) for word in gamut().split("L* ")[1].split(";")[0].split(" to "))
    assert darkest == pytest.approx(float(colour.lab(mixed(np.eye(len(NAMES))))[:, 0].min()), abs=2.0)
    assert lightest == pytest.approx(float(colour.lab(mixed(row(titanium_white=1)))[0]), abs=1.0)


def test_there_are_as_many_recipes_as_colours() -> None:
    """How long they take is measured by ``tests.benchmarks.main``."""
    assert len(recipes_for(np.random.default_rng(3).uniform(0.03, 0.8, (12, 3)))) == 12


def test_what_to_buy_by_hand() -> None:
    # 160 cm2 of one part white and three of umber: 40 and 120 cm2; 80 cm2 to the millilitre, two coats, half as much
    # again: 1.5 and 4.5 ml
    mix = Recipe((("raw umber", 3), ("titanium white", 1)), (0.2, 0.2, 0.2), 0.0, True)
    umber, white = tubes([mix, Recipe((("lamp black", 1),), (0.0, 0.0, 0.0), 0.0, True)], [160e-4, 0.0])
    assert (umber.pigment, white.pigment) == ("raw umber", "titanium white")
    assert (umber.area, white.area) == pytest.approx((120e-4, 40e-4))
    assert (umber.volume_ml, white.volume_ml) == pytest.approx((4.5, 1.5))
    for said in ("80 cm²", "2 coats", "half as much again", "no source"):
        assert said in TUBES_NOTE
