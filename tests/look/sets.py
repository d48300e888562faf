"""Small sets whose pictures are known by hand, and what two pictures differ by."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter, minimum_filter

from previz.camera import AnyCamera, OrthoCamera, camera_for
from previz.colour import de00, lab
from previz.geometry import rigid, turned
from previz.look.view import View
from previz.workshop.surface import BRIDGE, WALL, LitSurface, Surface

MM = 1e-3


def lit(name, layer, vertices, faces, uv, code) -> LitSurface:
    height, width = code.shape[:2]
    surface = Surface(
        name=name,
        layer=layer,
        vertices=np.asarray(vertices, dtype=np.float64),
        faces=np.asarray(faces, dtype=np.int32),
        uv=np.asarray(uv, dtype=np.float32),
        reflectance=np.zeros((height, width, 3), dtype=np.float32),
    )
    return LitSurface(name, surface, code)


def flat_code(red, green, blue, height=2, width=2):
    return np.full((height, width, 3), (red, green, blue), dtype=np.uint8)


def blotches(height, width, seed):
    """A soft random picture: detail several texels wide, so that it can be compared texel by texel."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(30, 226, (height // 8 + 2, width // 8 + 2, 3))
    return np.kron(coarse, np.ones((8, 8, 1)))[:height, :width].astype(np.uint8)


def box(low, high, name="bridge", layer=BRIDGE, code=None) -> LitSurface:
    """A closed box; every face shows the whole picture, the front face (+Z) the right way up."""
    corner = np.array([low, high], dtype=np.float64)
    vertices, uv, faces = [], [], []
    for axis in range(3):
        across, up = [(1, 2), (2, 0), (0, 1)][axis]
        for end in (0, 1):
            first = len(vertices)
            for s, t in ((0, 0), (1, 0), (1, 1), (0, 1)):
                p = np.zeros(3)
                p[axis], p[across], p[up] = corner[end, axis], corner[s, across], corner[t, up]
                vertices.append(p)
                uv.append((s, 1 - t))
            quad = [[0, 1, 2], [0, 2, 3]] if end else [[0, 2, 1], [0, 3, 2]]
            faces += [[first + k for k in triangle] for triangle in quad]
    return lit(name, layer, vertices, faces, uv, flat_code(128, 128, 128) if code is None else code)


def bumpy_wall(steps=100, width=1.8, height=2.2, relief=0.04, code=None) -> LitSurface:
    """A closed wall, 2 * steps^2 triangles in front, carved by smooth waves about z = 0."""
    along, up = np.linspace(-width / 2, width / 2, steps + 1), np.linspace(-height / 2, height / 2, steps + 1)
    x, y = np.meshgrid(along, up)
    z = 0.4 * relief * (np.sin(17 * x) * np.cos(23 * y) + 0.25 * np.sin(61 * x + 40 * y))
    front = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    uv = np.stack([x / width + 0.5, 0.5 - y / height], axis=-1).reshape(-1, 2)
    number = np.arange((steps + 1) ** 2).reshape(steps + 1, steps + 1)
    a, b, c, d = number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]
    faces = [np.stack([a, b, c], axis=-1).reshape(-1, 3), np.stack([a, c, d], axis=-1).reshape(-1, 3)]
    rim = np.concatenate([number[0, :-1], number[:-1, -1], number[-1, :0:-1], number[:0:-1, 0]])
    back = front[rim] * (1.0, 1.0, 0.0) - (0.0, 0.0, 0.1)
    here, after = np.arange(len(rim)), np.roll(np.arange(len(rim)), -1)
    far, centre = len(front), len(front) + len(rim)
    faces += [
        np.stack([rim[here], far + here, far + after], axis=-1),
        np.stack([rim[here], far + after, rim[after]], axis=-1),
        np.stack([np.full(len(rim), centre), far + after, far + here], axis=-1),
    ]
    vertices = np.concatenate([front, back, [[0.0, 0.0, -0.1]]])
    picture = blotches(256, 210, 3) if code is None else code
    uv = np.concatenate([uv, uv[rim], [[0.5, 0.5]]])
    return lit("wall", WALL, vertices, np.concatenate(faces), uv, picture)


