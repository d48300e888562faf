"""What an engine gives back, and what every engine can do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from previz.camera import AnyCamera
from previz.workshop.surface import LitSurface, Picture, Pixels8


@dataclass(frozen=True, eq=False)
class View:
    """One look at the set.

    ``colour`` (H, W, 3) float32, linear Rec.709: every pixel is the mean, in linear light, of its
    ``samples`` x ``samples`` single-sample looks. ``layer`` (H * samples, W * samples) uint8 holds the layer
    number each of those looks met. ``depth`` (same shape, float32, or None where it was not asked for) is
    the distance along the optical axis in metres, 0 where nothing was met. ``soft`` gives the share of each
    pixel (H, W) float32 that shows a layer, where the lens has blurred it; ``layer`` and ``depth`` stay sharp.
    ``other`` is ``colour`` as it would be with another picture on the same surface, where that was asked for.
    """

    colour: Picture
    layer: NDArray[np.uint8]
    depth: NDArray[np.float32] | None
    samples: int
    soft: Mapping[int, NDArray[np.float32]] = field(default_factory=dict)
    other: Picture | None = None

    def cover(self, layer: int) -> NDArray[np.float32]:
        """Share (H, W) float32, 0 to 1, of each pixel that shows a layer."""
        if layer in self.soft:
            return self.soft[layer]
        # loaded where something was drawn: choosing an engine needs no machine code
        from previz.look.sampling import share_of

        return share_of(self.layer, layer, self.samples)


class Engine(Protocol):
    """Draws lit surfaces. ``name`` and ``driver`` go into ``summary.json``."""

    name: str
    driver: str

    def load(self, surfaces: Sequence[LitSurface]) -> None:
        """Take over the surfaces that will be drawn; replaces what was loaded before."""

    def add(self, surface: LitSurface) -> None:
        """Take over one more surface, or another one in the place of that of its name."""

    def repaint(self, name: str, code: Pixels8) -> None:
        """Give a loaded surface another picture of the same size."""

    def draw(
        self,
        camera: AnyCamera,
        names: Sequence[str],
        samples: int = 2,
        depth: bool = False,
        background: tuple[float, float, float] = (0.0, 0.0, 0.0),
        keep: int | None = None,
        other: str | None = None,
        nearest: NDArray[np.float32] | None = None,
    ) -> View:
        """Look through ``camera`` at the named surfaces. ``background`` is linear Rec.709.

        Where one surface is named, ``other`` may be one with the same mesh and another picture: the view has its colour
        as well, drawn at the same time. With another mesh it raises ``ValueError``. ``keep`` draws one layer by itself:
        the others still hide what is behind them, but count as background, so that before black the colour comes
        premultiplied by the layer's cover. ``nearest`` (H * samples, W * samples), m, are distances of what stands
        there already, as another view's ``depth`` has them: what is no nearer counts as background, where ``depth`` is
        asked for.
        """

    def close(self) -> None:
        """Let go of what the engine holds; it cannot draw any more."""
