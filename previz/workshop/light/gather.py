"""Ambient irradiance with occlusion, and what surfaces throw on: light gathered along rays in all directions.

Rays start at a lattice of texels, each with a few directions; four by four together have a full set. A texel takes
what the rays around it brought, each with the cosine at its own normal, so that its light is as fine as the surface
is and has no noise of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.scene.model import Gloss
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.coat import Coated, laid_over, onward
from previz.workshop.light.rays import CLEARANCE, Caster, Numbers, Single, crosses, past_cards
from previz.workshop.light.shadows import Box
from previz.workshop.relief import GridSurface
from previz.workshop.surface import Picture, Surface
from previz.workshop.texels import TexelMap, texel_owners, texel_points

# directions of a lattice point, and points (across and down) that together have all directions
DIRECTIONS = 48
_TILE = 4

# density of directions: cosine plus this, so that none is too rare for a neighbour with another normal
_LIFT = 0.25

# where nothing was met, where something that sends nothing was, and where a ray ran inside the other surface
MISSED, DARK, INSIDE = -1, -2, -3

# square of the distance, in steps of the lattice, beyond which a point of it tells nothing
_FAR_OFF = 36.0

# a point more than this share of whose rays run inside something tells nothing
_BURIED = 0.3

_POINTS = 1 << 13

_past = compiled(past_cards)
_crosses = compiled(crosses)


def directions() -> tuple[Picture, Picture]:
    """Unit directions (tiles, D, 3) about +Z and weights (tiles, D): a cosine over their density, for one's own normal.

    All tiles' together are a spherical sunflower whose heights are drawn from density (a + z) / (a + 1 / 2); each tile
    has every so-many-th of it. Tiles shared out in rows were the evenest of ten ways tried before a narrow slab.
    """
    tiles = _TILE * _TILE
    k = np.arange(DIRECTIONS) * tiles + np.arange(tiles)[:, None]
    z = -_LIFT + np.sqrt(_LIFT**2 + 2.0 * (_LIFT + 0.5) * (k + 0.5) / (DIRECTIONS * tiles))
    turn = k * math.pi * (3.0 - math.sqrt(5.0))
    r = np.sqrt(1.0 - z**2)
    ahead = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=-1)
    return ahead.astype(np.float32), (1.0 / (z + _LIFT)).astype(np.float32)


_AHEAD, _WEIGHT = directions()


@dataclass(frozen=True, eq=False)
class Lattice:
    """Points that rays start from: a coarse map of a surface. ``number`` (H, W) is -1 where there is no surface.

    ``own`` (N,) are points on the surface itself, not on the margin around its charts, which may lie behind a face.
    """

    texels: TexelMap
    number: Numbers
    points: Picture
    normals: Picture
    own: NDArray[np.bool_]
    tile: Numbers
    step: float

    @property
    def count(self) -> int:
        """Number of points."""
        return len(self.points)


def lattice_of(surface: Surface, width_px: int, height_px: int) -> Lattice:
    """The lattice of a surface, ``width_px`` x ``height_px``."""
    texels = texel_points(surface, width_px, height_px)
    valid = texels.valid.reshape(-1)
    rows = np.flatnonzero(valid)
    number = np.full(valid.size, -1, dtype=np.int32)
    number[rows] = np.arange(len(rows), dtype=np.int32)
    row, column = rows // width_px, rows % width_px
    points = texels.points.reshape(-1, 3)[rows]
    own = np.ones(len(rows), dtype=bool)
    if not isinstance(surface, GridSurface):
        own = texel_owners(surface, width_px, height_px, margin=False).reshape(-1)[rows] >= 0
    # the side of a texel, from neighbours in a row
    pairs = np.flatnonzero(np.diff(column) == 1)
    gap = np.linalg.norm(points[pairs + 1] - points[pairs], axis=1) if len(pairs) else np.ones(1)
    return Lattice(
        texels,
        number.reshape(height_px, width_px),
        np.ascontiguousarray(points),
        np.ascontiguousarray(texels.normals.reshape(-1, 3)[rows]),
        own,
        ((row % _TILE) * _TILE + column % _TILE).astype(np.int32),
        float(np.median(gap)),
    )


@dataclass(frozen=True, eq=False)
class Gathered:
    """What the rays of a lattice met: ``texel`` (N, D) int32 of the map of the ``surface`` (N, D) int8 of that number,
    or :data:`MISSED`, :data:`DARK`, :data:`INSIDE`; ``distance`` (N, D) float32 m. ``coats`` are what the coats of
    glossy paint do to the rays, None where all paint is matt.
    """

    lattice: Lattice
    texel: Numbers
    surface: NDArray[np.int8]
    distance: Single
    coats: Coated | None = None


@dataclass(frozen=True, eq=False)
class Target:
    """A surface that rays may meet: its name with the caster, its mesh, its map's texels and their paint's gloss."""

    name: str
    mesh: Surface
    texels: TexelMap
    gloss: Gloss = "matt"

    @property
    def size_px(self) -> tuple[int, int]:
        """The size (width, height) px of its map."""
        height, width = self.texels.valid.shape
        return width, height


def _frame_of(nx: Any, ny: Any, nz: Any, out: Any) -> None:
    # Duff et al., "Building an Orthonormal Basis, Revisited", JCGT 6(1), 1-8, 2017
    sign = 1.0 if nz >= 0.0 else -1.0
    a = -1.0 / (sign + nz)
    b = nx * ny * a
    out[0, 0], out[0, 1], out[0, 2] = 1.0 + sign * nx * nx * a, sign * b, -sign * nx
    out[1, 0], out[1, 1], out[1, 2] = b, sign + ny * ny * a, -ny


_frame_compiled = compiled(_frame_of)


def _start(points: Any, normals: Any, tile: Any, ahead: Any, o: Any, d: Any) -> None:
    frame = np.empty((2, 3))
    count = ahead.shape[1]
    for i in range(points.shape[0]):
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        _frame_compiled(nx, ny, nz, frame)
        for k in range(count):
            x, y, z = ahead[tile[i], k, 0], ahead[tile[i], k, 1], ahead[tile[i], k, 2]
            at = i * count + k
            o[at, 0] = points[i, 0] + CLEARANCE * nx
            o[at, 1] = points[i, 1] + CLEARANCE * ny
            o[at, 2] = points[i, 2] + CLEARANCE * nz
            d[at, 0] = x * frame[0, 0] + y * frame[1, 0] + z * nx
            d[at, 1] = x * frame[0, 1] + y * frame[1, 1] + z * ny
            d[at, 2] = x * frame[0, 2] + y * frame[1, 2] + z * nz


_start_compiled = compiled(_start)


def _settle(
    o: Any, d: Any, face: Any, u: Any, v: Any, distance: Any, front: Any, faces: Any, uv: Any, width: int, height: int,
    number: int, cards: Any, chosen: Any, texel: Any, surface: Any, far: Any,
) -> None:
    """Write down what rays met where it is nearer than what they met before; ``chosen`` are their places there."""
    for j in range(face.shape[0]):
        i = chosen[j]
        reach = distance[j] if face[j] >= 0 else np.float32(np.inf)
        if reach < far[i]:
            far[i] = reach
            surface[i] = number
            if front[j]:
                f = face[j]
                a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
                w = np.float32(1.0) - u[j] - v[j]
                x = w * uv[a, 0] + u[j] * uv[b, 0] + v[j] * uv[c, 0]
                y = w * uv[a, 1] + u[j] * uv[b, 1] + v[j] * uv[c, 1]
                column = min(max(int(x * width), 0), width - 1)
                row = min(max(int(y * height), 0), height - 1)
                texel[i] = row * width + column
            else:
                texel[i] = INSIDE
        if cards.shape[0] and not _past(cards, o[j, 0], o[j, 1], o[j, 2], d[j, 0], d[j, 1], d[j, 2], far[i]):
            # what a bounce card sends is counted as a lamp's
            texel[i] = DARK


_settle_compiled = compiled(_settle)


def _crossing(o: Any, d: Any, low: Any, high: Any, far: Any, out: Any) -> int:
    count = 0
    for i in range(o.shape[0]):
        if _crosses(low, high, o[i, 0], o[i, 1], o[i, 2], d[i, 0], d[i, 1], d[i, 2], far[i]):
            out[count] = i
            count += 1
    return count


_crossing_compiled = compiled(_crossing)


def gathered(lattice: Lattice, caster: Caster, target: Target, number: int, cards: Picture) -> Gathered:
    """What the lattice's rays meet of a surface, which is given a ``number``, and of ``cards`` (C, 3, 3)."""
    n = lattice.count
    out = Gathered(
        lattice,
        np.full((n, DIRECTIONS), MISSED, dtype=np.int32),
        np.full((n, DIRECTIONS), -1, dtype=np.int8),
        np.full((n, DIRECTIONS), np.inf, dtype=np.float32),
    )
    _look(out, caster, target, number, cards, None)
    return out


