"""From a painted set to what is printed: guide, cut pattern and strings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label as find_patches
from scipy.spatial import cKDTree

from previz import colour
from previz.command.paint.solving import paint_bench, solved_size_px
from previz.deliver.paint.guidedata import Guide, GuideFace, GuideString, GuideTube, GuideWall, Mark, PaintSwatch
from previz.draw.paper import TitleBlock
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.paint.palette import Palette
from previz.paint.recipes import TUBES_NOTE, Recipe, tubes
from previz.paint.strings import EVERY, StringPoint, strings, top_edge_points
from previz.stage.looking import Looker
from previz.stage.prepare import CLEAN, WALL, WITH_BRIDGE, ReadySet, Rectangle, square_on
from previz.workshop.charts import Chart
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import Picture, Pixels8
from previz.workshop.texels import TexelMap

# the wall is shown this far (m) around what the bridge hides of it, at so many pixels to the metre
_AROUND = 0.06
_PX_PER_M = 4000.0

# strings (m) along the bridge's edges that get a register mark
_MARKED_EVERY = 0.1


@dataclass(frozen=True, eq=False)
class WallAround:
    """The clean wall around what the bridge hides from the station point, square on, and that outline on it.

    ``code`` (h, w, 3) uint8; ``part`` of the wall's datum plane, m; ``outline`` polylines (K, 2) m, x right, y up.
    ``seen`` (H, W) are the texels of the bridge's map that some frame of the hold sees, ``ever_seen`` (H, W) those that
    some frame of the move does, ``strings`` from the lens.
    ``repainted`` is the same part painted over, where it is.
    """

    code: Pixels8
    part: Rectangle
    outline: tuple[Array, ...]
    seen: NDArray[np.bool_]
    ever_seen: NDArray[np.bool_]
    strings: tuple[StringPoint, ...]
    repainted: Pixels8 | None = None


@dataclass(frozen=True)
class WallPictureJob:
    """Draws a part of the clean wall square on, (h, w, 3) uint8, in a worker that has the set loaded."""

    part: Rectangle

    def done_by(self, looker: Looker) -> Pixels8:
        """Draw it."""
        return colour.encoded8(looker.engine.draw(square_on(self.part, _PX_PER_M), CLEAN).colour)


@dataclass(frozen=True)
class WallAroundJob:
    """Looks at the wall around the bridge in a worker that has the set loaded."""

    def done_by(self, looker: Looker) -> WallAround:
        """Look. Raises :class:`JudgeError` where the bridge hides no wall from the station point."""
        ready = looker.loaded
        move = ready.move
        camera = move.camera(move.station_frame, *solved_size_px(ready.scene))
        view = looker.engine.draw(camera, WITH_BRIDGE)
        outline = outline_of(view.cover(BRIDGE_LAYER), Viewer(camera.height_px))
        origins, directions = camera.rays(outline.xy)
        hits = looker.sight.first_hits(origins, directions, names=[WALL])
        met = np.isfinite(hits.distance)
        if not met.any():
            raise JudgeError("from the station point the bridge hides no wall; move the camera or the bridge")
        lines = tuple(
            hits.point[rows, :2]
            for number in range(len(outline.closed))
            for rows in [(outline.line == number) & met]
            if rows.sum() > 1
        )
        points = np.concatenate(lines)
        low, high = points.min(axis=0) - _AROUND, points.max(axis=0) + _AROUND
        part = Rectangle(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
        picture = WallPictureJob(part).done_by(looker)
        bench, size_px = paint_bench(looker), solved_size_px(ready.scene)
        seen, ever_seen = bench.seen(move, *size_px), bench.ever_seen(move, *size_px)
        edges = top_edge_points(ready.built.bridge.surface)
        return WallAround(
            picture, part, lines, seen, ever_seen, tuple(strings(ready.station_point, edges, looker.sight, WALL))
        )


def guide_of(
    block: TitleBlock,
    ready: ReadySet,
    texels: TexelMap,
    reflectance: Picture,
    region: NDArray[np.int16],
    paints: Palette,
    recipes: Sequence[Recipe],
    around: WallAround,
    notes: Sequence[str],
    errors: Sequence[str] = (),
) -> Guide:
    """The guide of a paint: ``reflectance`` (H, W, 3) and palette numbers ``region`` (H, W) on the bridge's map."""
    marked = _marked(around.strings)
    code = colour.encoded8(reflectance)
    faces = []
    for chart in in_order(ready.built.bridge.charts, texels):
        window = chart.window()
        faces.append(
            GuideFace(
                name=chart.name,
                code=code[window],
                region=painted_patches(region[window], around.ever_seen[window]),
                size=chart.size,
                outline=chart.outline,
                rightwards=chart.rightwards,
                downwards=chart.downwards,
                seen=around.seen[window],
                texel=ready.built.bridge.texel,
                marks=marks_on(marked, texels.points[window], texels.valid[window], ready.built.bridge.texel),
                place=_outline_in_set(chart, texels, ready.built.bridge.texel),
                facing=_facing(texels.normals[window][texels.valid[window]]),
                visible=bool(around.ever_seen[window].any()),
            )
        )
    part = around.part
    wall = GuideWall(
        code=around.code,
        left=part.left,
        top=part.top,
        size=(part.right - part.left, part.top - part.bottom),
        outline=around.outline,
        marks=tuple((name, float(s.wall[0]), float(s.wall[1])) for name, s in marked if s.wall is not None),
        repainted=around.repainted,
    )
    swatches = tuple(
        PaintSwatch(
            k + 1,
            (int(paints.codes[k, 0]), int(paints.codes[k, 1]), int(paints.codes[k, 2])),
            (float(paints.lab[k, 0]), float(paints.lab[k, 1]), float(paints.lab[k, 2])),
            _recipe(recipes[k]),
        )
        for k in range(len(paints))
    )
    painted = np.concatenate([face.region[face.region > 0] for face in faces if face.visible] or [np.zeros(0, int)])
    areas = np.bincount(painted, minlength=len(paints) + 1)[1:] * ready.built.bridge.texel**2
    bought = tuple(GuideTube(t.pigment, t.area * 1e4, t.volume_ml) for t in tubes(recipes, areas.tolist()))
    mark_of = {string.name: f", mark {name}" for name, string in marked}
    table = tuple(
        GuideString(
            s.name + mark_of.get(s.name, ""),
            _place(s.lens),
            _place(s.edge),
            None if s.wall is None else _place(s.wall),
        )
        for s in around.strings
    )
    return Guide(block, tuple(faces), wall, swatches, table, tuple(notes), tuple(errors), bought, TUBES_NOTE)


