"""The arithmetic of pixels, against scipy's interpolation and colour-science's decoding."""

import colour as colour_science
import numba
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from previz.look.sampling import averaged, bilinear
from previz.workshop.compiled import compiled


@pytest.mark.parametrize("dtype", [np.uint8, np.float32])
def test_bilinear_is_scipys_linear_interpolation_with_the_edge_held(dtype):
    rng = np.random.default_rng(5)
    texture = rng.integers(0, 256, (7, 11, 3)).astype(dtype)
    uv = rng.uniform(-0.3, 1.3, (500, 2))
    rows, columns = uv[:, 1] * 7 - 0.5, uv[:, 0] * 11 - 0.5
    wanted = np.stack(
        [
            map_coordinates(texture[..., k].astype(np.float64), [rows, columns], order=1, mode="nearest")
            for k in range(3)
        ],
        axis=-1,
    )
    assert np.abs(bilinear(texture, uv) - wanted).max() < 1e-4


def test_bilinear_gives_a_texel_at_its_centre():
    texture = np.arange(12, dtype=np.uint8).reshape(3, 4, 1)
    assert bilinear(texture, np.array([[2.5 / 4, 1.5 / 3]]))[0, 0] == texture[1, 2, 0]


def test_bilinear_holds_the_edge_however_far_outside():
    texture = np.array([[[10], [20]]], dtype=np.uint8)
    assert bilinear(texture, np.array([[-1e30, 0.0], [1e30, 0.0]])).ravel().tolist() == [10.0, 20.0]


def test_average_is_taken_in_linear_light():
    rng = np.random.default_rng(6)
    code = rng.integers(0, 256, (6, 9, 4), dtype=np.uint8)
    layer = rng.integers(0, 2, (6, 9), dtype=np.uint8)
    background = (0.1, 0.2, 0.3)
    # colour-science carries IEC 61966-2-1
    linear = colour_science.eotf(code[..., :3] / 255.0, "sRGB")
    linear[layer == 0] = background
    wanted = linear.reshape(2, 3, 3, 3, 3).mean(axis=(1, 3))
    got = averaged(code, layer, 3, background)
    assert got.shape == (2, 3, 3)
    assert got.dtype == np.float32
    assert np.abs(got - wanted).max() < 1e-6


def test_compiling_works_where_nothing_can_be_kept():
    """A function without a file, like one installed read-only, has no place for its machine code."""
    doubled = eval("lambda x: 2 * x")
    with pytest.raises(RuntimeError, match="cache"):
        numba.njit(cache=True)(doubled)
    assert compiled(doubled)(21) == 42
