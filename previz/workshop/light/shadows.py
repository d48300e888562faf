"""Visibility of area lights: which points of a lamp's face each texel sees, as one bit a point; soft shadows.

A few points are asked for everywhere, all of them where those disagree with each other or with the texels around.
Sixteen texels of a block have sixteen turns of the points, and shares of texels that are about alike are averaged: a
wide soft edge then runs without steps, and a sharp one stays as sharp as the texels are. A lamp without a face has one
point: it is looked at from sixteen places of each texel instead, wherever its shadow's edge runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.lamps import Emitter, beam_share
from previz.workshop.light.rays import CLEARANCE, Caster, Single, crosses, past_cards
from previz.workshop.surface import Picture
from previz.workshop.texels import TexelMap

Bits = NDArray[np.uint64]

# points on a face from which shadows are cast, a bit each; places of a texel that look at a lamp without a face
_FACE_POINTS, _PLACES = 64, 16

# texels across and down that have turns of the points of their own
_TILE = 4

# directions whose outermost points of a face are asked for in every few texels: shadows come over its rim
_RIM = 7

# side (texels) of the window in which answers must be the same
_AROUND = 3

# texels by which a soft edge is followed at a time
_GROWN = 3

# shares that differ by less than this are of one soft edge
_ALIKE = 0.25

# rays cast at once
_RAYS = 1 << 18

_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)

_past = compiled(past_cards)
_crosses = compiled(crosses)


@dataclass(frozen=True, eq=False)
class SeenPoints:
    """Which of an emitter's points the texels of a map see: ``bits`` (H, W); all set where nothing is in the way."""

    emitter: Emitter
    texels: TexelMap
    bits: Bits


@dataclass(frozen=True, eq=False)
class Box:
    """A box (m) that holds a surface."""

    low: Single
    high: Single


def box_of(vertices: NDArray[Any]) -> Box:
    """The box around ``vertices`` (V, 3), a hair larger."""
    return Box(
        (vertices.min(axis=0) - 1e-4).astype(np.float32),
        (vertices.max(axis=0) + 1e-4).astype(np.float32),
    )


def _turned_places(emitter: Emitter) -> NDArray[np.float64]:
    """Places (tiles, K, 2) on the face: the same pattern turned, or shifted round, for each texel of a block."""
    places = emitter.places(_FACE_POINTS)
    if emitter.is_point:
        return np.zeros((_TILE * _TILE, _PLACES, 2))
    turn = np.arange(_TILE * _TILE) / (_TILE * _TILE)
    # neighbours get turns far from each other
    turn = turn[(np.arange(_TILE * _TILE) * 7) % (_TILE * _TILE)]
    if emitter.is_disc:
        # the pattern is about the same after a golden turn
        angle = turn * math.pi * (3.0 - math.sqrt(5.0))
        c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
        return np.stack([c * places[:, 0] - s * places[:, 1], s * places[:, 0] + c * places[:, 1]], axis=-1)
    shift = np.stack([turn / _FACE_POINTS, (turn * 5.0) % 1.0], axis=-1)
    return np.asarray((places + 0.5 + shift[:, None]) % 1.0 - 0.5)