def also_met(before: Gathered, caster: Caster, target: Target, number: int, box: Box) -> Gathered:
    """The same with one more surface, which lies in ``box``."""
    out = Gathered(before.lattice, before.texel.copy(), before.surface.copy(), before.distance.copy())
    _look(out, caster, target, number, np.zeros((0, 3, 3), np.float32), box)
    return out


def coated(found: Gathered, caster: Caster, targets: Sequence[Target], cards: Picture) -> Gathered:
    """The same with what the coats of glossy paint do; ``targets`` are all surfaces, in the order of their numbers."""
    if all(target.gloss == "matt" for target in targets):
        return found
    lattice, shape = found.lattice, found.texel.shape
    coats = Coated(
        np.ones(shape, np.float32), np.zeros(shape, np.float32), np.full(shape, MISSED, np.int32),
        np.full(shape, -1, np.int8),
    )  # fmt: skip
    far = np.full(shape, np.inf, np.float32)

    def part(points: slice) -> None:
        size = (points.stop - points.start) * DIRECTIONS
        o, d = np.empty((size, 3), np.float32), np.empty((size, 3), np.float32)
        _start_compiled(lattice.points[points], lattice.normals[points], lattice.tile[points], _AHEAD, o, d)
        met, of = (a[points].reshape(-1) for a in (found.texel, found.surface))
        through, mirrored, texel, surface, reach = (
            a[points].reshape(-1) for a in (coats.through, coats.mirrored, coats.texel, coats.surface, far)
        )
        for number, coat in enumerate(targets):
            chosen = np.flatnonzero((met >= 0) & (of == number)).astype(np.int32)
            if coat.gloss == "matt" or len(chosen) == 0:
                continue
            origins, on, through[chosen], mirrored[chosen] = onward(d[chosen], met[chosen], coat.texels, coat.gloss)
            for other, target in enumerate(targets):
                uv = np.ascontiguousarray(target.mesh.uv, dtype=np.float32)
                hit = caster.met(origins, on, target.name)
                _settle_compiled(
                    origins, on, hit.face, hit.u, hit.v, hit.distance, hit.front, target.mesh.faces, uv,
                    *target.size_px, other, cards, chosen, texel, surface, reach,
                )  # fmt: skip

    in_parts(part, lattice.count, _POINTS)
    return replace(found, coats=coats)


