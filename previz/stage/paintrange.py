"""The range of paint: how bright and how dark a bridge can be made to look in the light that falls on it."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from previz import colour
from previz.camera import Camera
from previz.judge.frame import Looks
from previz.look.blur import cut
from previz.look.view import Engine
from previz.stage.prepare import BRIDGE, ReadySet
from previz.stage.shining import Shining
from previz.workshop.carry import carried
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import Picture, Pixels8


class PaintRange:
    """The darkest and the brightest paint on a set's bridge, in its light; drawn when it is asked for."""

    def __init__(self, ready: ReadySet) -> None:
        self._ready = ready

    @property
    def any(self) -> bool:
        """Whether it can matter: in flat light the wall's own paint is within it everywhere."""
        return not self._ready.wall.lighting.flat

    @cached_property
    def _codes(self) -> tuple[Pixels8, Pixels8]:
        surface, wall = self._ready.built.bridge.surface, self._ready.wall
        height, width = self._ready.bridge.code.shape[:2]
        light = carried(wall.light.bridge, wall.bridge_map, surface, width, height)
        darkest, brightest = (colour.encoded8(light * paint) for paint in (DARKEST_PAINT, BRIGHTEST_PAINT))
        return darkest, brightest

    def as_right_as_can_be(self, looks: Looks, engine: Engine, camera: Camera, shining: Shining) -> Picture:
        """The frame (H, W, 3), linear light, if the bridge showed what it hides as nearly as paint can.

        Light falls off softly enough for the limits to be drawn sharp.
        """
        out = np.array(looks.right_paint, dtype=np.float32)
        rows, columns = (np.flatnonzero((looks.cover > 0.0).any(axis=axis)) for axis in (1, 0))
        if len(rows) == 0:
            return out
        box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        share = looks.cover[box][..., None]
        part = cut(camera, int(columns[0]), int(rows[0]), share.shape[1], share.shape[0])
        limits = [looks.clean[box].copy(), looks.clean[box].copy()]
        with shining.matt(engine):
            try:
                for code, limit in zip(self._codes, limits, strict=True):
                    engine.repaint(BRIDGE, code)
                    # by itself: what hides it has no share in the frame, and what is beside it has no limits
                    view = engine.draw(part, (BRIDGE,))
                    cover = view.cover(BRIDGE_LAYER)[..., None]
                    np.divide(view.colour, cover, out=limit, where=cover > 0.0)
            finally:
                engine.repaint(BRIDGE, self._ready.bridge.code)
        out[box] += (np.clip(looks.clean[box], *limits) - looks.clean[box]) * share
        return out
