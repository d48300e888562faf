"""What a mesh was understood to be: how large, which way up, where, of how many faces; and what looks wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from previz.errors import quoted
from previz.geometry import Array
from previz.scene.files import read_once
from previz.scene.foreign import RawMesh, read_mesh, unit_that_fits
from previz.scene.given.mesh import METRES, STATED, UNIT_WORDS, MeshFile
from previz.units import deg_text, inches_text, mm_text

# sizes of a wall's longer side against the width of the view at the wall, and of a bridge's against the way from the
# wall to the lens, that a set of this kind may have; and a usual one. Common practice, no source. A tenth, and ten
# times, of any usual size lie outside
_SIZES: Final = {"wall": (0.32, 4.5, 1.6), "bridge": (0.1, 1.3, 0.6)}
_AGAINST: Final = {"wall": "the width of the view at the wall", "bridge": "the way from the wall to the lens"}


@dataclass(frozen=True, eq=False)
class MeshSeen:
    """A mesh as it was understood: its box ``low`` and ``high`` (3,) m in the scene's axes, how many ``faces``, and in
    words what its ``colours`` are."""

    low: Array
    high: Array
    faces: int
    colours: str

    @property
    def size(self) -> Array:
        """Width, height and depth (3,) m."""
        return np.asarray(self.high - self.low)


@read_once(8)
def mesh_seen(path: Path, given: MeshFile) -> MeshSeen:
    """What a mesh file is, read once for every state of the file. Raises :class:`~previz.errors.BuildError`."""
    raw = read_mesh(path, given)
    used = raw.vertices[np.unique(raw.faces)]
    return MeshSeen(used.min(axis=0), used.max(axis=0), len(raw.faces), _colours(raw))


def _colours(raw: RawMesh) -> str:
    if raw.picture is not None:
        return f"a picture of {raw.picture.shape[1]} x {raw.picture.shape[0]} px"
    if raw.tint is None or float(np.ptp(raw.tint, axis=0).max()) == 0.0:
        return "one colour"
    return "colours of its corners"


def mesh_rows(what: str, seen: MeshSeen, given: MeshFile) -> list[tuple[str, str]]:
    """Rows for people: ``what`` ("wall" or "bridge") was read as what."""
    sizes = [float(v) for v in seen.size]
    (left, bottom, back), (right, top, front) = (v.tolist() for v in (seen.low, seen.high))
    steps = [f"in {UNIT_WORDS[given.unit]}{_whence(given)}", f"its {given.up} is up"]
    if given.turn:
        steps.append(f"turned by {deg_text(given.turn)}")
    if given.mirror:
        steps.append("left and right swapped")
    if any(given.move):
        steps.append(f"moved by {', '.join(mm_text(v) for v in given.move)}")
    return [
        (
            f"{what} mesh, wide x high x deep",
            f"{' x '.join(mm_text(v)[:-3] for v in sizes)} mm ({' x '.join(inches_text(v) for v in sizes)})",
        ),
        (f"{what} mesh, read", f"{', '.join(steps)}; {seen.faces} faces, {seen.colours}"),
        (
            f"{what} mesh, lies",
            f"{_way(left, 'left', 'right')} to {_way(right, 'left', 'right')}, {_way(bottom, 'below', 'above')} to "
            f"{_way(top, 'below', 'above')} the bridge's top, {_way(back, 'behind', 'out of')} to "
            f"{_way(front, 'behind', 'out of')} the wall's plane",
        ),
    ]


def _way(metres: float, negative: str, positive: str) -> str:
    word = negative if metres < 0.0 else positive
    return f"{mm_text(abs(metres))} {word}"


def _whence(given: MeshFile) -> str:
    """Where the unit comes from."""
    kind = given.kind[1:].upper()
    stated = STATED.get(given.kind)
    if given.units is None:
        return f" (as {kind} states)" if stated else f" ({kind} states no unit: assumed)"
    if stated and stated != given.units:
        return f" (as the scene says, although {kind} states {UNIT_WORDS[stated]})"
    return " (as the scene says)"


def written_with(given: MeshFile, **changes: str) -> str:
    """How the mesh is written in a scene file with other keys, texts all."""
    keys = {"file": given.file.as_posix()}
    if given.units:
        keys["units"] = given.units
    if given.up != "y":
        keys["up"] = given.up
    if given.turn:
        keys["turn"] = deg_text(given.turn)
    parts = [f"{key} = {quoted(text, 500)}" for key, text in (keys | changes).items()]
    if given.mirror:
        parts.append("mirror = true")
    if any(given.move):
        parts.append(f"move = [{', '.join(quoted(mm_text(v)) for v in given.move)}]")
    return f"mesh = {{ {', '.join(parts)} }}"


def better_units(what: str, across: float, against: float, given: MeshFile) -> str:
    """The mesh written with the unit that fits it, ``across`` m beside ``against`` m; empty if none does."""
    low, high, usual = _SIZES[what]
    unit = unit_that_fits(across, given.unit, lambda metres: low <= metres / against <= high, usual * against)
    return "" if unit is None else written_with(given, units=unit)


def doubts(what: str, seen: MeshSeen, given: MeshFile, against: float) -> Iterator[str]:
    """Sentences about what looks wrong: a size that another unit would mend, a mesh that lies down or is turned away.

    ``against`` m is what the mesh's size is compared with: the width of the view at the wall for a "wall", the way from
    the wall to the lens for a "bridge".
    """
    wide, high, deep = (float(v) for v in seen.size)
    low_share, high_share, usual = _SIZES[what]
    across = max(wide, high, deep)
    if not low_share <= across / against <= high_share:
        unit = unit_that_fits(across, given.unit, lambda m: low_share <= m / against <= high_share, usual * against)
        known = f"{across:.4g} m" if across >= 10.0 else mm_text(across)
        times = f"{across / against:.3g} times {_AGAINST[what]}, {mm_text(against)}"
        way = "check its program's scale"
        if unit is not None:
            now = across * METRES[unit] / METRES[given.unit]
            wanted = written_with(given, units=unit)
            way = f"if it is in {UNIT_WORDS[unit]}, write {wanted}, which makes it {mm_text(now)}"
        yield f"The mesh is {known} long, {times}, taken in {UNIT_WORDS[given.unit]}{_whence(given)}: {way}."
    lying = high < 0.5 * deep and high < 0.5 * wide if what == "wall" else high > deep and high > 2.0 * wide
    if lying and given.up == "y":
        state = "lies down" if what == "wall" else "stands on end"
        yield (
            f"The {what} {state}: {mm_text(wide)} wide, {mm_text(high)} high, {mm_text(deep)} deep. Where its program "
            f'has z up, write {written_with(given, up="z")}.'
        )
    elif what == "bridge" and -seen.low[2] > max(seen.high[2], 0.0) and seen.low[2] < 0.0:
        yield (
            f"Most of the bridge lies behind the wall's plane, {mm_text(-float(seen.low[2]))} of it: if it is turned "
            f'away, write {written_with(given, turn="180 deg")}, or move it out by move.'
        )
