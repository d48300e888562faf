"""What the pages draw, as plain data: the set and the camera in metres, the judged outline and the frames in pixels.

``previz/static/draw.js`` says on top what its functions take; the functions here make it from what the sheets take.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from scipy.ndimage import maximum_filter
from shapely import LineString, MultiPoint, Polygon

from previz.deliver.shoot.overlay import OutlinePieces, outline_runs
from previz.draw.drawing import SideFrame, SideStatic
from previz.draw.drawnset import DrawnSet, LensMark
from previz.draw.railrule import RailRule
from previz.geometry import Array
from previz.judge.telltable import HIDDEN
from previz.scene.shape import Outlines
from previz.workshop.surface import Pixels8

# lines drawn on a page stray from the judged ones by at most this many pixels of the frame
_STRAY_PX = 0.4

# frames on a page are at most this wide, px
WIDEST_PX = 960

# how hard the encoder tries (0 to 6): one step more costs twice the time for 3 % of the size
_METHOD = 2

# a clean frame's patch reaches this far (px) around what differs, so that its rim lies in equal ground
_RIM_PX = 8
# codes of 255 that do not count as a difference: the bridge bounces a breath of light over the whole wall, and what
# the frames are compressed with changes more than that
UNSEEN_CODES = 2


@dataclass(frozen=True, eq=False)
class CleanPatch:
    """The part of a clean frame that differs from the one with the bridge, to be laid over that one.

    ``code`` is (H, W, 4) with straight alpha, or (H, W, 3) where all of it covers; its corner is at ``left``, ``top``.
    """

    left: int
    top: int
    code: Pixels8


def set_data(drawn: DrawnSet) -> dict[str, Any]:
    """What ``Draw.view`` draws of a set without its move."""
    return {
        "wall_side": _rings(drawn.elevation.wall),
        "wall_plan": _rings(drawn.plan.wall),
        "bridge_side": _rings(drawn.elevation.bridge),
        "bridge_plan": _rings(drawn.plan.bridge),
        "lamps": [
            {"name": stand.name, "position": _places(stand.position), "aim": _places(stand.aim)}
            for stand in drawn.stands
            if stand.kind == "lamp"
        ],
    }


def move_data(line: Array, rail: RailRule) -> dict[str, Any]:
    """What ``Draw.view`` draws of a move: the rail (N, 3) m and its marks."""
    return {
        "rail_line": _places(line),
        "marks": [
            {"name": mark.name, "frame": mark.frame, "rail_mm": round(1e3 * mark.rail, 3), "point": _places(mark.point)}
            for mark in rail.marks
        ],
    }


def extent_data(shown: Array) -> dict[str, Any]:
    """What both views must show: the lowest and the highest corner (2, 3) m."""
    return {"low": _places(shown[0]), "high": _places(shown[1])}


def report_data(static: SideStatic, shown: Array) -> dict[str, Any]:
    """All that ``Draw.view`` draws of a set for the report of its shoot."""
    dimensions = [
        {"view": d.view, "a": _places(d.a), "b": _places(d.b), "offset_px": d.offset_px} for d in static.dimensions
    ]
    drawn = static.drawn
    moved = move_data(drawn.rail_line, drawn.rail)
    return {**extent_data(shown), **set_data(drawn), **moved, "dimensions": dimensions}


def lens_data(lens: LensMark) -> dict[str, Any]:
    """The lens as ``view.update`` of ``Draw.view`` takes it."""
    return {"position": _places(lens.position), "forward": _places(lens.forward), "field": _places(lens.field)}


def sight_data(lines: Array, broken: NDArray[np.bool_]) -> list[list[Any]]:
    """Sight lines (M, 2, 3) m as ``view.update`` of ``Draw.view`` takes them; ``broken`` (M,) ones show."""
    return [[*_places(ends), bool(shows)] for ends, shows in zip(lines, broken, strict=True)]


def now_data(frame: SideFrame) -> dict[str, Any]:
    """What ``view.update`` of ``Draw.view`` takes for a frame."""
    return {**lens_data(frame.lens), "sight": sight_data(frame.sight_lines, frame.broken)}


def outline_lines(pieces: Iterable[OutlinePieces]) -> list[list[Any]]:
    """What ``Draw.tells`` takes: ``[kind, [x, y, x, y, ...]]`` a stretch of outline, px of the judged frame.

    ``kind`` is the word of a tell, ``"hidden"``, or ``"shows"`` where no tell is known. Lines are thinned: they stray
    by at most 0.4 px.
    """
    out: list[list[Any]] = []
    for piece in pieces:
        for points, line in outline_runs(piece):
            thin = np.asarray(LineString(points).simplify(_STRAY_PX).coords)
            out.append([(line or HIDDEN).word, [_short(v) for v in np.round(thin, 1).ravel()]])
    return out


def place_of(lines: Sequence[NDArray[np.float64]]) -> list[float]:
    """Where in a frame something is whose outline runs along ``lines``, (N, 2) px each: the hull of what is finite in
    them, ``[x, y, ...]`` in whole pixels; empty without."""
    points = [line[np.isfinite(line).all(axis=1)] for line in lines]
    hull = MultiPoint(np.concatenate(points) if points else np.empty((0, 2))).convex_hull
    if not isinstance(hull, Polygon):
        return []
    corners = np.asarray(hull.simplify(1.0).exterior.coords)[:-1]
    return [float(v) for v in np.round(corners).ravel()]


def clean_patch(seen: Pixels8, clean: Pixels8) -> CleanPatch | None:
    """Where two frames (H, W, 3) uint8 differ by more than two codes; None where they do nowhere."""
    larger, less = np.maximum(seen, clean), np.minimum(seen, clean)
    apart = larger - less > UNSEEN_CODES
    # numpy looks along so short an axis many times slower
    differs = apart[..., 0] | apart[..., 1] | apart[..., 2]
    rows, columns = np.flatnonzero(differs.any(axis=1)), np.flatnonzero(differs.any(axis=0))
    if len(rows) == 0:
        return None
    h, w = differs.shape
    top, bottom = max(rows[0] - _RIM_PX, 0), min(rows[-1] + 1 + _RIM_PX, h)
    left, right = max(columns[0] - _RIM_PX, 0), min(columns[-1] + 1 + _RIM_PX, w)
    # what is left out costs nothing: the encoder drops colour that is not seen
    covers = maximum_filter(differs[top:bottom, left:right].astype(np.uint8) * 255, 2 * _RIM_PX + 1)
    return CleanPatch(int(left), int(top), np.dstack([clean[top:bottom, left:right], covers]))


def webp_bytes(picture: Pixels8, quality: int) -> bytes:
    """A picture (H, W, 3), or (H, W, 4) with straight alpha, as WebP, lossy; ``quality`` 0 to 100."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "WEBP", quality=quality, method=_METHOD)
    return out.getvalue()


def base64_text(data: bytes) -> str:
    """Data as base64 (RFC 4648)."""
    return base64.b64encode(data).decode("ascii")


def smaller(picture: Pixels8, widest_px: int) -> Pixels8:
    """The picture, made smaller where it is wider than ``widest_px``."""
    h, w = picture.shape[:2]
    if w <= widest_px:
        return picture
    size = widest_px, max(1, round(h * widest_px / w))
    return np.asarray(Image.fromarray(picture).resize(size, Image.Resampling.LANCZOS))


def _places(points: ArrayLike) -> list[Any]:
    # a hundredth of a millimetre
    return np.round(np.asarray(points, dtype=np.float64) + 0.0, 5).tolist()  # type: ignore[no-any-return]


def _rings(outlines: Outlines) -> list[Any]:
    return [_places(ring) for ring in outlines]


def _short(value: float) -> float | int:
    return int(value) if float(value).is_integer() else float(value)
