"""What is drawn of a bridge is its mesh's silhouette, in every medium: triangles laid flat and joined by shapely."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon

from previz.command.rig.rig import card_of
from previz.command.rig.rigfacts import rig_facts
from previz.deliver.export.setdrawings import elevation_drawing, plan_drawing
from previz.deliver.rig.rigcard import rig_pdf
from previz.deliver.shoot.pagedata import set_data
from previz.draw.drawing import SideFrame, SideStatic, sheet_cameras, side_sheet, usual_dimensions
from previz.draw.drawnset import DrawnSet, drawn_set
from previz.draw.dxf import dxf_text
from previz.draw.paper import Paper
from previz.draw.style import CHALK, CHALK_WASH, PAPER
from previz.draw.svgdrawing import svg_text
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.workshop.set import BuiltSet, build_set
from tests.command.scenes import laid
from tests.deliver.made_up import TITLE, near
from tests.deliver.pdf_lengths import MM, opened
from tests.draw.test_svg import dxf_lines, svg_lines
from tests.scene.causeway import block, saved

SCENES = Path(__file__).parent.parent.parent / "scenes"

# how much of the true silhouette's area may be drawn wrong
WITHIN = 0.005


def gapped(path: Path, back: float = 0.0) -> Path:
    """A deck in the wall's face on two posts, open between them, and three steps that hang before it; ``back`` mm into
    the wall. From the side it has a hole."""
    parts = [block(-30, 30, -20, 0, -back, 400), block(-30, 30, -90, -80, 0, 400)]
    parts += [block(-30, 30, -85, -15, z, z + 40) for z in (60, 300)]
    parts += [block(-40, 40, -32 - 20 * k, -20 - 20 * k, 440 + 70 * k, 480 + 70 * k) for k in range(3)]
    trimesh.util.concatenate(parts).export(path)
    return path


def _small(scene: Scene) -> Scene:
    """With a wall that is built quickly."""
    return scene.edited(wall__triangles=2000, wall__texture_px=256)


def _with_mesh(folder: Path, path: Path) -> Scene:
    return read_scene(laid(folder, ('length = "700 mm"\nwidth = "50 mm"\n', f'mesh = "{path.name}"\n')))


def _causeway(folder: Path) -> Scene:
    return _with_mesh(folder, saved(folder, swing=60.0))


def _gapped(folder: Path) -> Scene:
    return _with_mesh(folder, gapped(folder / "gapped.glb"))


def _reaching(folder: Path) -> Scene:
    """A plain slab whose far end lies 1 mm in the wall."""
    block(-30, 30, -12, 0, -1, 850).export(folder / "slab.glb")
    return _with_mesh(folder, folder / "slab.glb")


MADE: dict[str, Callable[[Path], Scene]] = {
    **{name: lambda _, name=name: _small(read_scene(SCENES / f"{name}.toml"))  # type: ignore[misc]
       for name in ("quarry", "seastack", "crevasse")},
    "causeway": _causeway,
    "gapped": _gapped,
    "reaching": _reaching,
}  # fmt: skip


class Case:
    """A scene, its built set and what is drawn of it."""

    def __init__(self, scene: Scene) -> None:
        self.scene, self.move = scene, move_of(scene)
        self.built: BuiltSet = build_set(scene, 0.002)
        self.drawn: DrawnSet = drawn_set(self.move, self.built.wall)

    def true(self, side: bool) -> Any:
        """The built mesh before the wall's plane from the side, (z, y) m, or from above, (z, x)."""
        surface = self.built.bridge.surface
        flat = surface.vertices[surface.faces][:, :, [2, 1] if side else [2, 0]]
        triangles = shapely.polygons(flat)
        found = shapely.union_all(triangles[shapely.area(triangles) > 1e-12], grid_size=1e-7)
        return found.intersection(shapely.box(0.0, -9.0, 9.0, 9.0))


@pytest.fixture(scope="module", params=MADE)
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(MADE[request.param](tmp_path_factory.mktemp("set")))


def region(rings: Sequence[Any]) -> Any:
    """What outlines (N, 2) enclose by the even-odd rule."""
    return reduce(shapely.symmetric_difference, [Polygon(np.asarray(ring)) for ring in rings])


def wrong(found: Any, true: Any) -> float:
    """Share of the true region's area that is drawn and should not be, or the other way round."""
    return float(found.symmetric_difference(true).area / true.area)


@pytest.mark.parametrize("side", [True, False])
def test_what_is_drawn_is_the_silhouette(case: Case, side: bool) -> None:
    axes = [2, 1] if side else [2, 0]
    assert wrong(region([ring[:, axes] for ring in case.drawn.view(side).bridge]), case.true(side)) < WITHIN


@pytest.mark.parametrize("side", [True, False])
def test_page_and_flat_drawings_show_the_silhouette(case: Case, side: bool, tmp_path: Path) -> None:
    true = case.true(side)
    page = set_data(case.drawn)["bridge_side" if side else "bridge_plan"]
    axes = [2, 1] if side else [2, 0]
    assert wrong(region([np.asarray(ring)[:, axes] for ring in page]), true) < WITHIN
    flat = (elevation_drawing if side else plan_drawing)("set", case.drawn)
    dxf = dxf_lines(dxf_text(flat), tmp_path)["bridge"]
    # the camera's end lies at the left, camera right is down
    assert wrong(region([line * (-1e-3, 1e-3 if side else -1e-3) for line in dxf]), true) < WITHIN
    # SVG has an origin of its own: areas
    svg = region(svg_lines(svg_text(flat))["bridge"])
    assert svg.area / 1e6 == pytest.approx(true.area, rel=WITHIN)