def _look(out: Gathered, caster: Caster, target: Target, number: int, cards: Picture, box: Box | None) -> None:
    lattice = out.lattice
    faces, uv = target.mesh.faces, np.ascontiguousarray(target.mesh.uv, dtype=np.float32)

    def part(points: slice) -> None:
        size = (points.stop - points.start) * DIRECTIONS
        o, d = np.empty((size, 3), np.float32), np.empty((size, 3), np.float32)
        _start_compiled(lattice.points[points], lattice.normals[points], lattice.tile[points], _AHEAD, o, d)
        texel, surface, far = (a[points].reshape(-1) for a in (out.texel, out.surface, out.distance))
        chosen = np.arange(size, dtype=np.int32)
        if box is not None:
            count = _crossing_compiled(o, d, box.low, box.high, far, chosen)
            if count == 0:
                return
            chosen = chosen[:count]
            o, d = o[chosen], d[chosen]
        met = caster.met(o, d, target.name)
        _settle_compiled(
            o, d, met.face, met.u, met.v, met.distance, met.front, faces, uv, *target.size_px, number, cards, chosen,
            texel, surface, far,
        )  # fmt: skip

    in_parts(part, lattice.count, _POINTS)


def _valued(texel: Any, surface: Any, missed: float, sent0: Any, sent1: Any, out: Any) -> None:
    for i in range(texel.shape[0]):
        for k in range(texel.shape[1]):
            t = texel[i, k]
            for c in range(out.shape[1]):
                if t == MISSED:
                    out[i, c, k] = missed
                elif t < 0:
                    out[i, c, k] = 0.0
                elif surface[i, k] == 0:
                    out[i, c, k] = sent0[t, c]
                else:
                    out[i, c, k] = sent1[t, c]


