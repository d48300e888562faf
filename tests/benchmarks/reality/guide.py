"""Printed marks: the guide as it comes out of the printer, laid on the bridge's top, traced from the station point.

The sheet is rasterised at true size by pypdfium2, its face's outline is read by pdfplumber and laid on the face's own
corners; a ringed cross is found in the traced picture by OpenCV's template search. Where it must be is the
point of the bridge's edge that the sheet's table of strings names, seen by OpenCV's camera.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray

from previz.command.paint.guides import WallAroundJob, guide_of
from previz.command.paint.laidpaint import LayingHand
from previz.command.paint.solving import SolvedPaint, StartJob
from previz.deliver.paint.guide import Guide, guide_pdf
from previz.draw.paper import TitleBlock
from previz.look.choose import choose_engine
from previz.paint.recipes import recipes_for
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet
from tests.benchmarks.reality.frames import made_ready
from tests.benchmarks.reality.tracer import Mesh, Tracer, World
from tests.benchmarks.reality.world import view_from
from tests.deliver.pdf_lengths import opened, outlines

Floats = NDArray[np.float64]

# pixels of the rasterised sheet to the millimetre, and paper that is left around the face
_PX_PER_MM: Final = 8.0
_RIM_MM: Final = 8.0

# the traced picture is this wide, as a camera's own photograph is
_WIDTH_PX: Final = 7680

# marks are sought this far (mm) about their place, on a picture of the top square on, so many pixels to the mm
_REACH_MM: Final = 5.0
SQUARE_PX_PER_MM: Final = 10.0

# how like the drawn one (correlation) a mark has to be
_LIKE: Final = 0.4

# what a mark is said to look like: a ring 3.2 mm across, its arms 5.2 mm long (the sheet's own legend)
_RING_MM, _ARM_MM, _LINE_MM = 1.6, 2.6, 0.2


def printed_marks(scene: Scene, folder: Path, variant: str, samples: int) -> dict[str, Any]:
    """Where each mark on the bridge's top is seen, and how far (mm) on the bridge from where it must be."""
    ready = made_ready(scene.edited(bridge__paint="projected"), folder, scene.delivery.frame[0])
    guide, pdf = guide_of_set(ready)
    marks, off = marks_seen(scene, guide, pdf, ready.built.bridge.surface.vertices, variant, samples)
    return {"laid_within_mm": 1e3 * off, "texel_mm": 1e3 * ready.built.bridge.texel, "marks": marks}


def marks_seen(
    scene: Scene, guide: Guide, pdf: bytes, vertices: Floats, variant: str, samples: int
) -> tuple[list[dict[str, Any]], float]:
    """The marks of a guide, as they are seen on the top of a bridge with ``vertices`` (V, 3) m, and how far (m) the
    sheet's outline misses its corners."""
    face = next(face for face in guide.faces if face.facing[1] > 0.9)
    top, raster, page_outline = _sheet(pdf, face.size)
    assert face.place is not None
    # the paper as it is laid: the printed outline's corners on the face's own
    in_mm = page_outline - top
    world_from_page, off = laid_on(_in_order(in_mm, face.outline * 1e3), _corners_of(vertices, face.place))
    height, width = raster.shape[:2]
    corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]) / _PX_PER_MM
    paper = Mesh(
        np.asarray(world_from_page(corners), np.float32), np.array([[0, 2, 1], [0, 3, 2]], np.uint32),
        np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32), None, np.repeat(raster[..., None], 3, axis=2),
    )  # fmt: skip
    world = World({"paper": _facing_up(paper)}, (), (), 1000.0, 1000.0)
    tracer = Tracer(world, variant)
    marks = []
    for name, place in edge_marks(guide).items():
        found = _found(tracer, scene, place, samples)
        if found is not None:
            right, _, out = 1e3 * (found - place)
            marks.append({"name": name, "off_mm": float(np.hypot(right, out)), "right_mm": right, "out_mm": out})
    return marks, off


def guide_of_set(ready: ReadySet) -> tuple[Guide, bytes]:
    """The guide of a set in projected paint, on a roll: a face in one piece."""
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    code = StartJob("station").done_by(looker)
    around = WallAroundJob().done_by(looker)
    looker.engine.close()
    art = LayingHand(ready, around.seen).laid(SolvedPaint(code, None))
    guide = guide_of(
        TitleBlock(ready.scene.title, "1:20", "2026-11-20", "guide"), ready, art.painter.texels, art.reflectance,
        art.region, art.paints, recipes_for(art.paints.reflectance), around, [],
    )  # fmt: skip
    return guide, guide_pdf(guide, "roll")