def test_the_rig_card_shows_the_silhouette(case: Case) -> None:
    data = rig_pdf(card_of(rig_facts(case.scene), case.built, "2025-03-14", [], [], []), "a4")
    with opened(data) as file:
        for title, side in (("Plan, drawn at 1:", False), ("Elevation, drawn at 1:", True)):
            (page,) = (page for page in file.pages if page.extract_text().startswith(title))
            scale = int(page.extract_text().partition("drawn at 1:")[2].split()[0])
            blue = [
                np.array(shape["pts"]) * MM for shape in [*page.curves, *page.rects]
                if shape["stroke"] and np.allclose(shape["stroking_color"], np.array(CHALK) / 255.0, atol=1e-3)
            ]  # fmt: skip
            # the lens is a ring of 1.3 mm in the same colour
            rings = [ring for ring in blue if np.abs(np.ptp(ring, axis=0) - 2.6).max() > 0.1]
            assert region(rings).area * (scale / 1e3) ** 2 == pytest.approx(case.true(side).area, rel=WITHIN)


def test_the_side_sheet_is_filled_as_the_silhouette(case: Case) -> None:
    low, high = case.built.bridge.surface.vertices.min(axis=0), case.built.bridge.surface.vertices.max(axis=0)
    side, plan = sheet_cameras(np.stack([low, high]))
    bare = SideStatic(TITLE, side, plan, case.drawn)
    frame = SideFrame(1001, 0.0, case.drawn.lens, None)
    picture = side_sheet(bare, frame)
    for camera, is_side, top in ((side, True, 16), (plan, False, 32 + side.height_px)):
        part = picture[top : top + camera.height_px, 16 : 16 + camera.width_px]
        blue = near(part, CHALK, 40) | near(part, CHALK_WASH, 6)
        # pixel centres of the window in the drawing's own metres
        down, across = np.mgrid[: camera.height_px, : camera.width_px] + 0.5
        sill, unit = camera.project([[0.0, 0.0, 0.0]])[0], 1.0 / camera.px_per_m
        v = (sill[1] - down) * unit if is_side else (down - sill[1]) * unit
        true, z = case.true(is_side), (sill[0] - across) * unit
        shapely.prepare(true)
        # the line is 2.2 px wide and the sheet's own pixels add one
        far = blue & ~shapely.contains_xy(true.buffer(2.5 * unit), z, v)
        assert not far.any()
        inner = shapely.contains_xy(true.buffer(-0.5 * unit), z, v)
        assert not near(part, PAPER, 4)[inner].any()


def test_a_hole_stays_empty_on_paper() -> None:
    paper = Paper(100, 100)
    ring = np.array([(10, 10), (90, 10), (90, 90), (10, 90)], dtype=float)
    paper.outlines([ring, 50 + 0.5 * (ring - 50)], (0, 0, 0), (0, 0, 0), 1.0)
    # 80 x 80 less 40 x 40; half a line of 1 px, and at most a quarter more, along 320 px outside and 160 px inside
    assert (paper.picture().max(axis=2) < 128).sum() == pytest.approx(6400 - 1600 + 240, abs=120)


@pytest.mark.parametrize("shift", [(1.0, 0.0), (0.0, 1.0)], ids=["beside the middle", "over the top"])
def test_a_modelled_wall_that_misses_the_middle_or_the_top_is_drawn(tmp_path: Path, shift: tuple[float, float]) -> None:
    wall = trimesh.creation.box(bounds=[(-0.8, -0.7, -0.1), (0.8, 0.7, 0.0)])
    wall.apply_translation((*shift, 0.0))
    wall.export(tmp_path / "wall.glb")
    given = 'kind = "slate"\nwidth = "1.8 m"\nheight = "1.4 m"\nrelief = "40 mm"\nseed = 7\ntriangles = 2000\n'
    scene = read_scene(laid(tmp_path, (given, 'mesh = "wall.glb"\nwidth = "1.8 m"\nheight = "1.4 m"\n')))
    case = Case(scene)
    assert (len(case.drawn.elevation.wall), len(case.drawn.plan.wall)) == ((0, 1) if shift[0] else (1, 0))
    for drawing in (plan_drawing("set", case.drawn), elevation_drawing("set", case.drawn)):
        assert svg_text(drawing).endswith("</svg>\n")
    assert rig_pdf(card_of(rig_facts(scene), case.built, "2025-03-14", [], [], []), "a4").startswith(b"%PDF")
    side, plan = sheet_cameras(np.array([[-0.3, -0.3, -0.1], [0.3, 0.3, 1.3]]))
    static = SideStatic(TITLE, side, plan, case.drawn, dimensions=usual_dimensions(case.drawn))
    assert side_sheet(static, SideFrame(1001, 0.0, case.drawn.lens, 1.0)).shape == (720, 1280, 3)
