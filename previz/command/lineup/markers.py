"""The command that prints marker sheets, says where they go, and warns where that is a bad place."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from shapely import Polygon

from previz.camera import Camera
from previz.command.shoot.shoot import scene_date
from previz.deliver.lineup.markersheet import marker_pdf
from previz.draw.drawnset import drawn_set
from previz.draw.pdf import PaperName
from previz.draw.sideview import title_block
from previz.geometry import Array
from previz.lineup.markers import Board, MarkerSheet, board_of, hidden_from
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.scene.layout import delivered_box_px, judged_frames, wall_box
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene
from previz.scene.shape import bridge_shape
from previz.units import mm_text

# m; sheets this near to one another, or to the bridge, lie on it
_TOUCHES: Final = 0.012
# places along a sheet, each way, that are looked at
_GRID: Final = 13
# frames of the move that are looked at
_FRAMES: Final = 33

_WALL_SHEETS: Final = ("left", "right")


def markers(scene_path: Path, paper: PaperName | None, out: Path | None, progress: Progress) -> RunResult:
    """Write ``markers.pdf``, true-size sheets with a drawing of their places, and say where they go."""
    scene = read_scene(scene_path)
    if paper is not None:
        scene = scene.edited(markers__paper=paper)
    board, move = board_of(scene), move_of(scene)
    hidden = hidden_from(board, move.camera(move.station_frame))
    shown = {sheet.name: frames_showing(scene, move, sheet) for sheet in board.sheets}
    words = {name: _shown_words(frames) for name, frames in shown.items()}
    block = title_block(scene, scene_date(scene, scene_path), "marker sheets")
    with results_in(results_folder(scene_path, out)) as folder:
        title = f"{scene.title}: marker sheets"
        drawn = drawn_set(move)
        folder.write_bytes("markers.pdf", marker_pdf(board.sheets, words, drawn, scene.markers.paper, block, title))
        rows = [
            {
                "sheet": sheet.name,
                "numbers": [sheet.numbers[0], sheet.numbers[-1]],
                "middle_mm": [float(v) * 1e3 for v in sheet.middle],
                "side_mm": sheet.side * 1e3,
                "not_in_frame": hidden[sheet.name],
                "shown": words[sheet.name],
                "shown_in_frames": list(shown[sheet.name]),
            }
            for sheet in board.sheets
        ]
        found = list(cautions(scene, move, board, shown))
        values = {"title": scene.title, "by_rule": board.by_rule, "sheets": rows, "cautions": found}
        return RunResult(values, folder.path)


def frames_showing(scene: Scene, move: Move, sheet: MarkerSheet) -> tuple[int, ...]:
    """First and last frame of the move whose delivered picture shows part of a sheet; empty where none does."""
    left, top, right, bottom = delivered_box_px(scene)
    picture = Polygon([(left, top), (right, top), (right, bottom), (left, bottom)])
    found = []
    for frame in judged_frames(move, _FRAMES):
        seen = _in_picture(move.camera(frame), sheet.outline)
        if seen is not None and seen.intersection(picture).area > 1.0:
            found.append(frame)
    return (found[0], found[-1]) if found else ()


def _in_picture(camera: Camera, outline: Array) -> Polygon | None:
    """A flat outline (4, 3) in a camera's picture, px; None where it does not lie ahead of the lens."""
    if float(np.min(camera.depth(outline))) < 0.02:
        return None
    seen = Polygon(camera.project(outline))
    return seen if seen.is_valid else None


def _shown_words(frames: Sequence[int]) -> str:
    if not frames:
        return "outside the delivered picture of the whole move: may stay through the take"
    span = f"frame {frames[0]}" if frames[0] == frames[-1] else f"frames {frames[0]} to {frames[-1]}"
    return f"in the delivered picture, {span}: remove before the take"


def cautions(scene: Scene, move: Move, board: Board, shown: dict[str, tuple[int, ...]]) -> Iterator[str]:
    """What is wrong with the sheets' places, one sentence each."""
    camera = move.camera(move.station_frame)
    for name, count in hidden_from(board, camera).items():
        if count:
            yield f"sheet {name}: {count} of its markers lie outside the camera's frame; move it or print smaller ones"
    if len({round(float(camera.depth(sheet.middle)), 2) for sheet in board.sheets}) < 2:
        yield "all sheets are about as far from the lens: put one nearer, to tell distance from zoom"
    for one, other in itertools.combinations(board.sheets, 2):
        yield from _between(camera, one, other)
    for sheet in board.sheets:
        yield from _on_the_set(scene, move, sheet)
    inside = [name for name, frames in shown.items() if frames]
    if inside:
        which = "sheet" if len(inside) == 1 else "sheets"
        yield (
            f"{which} {', '.join(inside)}: in the delivered picture of the move; take them away before the take "
            "(on pins or magnets, so that they go back to the same place)"
        )


