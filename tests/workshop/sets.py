"""Small scenes to build, and a look at a built surface through a general library."""

from __future__ import annotations

import numpy as np
import trimesh

from previz.scene.model import Scene
from previz.workshop.surface import Surface

MM = 1e-3

_WALL = {"width": 0.9, "height": 0.7, "top": 0.4, "triangles": 8000, "texture_px": 256}


def scene(wall=None, bridge=None, folder=None, **rest) -> Scene:
    """A scene with a coarse wall of 0.9 x 0.7 m; lengths in metres."""
    data = {
        "title": "test",
        "scale": "1:20",
        "wall": _WALL | (wall or {"kind": "board"}),
        "bridge": {"length": 0.4, "width": 0.05, "thickness": 0.012} | (bridge or {}),
        "camera": {"position": (0.0, 0.16, 1.25)},
        "rail": {"hold": (1001, 1040)},
    } | rest
    made = Scene.model_validate(data)
    return made if folder is None else made.model_copy(update={"folder": folder})


def merged(surface: Surface) -> trimesh.Trimesh:
    """The surface as trimesh sees it once corners in one place are one corner."""
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    mesh.merge_vertices()
    return mesh


def depth_along_z(surface: Surface, x, y):
    """z of the surface seen from the front at places x, y (N,), by trimesh's ray caster; NaN where it misses."""
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    origins = np.column_stack([x, y, np.full(len(x), 5.0)])
    directions = np.tile([0.0, 0.0, -1.0], (len(x), 1))
    places, rays, _ = mesh.ray.intersects_location(origins, directions, multiple_hits=False)
    out = np.full(len(x), np.nan)
    out[rays] = places[:, 2]
    return out
