"""Cuts through a built surface, for drawings."""

from __future__ import annotations

import numpy as np
import trimesh

from previz.geometry import Array
from previz.workshop.surface import Surface


def section(surface: Surface, point: Array, normal: Array) -> Array | None:
    """The longest line (N, 3) m in which a plane through ``point`` (3,) with ``normal`` (3,) cuts a surface.

    Closed lines do not repeat their first point. None where the plane misses the surface.
    """
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    cut = mesh.section(plane_origin=point, plane_normal=normal)
    if cut is None:
        return None
    lines = [np.asarray(line, dtype=np.float64) for line in cut.discrete]
    longest = max(lines, key=lambda line: float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()))
    return longest[:-1] if np.allclose(longest[0], longest[-1]) else longest
