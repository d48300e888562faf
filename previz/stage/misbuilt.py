"""A build as it came out: bridge and paint off their places, colours mixed wrong, lamps not where they were."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.geometry import Array, inverse_rigid, rigid, turned
from previz.judge.fast import FastJudge, Paint
from previz.look.sight import SightLines
from previz.stage.hand import STROKE_REACH, Mixed, MixingError, RandomField, Stroked
from previz.stage.misprint import Misprinted
from previz.stage.prepare import WALL, ReadySet
from previz.stage.relit import LampErrors, Relit, lamp_errors
from previz.workshop.texels import texel_points

# longest side, texels, of the map whose points stand for the bridge's surface
_SURFACE_PX: Final = 128


@dataclass(frozen=True, eq=False)
class Misbuilt:
    """What is wrong with a build; nothing, unless given.

    ``print_off`` (3,) m and ``print_turn`` rad: how the paint lies off its place (``stage/misprint.py``). ``hung``
    (6,): how the bridge hangs off its own (:func:`hung_from_meant`). ``colour`` dE*ab: the largest error of its
    colours; below 0 every error is the opposite one. ``brush`` m. ``lamps`` (L, 4): their errors, brightest first
    (``stage/relit.py``). ``seed`` says which colours are wrong and how strokes fall.
    """

    print_off: Array = field(default_factory=lambda: np.zeros(3))
    print_turn: float = 0.0
    hung: Array = field(default_factory=lambda: np.zeros(6))
    colour: float = 0.0
    brush: float = 0.0
    lamps: Array = field(default_factory=lambda: np.zeros((0, 4)))
    seed: tuple[int, ...] = (0,)


def hung_from_meant(hung: Array) -> Array:
    """Where the points of a bridge come to lie, (4, 4), from where they were meant to.

    ``hung`` (6,): shifts to camera right, up and out of the wall, m; then turns about its joint with the wall, which is
    the origin: its near end to camera right, its near end up, and rolled clockwise as the camera sees it, rad.
    """
    # seen from the wall the bridge points along +Z, where a camera looks along -Z
    yaw, pitch, roll = hung[3:]
    return rigid(turned(-float(yaw), -float(pitch), float(roll)), hung[:3])


def seeing_it_hung(camera: Camera, hung: Array) -> Camera:
    """The camera that sees a bridge in its own place as ``camera`` sees it where it hangs (:func:`hung_from_meant`)."""
    return replace(camera, world_from_cam=inverse_rigid(hung_from_meant(hung)) @ camera.world_from_cam)


class AsBuilt:
    """Builds of one ready set that is looked at with ``sight``: what they show, and where they hang."""

    def __init__(self, ready: ReadySet, sight: SightLines) -> None:
        self._ready = ready
        self._sight = sight
        self._mixed: tuple[tuple[int, ...], float, MixingError] | None = None

    def paint(self, paint: Paint, built: Misbuilt) -> Paint:
        """The paint as it is on a build."""
        if built.print_off.any() or built.print_turn != 0.0:
            paint = Misprinted(paint, built.print_off, built.print_turn, self._middle)
        if built.brush > 0.0:
            rng = np.random.default_rng([*built.seed, 1])
            paint = Stroked(paint, built.brush, RandomField.drawn(rng, STROKE_REACH * built.brush, 1))
        if built.colour != 0.0:
            paint = Mixed(paint, self._mixing(built))
        if built.lamps.any() and self._lamps is not None:
            paint = Relit(paint, self._lamps, built.lamps)
        return paint

    def judge(self, judge: FastJudge, built: Misbuilt) -> FastJudge:
        """A judge of the set whose bridge hangs as it does on a build, looked at in its own place by a camera that is
        off by the opposite.

        Its joint is made good: what of the wall hides its root goes with it, and no wall is seen that lay under it. Its
        shadow stays where it was: drawn frames of the quarry whose light was baked anew differ from those by 0.4 points
        at 2 mm.
        """
        if not built.hung.any():
            return judge
        return replace(judge, bridge_camera=partial(seeing_it_hung, hung=built.hung))

    def _mixing(self, built: Misbuilt) -> MixingError:
        if self._mixed is None or self._mixed[:2] != (built.seed, built.colour):
            error = MixingError.drawn((*built.seed, 0), built.colour, self.surface_points)
            self._mixed = built.seed, built.colour, error
        return self._mixed[2]

    @cached_property
    def surface_points(self) -> Array:
        """Points (N, 3) m all over the bridge."""
        surface = self._ready.bridge.surface
        height, width = surface.reflectance.shape[:2]
        k = min(1.0, _SURFACE_PX / max(height, width))
        texels = texel_points(surface, max(round(k * width), 1), max(round(k * height), 1))
        return np.asarray(texels.points[texels.valid], dtype=np.float64)

    @cached_property
    def _middle(self) -> Array:
        vertices = self._ready.bridge.surface.vertices
        return np.asarray(0.5 * (vertices.min(axis=0) + vertices.max(axis=0)))

    @cached_property
    def _lamps(self) -> LampErrors | None:
        wall = self._ready.wall
        light = wall.light
        return lamp_errors(
            wall.lighting,
            (wall.clean.surface, light.clean, light.seen_clean),
            (wall.bridge_map, light.bridge, light.seen_bridge),
            self._sight,
            WALL,
        )