def _between(camera: Camera, one: MarkerSheet, other: MarkerSheet) -> Iterator[str]:
    if _lies_on(one, other) or _lies_on(other, one):
        yield f"sheets {one.name} and {other.name} lie over one another: move one of them"
        return
    seen, behind = (_in_picture(camera, sheet.outline) for sheet in (one, other))
    if seen is not None and behind is not None and seen.intersection(behind).area > 1.0:
        near, far = sorted((one, other), key=lambda sheet: float(camera.depth(sheet.middle)))
        yield f"sheet {near.name} hides part of sheet {far.name} from the lens: move one of them"


def _points(sheet: MarkerSheet) -> Array:
    """Places (N, 3) m spread over a sheet."""
    a, b, _, d = sheet.outline
    share = np.linspace(0.0, 1.0, _GRID)
    u, v = (each.ravel()[:, None] for each in np.meshgrid(share, share))
    return np.asarray(a + u * (b - a) + v * (d - a))


def _lies_on(one: MarkerSheet, other: MarkerSheet) -> bool:
    """Whether part of ``one`` lies on ``other``, or goes through it."""
    local = (_points(one) - other.middle) @ other.world_from_sheet[:3, :3]
    corners = (other.outline - other.middle) @ other.world_from_sheet[:3, :3]
    low, high = corners.min(axis=0), corners.max(axis=0)
    inside = np.all((local[:, :2] > low[:2]) & (local[:, :2] < high[:2]), axis=1)
    return bool(np.any(inside & (np.abs(local[:, 2]) < _TOUCHES)))


def _on_the_set(scene: Scene, move: Move, sheet: MarkerSheet) -> Iterator[str]:
    points, opening = _points(sheet), scene.wall.opening
    if bool(np.any(bridge_shape(scene).distance(points) < 1e-3)):
        yield f"sheet {sheet.name}: it lies on the bridge or goes through it; move it away"
    elif over := _over_the_bridge(scene, move, sheet):
        yield f"sheet {sheet.name}: it covers part of the bridge in the picture of frame {over[0]}; move it aside"
    if sheet.name not in _WALL_SHEETS:
        return
    if opening is not None:
        left, low, right, high = opening
        across = (points[:, 0] > left) & (points[:, 0] < right)
        over_door = across & (points[:, 1] > low) & (points[:, 1] < high)
        if bool(np.any(over_door)):
            yield f"sheet {sheet.name}: it hangs over the doorway, where there is no wall to fix it to"
    if scene.wall.mesh is not None:
        return
    left, bottom, right, top = wall_box(scene)
    beyond = max(
        left - float(points[:, 0].min()), float(points[:, 0].max()) - right,
        bottom - float(points[:, 1].min()), float(points[:, 1].max()) - top,
    )  # fmt: skip
    if beyond > 1e-3:
        yield f"sheet {sheet.name}: it reaches {mm_text(beyond, 0)} beyond the wall's edge"


def _over_the_bridge(scene: Scene, move: Move, sheet: MarkerSheet) -> list[int]:
    """Frames of the move in whose picture a sheet that stands before the bridge covers part of it."""
    edges = bridge_shape(scene).top_edges(33)
    top = 0.5 * (edges[0] + edges[1])
    out = []
    for frame in judged_frames(move, _FRAMES):
        camera = move.camera(frame)
        seen = _in_picture(camera, sheet.outline)
        ahead = camera.depth(top) > 0.02
        if seen is None or ahead.sum() < 2:
            continue
        left, right = (camera.project(edge)[ahead] for edge in edges)
        strip = Polygon(np.concatenate([left, right[::-1]])).buffer(0)
        common = seen.intersection(strip)
        if common.area > 1.0:
            where = np.array(common.representative_point().coords[0])
            nearest = int(np.argmin(np.linalg.norm(camera.project(top[ahead]) - where, axis=1)))
            # what the picture shows in that place: the sheet where it is nearer than the bridge there
            if _depth_at(camera, sheet, where) < float(camera.depth(top[ahead][nearest])):
                out.append(frame)
    return out


def _depth_at(camera: Camera, sheet: MarkerSheet, px: Array) -> float:
    """Depth (m) of a sheet's plane at a place in the picture."""
    origin, way = camera.rays(px)
    normal = sheet.world_from_sheet[:3, 2]
    slope = float(way @ normal)
    if abs(slope) < 1e-9:
        return float(camera.depth(sheet.middle))
    return float(camera.depth(origin + way * float((sheet.middle - origin) @ normal) / slope))
