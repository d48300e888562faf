"""The bridge: a slab that comes out of the wall, or a modelled one, with a true-size map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array
from previz.scene.model import Bridge
from previz.scene.shape import slab_of
from previz.workshop.charts import Chart, Layout, laid_out, map_of
from previz.workshop.surface import BRIDGE, Picture, Surface


@dataclass(frozen=True, eq=False)
class BridgeBuild:
    """The bridge as built: its ``surface``, the ``charts`` of its map and their texel size (m).

    ``cautions`` are plain sentences about what a modelled bridge lacks.
    """

    surface: Surface
    charts: tuple[Chart, ...]
    texel: float
    cautions: tuple[str, ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of the map."""
        h, w = self.surface.reflectance.shape[:2]
        return w, h


def _gone(*along: Array) -> Array:
    """Length of the way (N,) along points given by their coordinates (N,)."""
    steps = np.sqrt(sum(np.diff(c) ** 2 for c in along))
    return np.concatenate([[0.0], np.cumsum(steps)])


def slab(bridge: Bridge, buried: float, texel: float) -> BridgeBuild:
    """The slab of a scene's ``[bridge]``, closed, its end ``buried`` m behind the datum plane.

    Its corners are the shape's (:class:`~previz.scene.shape.Slab`) at its stations. The top's and the underside's
    charts are as wide as the slab at every station and as long as its middle; the sides' charts are as long as their
    own edges.
    """
    shape = slab_of(bridge)
    z = np.concatenate([[-buried], shape.stations])
    x, y, half = shape.middle(z), shape.level(z), shape.half_width(z)
    n = len(z)
    thick = bridge.thickness
    left, right = x - half, x + half
    # charts lie with the wall's end at the top and the camera's end at the bottom
    along_middle = _gone(z, y)
    along_left, along_right = _gone(z, left), _gone(z, right)
    lowest_x, highest_y = left.min(), y.max()
    size_top = (float(right.max() - lowest_x), float(along_middle[-1]))
    tall = float(highest_y - y.min()) + thick
    ends = [(2.0 * float(half[-1]), thick), (2.0 * float(half[0]), thick)]
    sizes = [size_top, size_top, (tall, float(along_left[-1])), (tall, float(along_right[-1])), *ends]
    layout = laid_out(sizes, texel)
    drop = highest_y - y
    # (name, 3D rows of one edge and the other, chart places of both, words); each strip runs along the stations
    strips = [
        ("top", _row(left, y, z), _row(right, y, z), left - lowest_x, right - lowest_x, along_middle),
        ("underside", _row(right, y - thick, z), _row(left, y - thick, z),
         right.max() - right, right.max() - left, along_middle),
        ("left side", _row(left, y - thick, z), _row(left, y, z), tall - drop - thick, tall - drop, along_left),
        ("right side", _row(right, y, z), _row(right, y - thick, z), drop, drop + thick, along_right),
    ]  # fmt: skip
    words = {
        "top": ("to camera right", "towards the camera"),
        "underside": ("to camera left", "towards the camera"),
        "left side": ("up", "towards the camera"),
        "right side": ("down", "towards the camera"),
        "front end": ("to camera right", "down"),
        "buried end": ("to camera left", "down"),
    }
    vertices: list[Array] = []
    places: list[Array] = []
    faces: list[NDArray[np.int64]] = []
    charts: list[Chart] = []
    base = 0
    for i, (name, one, other, place_one, place_other, along) in enumerate(strips):
        vertices += [one, other]
        flat = [np.stack([place_one, along], axis=1), np.stack([place_other, along], axis=1)]
        places += [map_of(layout, i, flat[0]), map_of(layout, i, flat[1])]
        k = base + np.arange(n - 1)
        faces += [np.stack([k, k + 1, k + n + 1], axis=1), np.stack([k, k + n + 1, k + n], axis=1)]
        outline = np.concatenate([flat[0], flat[1][::-1]])
        charts.append(_chart(name, layout, i, sizes[i], outline, words[name]))
        base += 2 * n
    for i, (name, at, flip) in enumerate([("front end", -1, 1.0), ("buried end", 0, -1.0)], start=4):
        at_x, at_y, reach = (float(v[at]) for v in (x, y, flip * half))
        w, h = sizes[i]
        flat_end = np.array([[0.0, 0.0], [0.0, h], [w, h], [w, 0.0]])
        corners = np.array([[-reach, 0.0], [-reach, -thick], [reach, -thick], [reach, 0.0]]) + (at_x, at_y)
        vertices.append(np.column_stack([corners, np.full(4, z[at])]))
        places.append(map_of(layout, i, flat_end))
        faces.append(base + np.array([[0, 1, 2], [0, 2, 3]]))
        charts.append(_chart(name, layout, i, sizes[i], flat_end, words[name]))
        base += 4
    bare = colour.hex_linear(bridge.colour).astype(np.float32)
    picture = np.broadcast_to(bare, (layout.height_px, layout.width_px, 3)).copy()
    surface = Surface(
        name="bridge",
        layer=BRIDGE,
        vertices=np.concatenate(vertices),
        faces=np.concatenate(faces).astype(np.int32),
        uv=np.concatenate(places).astype(np.float32),
        reflectance=picture,
    )
    return BridgeBuild(surface, tuple(charts), layout.texel)


def _row(x: Array, y: Array, z: Array) -> Array:
    return np.stack(np.broadcast_arrays(x, y, z), axis=1).astype(np.float64)


def _chart(
    name: str, layout: Layout, index: int, size: tuple[float, float], outline: Array, words: tuple[str, str]
) -> Chart:
    return Chart(
        name=name,
        left_px=layout.left_px[index],
        top_px=layout.top_px[index],
        width_px=layout.sizes_px[index][0],
        height_px=layout.sizes_px[index][1],
        size=size,
        outline=outline,
        rightwards=words[0],
        downwards=words[1],
    )


def with_picture(build: BridgeBuild, picture: Picture) -> BridgeBuild:
    """The bridge with a picture (h, w, 3) laid over its whole map, linear light, stretched to fit."""
    w, h = build.size_px
    rows = np.clip(((np.arange(h) + 0.5) * picture.shape[0] / h).astype(np.int64), 0, picture.shape[0] - 1)
    columns = np.clip(((np.arange(w) + 0.5) * picture.shape[1] / w).astype(np.int64), 0, picture.shape[1] - 1)
    s = build.surface
    laid = Surface(s.name, s.layer, s.vertices, s.faces, s.uv, np.ascontiguousarray(picture[rows][:, columns]))
    return BridgeBuild(laid, build.charts, build.texel, build.cautions)
