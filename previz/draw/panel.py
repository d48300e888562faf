"""A view's window on a sheet: world points to places on the sheet, and cutting lines at its edges."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from previz.camera import OrthoCamera
from previz.draw.labels import SheetBox
from previz.draw.paper import Paper
from previz.draw.style import FAINT, INK, PAPER, on_paper
from previz.geometry import Array
from previz.workshop.surface import Pixels8

MARGIN_PX: Final = 16

# how much of a picture is left under the lines drawn over it
PICTURE_STRENGTH: Final = 0.45


class Panel:
    """A window with its top left corner at ``left``, ``top`` of the sheet, as large as its camera's picture."""

    def __init__(self, name: str, camera: OrthoCamera, left: int, top: int) -> None:
        self.name, self.camera, self._left, self._top = name, camera, left, top
        self._offset = np.array([left, top], dtype=np.float64)
        self.box = (float(left), float(top), float(left + camera.width_px), float(top + camera.height_px))
        self.inner = (left + 4.0, top + 4.0, left + camera.width_px - 4.0, top + camera.height_px - 4.0)

    def points(self, world: ArrayLike) -> Array:
        """Places on the sheet (..., 2) px of world points (..., 3) m."""
        return self.camera.project(world) + self._offset

    def point(self, world: ArrayLike) -> tuple[float, float]:
        """Place on the sheet of one world point (3,) m."""
        x, y = self.points(world)
        return float(x), float(y)

    def direction(self, world: ArrayLike) -> tuple[float, float]:
        """A world direction (3,) as the sheet shows it; shorter where it points at the viewer."""
        d = np.asarray(world, dtype=np.float64) @ self.camera.world_from_cam[:3, :3]
        return float(d[0]), float(-d[1])

    def paste(self, paper: Paper, picture: Pixels8) -> None:
        """Lay the view's picture under everything, thinned; another size than the camera's raises ``ValueError``."""
        if picture.shape[:2] != (self.camera.height_px, self.camera.width_px):
            raise ValueError(f"the {self.name} picture is {picture.shape[:2]}, its camera's is not")
        paper.paste(on_paper(picture, PICTURE_STRENGTH), (self._left, self._top))

    def clip_polygon(self, world: ArrayLike) -> Array:
        """A polygon (N, 3) m on the sheet, drawn in to just outside the window."""
        # far outside is as good as outside, and keeps the hatch small
        left, top, right, bottom = self.box
        return np.clip(self.points(world), [left - 8, top - 8], [right + 8, bottom + 8])

    def mask_outside(self, paper: Paper) -> None:
        """Clear what was drawn past the window's edges (towards neighbouring windows and the margin)."""
        left, top, right, bottom = self.box
        for box in (
            (left - MARGIN_PX, top - MARGIN_PX, left, bottom + 1),
            (left - MARGIN_PX, top - MARGIN_PX, right + 22, top),
            (right, top - MARGIN_PX, right + 22, bottom + 1),
            (left - MARGIN_PX, bottom, right + 22, bottom + MARGIN_PX),
        ):
            paper.rectangle(box, PAPER)
        paper.rectangle(self.box, None, FAINT, 1.4)

    def title(self, paper: Paper) -> SheetBox:
        """Write the view's name; gives the box it takes."""
        return paper.text((self.inner[0] + 4.0, self.inner[1] + 2.0), self.name, 13.0, INK, bold=True, plate=3.0)

    def cut(self, a: ArrayLike, b: ArrayLike) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """The part of a line on the sheet that lies in the window (Liang and Barsky's way), or None."""
        p, q = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
        d, start, end = q - p, 0.0, 1.0
        left, top, right, bottom = self.box
        for step, room in ((-d[0], p[0] - left), (d[0], right - p[0]), (-d[1], p[1] - top), (d[1], bottom - p[1])):
            if step == 0.0:
                if room < 0.0:
                    return None
            elif step < 0.0:
                start = max(start, room / step)
            else:
                end = min(end, room / step)
        if start >= end:
            return None
        a1, b1 = p + d * start, p + d * end
        return (float(a1[0]), float(a1[1])), (float(b1[0]), float(b1[1]))