_valued_compiled = compiled(_valued)


def _spread(
    points: Any, normals: Any, row0: int, width: int, lat_points: Any, lat_normals: Any, number: Any, good: Any,
    tile: Any, ahead: Any, weight: Any, value: Any, step: float, scale_y: float, scale_x: float, valid: Any, out: Any,
) -> None:
    frame = np.empty((2, 3))
    lat_height, lat_width = number.shape
    channels, count = value.shape[1], value.shape[2]
    # a sum for every direction, so that the loops over directions have no order to keep
    some, each = np.empty((channels, count), np.float32), np.empty(count, np.float32)
    whole = np.empty(count, np.float32)
    for i in range(points.shape[0]):
        for c in range(channels):
            out[i, c] = 0.0
        if not valid[i]:
            continue
        row, column = (row0 + i) // width, (row0 + i) % width
        y, x = (row + 0.5) * scale_y - 0.5, (column + 0.5) * scale_x - 0.5
        first_row, first_column = int(np.floor(y)) - 1, int(np.floor(x)) - 1
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        # a tent two steps wide each way; where it finds nothing that fits, whatever there is
        for strict in range(2):
            whole[:] = np.float32(0.0)
            some[:] = np.float32(0.0)
            any_found = False
            for a in range(max(first_row, 0), min(first_row + 4, lat_height)):
                for b in range(max(first_column, 0), min(first_column + 4, lat_width)):
                    j = number[a, b]
                    if j < 0:
                        continue
                    share = max(1.0 - 0.5 * abs(a - y), 0.0) * max(1.0 - 0.5 * abs(b - x), 0.0)
                    mx, my, mz = lat_normals[j, 0], lat_normals[j, 1], lat_normals[j, 2]
                    if strict == 0:
                        if not good[j]:
                            continue
                        rx = lat_points[j, 0] - points[i, 0]
                        ry = lat_points[j, 1] - points[i, 1]
                        rz = lat_points[j, 2] - points[i, 2]
                        if rx * rx + ry * ry + rz * rz > _FAR_OFF * step * step:
                            continue
                        alike = max(nx * mx + ny * my + nz * mz, 0.0)
                        off = (rx * nx + ry * ny + rz * nz) / step
                        share *= alike * alike * alike * alike / (1.0 + off * off)
                    if share <= 1e-6:
                        continue
                    any_found = True
                    _frame_compiled(mx, my, mz, frame)
                    lx = np.float32(nx * frame[0, 0] + ny * frame[0, 1] + nz * frame[0, 2])
                    ly = np.float32(nx * frame[1, 0] + ny * frame[1, 1] + nz * frame[1, 2])
                    lz = np.float32(nx * mx + ny * my + nz * mz)
                    one = np.float32(share)
                    t = tile[j]
                    for k in range(count):
                        cosine = lx * ahead[t, 0, k] + ly * ahead[t, 1, k] + lz * ahead[t, 2, k]
                        each[k] = max(cosine, np.float32(0.0)) * weight[t, k] * one
                    for k in range(count):
                        whole[k] += each[k]
                    for c in range(channels):
                        for k in range(count):
                            some[c, k] += each[k] * value[j, c, k]
            if any_found:
                break
        total = 0.0
        for k in range(count):
            total += whole[k]
        if total > 0.0:
            for c in range(channels):
                level = 0.0
                for k in range(count):
                    level += some[c, k]
                out[i, c] = level / total


