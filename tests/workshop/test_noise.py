"""Noise against scalar re-computations and SciPy's nearest-neighbour search."""

import math

import numpy as np
import pytest
from scipy.spatial import cKDTree

from previz.workshop import noise


def lowbias32(h: int) -> int:
    # Wellons, "Prospecting for Hash Functions" (2018), in plain whole numbers; constants from memory
    h ^= h >> 16
    h = h * 0x7FEB352D % 2**32
    h ^= h >> 15
    h = h * 0x846CA68B % 2**32
    return h ^ (h >> 16)


@pytest.mark.parametrize(("seed", "a", "b"), [(0, 0, 0), (7, 3, -4), (2**32 - 1, -(10**9), 10**9)])
def test_hash_is_the_plain_one(seed: int, a: int, b: int) -> None:
    h = lowbias32((seed * 0x9E3779B1 + 0x7F4A7C15) % 2**32)
    h = lowbias32(h ^ (a % 2**32))
    h = lowbias32(h ^ (b % 2**32))
    assert int(noise.hashed(seed, a, b)) == h


def test_even_numbers_are_even() -> None:
    numbers = noise.uniform(3, np.arange(100_000))
    counts, _ = np.histogram(numbers, bins=20, range=(0.0, 1.0))
    # chi square of 19 degrees of freedom: 43.8 is passed by one in a thousand (scipy.stats.chi2.isf(0.001, 19))
    assert ((counts - 5000) ** 2 / 5000).sum() < 43.8
    assert numbers.max() < 1.0


def one_gradient(x: float, y: float, seed: int) -> float:
    # Perlin's noise at one place, corner by corner
    i, j = math.floor(x), math.floor(y)
    total = 0.0
    for di in (0, 1):
        for dj in (0, 1):
            turn = int(noise.hashed(seed, j + dj, i + di)) % 256 * 2.0 * math.pi / 256
            dx, dy = x - i - di, y - j - dj
            fade = [1.0 - (6 * t**5 - 15 * t**4 + 10 * t**3) for t in (abs(dx), abs(dy))]
            total += fade[0] * fade[1] * (math.cos(turn) * dx + math.sin(turn) * dy)
    return 1.4 * total


def test_gradient_noise_is_the_sum_over_corners() -> None:
    x, y = np.linspace(-0.31, 0.4, 23), np.linspace(0.2, -0.5, 17)
    field = noise.gradient(x, y, 0.1, 0.07, 5)
    wanted = [[one_gradient(a / 0.1, b / 0.07, 5) for a in x] for b in y]
    np.testing.assert_allclose(field, wanted, atol=2e-5)


def test_noise_does_not_depend_on_the_grid() -> None:
    x, y = np.linspace(-1.0, 1.0, 201), np.linspace(-1.0, 1.0, 101)
    whole = noise.fbm(x, y, 0.2, 0.3, 9, 4)
    part = noise.fbm(x[40:90:5], y[10:70:3], 0.2, 0.3, 9, 4)
    np.testing.assert_allclose(part, whole[10:70:3, 40:90:5], atol=1e-6)


def test_cells_are_the_nearest_seeds() -> None:
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-3, 3, (2, 40, 50)).astype(np.float32)
    found = noise.cells(u, v, 11)
    rows, columns = (a.ravel() for a in np.meshgrid(np.arange(-6, 7), np.arange(-6, 7), indexing="ij"))
    seeds = np.column_stack([columns + noise.uniform(11, rows, columns), rows + noise.uniform(12, rows, columns)])
    distance, which = cKDTree(seeds).query(np.stack([u, v], axis=-1), k=2)
    gap = distance[..., 1] - distance[..., 0]
    # the search looks at the neighbouring squares only: a second nearest seed may lie farther off
    assert np.mean(np.abs(found.gap - gap) > 1e-4) < 0.02
    clear = gap > 1e-4
    assert (found.name[clear] == noise.hashed(13, rows, columns)[which[..., 0]][clear]).mean() > 0.999
    np.testing.assert_allclose(np.hypot(found.right, found.up)[clear], distance[..., 0][clear], atol=1e-3)


def test_smoothstep_rises_and_falls() -> None:
    v = np.array([-1.0, 0.0, 0.5, 1.0, 2.0])
    np.testing.assert_allclose(noise.smoothstep(0.0, 1.0, v), [0.0, 0.0, 0.5, 1.0, 1.0], atol=1e-7)
    np.testing.assert_allclose(noise.smoothstep(1.0, 0.0, v), [1.0, 1.0, 0.5, 0.0, 0.0], atol=1e-7)