def edge_marks(guide: Guide) -> dict[str, Floats]:
    """Places (3,) m on the bridge's top that the table of strings gives for each mark."""
    named = (string.name.rpartition(", mark ") for string in guide.strings)
    return {
        mark: np.array(string.edge)
        for (_, there, mark), string in zip(named, guide.strings, strict=True)
        if there and mark[0] in "LR"
    }


def _corners_of(vertices: Floats, near: Floats) -> Floats:
    """The bridge's own corners (K, 3) m at the places (K, 3) of an outline that is right to a texel or two."""
    rows = [int(np.linalg.norm(vertices - place, axis=1).argmin()) for place in near]
    return np.asarray(vertices[rows], dtype=np.float64)


def _sheet(pdf: bytes, size: tuple[float, float]) -> tuple[Floats, NDArray[np.float32], Floats]:
    """Of the sheet with the face's lines: the top left corner (mm) of what is cut out of it, that as reflectance, and
    the outline (K, 2) mm of the face on the page. Of faces that are alike it is the one with most ink: what no frame
    sees has no lines."""
    wanted = np.sort(np.array(size) * 1e3)
    found = []
    with opened(pdf) as read:
        for number, page in enumerate(read.pages):
            if "Faces, lines for transfer" not in (page.extract_text() or ""):
                continue
            for outline in outlines(page):
                if np.abs(np.sort(np.ptp(outline, axis=0)) - wanted).max() < 0.5:
                    found.append(_cut_out(pdf, number, outline))
    if not found:
        raise AssertionError("no sheet has the face's outline at true size")
    return min(found, key=lambda one: float(one[1].mean()))


def _cut_out(pdf: bytes, number: int, outline: Floats) -> tuple[Floats, NDArray[np.float32], Floats]:
    document = pypdfium2.PdfDocument(io.BytesIO(pdf))
    page = document[number].render(scale=_PX_PER_MM * 25.4 / 72.0, grayscale=True).to_numpy()
    page = page[..., 0] if page.ndim == 3 else page
    low = np.floor((outline.min(axis=0) - _RIM_MM) * _PX_PER_MM).astype(int)
    high = np.ceil((outline.max(axis=0) + _RIM_MM) * _PX_PER_MM).astype(int)
    part = page[max(low[1], 0) : high[1], max(low[0], 0) : high[0]].astype(np.float32) / 255.0
    # ink on paper
    return np.maximum(low, 0) / _PX_PER_MM, 0.05 + 0.75 * part, outline


def _in_order(outline: Floats, wanted: Floats) -> Floats:
    """The page's outline begun at the corner at which the face's own begins, and as many corners of it."""
    start = wanted - wanted.min(axis=0)
    page = outline - outline.min(axis=0)
    rows = [int(np.linalg.norm(page - corner, axis=1).argmin()) for corner in start]
    return outline[rows]


def laid_on(page: Floats, place: Floats) -> tuple[Any, float]:
    """A rigid laying of page corners (K, 2) mm on places (K, 3) m, by SciPy's least squares; the largest miss, m."""
    from scipy.spatial.transform import Rotation

    flat = np.column_stack([page[:, 0], -page[:, 1], np.zeros(len(page))]) * 1e-3
    middle, middle_there = flat.mean(axis=0), place.mean(axis=0)
    turn, _ = Rotation.align_vectors(place - middle_there, flat - middle)

    def laid(points: Floats) -> Floats:
        there = np.column_stack([points[:, 0], -points[:, 1], np.zeros(len(points))]) * 1e-3
        return np.asarray(turn.apply(there - middle) + middle_there)

    return laid, float(np.linalg.norm(laid(page) - place, axis=1).max())


def _facing_up(mesh: Mesh) -> Mesh:
    from dataclasses import replace

    a, b, c = mesh.corners[mesh.faces[0]]
    return mesh if np.cross(b - a, c - a)[1] > 0.0 else replace(mesh, faces=mesh.faces[:, ::-1].copy())


