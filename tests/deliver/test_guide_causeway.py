"""The guide of a stranger's bridge: few sheets, each with something to paint, each found again by its key."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import ndimage

from previz.command.paint.guides import WallAround, WallAroundJob, guide_of, painted_patches
from previz.command.paint.laidpaint import LaidPaint, LayingHand
from previz.command.paint.solving import SolvedPaint, StartJob, solved_size_px
from previz.deliver.paint.guide import Guide, guide_pdf
from previz.draw.paper import TitleBlock
from previz.draw.pdf import page_sizes
from previz.draw.tiling import OVERLAP_MM, PrintPiece, tiles_of
from previz.paint.recipes import recipes_for
from previz.scene.reader import read_scene
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet, prepare
from tests.deliver.pdf_lengths import TRUE_WITHIN_MM, bar_faults, opened, outlines
from tests.engine import open_engine
from tests.paint.causeway import causeway_set

MM = 1e-3
BRUSH_MM = 4.0


@dataclass(frozen=True, eq=False)
class Made:
    ready: ReadySet
    around: WallAround
    art: LaidPaint
    guide: Guide
    pdf: bytes
    pages: list[str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The causeway in projected paint, laid with its brush and palette, and its guide on A4."""
    path = causeway_set(tmp_path_factory.mktemp("causeway"), ("[1280, 720]", "[320, 180]"))
    ready = prepare(read_scene(path).edited(bridge__paint="projected"))
    looker = Looker(open_engine())
    looker.load(ready)
    code = StartJob("station").done_by(looker)
    around = WallAroundJob().done_by(looker)
    art = LayingHand(ready, around.seen).laid(SolvedPaint(code, None))
    guide = guide_of(
        TitleBlock("Causeway", "1:24", "2025-03-14", "paint guide"), ready, art.painter.texels, art.reflectance,
        art.region, art.paints, recipes_for(art.paints.reflectance), around, [], ["Lock the height: 0.8 mm."],
    )  # fmt: skip
    pdf = guide_pdf(guide, "a4", every=False)
    with opened(pdf) as read:
        pages = [page.extract_text() or "" for page in read.pages]
    return Made(ready, around, art, guide, pdf, pages)


@pytest.mark.slow
def test_it_is_few_sheets_and_every_one_has_something_to_paint(made: Made) -> None:
    assert len(made.pages) <= 15
    with opened(made.pdf) as read:
        for page, text in zip(read.pages, made.pages, strict=True):
            if "Faces by numbers" in text:
                assert page.images
                assert "any dark paint" not in text
    # the lens stands above every step: all 11 levels of deck and both parapets are seen from above, and no underside
    # and no back is
    text = " ".join(made.pages)
    assert len(set(re.findall(r"\d+: (top(?: \d+)?), ", text))) == 33
    assert not re.search(r"\d+: (underside|back)", text)
    # all sheets are to be had
    with opened(guide_pdf(made.guide, "a4")) as read:
        assert len(read.pages) > 2 * len(made.pages)


@pytest.mark.slow
def test_lengths_are_true(made: Made) -> None:
    assert bar_faults(made.pdf) == []
    with opened(made.pdf) as read:
        spans = np.array([np.ptp(points, axis=0) for page in read.pages for points in outlines(page)])
    # from the model's own numbers: treads, landings, the long parapet's top, the side with its stair
    wanted = {(42.0, 20.0): 9, (42.0, 200.0): 1, (42.0, 220.0): 1, (4.0, 200.0): 2, (600.0, 75.0): 1}
    for size, count in wanted.items():
        assert (np.abs(spans - size).max(axis=1) <= TRUE_WITHIN_MM).sum() >= count, size


@pytest.mark.slow
def test_the_key_leads_from_each_face_to_its_sheet(made: Made) -> None:
    key = made.pages[1]
    name = r"((?:left side|right side|top|front)(?: \d+)?)"
    rows = re.findall(rf"(\d+) {name} [\d.]+ × [\d.]+ mm sheet ((?:\d+, )*\d+)", key)
    titles = set(re.findall(rf"(\d+): {name}, ", " ".join(made.pages)))
    assert {(number, called) for number, called, _ in rows} == titles
    assert sorted(int(number) for number, _, _ in rows) == list(range(1, len(rows) + 1))
    for number, called, sheets in rows:
        said = {int(sheet) for sheet in sheets.split(", ")}
        found = {k for k, text in enumerate(made.pages, 1) if f"{number}: {called}, " in text}
        assert found == said
    assert "Lock the height: 0.8 mm." in made.pages[0]
    assert "Shopping list" in made.pages[0]


@pytest.mark.slow
def test_faces_come_from_the_wall_outwards(made: Made) -> None:
    near = [float(np.asarray(face.place)[:, 2].min()) for face in made.guide.faces if face.visible]
    assert all(b >= a - 5.0 * MM for a, b in itertools.pairwise(near))


