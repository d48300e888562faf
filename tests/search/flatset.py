"""A flat grey wall with a slab before it: a set whose shadows and highlights can be worked out by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.workshop.light.bake import Lighting
from previz.workshop.surface import BRIDGE, WALL, LitSurface, Surface

GREY = 0.18
AMBIENT = 300.0

# the slab: half width, thickness and length, m; it hovers between these distances from the wall
HALF, THICK = 0.05, 0.02
NEAR, FAR = 0.5, 0.2


@dataclass(frozen=True, eq=False)
class FlatSet:
    """A scene with its surfaces, sight lines and lighting."""

    scene: Scene
    move: Move
    wall: Surface
    bridge: Surface
    sight: SightLines
    lighting: Lighting

    def lit(self, share: float) -> tuple[LitSurface, LitSurface]:
        """Wall and bridge sending ``share`` of white each."""
        from previz import colour

        return tuple(
            LitSurface(s.name, s, colour.encoded8(np.full((*s.reflectance.shape[:2], 3), share, np.float32)))
            for s in (self.wall, self.bridge)
        )


def box(low, high, name, layer, texture_px) -> Surface:
    """A closed box whose six sides lie side by side on its map, each in a sixth of the width."""
    corner = np.array([low, high], dtype=np.float64)
    vertices, uv, faces = [], [], []
    side = 0
    for axis in range(3):
        across, up = [(1, 2), (2, 0), (0, 1)][axis]
        for end in (0, 1):
            first = len(vertices)
            for s, t in ((0, 0), (1, 0), (1, 1), (0, 1)):
                p = np.zeros(3)
                p[axis], p[across], p[up] = corner[end, axis], corner[s, across], corner[t, up]
                vertices.append(p)
                uv.append(((side + 0.05 + 0.9 * s) / 6.0, 0.05 + 0.9 * (1 - t)))
            quad = [[0, 1, 2], [0, 2, 3]] if end else [[0, 2, 1], [0, 3, 2]]
            faces += [[first + k for k in triangle] for triangle in quad]
            side += 1
    picture = np.full((texture_px, 6 * texture_px, 3), GREY, dtype=np.float32)
    return Surface(
        name, layer, np.array(vertices), np.array(faces, np.int32), np.array(uv, np.float32), picture
    )


def flat_wall(texture_px: int) -> Surface:
    """A wall 2 x 1.6 m at z = 0, closed behind, its front over the whole map and the rest on its last texel."""
    left, right, bottom, top = -1.0, 1.0, -1.0, 0.6
    front = [[left, bottom, 0.0], [right, bottom, 0.0], [right, top, 0.0], [left, top, 0.0]]
    back = [[x, y, -0.05] for x, y, _ in front]
    uv = [[0, 1], [1, 1], [1, 0], [0, 0], *[[1.0, 1.0]] * 4]
    faces = [[0, 1, 2], [0, 2, 3], [4, 6, 5], [4, 7, 6]]
    for k in range(4):
        j = (k + 1) % 4
        faces += [[k, 4 + k, 4 + j], [k, 4 + j, j]]
    picture = np.full((int(texture_px * 0.8), texture_px, 3), GREY, dtype=np.float32)
    return Surface(
        "wall", WALL, np.array(front + back), np.array(faces, np.int32), np.array(uv, np.float32), picture
    )


def flat_set(lamps, ambient=AMBIENT, texture_px=512, bridge_px=48, **changes) -> FlatSet:
    """The set under ``lamps`` (tables); the lens stands 1.5 m before the wall, 0.35 m above the slab's top."""
    data = {
        "title": "flat",
        "scale": "1:20",
        "delivery": {"frame": (960, 540)},
        "wall": {"kind": "board", "width": 2.0, "height": 1.6, "top": 0.6, "relief": 0.0},
        "bridge": {"length": NEAR, "width": 2 * HALF, "thickness": THICK},
        "camera": {"position": (0.0, 0.35, 1.5), "lens": 0.035, "tilt": -0.35},
        "rail": {"travel": 0.1, "frames": 20, "hold": (1001, 1010)},
        "lamps": lamps,
        "light": {"ambient": ambient},
    } | changes
    scene = Scene.model_validate(data)
    wall = flat_wall(texture_px)
    bridge = box((-HALF, -THICK, FAR), (HALF, 0.0, NEAR), "bridge", BRIDGE, bridge_px)
    reference = sum(lamp.lux for lamp in scene.lamps) + ambient
    lighting = Lighting(scene.lamps, scene.light, reference)
    return FlatSet(scene, move_of(scene), wall, bridge, SightLines([wall, bridge]), lighting)
