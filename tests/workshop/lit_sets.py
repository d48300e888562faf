"""Small sets whose light is known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from previz.look.sight import SightLines
from previz.scene.model import Lamp, Light
from previz.workshop.light.lamps import emitter_of
from previz.workshop.light.rays import card_frames
from previz.workshop.light.shadows import seen_points, share_seen
from previz.workshop.surface import WALL, Surface
from previz.workshop.texels import texel_points


def disc_factor(radius: float, distance: float, aside: float) -> float:
    """View factor from a small piece, facing the plane of a disc ``distance`` away, to the disc, ``aside`` its axis.

    Walsh, *Photometry*, 1958, and Howell's catalogue of view factors, configuration B-12 (from memory).
    """
    h, r = distance / max(aside, 1e-9), radius / max(aside, 1e-9)
    z = 1.0 + h * h + r * r
    return 0.5 * (1.0 - (1.0 + h * h - r * r) / np.sqrt(z * z - 4.0 * r * r))


def rectangle_factor(wide: float, high: float, distance: float, aside: float) -> float:
    """View factor from a small piece at ``aside`` along x, facing a rectangle's plane, to the rectangle, by Lambert's
    polygon formula: half the sum of the edges' angles times the cosines of their planes, over pi.

    Lambert, *Photometria*, 1760; Baum et al., SIGGRAPH 1989, equation 4 (from memory).
    """
    corners = np.array([[-wide, -high], [wide, -high], [wide, high], [-wide, high]]) * 0.5
    at = np.column_stack([corners[:, 0] - aside, corners[:, 1], np.full(4, distance)])
    way = at / np.linalg.norm(at, axis=1)[:, None]
    total = 0.0
    for k in range(4):
        a, b = way[k], way[(k + 1) % 4]
        across = np.cross(a, b)
        total += np.arccos(np.clip(a @ b, -1.0, 1.0)) * across[2] / np.linalg.norm(across)
    return abs(float(total)) / (2.0 * np.pi)


def quad(corners: np.ndarray, name: str = "wall", level: float = 0.5, size: int = 64) -> Surface:
    """A quadrilateral, its front where ``corners`` (4, 3) run counter-clockwise, the first at the map's lower left."""
    uv = np.array([[0, 1], [1, 1], [1, 0], [0, 0]], dtype=np.float32)
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    picture = np.full((size, size, 3), level, dtype=np.float32)
    return Surface(name, WALL, np.asarray(corners, dtype=np.float64), faces, uv, picture)


def plate(side: float, z: float = 0.0, level: float = 0.5, size: int = 64, name: str = "bridge") -> Surface:
    """A square about the z axis that faces +Z."""
    a = 0.5 * side
    return quad(np.array([[-a, -a, z], [a, -a, z], [a, a, z], [-a, a, z]]), name, level, size)


def box_room(side: float, level: float = 0.5, size: int = 64) -> Surface:
    """A closed room, seen from inside: six walls side by side on one map, with free texels between."""
    a = 0.5 * side
    vertices, uv, faces = [], [], []
    turns = [np.eye(3), np.diag([-1.0, 1.0, -1.0])]
    for axis in (0, 1):
        for sign in (1.0, -1.0):
            m = np.eye(3)
            c, s = 0.0, sign
            i, j = ((0, 2), (1, 2))[axis]
            m[i, i], m[i, j], m[j, i], m[j, j] = c, s, -s, c
            turns.append(m)
    square = np.array([[-a, -a, -a], [a, -a, -a], [a, a, -a], [-a, a, -a]])
    gap = 0.05
    for k, turn in enumerate(turns):
        first = len(vertices) * 4
        vertices.append(square @ turn.T)
        left, top = (k % 3) / 3.0, (k // 3) / 2.0
        w, h = 1.0 / 3.0, 0.5
        u0, u1, v0, v1 = left + gap * w, left + (1 - gap) * w, top + gap * h, top + (1 - gap) * h
        uv.append([[u0, v1], [u1, v1], [u1, v0], [u0, v0]])
        faces += [[first, first + 1, first + 2], [first, first + 2, first + 3]]
    picture = np.full((2 * size, 3 * size, 3), level, dtype=np.float32)
    return Surface(
        "wall", WALL, np.concatenate(vertices), np.array(faces, dtype=np.int32),
        np.concatenate(uv).astype(np.float32), picture,
    )  # fmt: skip


def two_plates(
    side: float, gap: float, reflectance: tuple[float, float], rounds: int | None = None, parts: int = 24
) -> tuple[float, float]:
    """Light in the middle of two squares that face each other under an even sky of 1, by radiosity between their parts:
    B = r (E + F B), factors of small parts cos cos' / (pi d2); solved whole by numpy, or only so many ``rounds``.

    Goral, Torrance, Greenberg, Battaile, SIGGRAPH 1984, equation 4 (from memory).
    """
    at = (np.arange(parts) + 0.5) / parts * side - 0.5 * side
    x, y = (a.ravel() for a in np.meshgrid(at, at))
    d2 = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2 + gap**2
    factor = gap**2 / (np.pi * d2**2) * (side / parts) ** 2
    sky = 1.0 - factor.sum(axis=1)
    n, nothing = len(x), np.zeros_like(factor)
    both = np.block([[nothing, factor], [factor, nothing]])
    straight, r = np.tile(sky, 2), np.repeat(reflectance, n)
    if rounds is None:
        light = np.linalg.solve(np.eye(2 * n) - both * r, straight)
    else:
        light = straight
        for _ in range(rounds):
            light = straight + both @ (r * light)
    middle = (np.abs(x) < side / parts) & (np.abs(y) < side / parts)
    return float(light[:n][middle].mean()), float(light[n:][middle].mean())


# the lamp of edge_under_a_disc, and how high it and the edge hang over the plane
_RADIUS, _LAMP_UP, _EDGE_UP = 0.1, 2.0, 0.5


def edge_under_a_disc(size: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """A half plane between a disc lamp and a plane: where the edge cuts the face (radii), and the share seen."""
    ground = quad(np.array([[-0.2, -0.2, 0.0], [0.2, -0.2, 0.0], [0.2, 0.2, 0.0], [-0.2, 0.2, 0.0]]), size=size)
    edge = quad(np.array([[0.0, -3.0, 0.0], [3.0, -3.0, 0.0], [3.0, 3.0, 0.0], [0.0, 3.0, 0.0]]) + [0, 0, _EDGE_UP])
    sight = SightLines([ground, replace(edge, name="edge")])
    lamp = Lamp(name="key", position=(0.0, 0.0, _LAMP_UP), aim=(0.0, 0.0, 0.0), size=2 * _RADIUS, lux=1.0)
    texels = texel_points(ground, size, size)
    seen = seen_points(texels, emitter_of(lamp, Light(), 1.0), sight, ("wall", "edge"), card_frames(()))
    share = share_seen(seen)
    x = texels.points[0, :, 0].astype(np.float64)
    # the place of the edge on the lamp's face as seen from x
    on_face = x * (_LAMP_UP - _EDGE_UP) / -_EDGE_UP
    return on_face / _RADIUS, share[size // 2].astype(np.float64)


def segment_share(at: np.ndarray) -> np.ndarray:
    """Share of a disc on the far side of a straight cut ``at`` radii from its middle: the area of a circular segment.

    The part with coordinate below ``at`` is what stays; school geometry.
    """
    t = np.clip(at, -1.0, 1.0)
    return 1.0 - (np.arccos(t) - t * np.sqrt(1.0 - t * t)) / np.pi