def _sources(emitter: Emitter) -> tuple[Picture, Picture, Single]:
    """Points in space (tiles, K, 3), the places in a texel that look at them (K, 2), their luminances (tiles, K)."""
    places = _turned_places(emitter)
    points = np.stack([emitter.points(p) for p in places]).astype(np.float32)
    bright = np.stack([emitter.weights(p).sum(axis=1) for p in places]).astype(np.float32)
    within = np.zeros((places.shape[1], 2), dtype=np.float32)
    if emitter.is_point:
        side = round(math.sqrt(_PLACES))
        k = np.arange(_PLACES)
        # a grid slightly turned, so that edges along it do not take a row of it at once
        a, b = (k % side + 0.5) / side - 0.5, (k // side + 0.5) / side - 0.5
        within = np.stack([a + b / side, b - a / side], axis=1).astype(np.float32)
    return points, within, bright


def _pilots(emitter: Emitter) -> Bits:
    """The points on the rim of a face and the one in its middle, as bits, for each tile: every other one of them, as on
    a chessboard, so that a texel and its neighbours have them all."""
    out = []
    for tile, places in enumerate(_turned_places(emitter)):
        turn = 2.0 * np.pi * (np.arange(_RIM) + 0.25) / _RIM
        rim = np.argmax(places @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)
        chosen = [*dict.fromkeys(int(k) for k in rim), int(np.argmin(np.abs(places).sum(axis=1)))]
        mine = chosen[(tile // _TILE + tile) % 2 :: 2]
        # a lamp without a face: one from the texel's middle
        out.append(sum(1 << k for k in set(mine)) if not emitter.is_point else 1 << (_PLACES // 2 + 1))
    return np.array(out, dtype=np.uint64)


def _rays(
    points: Any, normals: Any, across: Any, down: Any, tile: Any, sources: Any, within: Any, bits: Any, cards: Any,
    low: Any, high: Any, boxed: bool, o: Any, d: Any, reach: Any, row: Any, which: Any,
) -> int:
    """Rays of the points (bits) still to be asked for; what a card keeps off is struck off ``bits``. Gives how many."""
    count = 0
    for i in range(points.shape[0]):
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        px, py, pz = points[i, 0] + CLEARANCE * nx, points[i, 1] + CLEARANCE * ny, points[i, 2] + CLEARANCE * nz
        mask = bits[i]
        if mask == np.uint64(0):
            continue
        t = tile[i]
        for k in range(sources.shape[1]):
            bit = np.uint64(1) << np.uint64(k)
            if mask & bit == np.uint64(0):
                continue
            ox, oy, oz = px, py, pz
            if across.shape[0]:
                a, b = within[k, 0], within[k, 1]
                ox += a * across[i, 0] + b * down[i, 0]
                oy += a * across[i, 1] + b * down[i, 1]
                oz += a * across[i, 2] + b * down[i, 2]
            x, y, z = sources[t, k, 0] - ox, sources[t, k, 1] - oy, sources[t, k, 2] - oz
            if x * nx + y * ny + z * nz <= 0.0:
                continue
            length = math.sqrt(x * x + y * y + z * z)
            x, y, z = x / length, y / length, z / length
            if boxed and not _crosses(low, high, ox, oy, oz, x, y, z, length):
                continue
            if cards.shape[0] and not _past(cards, ox, oy, oz, x, y, z, length):
                bits[i] &= ~bit
                continue
            o[count, 0], o[count, 1], o[count, 2] = ox, oy, oz
            d[count, 0], d[count, 1], d[count, 2] = x, y, z
            reach[count] = length * np.float32(0.9999)
            row[count], which[count] = i, k
            count += 1
    return count


_rays_compiled = compiled(_rays)


def _strike(bits: Any, row: Any, which: Any, shut: Any) -> None:
    for j in range(shut.shape[0]):
        if shut[j]:
            bits[row[j]] &= ~(np.uint64(1) << np.uint64(which[j]))


_strike_compiled = compiled(_strike)


def _struck(seen: SeenPoints, rows: NDArray[np.intp], asked: Bits, cards: Picture, caster: Caster, name: str,
            box: Box | None) -> None:  # fmt: skip
    """Strike off the bits of texels ``rows`` (N,) what the named surface, or a card, keeps off the ``asked`` points."""
    emitter, texels = seen.emitter, seen.texels
    width = texels.valid.shape[1]
    sources, within, _ = _sources(emitter)
    most = sources.shape[1]
    low, high = (np.zeros(3, np.float32),) * 2 if box is None else (box.low, box.high)
    points, normals, flat = texels.points.reshape(-1, 3), texels.normals.reshape(-1, 3), seen.bits.reshape(-1)

    def part(chosen: slice) -> None:
        mine = rows[chosen]
        tile = (mine // width % _TILE * _TILE + mine % width % _TILE).astype(np.int32)
        whole = flat[mine]
        bits = whole & asked[tile]
        across = down = np.zeros((0, 3), np.float32)
        if emitter.is_point:
            across, down = _texel_sides(texels, mine)
        size = int(np.bitwise_count(bits).sum())
        o, d = np.empty((size, 3), np.float32), np.empty((size, 3), np.float32)
        reach, row, which = np.empty(size, np.float32), np.empty(size, np.int32), np.empty(size, np.uint8)
        n = _rays_compiled(
            points[mine], normals[mine], across, down, tile, sources, within, bits, cards, low, high, box is not None,
            o, d, reach, row, which,
        )  # fmt: skip
        if n:
            _strike_compiled(bits, row[:n], which[:n], caster.shut(o[:n], d[:n], reach[:n], name))
        flat[mine] = (whole & ~asked[tile]) | bits

    in_parts(part, len(rows), max(1, _RAYS // most))


def _texel_sides(texels: TexelMap, rows: NDArray[np.intp]) -> tuple[Picture, Picture]:
    """The steps (N, 3) m to the next texel, right and down: the shorter of the two ways, 0 where there is none."""
    height, width = texels.valid.shape
    points, valid = texels.points.reshape(-1, 3), texels.valid.reshape(-1)
    row, column = rows // width, rows % width
    out = []
    for at, last, stride in ((column, width - 1, 1), (row, height - 1, width)):
        best = np.zeros((len(rows), 3), dtype=np.float32)
        length = np.full(len(rows), np.inf, dtype=np.float32)
        for sign, inside in ((1, at < last), (-1, at > 0)):
            other = np.where(inside, rows + sign * stride, rows)
            step = (points[other] - points[rows]) * np.float32(sign)
            far = np.where(inside & valid[other], np.einsum("ij,ij->i", step, step), np.inf).astype(np.float32)
            better = far < length
            best[better], length[better] = step[better], far[better]
        out.append(best)
    return out[0], out[1]


def seen_points(
    texels: TexelMap, emitter: Emitter, caster: Caster, names: tuple[str, ...], cards: Picture, box: Box | None = None
) -> SeenPoints:
    """Which points of the emitter the texels see past the named surfaces and ``cards`` (C, 3, 3).

    ``box`` holds the last of the named surfaces.
    """
    shape = texels.valid.shape
    whole = SeenPoints(emitter, texels, np.full(shape, _ALL))
    pilots = _pilots(emitter)
    _ask(whole, np.flatnonzero(texels.valid), pilots, cards, caster, names, box)
    row, column = np.arange(shape[0])[:, None] % _TILE, np.arange(shape[1])[None] % _TILE
    asked = pilots[row * _TILE + column]
    some = whole.bits & asked
    # 0 where none is seen, 2 where all are
    level = np.where(some == asked, 2, np.where(some == 0, 0, 1)).astype(np.uint8)
    lowest, highest = ndimage.minimum_filter(level, _AROUND), ndimage.maximum_filter(level, _AROUND)
    mixed = ((lowest != highest) | (level == 1)) & texels.valid
    out = SeenPoints(emitter, texels, np.where(mixed | (level == 2), _ALL, np.uint64(0)))
    asked_for = np.zeros(shape, dtype=bool)
    every = np.full(_TILE * _TILE, _ALL)
    # a soft edge begins where the few points do not see it yet: on from what was found until it ends
    while mixed.any():
        out.bits[mixed] = _ALL
        _ask(out, np.flatnonzero(mixed), every, cards, caster, names, box)
        asked_for |= mixed
        edge = mixed & (out.bits != _ALL) & (out.bits != 0)
        mixed = ndimage.maximum_filter(edge, 2 * _GROWN + 1) & texels.valid & ~asked_for
    return out


def also_past(seen: SeenPoints, caster: Caster, name: str, box: Box) -> SeenPoints:
    """The same past one more surface, which lies in ``box``."""
    out = SeenPoints(seen.emitter, seen.texels, seen.bits.copy())
    rows = np.flatnonzero(seen.texels.valid & (seen.bits != 0))
    _ask(out, rows, np.full(_TILE * _TILE, _ALL), np.zeros((0, 3, 3), np.float32), caster, (name,), box)
    return out


def _ask(
    seen: SeenPoints, rows: NDArray[np.intp], asked: Bits, cards: Picture, caster: Caster, names: tuple[str, ...],
    box: Box | None,
) -> None:  # fmt: skip
    for k, name in enumerate(names):
        last = k == len(names) - 1
        # cards are asked for with the first surface, which has no box unless it is alone
        _struck(seen, rows, asked, cards if k == 0 else cards[:0], caster, name, box if last else None)


def _shares(
    points: Any, normals: Any, tile: Any, sources: Any, luminance: Any, ahead: Any, lambert: bool, inner: float,
    outer: float, bits: Any, out: Any,
) -> None:
    full = np.uint64(0xFFFFFFFFFFFFFFFF)
    for i in range(points.shape[0]):
        if bits[i] == full:
            out[i] = 1.0
            continue
        if bits[i] == np.uint64(0):
            out[i] = 0.0
            continue
        some, whole = 0.0, 0.0
        t = tile[i]
        for k in range(sources.shape[1]):
            x, y, z = sources[t, k, 0] - points[i, 0], sources[t, k, 1] - points[i, 1], sources[t, k, 2] - points[i, 2]
            cosine = x * normals[i, 0] + y * normals[i, 1] + z * normals[i, 2]
            leaving = -(x * ahead[0] + y * ahead[1] + z * ahead[2])
            if cosine <= 0.0 or (lambert and leaving <= 0.0):
                continue
            square = max(x * x + y * y + z * z, 1e-8)
            length = math.sqrt(square)
            value = cosine / (square * length) * luminance[t, k]
            if lambert:
                value *= leaving / length
            value *= beam_share(leaving / length, inner, outer)
            whole += value
            if bits[i] & (np.uint64(1) << np.uint64(k)):
                some += value
        out[i] = some / whole if whole > 0.0 else 0.0


_shares_compiled = compiled(_shares)


def _smoothed(share: Any, bits: Any, valid: Any, row0: int, alike: float, out: Any) -> None:
    full = np.uint64(0xFFFFFFFFFFFFFFFF)
    height, width = share.shape
    for i in range(out.shape[0]):
        for j in range(width):
            own = share[row0 + i, j]
            out[i, j] = own
            if bits[row0 + i, j] == full or bits[row0 + i, j] == np.uint64(0):
                continue
            total, weights = 0.0, 0.0
            for a in range(max(row0 + i - _TILE + 1, 0), min(row0 + i + _TILE, height)):
                for b in range(max(j - _TILE + 1, 0), min(j + _TILE, width)):
                    if not valid[a, b]:
                        continue
                    apart = (share[a, b] - own) / alike
                    w = 1.0 - apart * apart
                    if w > 0.0:
                        # a tent that four texels of a row share alike
                        w *= (_TILE - abs(a - row0 - i)) * (_TILE - abs(b - j))
                        total += w * share[a, b]
                        weights += w
            out[i, j] = total / weights


_smoothed_compiled = compiled(_smoothed)


def share_seen(seen: SeenPoints) -> Single:
    """Share (H, W) float32 of the emitter's light that arrives, of what would with nothing in the way."""
    emitter, texels = seen.emitter, seen.texels
    sources, _, bright = _sources(emitter)
    ahead = emitter.frame[3].astype(np.float32)
    points, normals = texels.points.reshape(-1, 3), texels.normals.reshape(-1, 3)
    bits = seen.bits.reshape(-1)
    height, width = seen.bits.shape
    flat = np.empty(len(bits), dtype=np.float32)
    at = np.arange(len(bits), dtype=np.int32)
    tile = at // width % _TILE * _TILE + at % width % _TILE

    def part(chosen: slice) -> None:
        _shares_compiled(
            points[chosen], normals[chosen], tile[chosen], sources, bright, ahead, not emitter.is_point, *emitter.beam,
            bits[chosen], flat[chosen],
        )  # fmt: skip

    in_parts(part, len(bits), 1 << 15)
    share = flat.reshape(height, width)
    if emitter.is_point:
        return share
    out = np.empty_like(share)

    def smooth(rows: slice) -> None:
        _smoothed_compiled(share, seen.bits, texels.valid, rows.start, _ALIKE, out[rows])

    in_parts(smooth, height, 32)
    return out