def painted_patches(region: NDArray[np.int16], seen: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Paint numbers (h, w) of a face, 0 on every patch of which no frame of the move sees anything (``seen``, h, w)."""
    out = region.copy()
    for number in np.unique(region[region > 0]):
        patch, count = find_patches(region == number)
        unseen = np.setdiff1d(np.arange(1, count + 1), patch[seen])
        out[np.isin(patch, unseen)] = 0
    return out


def in_order(charts: Sequence[Chart], texels: TexelMap) -> list[Chart]:
    """Faces in the order to paint them: from the wall towards the camera, so that no hand leans on wet paint, and at
    one distance what looks aside or down before what looks up, which covers the brims."""

    def key(number: int) -> tuple[float, float, float, int]:
        window = charts[number].window()
        on = texels.valid[window]
        if not on.any():
            return np.inf, np.inf, 0.0, number
        z, up = texels.points[window][on][:, 2], texels.normals[window][on][:, 1]
        return round(float(z.min()), 2), round(float(z.max()), 2), round(float(up.mean()), 2), number

    return [charts[number] for number in sorted(range(len(charts)), key=key)]


def _facing(normals: Picture) -> tuple[float, float, float]:
    return _place(normals.mean(axis=0)) if len(normals) else (0.0, 1.0, 0.0)


def _outline_in_set(chart: Chart, texels: TexelMap, texel: float) -> Array | None:
    """The outline (K, 3) m of a face in the set's axes, to a texel: that of the valid texels nearest to it."""
    window = chart.window()
    rows, columns = np.nonzero(texels.valid[window])
    if len(rows) == 0:
        return None
    points = texels.points[window][rows, columns]
    _, nearest = cKDTree(np.stack([columns + 0.5, rows + 0.5], axis=1) * texel).query(chart.outline)
    return np.asarray(points[nearest], dtype=np.float64)


def _recipe(recipe: Recipe) -> str:
    return recipe.words if recipe.matches else f"{recipe.words} (nearest, off by dE00 {recipe.de00:.0f})"


def _place(point: Array) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


def _marked(points: Sequence[StringPoint]) -> list[tuple[str, StringPoint]]:
    """Strings that get a register mark, and its name: every other one, lettered by the edge it lies on."""
    every = max(1, round(_MARKED_EVERY / EVERY))
    marked = []
    counts: dict[str, int] = {}
    for point in points:
        edge = point.name.split(",")[0]
        letter = "L" if edge.startswith("left") else "R" if edge.startswith("right") else "N"
        at = counts.get(letter, 0)
        counts[letter] = at + 1
        if at % every == 0:
            marked.append((f"{letter}{at // every + 1}", point))
    return marked


def marks_on(
    marked: Sequence[tuple[str, StringPoint]], points: Picture, valid: NDArray[np.bool_], texel: float
) -> tuple[Mark, ...]:
    """Marks that lie on a face, in metres right and down from its corner; ``points`` (h, w, 3) are its texels'."""
    found = []
    for name, string in marked:
        away = np.linalg.norm(points - string.edge.astype(np.float32), axis=-1)
        away[~valid] = np.inf
        row, column = (int(k) for k in np.unravel_index(int(away.argmin()), away.shape))
        if away[row, column] <= 1.5 * texel:
            # a mark lies between texels, and at the face's edge beyond the last: it goes where its place is, not theirs
            beyond = string.edge - points[row, column].astype(np.float64)
            right, down = (
                float(beyond @ _towards(points, valid, row, column, axis)) / texel for axis in (1, 0)
            )
            found.append((name, (column + 0.5 + right) * texel, (row + 0.5 + down) * texel))
    return tuple(found)


def _towards(points: Picture, valid: NDArray[np.bool_], row: int, column: int, axis: int) -> Array:
    """The way (3,), of length 1, in which rows (0) or columns (1) of a face go on; none where a texel is alone."""
    at = np.array([row, column])
    for way in (1, -1):
        there = at.copy()
        there[axis] += way
        if 0 <= there[axis] < valid.shape[axis] and valid[tuple(there)]:
            step = way * (points[tuple(there)].astype(np.float64) - points[row, column])
            length = float(np.linalg.norm(step))
            if length > 0.0:
                return np.asarray(step / length)
    return np.zeros(3)