def _found(tracer: Tracer, scene: Scene, place: Floats, samples: int) -> Floats | None:
    """Where on the top (y = 0) a mark near ``place`` is seen in the traced picture, (3,) m."""
    move = move_of(scene)
    height_px = round(_WIDTH_PX * scene.delivery.frame[1] / scene.delivery.frame[0])
    camera = move.camera(move.station_frame, _WIDTH_PX, height_px)
    focal = scene.camera.lens / scene.camera.sensor[0] * _WIDTH_PX
    matrix = np.array([[focal, 0.0, 0.5 * _WIDTH_PX - 0.5], [0.0, focal, 0.5 * height_px - 0.5], [0.0, 0.0, 1.0]])
    turn = np.diag([1.0, -1.0, -1.0]) @ np.asarray(camera.world_from_cam)[:3, :3].T
    shift = -turn @ np.asarray(scene.camera.position)

    def seen(points: Floats) -> Floats:
        px, _ = cv2.projectPoints(points.reshape(-1, 1, 3), cv2.Rodrigues(turn)[0], shift, matrix, np.zeros(4))
        return np.asarray(px.reshape(-1, 2)) + 0.5

    reach = 1e-3 * (_REACH_MM + _ARM_MM)
    square = place + reach * np.array([(-1.0, 0.0, -1.0), (1.0, 0.0, -1.0), (1.0, 0.0, 1.0), (-1.0, 0.0, 1.0)])
    px = seen(square)
    low, high = np.floor(px.min(axis=0) - 4.0).astype(int), np.ceil(px.max(axis=0) + 4.0).astype(int)
    if (low < 0).any() or high[0] > _WIDTH_PX or high[1] > height_px:
        return None
    box = (int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    # through a pinhole: at these stops a lens spreads a thin line seen along the top over more than its width
    drawn = tracer.draw(view_from([camera], scene, box, sharp=True), ("paper",), samples)[..., 1]
    # the top square on: OpenCV's own perspective, its pixels counted from the middle of the first
    side = round(2e3 * reach * SQUARE_PX_PER_MM)
    ends = np.array([(0, 0), (side, 0), (side, side), (0, side)], dtype=np.float32) - 0.5
    flat = cv2.warpPerspective(
        drawn, cv2.getPerspectiveTransform((px - low - 0.5).astype(np.float32), ends), (side, side),
        flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    at = mark_in(flat)
    if at is None:
        return None
    right, out = at / side * 2.0 * reach - reach
    return place + np.array([right, 0.0, out])


def mark_in(flat: NDArray[np.float32]) -> Floats | None:
    """Where (2,) px, right and down from the corner, a ringed cross lies in a picture (h, w) of the top square on;
    None where nothing is like one."""
    score = cv2.matchTemplate(flat, _template(), cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(score.argmax()), score.shape)
    if not score[row, column] > _LIKE or not (0 < row < score.shape[0] - 1 and 0 < column < score.shape[1] - 1):
        return None
    at = np.array([_peak(score[row, column - 1 : column + 2]) + column, _peak(score[row - 1 : row + 2, column]) + row])
    return np.asarray(at + 0.5 * len(_template()))


def _peak(three: NDArray[np.float32]) -> float:
    """Where a parabola through three values at -1, 0 and 1 is highest."""
    a, b, c = map(float, three)
    return 0.5 * (a - c) / min(a - 2.0 * b + c, -1e-9)


def _template() -> NDArray[np.float32]:
    """A ringed cross as it is seen: OpenCV's circle and lines on white, a little blurred."""
    side = 2 * round((_ARM_MM + 0.4) * SQUARE_PX_PER_MM) + 1
    picture = np.full((side, side), 255, np.uint8)
    middle, width = side // 2, round(_LINE_MM * SQUARE_PX_PER_MM)
    cv2.circle(picture, (middle, middle), round(_RING_MM * SQUARE_PX_PER_MM), 0, width, cv2.LINE_AA)
    arm = round(_ARM_MM * SQUARE_PX_PER_MM)
    cv2.line(picture, (middle - arm, middle), (middle + arm, middle), 0, width, cv2.LINE_AA)
    cv2.line(picture, (middle, middle - arm), (middle, middle + arm), 0, width, cv2.LINE_AA)
    return cv2.GaussianBlur(picture, (0, 0), 2.0).astype(np.float32) / 255.0