_spread_compiled = compiled(_spread)

# directions once more, with their coordinates one after the other
_AHEAD_BY_AXIS = np.ascontiguousarray(np.moveaxis(_AHEAD, 2, 1))


def _brought(found: Gathered, value: Picture, texels: TexelMap) -> Picture:
    """Cosine-weighted mean (H, W, C) of what the rays brought, ``value`` (N, C, D), at ``texels``."""
    lattice = found.lattice
    height, width = texels.valid.shape
    points, normals = texels.points.reshape(-1, 3), texels.normals.reshape(-1, 3)
    valid = texels.valid.reshape(-1)
    out = np.empty((len(points), value.shape[1]), dtype=np.float32)
    good = lattice.own & ((found.texel == INSIDE).mean(axis=1) < _BURIED)
    scale_y, scale_x = lattice.number.shape[0] / height, lattice.number.shape[1] / width

    def part(chosen: slice) -> None:
        _spread_compiled(
            points[chosen], normals[chosen], chosen.start, width, lattice.points, lattice.normals, lattice.number, good,
            lattice.tile, _AHEAD_BY_AXIS, _WEIGHT, value, lattice.step, scale_y, scale_x, valid[chosen], out[chosen],
        )  # fmt: skip

    in_parts(part, len(points), 1 << 14)
    return out.reshape(height, width, value.shape[1])


def from_around(found: Gathered, ambient: float, sent: tuple[Picture, Picture], texels: TexelMap) -> Picture:
    """Light (H, W, 3) from everywhere, ``ambient`` in the open, and from surfaces that send ``sent`` (h, w, 3) each, in
    the order of their numbers.

    A matt surface of reflectance r, lit by E, sends r E in all; were it all around, it would give as much.
    """
    value = np.empty((found.texel.shape[0], 3, found.texel.shape[1]), dtype=np.float32)
    first, second = (np.ascontiguousarray(s.reshape(-1, 3)) for s in sent)
    # surfaces that send nothing may be given as one texel
    dark = len(first) == 1 and not first.any() and not second.any()
    texel = np.where(found.texel == MISSED, MISSED, DARK).astype(np.int32) if dark else found.texel

    coats = None if dark else found.coats

    def part(chosen: slice) -> None:
        _valued_compiled(texel[chosen], found.surface[chosen], ambient, first, second, value[chosen])
        if coats is not None:
            beyond = np.empty_like(value[chosen])
            _valued_compiled(coats.texel[chosen], coats.surface[chosen], ambient, first, second, beyond)
            laid_over(coats.through[chosen], coats.mirrored[chosen], beyond, value[chosen])

    in_parts(part, len(value), _POINTS)
    return _brought(found, value, texels)


def _strike(o: Any, d: Any, cards: Any, shut: Any) -> None:
    for i in range(o.shape[0]):
        if not _past(cards, o[i, 0], o[i, 1], o[i, 2], d[i, 0], d[i, 1], d[i, 2], np.float32(np.inf)):
            shut[i] = True


_strike_compiled = compiled(_strike)


def open_at(points: Picture, normals: Picture, caster: Caster, names: tuple[str, ...], cards: Picture) -> Single:
    """Share (N,) of the light from everywhere that points (N, 3) m get past the named surfaces and ``cards``.

    For a handful of points, each with a full set of directions.
    """
    tiles = len(_AHEAD)
    size = len(points) * DIRECTIONS * tiles
    o, d = np.empty((size, 3), np.float32), np.empty((size, 3), np.float32)
    tile = np.tile(np.arange(tiles, dtype=np.int32), len(points))
    _start_compiled(np.repeat(points, tiles, axis=0), np.repeat(normals, tiles, axis=0), tile, _AHEAD, o, d)
    shut = np.zeros(size, dtype=np.bool_)
    for name in names:
        shut |= caster.shut(o, d, np.full(size, 1e30, np.float32), name)
    _strike_compiled(o, d, cards, shut)
    cosine = (_WEIGHT * _AHEAD[..., 2]).reshape(-1)
    return np.asarray(~shut.reshape(len(points), -1) @ cosine / cosine.sum(), dtype=np.float32)
