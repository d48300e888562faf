"""A modelled causeway with stairs, parapets and a drain, made of closed parts that run into one another."""

from pathlib import Path

import numpy as np
import trimesh

MM = 1e-3

# (from z, to z, level of the tread) of every flight, mm; it comes out of 40 mm of rock and ends 636 mm from the wall
FLIGHTS = ((-40, 210, 0), (210, 320, -9), (320, 430, -18), (430, 636, -27))
NEAR = 636 * MM
WIDTH = 96 * MM
DEEP = 45  # mm from the highest tread to the underside
PARAPET = (8, 24)  # mm thick, mm above the tread

# left, right, from z, to z (mm) of a drain that goes right through the last flight
DRAIN = (-12, 14, 520, 548)


def block(x0: float, x1: float, y0: float, y1: float, z0: float, z1: float) -> trimesh.Trimesh:
    """A box between planes given in mm."""
    low, high = np.array([x0, y0, z0]) * MM, np.array([x1, y1, z1]) * MM
    return trimesh.creation.box(bounds=[low, high])


def causeway(shift: float = 0.0, swing: float = 0.0) -> trimesh.Trimesh:
    """The causeway, ``shift`` mm to camera right at the wall, ``swing`` mm more at its near end."""
    half = 0.5 * WIDTH / MM
    thick, rise = PARAPET
    parts = []
    for z0, z1, level in FLIGHTS:
        if (z0, z1) == (430, 636):
            left, right, first, last = DRAIN
            parts += [block(-half, half, -DEEP, level, z0, first), block(-half, half, -DEEP, level, last, z1)]
            parts += [block(-half, left, -DEEP, level, first, last), block(right, half, -DEEP, level, first, last)]
        else:
            parts.append(block(-half, half, -DEEP, level, z0, z1))
        for x0, x1 in ((-half, -half + thick), (half - thick, half)):
            # set 5 mm into the deck
            parts.append(block(x0, x1, level - 5, level + rise, z0, z1))
    mesh = trimesh.util.concatenate(parts)
    vertices = np.array(mesh.vertices)
    vertices[:, 0] += shift * MM + swing * MM * vertices[:, 2] / NEAR
    return trimesh.Trimesh(vertices, mesh.faces, process=False)


def saved(folder: Path, name: str = "causeway.glb", shift: float = 0.0, swing: float = 0.0) -> Path:
    """The causeway as a file of ``folder``."""
    path = folder / name
    causeway(shift, swing).export(path)
    return path
