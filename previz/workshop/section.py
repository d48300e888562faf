"""Cuts through a built surface, for drawings."""

from __future__ import annotations

import numpy as np
import trimesh

from previz.geometry import Array
from previz.workshop.surface import Surface


def sections(surface: Surface, point: Array, normal: Array) -> tuple[Array, ...]:
    """The lines (N, 3) m in which a plane through ``point`` (3,) with ``normal`` (3,) cuts a surface.

    Closed lines do not repeat their first point. None where the plane misses the surface.
    """
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    ahead = (mesh.vertices - point) @ normal > 0.0
    if ahead.all() or not ahead.any():
        return ()
    cut = mesh.section(plane_origin=point, plane_normal=normal)
    lines = [] if cut is None else [np.asarray(line, dtype=np.float64) for line in cut.discrete]
    return tuple(line[:-1] if np.allclose(line[0], line[-1]) else line for line in lines if len(line) > 2)
