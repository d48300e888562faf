"""Where on the bridge no paint is bright or dark enough: which face, and from where to where along the bridge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array
from previz.scene.shape import bridge_shape
from previz.stage.prepare import WALL, ReadySet, continues_wall, sight_of
from previz.stage.projected import facing, hidden_wall
from previz.units import mm_text
from previz.workshop.carry import carried
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import Picture
from previz.workshop.texels import texel_points

# a bridge is said to be out of range from this share of it on
TOLD_FROM: Final = 0.01

# a face is named where at least this share of what is out of range lies on it, and at most so many faces are
_WORTH, _MOST = 0.1, 3

# of the texels that are out of range on a face this share at either end is left out of its stretch
_TAIL: Final = 0.02

# faces by the way they look: axis and sign; a texel belongs to the one that its normal lies nearest to
_FACES: Final = (
    ("top", 1, 1.0), ("underside", 1, -1.0), ("left side", 0, -1.0), ("right side", 0, 1.0), ("near end", 2, 1.0),
    ("end at the wall", 2, -1.0),
)  # fmt: skip


@dataclass(frozen=True)
class OutOfRange:
    """A face of the bridge on which no paint does: ``share`` of the whole bridge as painted, 0 to 1, from ``start`` to
    ``end`` m from the sill; ``needs`` is "bright" or "dark"."""

    face: str
    needs: str
    share: float
    start: float
    end: float

    @property
    def words(self) -> str:
        """The face and the stretch, in words."""
        if self.face.endswith(("end", "wall")):
            return self.face
        return f"{self.face} from {1e3 * self.start:.0f} to {mm_text(self.end, 0)} from the sill"


def faces_of(normals: NDArray[np.floating]) -> NDArray[np.int64]:
    """Numbers (N,) in ``_FACES`` of the faces that unit normals (N, 3) belong to."""
    ways = np.zeros((len(_FACES), 3))
    for k, (_, axis, sign) in enumerate(_FACES):
        ways[k, axis] = sign
    return np.asarray(np.argmax(normals @ ways.T, axis=1), dtype=np.int64)


def stretches_out(
    points: Array, normals: Array, beyond: tuple[NDArray[np.bool_], NDArray[np.bool_]], count: int, sill: float
) -> list[OutOfRange]:
    """Faces with what is out of range, the largest first. Texels at ``points`` (N, 3) m with ``normals`` (N, 3) of
    which ``beyond`` (N,) ask for brighter and for darker paint than there is; ``count`` texels are painted in all and
    ``sill`` is where the bridge begins, m."""
    face = faces_of(normals)
    out = []
    for needs, off in zip(("bright", "dark"), beyond, strict=True):
        for k, (name, _, _) in enumerate(_FACES):
            there = points[off & (face == k), 2] - sill
            if len(there):
                start, end = np.quantile(there, [_TAIL, 1.0 - _TAIL])
                out.append(OutOfRange(name, needs, len(there) / count, float(start), float(end)))
    return sorted(out, key=lambda one: -one.share)


def out_of_range_on(ready: ReadySet) -> list[OutOfRange]:
    """Where the bridge of a set asks for paint brighter or darker than there is, the largest face first.

    Faces that are turned to the station point count, as in ``ReadySet.out_of_range``.
    """
    if ready.wall.lighting.flat or not continues_wall(ready.scene):
        return []
    surface = ready.built.bridge.surface
    height, width = ready.bridge.code.shape[:2]
    texels = texel_points(surface, width, height)
    target, wanted = hidden_wall(texels, ready.station_point, sight_of(ready.built), WALL, ready.wall.clean.code)
    light = carried(ready.wall.light.bridge, ready.wall.bridge_map, surface, width, height)
    counted = wanted & facing(texels, ready.station_point)
    too_dim, too_light = _beyond(target[counted], light[counted])
    return stretches_out(
        texels.points[counted].astype(np.float64),
        texels.normals[counted].astype(np.float64),
        (too_dim, too_light),
        int(counted.sum()),
        float(bridge_shape(ready.scene).sill[2]),
    )


def _beyond(target: Picture, light: Picture) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which of N texels the brightest paint leaves darker, and the darkest lighter, than ``target`` (N, 3), by more
    than a code value."""
    wanted = colour.encoded8(target).astype(np.int16)
    brightest = colour.encoded8(light * np.float32(BRIGHTEST_PAINT)).astype(np.int16)
    darkest = colour.encoded8(light * np.float32(DARKEST_PAINT)).astype(np.int16)
    return np.asarray((wanted - brightest > 1).any(axis=-1)), np.asarray((darkest - wanted > 1).any(axis=-1))


def out_of_range_words(share: float, places: list[OutOfRange]) -> str:
    """One caution about a bridge whose paint is out of range on ``share`` of it, 0 to 1, with its ``places``."""
    whole = max(sum(place.share for place in places), 1e-9)
    told = [place for place in places if place.share >= _WORTH * whole][:_MOST]
    needs = sorted({place.needs for place in told}) or ["bright", "dark"]
    where = "; ".join(
        f"{place.words} ({100.0 * place.share:.0f} %{', ' + place.needs if len(needs) > 1 else ''})" for place in told
    )
    mend = {"bright": "bring more light there or less to the wall", "dark": "keep light off it there"}
    return (
        f"bridge.paint: On {100.0 * share:.0f} % of the bridge no paint is {' or '.join(needs)} enough for the light "
        f"that falls there{': ' + where if where else ''}; {', or '.join(mend[need] for need in needs)} (previz rig "
        "--lamps places the lamps)."
    )
