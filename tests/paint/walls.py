"""Invented pictures to paint, and independent measures of how thin, how near and how grainy a painting is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_erosion, distance_transform_edt, find_objects, gaussian_filter, label
from skimage.color import rgb2lab

from previz import colour


def rock(height: int, width: int, seed: int = 0) -> NDArray[np.float32]:
    """Layered rock, linear light: beds at a slant, patches, fine grain, a rust streak."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    beds = np.sin((y - 0.35 * x) / 11.0) + 0.6 * np.sin((y - 0.3 * x) / 5.3 + 1.0)
    patches = gaussian_filter(random.standard_normal((height, width)), 12.0) * 40.0
    grain = gaussian_filter(random.standard_normal((height, width)), 1.0) * 2.0
    level = np.exp(0.35 * beds + 0.25 * patches / max(np.abs(patches).max(), 1e-9) + 0.18 * grain)
    picture = 0.16 * level[..., None] * np.array([0.95, 1.0, 1.12])
    picture[:, width // 3 : width // 3 + max(width // 40, 1)] *= (1.4, 0.9, 0.7)
    return np.clip(picture, 0.02, 0.9).astype(np.float32)


def offsets_disc(diameter: float) -> NDArray[np.bool_]:
    """The brush's disc as a structuring element: texels whose centres lie within half the diameter."""
    half = int(diameter / 2)
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    return np.asarray(4 * (x**2 + y**2) <= diameter**2)


def opening(region: NDArray[np.bool_], on: NDArray[np.bool_], diameter: float) -> NDArray[np.bool_]:
    """SciPy's opening of a region of a chart by the brush, which may run over the chart's edge."""
    element = offsets_disc(diameter)
    cores = binary_erosion(region | ~on, element, border_value=1) & on
    return np.asarray(binary_dilation(cores, element) & region)


def thin(labels: NDArray[np.integer], on: NDArray[np.bool_], diameter: float) -> int:
    """How many texels lie farther from their region's opening than a quarter of the brush (or a texel's diagonal)."""
    count = 0
    pad = int(diameter) + 1
    for value in np.unique(labels[on]):
        pieces, _ = label((labels == value) & on)
        for k, (rows, columns) in enumerate(find_objects(pieces), 1):
            around = tuple(slice(max(s.start - pad, 0), s.stop + pad) for s in (rows, columns))
            piece = pieces[around] == k
            solid = opening(piece, on[around], diameter)
            far = distance_transform_edt(~solid) if solid.any() else np.full(piece.shape, np.inf)
            count += int((piece & (far > max(0.25 * diameter, 2**0.5) + 1e-9)).sum())
    return count


def lab(linear: NDArray[np.floating]) -> NDArray[np.float64]:
    """CIELAB by scikit-image, of linear light."""
    return np.asarray(rgb2lab(np.asarray(colour.encoded(linear), dtype=np.float64)))


def mean_error(a: NDArray[np.floating], b: NDArray[np.floating], sigma: float) -> NDArray[np.float64]:
    """dE*ab (H, W) between the means of two pictures within a Gaussian window."""
    blurred = [gaussian_filter(v.astype(np.float64), sigma, axes=(0, 1)) for v in (a, b)]
    return np.asarray(np.linalg.norm(lab(blurred[0]) - lab(blurred[1]), axis=-1))


def grain_error(a: NDArray[np.floating], b: NDArray[np.floating], sigma: float) -> NDArray[np.float64]:
    """Natural log (H, W) of how much more contrast b has than a against means in a window, over three such windows."""
    energy = []
    for picture in (a, b):
        light = lab(picture)[..., 0]
        energy.append(gaussian_filter((light - gaussian_filter(light, sigma)) ** 2, 3.0 * sigma))
    return np.asarray(0.5 * np.log((energy[1] + 1.0) / (energy[0] + 1.0)))
