"""A picture on one map of a surface carried over to another map of the same surface."""

from __future__ import annotations

from typing import Any

import numpy as np

from previz.workshop.bilinear import read_between
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.surface import Picture, Surface
from previz.workshop.texels import texel_owners


def _carried(
    owner: Any, row0: int, width: int, height: int, faces: Any, uv: Any, other_faces: Any, other_uv: Any, picture: Any,
    out: Any,
) -> None:
    rows, columns, channels = picture.shape
    for i in range(owner.shape[0]):
        for j in range(width):
            f = owner[i, j]
            if f < 0:
                for c in range(channels):
                    out[i, j, c] = 0.0
                continue
            x, y = (j + 0.5) / width, (row0 + i + 0.5) / height
            ax, ay = uv[faces[f, 0], 0], uv[faces[f, 0], 1]
            bx, by = uv[faces[f, 1], 0] - ax, uv[faces[f, 1], 1] - ay
            cx, cy = uv[faces[f, 2], 0] - ax, uv[faces[f, 2], 1] - ay
            area = bx * cy - by * cx
            s = ((x - ax) * cy - (y - ay) * cx) / area
            t = (bx * (y - ay) - by * (x - ax)) / area
            u, v = 0.0, 0.0
            for k in range(3):
                w = 1.0 - s - t if k == 0 else (s if k == 1 else t)
                u += w * other_uv[other_faces[f, k], 0]
                v += w * other_uv[other_faces[f, k], 1]
            read_between(picture, u * columns - 0.5, v * rows - 0.5, out[i, j])


_carried_compiled = compiled(_carried)


def carried(picture: Picture, from_surface: Surface, to_surface: Surface, width_px: int, height_px: int) -> Picture:
    """``picture`` (h, w, C) float32 on one surface's map, on another's (height_px, width_px, C); 0 off the surface.

    The two have the same faces in the same order and differ in their maps alone.
    """
    if len(from_surface.faces) != len(to_surface.faces):
        raise ValueError("the two surfaces are not the same")
    owner = texel_owners(to_surface, width_px, height_px, margin=True)
    out = np.empty((height_px, width_px, picture.shape[2]), dtype=np.float32)
    uv, other_uv = to_surface.uv.astype(np.float64), from_surface.uv.astype(np.float64)

    def part(rows: slice) -> None:
        _carried_compiled(
            owner[rows], rows.start, width_px, height_px, to_surface.faces, uv, from_surface.faces, other_uv, picture,
            out[rows],
        )  # fmt: skip

    in_parts(part, height_px, 128)
    return out
