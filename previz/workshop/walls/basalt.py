"""A basalt sea stack: leaning columns broken off at many heights, white with birds above and dark with weed below."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.workshop.noise import Field, hashed, smoothstep, uniform
from previz.workshop.surface import Picture
from previz.workshop.walls.sheet import Coat, Ground, WallGrid, courses

# rows of columns one behind the other, nearest first: height (-1 to 1), where its tops lie as a share of the wall's
# height above the lower edge, and how far apart (mm) the tops of neighbours may be
_RANKS = ((0.62, 0.20, 170.0), (0.18, 0.46, 230.0), (-0.24, 0.74, 240.0), (-0.62, 2.0, 0.0))
_PER_COLUMN = 61  # random numbers kept a column

_PIGMENTS = ["#575a5f", "#44474c", "#686a6b", "#303236", "#77746d", "#605b55", "#4f555b", "#8a8882"]


@dataclass(frozen=True, eq=False)
class _Columns:
    """Of every place: a number of its column (of ``count``) and of its drum (``_PER_COLUMN`` numbers a column), which
    of the column's three faces it lies on (0 to 2) and how far (mm) it is from the edges between them, from the
    column's side, from its drum's joint and from its top; the rank of the column and the height, -1 to 1."""

    count: int
    column: NDArray[np.int32]
    drum: NDArray[np.int32]
    face: NDArray[np.int32]
    arris: Field
    side: Field
    joint: Field
    under_top: Field
    rank: NDArray[np.int8]
    height: Field


def _columns(sheet: WallGrid) -> _Columns:
    ground = sheet.ground
    warp = sheet.fbm(420.0, 520.0, 1, octaves=2)
    fine = sheet.fbm(60.0, 90.0, 2, octaves=2)
    # columns fan out a little
    u = sheet.row * (1.0 + 0.00012 * sheet.column) + 0.10 * sheet.column + 12.0 * warp + 0.8 * fine
    reach = float(np.abs(u).max()) + 100.0
    skyline = 0.5 * sheet.fbm(560.0, 4000.0, 3, octaves=2)
    usual_height = ground.height / sheet.mm
    rows = [courses(-reach, reach, 17.0, 44.0, sheet.number(10 + rank)) for rank in range(len(_RANKS))]
    counts = [len(row.thickness()) for row in rows]
    centre = np.concatenate([0.5 * (row.starts[1:] + row.starts[:-1]) for row in rows]).astype(np.float32)
    half = 0.5 * np.concatenate([row.thickness() for row in rows])

    def chance(seed: int) -> Field:
        # each rank's columns are counted from its own first one
        return np.concatenate([uniform(sheet.number(seed + rank), np.arange(n)) for rank, n in enumerate(counts)])

    slant = (chance(30) * 16.0 - 8.0).astype(np.float32)
    level = chance(20)
    column = np.zeros(sheet.shape, dtype=np.int32)
    rank_of = np.zeros(sheet.shape, dtype=np.int8)
    under_top = np.zeros(sheet.shape, dtype=np.float32)
    free = np.ones(sheet.shape, dtype=bool)
    first = 0
    for rank, (_, share, scatter) in enumerate(_RANKS):
        number = rows[rank].index(u) + np.int32(first)
        # a top is a little aslant
        own = ground.bottom / sheet.mm + share * usual_height + (level - 0.5) * scatter
        aslant = slant / half
        top = (own - aslant * centre).astype(np.float32)[number] + aslant[number] * u
        top += np.float32(0.24 * usual_height) * skyline
        mine = free & (sheet.column < top)
        np.copyto(column, number, where=mine)
        np.copyto(rank_of, np.int8(rank), where=mine)
        np.copyto(under_top, top - sheet.column, where=mine)
        free &= ~mine
        first += counts[rank]
    across = (u - centre[column]) / half[column]
    step = (26.0 + 90.0 * chance(40)).astype(np.float32)[column]
    # drums sit in one another like saucers
    place = (sheet.column + (300.0 * level)[column] + 1.6 * across * across) / step
    drum_place = np.floor(place)
    drum = drum_place.astype(np.int32) % _PER_COLUMN + column * _PER_COLUMN
    # three faces of a prism: the middle one stands out, the others fall back to the joint between columns
    left, right = (-0.72 + 0.55 * chance(50))[column], (0.17 + 0.55 * chance(55))[column]
    facets = np.minimum(np.minimum(1.0, (1.0 + across) / (1.0 + left)), (1.0 - across) / (1.0 - right))
    face = (across > left).astype(np.int32) + (across > right)
    stands = np.repeat([stands for stands, _, _ in _RANKS], counts) + 0.16 * (chance(70) - 0.5)
    shift = uniform(sheet.number(60), np.arange(first * _PER_COLUMN))
    height = (
        stands.astype(np.float32)[column]
        + 0.26 * (facets - 1.0)
        + 0.10 * (shift[drum] - 0.5)
        + 0.05 * sheet.fbm(26.0, 26.0, 4, octaves=3)
        + 0.10 * warp
    )
    return _Columns(
        count=first,
        column=column,
        drum=drum,
        face=face,
        arris=np.minimum(np.abs(across - left), np.abs(across - right)) * half[column],
        side=(1.0 - np.abs(across)) * half[column],
        joint=np.minimum(place - drum_place, 1.0 - (place - drum_place)) * step,
        under_top=np.minimum(under_top, 900.0),
        rank=rank_of,
        height=height,
    )


def carve(ground: Ground, x: Array, y: Array) -> Field:
    """Height (h, w), about -1 to 1 of half the relief."""
    return _columns(WallGrid(ground, x, y)).height


def painted(ground: Ground, x: Array, y: Array) -> Picture:
    """Reflectance (h, w, 3)."""
    sheet = WallGrid(ground, x, y)
    stone = _columns(sheet)
    count = stone.count
    mixes = hashed(sheet.number(80), np.arange(count)) % len(_PIGMENTS)
    coat = Coat.picked(_PIGMENTS, mixes.astype(np.int64)[stone.column])
    drums = (0.82 + 0.38 * uniform(sheet.number(81), np.arange(stone.count * _PER_COLUMN))).astype(np.float32)
    # each face of a column catches the light in its own way: left ones more, right ones less
    faces = 0.74 + 0.52 * uniform(sheet.number(87), np.arange(3 * count))
    faces = (faces * np.tile([1.22, 1.0, 0.72], count)).astype(np.float32)
    depth = np.array([1.50, 1.10, 0.80, 0.58], dtype=np.float32)
    strokes = sheet.strokes(9.0, 60.0, 0.0, 82, octaves=3)
    tone = depth[stone.rank] * drums[stone.drum] * faces[3 * stone.column + stone.face]
    coat.times(tone * (1.0 + 0.20 * strokes + 0.09 * sheet.grain(1.2, 4.0, 83)))
    patches = sheet.fbm(90.0, 150.0, 84, octaves=3) + 0.45 * strokes
    coat.over("#a3a5a2", 0.55 * smoothstep(0.30, 0.48, patches))
    coat.over("#5e4838", 0.45 * smoothstep(-0.10, -0.5, sheet.fbm(170.0, 260.0, 85, octaves=3)))
    coat.over("#121316", 0.66 * smoothstep(-0.26, -0.44, patches))
    masses = sheet.fbm(300.0, 360.0, 86, octaves=2, gain=0.4)
    coat.over("#15171a", 0.62 * smoothstep(-0.05, -0.55, masses))
    coat.over("#a09d94", 0.50 * smoothstep(0.05, 0.55, masses))
    _edges(coat, sheet, stone)
    _weather(coat, sheet, stone)
    return coat.picture()


def _edges(coat: Coat, sheet: WallGrid, stone: _Columns) -> None:
    broken = sheet.fbm(24.0, 44.0, 90, octaves=2)
    bristles = smoothstep(-0.4, 0.6, sheet.grain(1.3, 5.0, 91) + 0.6 * broken)
    out = sheet.raised(stone.height, 16.0)
    coat.over("#090a0c", 0.85 * smoothstep(0.04, 0.40, -out))
    kept = uniform(sheet.number(92), np.arange(stone.count * _PER_COLUMN))[stone.drum]
    joint = smoothstep(1.3, 0.4, stone.joint) * smoothstep(0.25, 0.75, kept + 0.4 * broken)
    side = smoothstep(1.9, 0.5, stone.side)
    coat.over("#08090a", 0.72 * np.maximum(side, 0.70 * joint))
    coat.over("#0b0c0e", 0.70 * smoothstep(0.10, 0.6, sheet.overhang(stone.height, 7.0)))
    # the edge below a joint catches the brush, and so do the arrises between faces
    worn = smoothstep(-0.25, 0.35, broken + 0.5 * (kept - 0.5))
    coat.over("#a4a6a4", 0.28 * smoothstep(1.5, 0.5, stone.arris) * worn)
    under_joint = smoothstep(4.0, 1.6, stone.joint) * (1.0 - joint) * smoothstep(0.5, 0.8, kept)
    coat.over("#b4b4ae", 0.30 * under_joint * bristles)
    coat.over("#c3c2ba", 0.50 * smoothstep(0.14, 0.40, out) * bristles)


def _weather(coat: Coat, sheet: WallGrid, stone: _Columns) -> None:
    ground = sheet.ground
    share = (sheet.column - ground.bottom / sheet.mm) / (ground.height / sheet.mm)
    blotch = sheet.fbm(40.0, 60.0, 100, octaves=5, gain=0.66)
    colony = sheet.fbm(280.0, 240.0, 109, octaves=2)
    lichen = smoothstep(0.42, 0.52, blotch + 0.5 * colony) * smoothstep(0.26, 0.5, share)
    coat.over("#9c8544", 0.66 * lichen * smoothstep(-0.4, 0.4, sheet.grain(2.0, 2.0, 101)))
    coat.over("#858f7c", 0.50 * smoothstep(0.42, 0.56, 0.45 * colony - blotch) * smoothstep(0.2, 0.4, share))
    # birds sit on the tops; what they leave runs down
    topped = stone.under_top < 800.0
    count = stone.count
    sat_on = (uniform(sheet.number(102), np.arange(count)) > 0.55)[stone.column] & topped
    runs = sheet.fbm(4.5, 190.0, 103, octaves=3, gain=0.6)
    reach = (16.0 + 120.0 * uniform(sheet.number(110), np.arange(count)).astype(np.float32) ** 2)[stone.column]
    gone = stone.under_top / (reach * (1.0 + 0.9 * runs) + 6.0)
    white = smoothstep(1.0, 0.15, gone) * sat_on
    coat.over("#c9c6ba", 0.66 * white * smoothstep(-0.35, 0.45, runs + 0.35 * sheet.grain(1.6, 7.0, 104) + 0.5 - gone))
    coat.over("#aeada6", 0.80 * smoothstep(10.0, 6.0, stone.under_top) * topped * smoothstep(-0.6, 0.1, blotch))
    # the tide: weed, then barnacles above it
    tide = share + 0.05 * sheet.fbm(170.0, 110.0, 105, octaves=4, gain=0.6)
    speckle = sheet.fbm(11.0, 11.0, 106, octaves=2) + 0.5 * sheet.fbm(60.0, 50.0, 108, octaves=2)
    barnacles = smoothstep(0.10, 0.14, tide) * smoothstep(0.24, 0.16, tide)
    coat.over("#9d9888", 0.70 * barnacles * smoothstep(0.0, 0.3, speckle))
    weed = smoothstep(0.135, 0.10, tide) * smoothstep(-0.75, -0.1, speckle)
    coat.over("#1c2117", 0.85 * weed)
    coat.over("#474a26", 0.6 * weed * smoothstep(0.1, 0.4, sheet.fbm(14.0, 40.0, 107, octaves=3)))
