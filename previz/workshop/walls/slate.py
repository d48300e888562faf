"""A slate quarry: dipping beds that split into slabs, worked back in benches, with drill marks, rust and lichen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.workshop.noise import Field, smoothstep, uniform
from previz.workshop.surface import Picture
from previz.workshop.walls.sheet import Coat, Ground, WallGrid, courses

_DIP = np.radians(27.0)  # beds fall to camera right
_BENCH = 290.0  # mm between benches
_BLOCKS = 97  # random numbers kept a bed

_PIGMENTS = [
    "#76818b", "#575f68", "#2b2f34", "#7e8783", "#7a727a",
    "#b0b4b2", "#929ca4", "#9a9080", "#3c4147", "#c9c8bf",
]  # fmt: skip
# how often each is mixed: dark and light beds lie beside each other
_ODDS = np.array([5, 4, 3, 3, 2, 2, 3, 1, 3, 1], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Rock:
    """Beds and blocks of every place: numbers, distances (mm) to bed and block edges, and the height, -1 to 1."""

    bed: NDArray[np.int32]
    block: NDArray[np.int32]
    above: Field
    below: Field
    joint: Field
    bench: Field
    height: Field


def _rock(sheet: WallGrid) -> _Rock:
    warp = sheet.fbm(380.0, 300.0, 1, octaves=3)
    sin, cos = np.float32(np.sin(_DIP)), np.float32(np.cos(_DIP))
    # steep faults, along which the beds have slipped
    half = 0.5 * float(np.ptp(sheet.row)) + 0.5 * float(np.ptp(sheet.column)) + 200.0
    faults = courses(-half, half, 150.0, 420.0, sheet.number(10))
    fault = faults.index(sheet.row + 0.32 * sheet.column + 34.0 * warp)
    slip = 130.0 * uniform(sheet.number(11), np.arange(len(faults.thickness()))) - 65.0
    across = sheet.row * sin + sheet.column * cos + 26.0 * warp + slip[fault]
    along = sheet.row * cos - sheet.column * sin + 14.0 * sheet.fbm(120.0, 90.0, 2, octaves=2)
    reach = float(np.abs(across).max()) + 50.0
    beds = courses(-reach, reach, 7.0, 58.0, sheet.number(3), power=2.0)
    bed = beds.index(across)
    thickness = beds.thickness()
    starts = beds.starts[:-1].astype(np.float32)
    below = across - starts[bed]
    above = thickness[bed] - below
    names = np.arange(len(thickness))
    # thick beds break into long slabs
    length = (50.0 + 2.6 * thickness + 160.0 * uniform(sheet.number(4), names)).astype(np.float32)
    shift = (300.0 * uniform(sheet.number(5), names)).astype(np.float32)
    place = (along + shift[bed] + 0.35 * below) / length[bed]
    number = np.floor(place)
    joint = np.minimum(place - number, 1.0 - (place - number)) * length[bed]
    block = number.astype(np.int32) % _BLOCKS + bed * _BLOCKS
    bed_out = uniform(sheet.number(6), names) * 2.0 - 1.0
    blocks = uniform(sheet.number(7), np.arange(len(thickness) * _BLOCKS))
    block_out = (blocks * 2.0 - 1.0) * np.where(blocks > 0.5, 1.0, 0.7)
    lean = below / thickness[bed] - 0.5
    # benches are worked back block by block
    level = sheet.column + 70.0 * warp + 60.0 + 38.0 * (blocks.astype(np.float32)[block] - 0.5)
    bench = level - _BENCH * np.floor(level / _BENCH)
    set_back = -0.20 * np.floor(level / _BENCH)
    height = (
        0.34 * sheet.fbm(520.0, 420.0, 8, octaves=2)
        + 0.30 * bed_out.astype(np.float32)[bed]
        + 0.26 * block_out.astype(np.float32)[block]
        - 0.16 * lean
        + 0.07 * sheet.fbm(34.0, 18.0, 9, octaves=3)
        + np.clip(set_back, -0.5, 0.5)
        + 0.10 * smoothstep(26.0, 0.0, _BENCH - bench)
    )
    return _Rock(bed, block, above, below, joint, bench, height)


def carve(ground: Ground, x: Array, y: Array) -> Field:
    """Height (h, w), about -1 to 1 of half the relief."""
    return _rock(WallGrid(ground, x, y)).height


def painted(ground: Ground, x: Array, y: Array) -> Picture:
    """Reflectance (h, w, 3)."""
    sheet = WallGrid(ground, x, y)
    rock = _rock(sheet)
    count = int(rock.bed.max()) + 1
    mixes = np.searchsorted(np.cumsum(_ODDS / _ODDS.sum()), uniform(sheet.number(20), np.arange(count)))
    coat = Coat.picked(_PIGMENTS, np.minimum(mixes, len(_PIGMENTS) - 1)[rock.bed])
    # bristle marks run along the beds
    strokes = sheet.strokes(46.0, 6.0, -float(np.tan(_DIP)), 22, octaves=3)
    grain = sheet.grain(3.0, 1.4, 23)
    coat.over("#727d86", 0.5 * smoothstep(-0.5, 0.4, sheet.fbm(300.0, 220.0, 19, octaves=2)))
    tones = (0.50 + 1.05 * uniform(sheet.number(21), np.arange((count + 1) * _BLOCKS))).astype(np.float32)
    # every slab is lighter at its upper edge and darker towards the foot
    turned = smoothstep(0.0, 26.0, rock.below) - 0.55
    coat.times(tones[rock.block] * (1.0 + 0.30 * strokes + 0.12 * grain + 0.26 * turned))
    patches = sheet.fbm(120.0, 70.0, 24, octaves=3) + 0.55 * strokes
    coat.over("#ced2d1", 0.62 * smoothstep(0.34, 0.50, patches))
    coat.over("#181a1d", 0.74 * smoothstep(-0.28, -0.46, patches))
    # the face darkens and pales over whole stretches
    coat.times(1.0 + 0.62 * sheet.fbm(430.0, 300.0, 25, octaves=2))
    _weather(coat, sheet, rock)
    _edges(coat, sheet, rock)
    return coat.picture()


def _weather(coat: Coat, sheet: WallGrid, rock: _Rock) -> None:
    runs = sheet.fbm(11.0, 260.0, 30, octaves=3)
    where = sheet.fbm(210.0, 190.0, 31, octaves=2)
    rust = smoothstep(0.05, 0.5, runs) * smoothstep(0.05, 0.45, where)
    coat.over("#7d4a2a", 0.55 * rust)
    coat.over("#b5763f", 0.35 * rust * smoothstep(0.35, 0.6, runs))
    pale_runs = smoothstep(0.12, 0.5, sheet.fbm(9.0, 180.0, 32, octaves=2)) * smoothstep(-0.1, -0.5, where)
    coat.over("#c9c9c0", 0.5 * pale_runs)
    # half barrels of drill holes, in rows, down to the foot of a bench
    drilled = smoothstep(0.42, 0.46, sheet.fbm(240.0, 200.0, 33, octaves=1)) * smoothstep(6.0, 30.0, rock.bench)
    drilled = drilled * smoothstep(-0.3, 0.1, sheet.fbm(30.0, 90.0, 37, octaves=2))
    place = (sheet.row + 0.11 * sheet.column) / 34.0
    from_hole = np.abs(place - np.floor(place) - 0.5) * 34.0
    coat.over("#a4a6a3", 0.7 * drilled * smoothstep(2.4, 1.0, from_hole))
    coat.over("#17181b", 0.7 * drilled * smoothstep(1.0, 0.2, np.abs(from_hole - 3.0)))
    blotch = sheet.fbm(46.0, 40.0, 34, octaves=4, gain=0.65)
    colony = sheet.fbm(260.0, 220.0, 35, octaves=1)
    lichen = smoothstep(0.40, 0.47, blotch + 0.45 * colony)
    coat.over("#9ea08a", 0.75 * lichen * smoothstep(-0.45, 0.3, sheet.grain(2.0, 2.0, 36)))
    coat.over("#a08f52", 0.6 * smoothstep(0.62, 0.70, blotch + 0.3 * colony))


def _edges(coat: Coat, sheet: WallGrid, rock: _Rock) -> None:
    broken = sheet.fbm(40.0, 24.0, 40, octaves=2)
    crack = smoothstep(1.7, 0.3, rock.below) * smoothstep(-0.45, 0.05, broken)
    joint = smoothstep(1.5, 0.3, rock.joint) * smoothstep(-0.2, 0.2, broken)
    coat.over("#0f1012", 0.88 * np.maximum(crack, 0.8 * joint))
    # what stands out is brushed pale, what lies back is washed dark
    out = sheet.raised(rock.height, 13.0)
    coat.over("#0e0f12", 0.80 * smoothstep(0.02, 0.34, -out))
    coat.over("#0c0d10", 0.80 * smoothstep(0.08, 0.5, sheet.overhang(rock.height, 4.0)))
    bristles = smoothstep(-0.35, 0.6, sheet.grain(6.0, 1.3, 41) + 0.5 * broken)
    crest = smoothstep(0.10, 0.42, out) * bristles
    lip = smoothstep(3.4, 1.0, rock.above) * smoothstep(0.05, 0.4, broken) * bristles
    coat.over("#c6cac8", 0.58 * np.maximum(crest, 0.9 * lip))
    ledge = smoothstep(15.0, 3.0, _BENCH - rock.bench + 9.0 * broken) * bristles
    coat.over("#a9a69b", 0.75 * ledge)
    coat.over("#101114", 0.6 * smoothstep(16.0, 0.0, rock.bench) * smoothstep(-0.5, 0.2, broken))
