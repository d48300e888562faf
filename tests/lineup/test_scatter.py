"""Variance components against residuals that were drawn with known ones."""

import numpy as np
import pytest

from previz.lineup.scatter import Linear, Scatter

SQUARE = np.array([(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)])


def drawn(count: int, edge: float, shift: float, growth: float, rng: np.random.Generator) -> Linear:
    """Residuals of markers that lie square in the picture; the only unknown moves all of them to the right."""
    normals = np.tile(SQUARE, (count, 1, 1))
    off = rng.normal(0.0, edge, (count, 8))
    off[:, :4] += np.einsum("ti,ei->te", rng.normal(0.0, shift, (count, 2)), SQUARE)
    off[:, :4] += rng.normal(0.0, growth, (count, 1))
    slope = np.zeros((count, 8, 1))
    slope[:, :4, 0] = SQUARE[:, 0]
    return Linear(normals, off.ravel(), slope.reshape(-1, 1), np.zeros(0), np.zeros((0, 1)))


@pytest.mark.parametrize(("edge", "shift", "growth"), [(0.01, 0.02, 0.01), (0.02, 0.005, 0.03), (0.1, 0.3, 0.1)])
def test_variances_are_those_that_were_drawn(edge: float, shift: float, growth: float) -> None:
    # a standard deviation from n draws is known to 1 / sqrt(2 n) of itself; shifts are 800, growths 400, each blurred
    # by the edges' own scatter
    line = drawn(400, edge, shift, growth, np.random.default_rng(3))
    found = line.scatter(line.likeliest())
    assert found.edge == pytest.approx(edge, rel=0.06)
    assert found.shift == pytest.approx(shift, rel=0.12 if shift > edge else 0.5)
    assert found.growth == pytest.approx(growth, rel=0.16)


def test_whitened_residuals_are_independent_and_alike() -> None:
    line = drawn(4000, 0.02, 0.05, 0.03, np.random.default_rng(4))
    white = Scatter(line.normals, 0.02, 0.05, 0.03).whitened(line.off).reshape(-1, 8)
    # of 4000 draws: five standard deviations of a covariance are 5 / sqrt(4000), of a variance sqrt(2) times that
    assert np.abs(np.cov(white.T) - np.eye(8)).max() < 5.0 * np.sqrt(2.0 / 4000)


def test_raw_undoes_whitened() -> None:
    line = drawn(5, 0.02, 0.05, 0.03, np.random.default_rng(5))
    scatter = Scatter(line.normals, 0.02, 0.05, 0.03)
    rows = np.random.default_rng(6).normal(size=(40, 3))
    assert np.allclose(scatter.raw(scatter.whitened(rows)), rows)


def test_twelve_shifted_markers_have_the_freedom_of_their_shifts() -> None:
    # with shifts far larger than all else the unknown is the mean of twelve numbers, Student's own case; that shifts
    # downwards are as large as those to the right is known, and twelve more tell the variance: 23
    values = []
    for seed in range(8):
        line = drawn(12, 0.01, 0.3, 0.01, np.random.default_rng(seed))
        values.append(line.freedom(line.likeliest(), 1))
    assert 15.0 < np.mean(values) < 30.0


def test_stated_variance_of_a_mean_is_that_of_the_drawn_ones() -> None:
    line = drawn(400, 0.01, 0.05, 0.01, np.random.default_rng(7))
    # each marker's shift by two edges across it, and all markers' mean
    wanted = (0.05**2 + 0.01**2 / 2.0) / 400
    assert line.variances(line.likeliest(), 1)[0] == pytest.approx(wanted, rel=0.15)