@pytest.mark.slow
def test_no_patch_is_smaller_than_a_dab(made: Made) -> None:
    # patches by scipy; a face that is smaller than the brush is one patch
    texel = made.ready.built.bridge.texel / MM
    for face in made.guide.faces:
        areas = []
        for value in np.unique(face.region[face.region > 0]):
            parts, count = ndimage.label(face.region == value)
            areas += (np.bincount(parts.ravel())[1:] * texel**2).tolist()
            assert count > 0
        if len(areas) > 1:
            # the face's own texels, its margin left out, may hold a row less than the chart
            assert min(areas) >= np.pi / 4.0 * BRUSH_MM**2 - 2.0 * BRUSH_MM * texel, face.name


def test_patches_that_nobody_sees_get_no_number() -> None:
    # by hand: two patches of paint 1, of which one texel of the left one is seen; paint 2 between them is not
    region = np.array([[1, 1, 2, 1], [1, 1, 2, 1]], dtype=np.int16)
    seen = np.zeros((2, 4), dtype=bool)
    seen[1, 0] = True
    assert painted_patches(region, seen).tolist() == [[1, 1, 0, 0], [1, 1, 0, 0]]


@pytest.mark.sweep
def test_what_is_seen_is_what_rays_by_hand_say(made: Made) -> None:
    """Texels against the plane equations of all triangles (numpy alone), from the first, middle and last frame."""
    ready, texels = made.ready, made.art.painter.texels
    surfaces = (ready.built.wall, ready.built.bridge.surface)
    triangles = np.concatenate([s.vertices[s.faces] for s in surfaces])
    cameras = [ready.move.camera(frame, *solved_size_px(ready.scene)) for frame in (1001, 1012, 1024)]
    rows, columns = np.nonzero(texels.valid)
    rng = np.random.default_rng(8)
    agreed = 0
    for pick in rng.choice(len(rows), 150, replace=False):
        row, column = int(rows[pick]), int(columns[pick])
        point, normal = texels.points[row, column].astype(float), texels.normals[row, column].astype(float)
        by_hand = any(
            (camera.position - point) @ normal > 0.0
            and (camera.project(point[None])[0] >= 0.0).all()
            and (camera.project(point[None])[0] <= (camera.width_px, camera.height_px)).all()
            and not _hidden(triangles, point + 1e-5 * normal, camera.position)
            for camera in cameras
        )
        agreed += by_hand <= bool(made.around.ever_seen[row, column])
    # a texel at a brim may be seen past it by one and not by the other
    assert agreed >= 148
    hidden = [face for face in made.guide.faces if face.name.startswith(("underside", "back"))]
    assert hidden
    assert not any(face.visible for face in hidden)


def _hidden(triangles: np.ndarray, start: np.ndarray, end: np.ndarray) -> bool:
    """Whether a triangle stands between two places (Möller and Trumbore, 1997, from memory)."""
    way = end - start
    a, b, c = triangles[:, 0], triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    p = np.cross(way, c)
    det = np.einsum("ij,ij->i", b, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.einsum("ij,ij->i", start - a, p) / det
        q = np.cross(start - a, b)
        v = (q @ way) / det
        t = np.einsum("ij,ij->i", c, q) / det
    return bool(((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-6) & (t < 1.0)).any())


def test_parts_of_a_stair_are_as_high_as_what_they_show_and_share_their_crosses() -> None:
    # a stair of six steps of 100 x 20 mm, 30 mm thick: by hand, a part from x to x' reaches from the highest step to
    # the lowest step's foot
    steps = [(100.0 * k, 20.0 * k) for k in range(7)]
    top = [point for (x, y), (x1, _) in itertools.pairwise(steps) for point in ((x, y), (x1, y))]
    outline = (*top, *((x, y + 30.0) for x, y in reversed(top)))
    piece = PrintPiece("stair", 600.0, 130.0, "", outline)
    room = page_sizes("a4")[1]
    tiles = tiles_of(piece, room, 0.0)
    assert len(tiles) == 3
    for tile in tiles:
        left, high, right, low = tile.box
        assert high == pytest.approx(20.0 * (left // 100.0))
        assert low == pytest.approx(20.0 * (-(-right // 100.0) - 1.0) + 30.0)
    for one, other in itertools.pairwise(tiles):
        assert one.box[2] - other.box[0] == pytest.approx(OVERLAP_MM)
        joint = (one.box[2] + other.box[0]) / 2.0
        mine, its = ({c for c in tile.crosses if abs(c[0] - joint) < 1e-6} for tile in (one, other))
        assert len(mine) == 2
        assert mine == its


def test_a_piece_without_an_outline_is_cut_as_before() -> None:
    tiles = tiles_of(PrintPiece("plain", 600.0, 130.0), page_sizes("a4")[1], 0.0)
    assert {tile.box[1::2] for tile in tiles} == {(0.0, 130.0)}


