"""The colour decision list against OpenColorIO and its published example; the log curve against colour-science."""

from __future__ import annotations

import colour as colour_science
import numpy as np
import PyOpenColorIO
import pytest
from numpy.typing import NDArray

from previz.plate.cdl import NO_CHANGE, Cdl, applied
from previz.plate.space import Grade, graded, linear_of, linear_slope_of, log_of

# OpenColorIO's own tests (see shared check values): slope, offset, power, saturation
EXAMPLE = Cdl((1.35, 1.1, 0.071), (0.05, -0.23, 0.11), (0.93, 0.81, 1.27), 1.23)


def by_opencolorio(values: NDArray[np.float32], cdl: Cdl) -> NDArray[np.float32]:
    change = PyOpenColorIO.CDLTransform(slope=cdl.slope, offset=cdl.offset, power=cdl.power, sat=cdl.saturation)
    change.setStyle(PyOpenColorIO.CDL_ASC)  # the other style does not clamp
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(change)
    # the default processor takes a fast, rougher power
    exact = processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    out = np.ascontiguousarray(values, dtype=np.float32).copy()
    exact.applyRGB(out)
    return out


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ((0.25, 0.5, 0.75), (0.422056, 0.401466, 0.035820)),
        ((0.3278, 0.01, 1.0), (0.609399, 0.0, 0.113130)),
        ((0.0, 0.8, 0.99), (0.0, 0.746748, 0.018691)),
        ((0.0, 0.0, 0.0), (0.071827, 0.0, 0.070533)),
    ],
)
def test_published_example(before: tuple[float, ...], after: tuple[float, ...]) -> None:
    np.testing.assert_allclose(applied(np.array(before), EXAMPLE), after, atol=1e-6)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_random_lists_against_opencolorio(dtype: type) -> None:
    random = np.random.default_rng(5)
    for _ in range(40):
        r = random.uniform(size=(3, 3))
        cdl = Cdl(tuple(2.0 * r[0]), tuple(0.8 * r[1] - 0.4), tuple(0.3 + 2.0 * r[2]), float(random.uniform(0.0, 2.0)))
        values = random.uniform(-0.3, 1.4, (500, 3)).astype(dtype)
        got = applied(values, cdl)
        assert got.dtype == dtype
        assert float(np.abs(got - by_opencolorio(values.astype(np.float32), cdl)).max()) < 1e-5


def test_the_check_above_can_fail() -> None:
    values = np.random.default_rng(6).uniform(size=(100, 3)).astype(np.float32)
    other = Cdl(EXAMPLE.slope, EXAMPLE.offset, EXAMPLE.power, 1.2301)
    assert float(np.abs(applied(values, other) - by_opencolorio(values, EXAMPLE)).max()) > 1e-5


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ({"slope": (1.0, -0.1, 1.0)}, "slope must not be negative"),
        ({"power": (0.0, 1.0, 1.0)}, "power must be above 0"),
        ({"saturation": -0.5}, "saturation must be 0 or more"),
        ({"offset": (0.0, float("nan"), 0.0)}, "three finite numbers"),
        ({"slope": (1.0, 1.0)}, "three finite numbers"),
    ],
)
def test_numbers_that_the_standard_forbids(numbers: dict[str, tuple[float, ...]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Cdl(**numbers)


def test_rounding_keeps_a_list_lawful() -> None:
    tiny = Cdl((1e-9, 1.0, 1.0), (-1e-9, 0.0, 0.1234567), (1e-9, 1.0, 1.0), 1.0)
    assert tiny.rounded() == Cdl((1e-6, 1.0, 1.0), (0.0, 0.0, 0.123457), (1e-6, 1.0, 1.0), 1.0)
    assert Cdl((1.0000001, 1.0, 1.0)).rounded() == NO_CHANGE


def test_log_curve_against_colour_science() -> None:
    light = np.concatenate([np.linspace(-0.005, 0.02, 101), np.geomspace(0.02, 200.0, 101)])
    with np.errstate(divide="ignore", invalid="ignore"):  # it takes the logarithm of the toe too
        expected = colour_science.models.log_encoding_ACEScct(light)
    np.testing.assert_allclose(log_of(light), expected, atol=1e-9)
    np.testing.assert_allclose(linear_of(log_of(light)), light, rtol=1e-9, atol=1e-12)


def test_slope_of_the_log_curve() -> None:
    codes = np.array([0.08, 0.15, 0.16, 0.3, 0.55, 0.9])
    step = 1e-6
    by_steps = (linear_of(codes + step) - linear_of(codes - step)) / (2.0 * step)
    np.testing.assert_allclose(linear_slope_of(codes), by_steps, rtol=1e-6)


@pytest.mark.parametrize("space", ["linear", "log"])
def test_tables_keep_to_the_formula(space: str) -> None:
    random = np.random.default_rng(8)
    light = (random.uniform(size=(20000, 3)) ** 3).astype(np.float32)
    cdl = Cdl((1.2, 0.9, 1.05), (0.01, -0.02, 0.015), (0.8, 1.3, 1.0), 1.15)
    exact = np.clip(graded(light.astype(np.float64), cdl, space), 0.0, 1.0)
    # 8-bit codes of the delivered picture, sRGB by colour-science
    codes = [colour_science.models.eotf_inverse_sRGB(v) * 255.0 for v in (exact, Grade(cdl, space)(light))]
    assert float(np.abs(codes[0] - codes[1]).max()) < 0.1


def test_no_change_leaves_the_picture() -> None:
    light = np.random.default_rng(9).uniform(size=(50, 3)).astype(np.float32)
    assert np.array_equal(Grade(NO_CHANGE, "log")(light), light)