def ball(radius, segments, name="ball", layer=BRIDGE) -> LitSurface:
    """A closed ball about the origin, all vertices on the sphere."""
    turn = np.linspace(0.0, 2.0 * np.pi, segments + 1)
    rise = np.linspace(-np.pi / 2, np.pi / 2, segments // 2 + 1)
    a, b = np.meshgrid(turn, rise)
    vertices = radius * np.stack([np.cos(b) * np.sin(a), np.sin(b), np.cos(b) * np.cos(a)], axis=-1)
    uv = np.stack([a / (2.0 * np.pi), 0.5 - b / np.pi], axis=-1)
    number = np.arange(a.size).reshape(a.shape)
    p, q, r, s = number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((p, q, r), (p, r, s))])
    return lit(name, layer, vertices.reshape(-1, 3), faces, uv.reshape(-1, 2), flat_code(200, 90, 40))


def mirrored(surface: LitSurface) -> LitSurface:
    """The same thing in a looking-glass at x = 0."""
    old = surface.surface
    new = replace(old, vertices=old.vertices * (-1.0, 1.0, 1.0), faces=old.faces[:, ::-1].copy())
    return LitSurface(surface.name, new, surface.code)


def lens(width_px=320, height_px=180, side=1.0, **changes):
    """A shifted, panned, tilted and rolled lens in front of the set; ``side`` -1 is its mirror image."""
    given = {
        "position": (0.07 * side, 0.16, 1.25),
        "pan": 0.05 * side,
        "tilt": -0.13,
        "roll": 0.08 * side,
        "focal": 0.035,
        "sensor_width": 0.0359,
        "shift_right": 0.0015 * side,
        "shift_up": -0.0021,
    }
    return camera_for(width_px=width_px, height_px=height_px, **(given | changes))


def drawing(width_px=320, height_px=180, px_per_m=180.0, pan=0.3, tilt=-0.35, roll=0.1):
    """A parallel view from in front of the set."""
    rotation = turned(pan, tilt, roll)
    return OrthoCamera(rigid(rotation, rotation @ (0.0, 0.0, 3.0)), px_per_m, width_px, height_px)


def facing(px_per_m, width_px, height_px, away=2.0):
    """A parallel view straight at the wall from ``away`` m, the origin in the middle of the frame."""
    return OrthoCamera(rigid(np.eye(3), (0.0, 0.0, away)), px_per_m, width_px, height_px)


@dataclass(frozen=True)
class Difference:
    """Two pictures of one set: share of samples with another layer, worst depth (m) where the layer is the
    same and the surface smooth, worst dE00 of pixels away from edges, and the share of pixels that are so."""

    layer_share: float
    depth: float
    de00: float
    smooth_share: float

    def agrees(self) -> bool:
        return self.layer_share <= 1e-3 and self.depth <= 0.5 * MM and self.de00 <= 1.0


def difference(one: View, other: View) -> Difference:
    same = one.layer == other.layer
    size = 2 * one.samples + 1
    # an edge of the outline, or a place where the wall hides itself
    step = maximum_filter(one.depth, size) - minimum_filter(one.depth, size)
    level = maximum_filter(one.layer, size) == minimum_filter(one.layer, size)
    smooth = level & (step < 15 * MM)
    height, width = one.colour.shape[:2]
    inside = smooth.reshape(height, one.samples, width, one.samples).all(axis=(1, 3))
    colour = de00(lab(one.colour.astype(np.float64)), lab(other.colour.astype(np.float64)))
    return Difference(
        layer_share=float(np.mean(~same)),
        depth=float(np.abs(one.depth - other.depth)[same & smooth].max()),
        de00=float(colour[inside].max()),
        smooth_share=float(inside.mean()),
    )


def quad_corner(cover, rows, columns):
    """Corner (2,) px where the left and the top edge of a bright quadrilateral meet, from its coverage alone.

    ``rows`` and ``columns`` are ranges that each cross one edge only: along a row, the covered length tells
    where a straight edge passes the middle of that row.
    """
    y = np.arange(*rows) + 0.5
    x_edge = columns[1] - cover[rows[0] : rows[1], : columns[1]].sum(axis=1)
    x = np.arange(*columns) + 0.5
    y_edge = rows[1] - cover[: rows[1], columns[0] : columns[1]].sum(axis=0)
    left, top = np.polyfit(y, x_edge, 1), np.polyfit(x, y_edge, 1)
    # x = l0 y + l1, y = t0 x + t1
    corner_x = (left[0] * top[1] + left[1]) / (1.0 - left[0] * top[0])
    return np.array([corner_x, top[0] * corner_x + top[1]])


VIEWS: dict[str, AnyCamera] = {"lens": lens(), "drawing": drawing()}
