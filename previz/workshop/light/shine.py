"""Specular reflection, shine: what painted surfaces mirror of the lamps towards one place, beyond diffuse light.

A face is cut into quarters until no piece of it turns the half vector by more than about the width of the paint's lobe
where it lies: the sharp highlight of a soft lamp on gloss paint comes out as the lamp's picture, without dots, and
where nothing gleams a handful of pieces does. Matt paint has no shine (:mod:`previz.gloss`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz import gloss
from previz.geometry import Array
from previz.scene.model import Gloss
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.lamps import Emitter, beam_share, unshadowed
from previz.workshop.surface import Picture
from previz.workshop.texels import TexelMap

# pieces are cut until they turn the half vector by at most this many times sqrt(angle^2 + roughness^2), where angle is
# that of the half vector with the normal; held against a fine sum in tests/build/test_shine.py
_FINENESS = 0.5

# a face is never cut more often than this: 4^8 pieces
_DEEPEST = 8

# a surface seen flatter than this (cosine) shows nothing but its edge
_EDGE_ON = 1e-3

# places worked on at once
_CHUNK = 1 << 12

_distribution = compiled(gloss.distribution)
_masking = compiled(gloss.masking)
_fresnel = compiled(gloss.fresnel)
_INDEX = gloss.PAINT_INDEX


def _mirrored(
    points: Any, normals: Any, eye: Any, frame: Any, wide: float, high: float, is_disc: bool,
    inner: float, outer: float, level: Any, roughness: float, fineness: float, out: Any,
) -> None:  # fmt: skip
    is_point = wide == 0.0 and high == 0.0
    a2 = roughness * roughness
    stack_u = np.empty(4 * _DEEPEST + 8)
    stack_v = np.empty(4 * _DEEPEST + 8)
    stack_depth = np.empty(4 * _DEEPEST + 8, dtype=np.int64)
    face_area = wide * high * (math.pi / 4.0 if is_disc else 1.0)
    largest = max(wide, high)
    for n in range(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], points[n, 2]
        nx, ny, nz = normals[n, 0], normals[n, 1], normals[n, 2]
        ox, oy, oz = eye[0] - px, eye[1] - py, eye[2] - pz
        length = math.sqrt(ox * ox + oy * oy + oz * oz)
        if length == 0.0:
            continue
        ox, oy, oz = ox / length, oy / length, oz / length
        cos_out = nx * ox + ny * oy + nz * oz
        if cos_out < _EDGE_ON:
            continue
        seen_out = _masking(cos_out, roughness)
        red, green, blue = 0.0, 0.0, 0.0
        top = 1
        stack_u[0], stack_v[0], stack_depth[0] = 0.5, 0.5, 0
        while top > 0:
            top -= 1
            u, v, depth = stack_u[top], stack_v[top], stack_depth[top]
            a, b = 0.0, 0.0
            if not is_point:
                a, b = u - 0.5, v - 0.5
                if is_disc:
                    # square to disc, equal areas (Shirley and Chiu, Journal of Graphics Tools 2(3), 45, 1997)
                    s, t = 2.0 * a, 2.0 * b
                    if s != 0.0 or t != 0.0:
                        if abs(s) > abs(t):
                            r, angle = s, math.pi / 4.0 * t / s
                        else:
                            r, angle = t, math.pi / 2.0 - math.pi / 4.0 * s / t
                        a, b = 0.5 * r * math.cos(angle), 0.5 * r * math.sin(angle)
                a, b = a * wide, b * high
            ix = frame[0, 0] + a * frame[1, 0] + b * frame[2, 0] - px
            iy = frame[0, 1] + a * frame[1, 1] + b * frame[2, 1] - py
            iz = frame[0, 2] + a * frame[1, 2] + b * frame[2, 2] - pz
            square = ix * ix + iy * iy + iz * iz
            far = math.sqrt(square)
            if far == 0.0:
                continue
            ix, iy, iz = ix / far, iy / far, iz / far
            cos_in = nx * ix + ny * iy + nz * iz
            size = largest / (1 << depth) / far
            # wholly below the surface
            if cos_in + size <= 0.0:
                continue
            hx, hy, hz = ix + ox, iy + oy, iz + oz
            both = math.sqrt(hx * hx + hy * hy + hz * hz)
            if both < 1e-9:
                continue
            cos_half = (nx * hx + ny * hy + nz * hz) / both
            cos_between = 0.5 * both
            slope2 = 1.0 / max(cos_half * cos_half, 1e-12) - 1.0
            turn = 0.5 * size / cos_between
            coarse = depth == 0 or turn * turn > fineness * fineness * (slope2 + a2)
            if not is_point and depth < _DEEPEST and coarse:
                quarter = 0.25 / (1 << depth)
                for k in range(4):
                    stack_u[top] = u + quarter * (1 - 2 * (k % 2))
                    stack_v[top] = v + quarter * (1 - 2 * (k // 2))
                    stack_depth[top] = depth + 1
                    top += 1
                continue
            if cos_in <= 0.0 or cos_half <= 0.0:
                continue
            ahead = -(ix * frame[3, 0] + iy * frame[3, 1] + iz * frame[3, 2])
            weight = 1.0 / square
            if not is_point:
                if ahead <= 0.0:
                    continue
                weight *= ahead * face_area / (1 << (2 * depth))
            weight *= beam_share(ahead, inner, outer)
            weight *= _distribution(min(cos_half, 1.0), roughness) * _masking(cos_in, roughness)
            weight *= _fresnel(min(cos_between, 1.0), _INDEX)
            row = min(max(int((0.5 - b / high) * level.shape[0]), 0), level.shape[0] - 1) if high > 0.0 else 0
            column = min(max(int((0.5 + a / wide) * level.shape[1]), 0), level.shape[1] - 1) if wide > 0.0 else 0
            red += weight * level[row, column, 0]
            green += weight * level[row, column, 1]
            blue += weight * level[row, column, 2]
        k_out = math.pi * seen_out / (4.0 * cos_out)
        out[n, 0], out[n, 1], out[n, 2] = k_out * red, k_out * green, k_out * blue


_mirrored_compiled = compiled(_mirrored)


def mirrored(
    points: NDArray[Any],
    normals: NDArray[Any],
    emitter: Emitter,
    kind: Gloss,
    eye: Array,
    fineness: float = _FINENESS,
) -> Picture:
    """What places (N, 3) m with unit ``normals`` (N, 3) mirror of a lamp or bounce card towards ``eye`` (3,) m.

    (N, 3) float32, nothing in the way, in the units of the emitter's strength: share of white that is added to the
    picture. 0 for matt paint. Within 2 % of the brightest of it, ``fineness`` at its default.
    """
    out = np.zeros((len(points), 3), dtype=np.float32)
    if kind == "matt" or len(points) == 0:
        return out
    p, n = (np.ascontiguousarray(a, dtype=np.float64) for a in (points, normals))
    eye_ = np.asarray(eye, dtype=np.float64)
    level = np.ones((1, 1, 3)) if emitter.level is None else np.asarray(emitter.level, dtype=np.float64)
    # what a face sends is cut by where its pieces lie, what a point sends is one piece
    level = level * emitter.strength * emitter.tint

    def part(chosen: slice) -> None:
        _mirrored_compiled(
            p[chosen], n[chosen], eye_, emitter.frame, *map(float, emitter.size), emitter.is_disc,
            *map(float, emitter.beam), level, gloss.ROUGHNESS[kind], fineness, out[chosen],
        )  # fmt: skip

    in_parts(part, len(p), _CHUNK)
    return out


def ambient_sheen(points: NDArray[Any], normals: NDArray[Any], kind: Gloss, eye: Array) -> NDArray[np.float32]:
    """Share (N,) of its surroundings that each place (N, 3) m mirrors towards ``eye`` (3,) m where they are alike all
    round; 0 for matt paint."""
    if kind == "matt":
        return np.zeros(len(points), dtype=np.float32)
    way = np.asarray(eye, dtype=np.float64) - points
    cosine = np.einsum("ij,ij->i", way, normals) / np.maximum(np.linalg.norm(way, axis=1), 1e-12)
    share = np.where(cosine > _EDGE_ON, gloss.sheen(cosine, gloss.ROUGHNESS[kind]), 0.0)
    return np.asarray(share, dtype=np.float32)


def under_coat(texels: TexelMap, kind: Gloss, eye: Array) -> NDArray[np.float32]:
    """How much of the paint's own colour comes through its coat towards ``eye`` (3,) m, (h, w), against square on: what
    the coat mirrors from inside stays inside, the more the flatter it is looked at. 1 for matt paint.

    A matt base under a coat sends (1 - R(in)) (1 - R(out)) of its light (Shirley, Smits, Hu and Lafortune, "A
    practitioners' assessment of light reflection models", Pacific Graphics 1997, from memory); a paint's colour is told
    square on. The way in is :func:`let_in`.
    """
    out = np.ones(texels.valid.shape, dtype=np.float32)
    if kind != "matt":
        points, normals = texels.points[texels.valid], texels.normals[texels.valid]
        square_on = gloss.sheen(np.ones(1), gloss.ROUGHNESS[kind])[0]
        out[texels.valid] = (1.0 - ambient_sheen(points, normals, kind, eye)) / (1.0 - square_on)
    return np.minimum(out, np.float32(1.0))


def let_in(
    texels: TexelMap,
    kind: Gloss,
    emitters: Sequence[Emitter],
    visible: Sequence[NDArray[Any]],
    light: NDArray[np.float32],
) -> NDArray[np.float32]:
    """How much of the light (h, w) on a surface gets through its coat to the paint, (h, w), against light from 45
    degrees, from where a paint's colour is told (CIE 15, geometry 45:0): less of a lamp that strikes it flat. 1 for
    matt paint.

    ``visible`` is as for :func:`shine`; what of ``light`` is no lamp's comes in from all sides alike. A lamp is taken
    for its middle.
    """
    out = np.ones(texels.valid.shape, dtype=np.float32)
    if kind == "matt":
        return out
    roughness, valid = gloss.ROUGHNESS[kind], texels.valid
    points, normals = texels.points[valid], texels.normals[valid]
    rest, into, whole = (np.array(light[valid], dtype=np.float64), np.zeros(len(points)), np.zeros(len(points)))
    for emitter, share in zip(emitters, visible, strict=True):
        level = unshadowed(emitter, points, normals).mean(axis=1) * share[valid]
        way = emitter.frame[0] - points
        cosine = np.einsum("ij,ij->i", way, normals) / np.maximum(np.linalg.norm(way, axis=1), 1e-12)
        into += level * (1.0 - gloss.sheen(cosine, roughness))
        whole += level
        rest -= level
    rest = np.maximum(rest, 0.0)
    into += rest * gloss.transmitted(roughness)
    told = 1.0 - gloss.sheen(np.full(1, math.sqrt(0.5)), roughness)[0]
    out[valid] = np.where(whole + rest > 0.0, into / np.maximum(whole + rest, 1e-12) / told, 1.0)
    return out


def shine(
    texels: TexelMap,
    kind: Gloss,
    emitters: Sequence[Emitter],
    visible: Sequence[NDArray[Any]],
    eye: Array,
    around: Picture | float = 0.0,
) -> Picture:
    """What a surface mirrors towards ``eye`` (3,) m: (h, w, 3) float32, to be added to reflectance times light.

    ``visible`` holds, for each emitter, the share (h, w) of it that each texel sees, taken for all its parts alike.
    ``around`` is what lies in the mirror's direction besides, as a share of white: (h, w, 3), or one number for light
    from everywhere. The result is a share of white too. All 0 for matt paint.
    """
    out = np.zeros((*texels.valid.shape, 3), dtype=np.float32)
    if kind == "matt":
        return out
    points, normals = texels.points[texels.valid], texels.normals[texels.valid]
    surroundings = around if isinstance(around, float) else around[texels.valid]
    flat: Picture = ambient_sheen(points, normals, kind, eye)[:, None] * np.broadcast_to(surroundings, points.shape)
    for emitter, share in zip(emitters, visible, strict=True):
        flat = flat + mirrored(points, normals, emitter, kind, eye) * share[texels.valid][:, None]
    out[texels.valid] = flat
    return out
