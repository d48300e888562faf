"""The whole set of a scene: its wall and its bridge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from previz.geometry import Array
from previz.scene.foreign import read_mesh, read_picture
from previz.scene.given.heights import HeightGrid
from previz.scene.given.measured import relief_of
from previz.scene.model import Scene, WallKind
from previz.scene.shape import bridge_shape
from previz.workshop import bridge as slabs
from previz.workshop import modelled
from previz.workshop.bridge import BridgeBuild
from previz.workshop.noise import Field
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.relief import (
    BACKING,
    GridSurface,
    Opening,
    Plot,
    carved_field,
    folded_out,
    moved_sideways,
    wall_surface,
)
from previz.workshop.surface import Picture, Surface
from previz.workshop.walls import basalt, board, ice, slate
from previz.workshop.walls.photo import doorway_darkened, measured_carving, photographed
from previz.workshop.walls.sheet import Ground
from previz.workshop.walls.turned import Rule, turned

# how far (m) behind the wall's deepest carving the bridge's buried end lies
_BURIED = 0.005

# texel size (m) of the bridge where the caller has no camera to say better
_TEXEL = 0.0003

# for every WallKind: how it is carved, and how it is painted
RULES: dict[WallKind, Rule] = {
    "slate": (slate.carve, slate.painted),
    "basalt": (basalt.carve, basalt.painted),
    "ice": (ice.carve, ice.painted),
    "board": (board.carve, board.painted),
}


# a wall's picture (H, W, 3) float32 of reflectance, and what was said while it was painted
PaintedWall = tuple[Picture, tuple[str, ...]]


class PictureKeeper(Protocol):
    """Keeps the pictures of walls from one run to the next, by what they were painted from."""

    def wall_picture(self, scene: Scene, paint: Callable[[], PaintedWall]) -> PaintedWall:
        """The picture of a scene's wall as ``paint`` makes it, or as it was kept earlier."""


@dataclass(frozen=True, eq=False)
class BuiltSet:
    """A set as built, before any light: ``wall``, ``bridge`` and plain sentences about what to look out for."""

    wall: Surface
    bridge: BridgeBuild
    cautions: tuple[str, ...] = ()


def build_set(scene: Scene, bridge_texel: float | None = None, keeper: PictureKeeper | None = None) -> BuiltSet:
    """Build a scene's wall and bridge. ``bridge_texel`` is the size (m) of a texel on the bridge; ``keeper`` knows
    walls painted before.

    Raises :class:`~previz.errors.BuildError` for a file that cannot be used.
    """
    wall, cautions = build_wall(scene, keeper)
    bridge = build_bridge(scene, wall, bridge_texel or _TEXEL)
    return BuiltSet(wall, bridge, (*cautions, *bridge.cautions))


def build_wall(scene: Scene, keeper: PictureKeeper | None = None) -> tuple[Surface, tuple[str, ...]]:
    """The wall of a scene and what to look out for."""
    wall = scene.wall
    if wall.mesh is not None:
        surface = modelled.wall(read_mesh(scene.path(wall.mesh.file), wall.mesh), wall.texture_px)
        cautions = ("wall.doorway is not cut into a modelled wall; model it there",) if wall.doorway else ()
        return surface, cautions
    plot = plot_of(scene)
    x, y = texel_lines(plot)
    if wall.photo is not None:
        carve_measured = _flat if not isinstance(wall.relief, HeightGrid) else measured_carving(scene, wall.relief)
        field = carved_field(plot, wall.triangles, carve_measured)
    else:
        ground = Ground(wall.width, wall.height, wall.top, wall.seed)
        carve, rule = turned(RULES[wall.kind or "slate"], wall.turn)
        field = carved_field(plot, wall.triangles, lambda x, y: carve(ground, x, y))

    def paint() -> PaintedWall:
        return photographed(scene, x, y) if wall.photo is not None else (rule(ground, x, y), ())

    picture, said = paint() if keeper is None else keeper.wall_picture(scene, paint)
    # the wall is painted as well, and with the same paints as the bridge
    picture = np.clip(doorway_darkened(picture, plot.opening, x, y), DARKEST_PAINT, BRIGHTEST_PAINT)
    picture = folded_out(picture, plot, field)
    return moved_sideways(wall_surface(plot, field, picture), wall.sideways), said


def _flat(x: Array, y: Array) -> Field:
    return np.zeros((len(y), len(x)), dtype=np.float32)


def plot_of(scene: Scene) -> Plot:
    """The rectangle, relief and openings of a scene's wall."""
    wall = scene.wall
    door = wall.doorway
    texel = max(wall.width, wall.height) / wall.texture_px
    return Plot(
        width=wall.width,
        height=wall.height,
        top=wall.top,
        relief=relief_of(scene),
        keep_clear=bridge_shape(scene).root,
        opening=None if door is None else Opening(door.width, door.height, door.depth, door.sill),
        bridge_at=-wall.sideways,
        measured=isinstance(wall.relief, HeightGrid),
        texels=(max(1, round(wall.width / texel)), max(1, round(wall.height / texel))),
    )


def texel_lines(plot: Plot) -> tuple[Array, Array]:
    """x (w,) and y (h,) m of the texels of the wall's front, left to right and top down."""
    if plot.texels is None:
        raise ValueError("the plot has no texels")
    w, h = plot.texels
    x = ((np.arange(w) + 0.5) / w - 0.5) * plot.width
    y = plot.top - (np.arange(h) + 0.5) / h * plot.height
    return x, y


def build_bridge(scene: Scene, wall: Surface, texel: float) -> BridgeBuild:
    """The bridge of a scene, its end buried in ``wall``."""
    given = scene.bridge
    if given.mesh is not None:
        path = scene.path(given.mesh.file)
        build = modelled.bridge(read_mesh(path, given.mesh), str(path), texel, given.colour)
    else:
        deepest = float(wall.vertices[:, 2].min()) + BACKING if isinstance(wall, GridSurface) else -0.02
        build = slabs.slab(given, max(-deepest, 0.0) + _BURIED, texel)
    if given.image is not None:
        build = slabs.with_picture(build, read_picture(scene.path(given.image)))
    return build
