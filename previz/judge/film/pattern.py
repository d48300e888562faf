"""What a pattern lets an eye see of its movement: its gradients' directions and its contrast, around any place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from previz.judge.lab import picture_lab
from previz.judge.viewer import GRAIN_FLOOR, WINDOW_DEG, Viewer
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

# over this area what moves adds up, square degrees (Regan and Beverley, JOSA A 1, 433, 1984, abstract): that of a
# Gaussian window of standard deviation s is 4 pi s^2
AREA_DEG2: Final = 0.16
AREA_SIGMA_DEG: Final = float(np.sqrt(AREA_DEG2 / (4.0 * np.pi)))


@dataclass(frozen=True, eq=False)
class SlidPattern:
    """Means over the area in which movement adds up, (5, H, W): the structure tensor of lightness xx, xy and yy
    (Foerstner and Guelch, 1987, from memory), lightness, and its square."""

    means: NDArray[np.float32]

    @classmethod
    def of_picture(cls, picture: Picture, viewer: Viewer) -> SlidPattern:
        """The pattern of a picture (H, W, 3) float32, linear light 0 to 1."""
        lightness = np.ascontiguousarray(picture_lab(picture)[..., 0])
        fine = WINDOW_DEG[0] * viewer.px_per_deg
        down = np.asarray(gaussian_filter(lightness, fine, order=(1, 0), mode="nearest"), dtype=np.float32)
        right = np.asarray(gaussian_filter(lightness, fine, order=(0, 1), mode="nearest"), dtype=np.float32)
        return cls._averaged(right, down, lightness, lightness**2, viewer)

    @classmethod
    def of_fields(cls, finest: Floats, viewer: Viewer) -> SlidPattern:
        """The pattern of what the finest windows see (H, W, 4), L*, a*, b* and log grain, of a picture."""
        lightness = np.asarray(finest[..., 0], dtype=np.float32)
        down, right = (np.asarray(each, dtype=np.float32) for each in np.gradient(lightness))
        # what those windows have averaged away
        finer = np.maximum(np.exp(2.0 * finest[..., 3]) - GRAIN_FLOOR**2, 0.0)
        return cls._averaged(right, down, lightness, lightness**2 + finer.astype(np.float32), viewer)

    @classmethod
    def _averaged(cls, right: Floats, down: Floats, lightness: Floats, square: Floats, viewer: Viewer) -> SlidPattern:
        wide = AREA_SIGMA_DEG * viewer.px_per_deg
        products = (right * right, right * down, down * down, lightness, square)
        return cls(np.stack([gaussian_filter(each, wide, mode="nearest") for each in products]))

    def at(self, px: Array) -> Array:
        """The means (N, 5) at pixels (N, 2)."""
        where = [px[:, 1] - 0.5, px[:, 0] - 0.5]
        return np.stack([map_coordinates(mean, where, order=1, mode="nearest") for mean in self.means], axis=-1)


def told_apart(sides: Array) -> tuple[Array, Array]:
    """Structure tensor (N, 3) and root mean square contrast (N,), L*, of patterns on both sides (2, N, 5) of a line
    together."""
    both = sides.mean(axis=0)
    return both[:, :3], np.sqrt(np.maximum(both[:, 4] - both[:, 3] ** 2, 0.0))
