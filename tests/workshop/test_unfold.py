"""Unfolded bridges, measured: edges by numpy on the mesh itself, areas and overlaps by shapely, volumes by hand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import trimesh
from shapely import Point, Polygon, constrained_delaunay_triangles

from previz.errors import BuildError
from previz.scene.foreign import RawMesh
from previz.workshop import modelled
from previz.workshop.bridge import slab
from previz.workshop.pattern.unfold import Pattern, PatternPiece, fold_growth, unfold
from tests.workshop.sets import MM, scene

# what issue 4 asks for
TRUE = 0.01 * MM
BURIED = 0.03
SHAPES = {
    "straight": {},
    "tapered": {"taper": 1.6},
    "narrowing": {"taper": 0.7},
    "arched": {"camber": 0.03},
    "bent": {"bend": -0.05},
    "all": {"camber": -0.02, "bend": 0.04, "taper": 0.5},
}
# an angle iron: six faces along, one corner that goes inwards
ANGLE = np.array([(-30, -20), (30, -20), (30, 0), (10, 0), (10, 20), (-30, 20)]) * MM


def bridge(**shape):
    return slab(scene(bridge=shape).bridge, BURIED, 2 * MM)


def extruded(outline, height):
    """A prism over an angle iron's outline, by trimesh."""
    triangles = np.array([[0, 1, 3], [1, 2, 3], [0, 3, 5], [3, 4, 5]])
    return trimesh.creation.extrude_triangulation(outline, triangles, height)


def angle_bridge():
    mesh = extruded(ANGLE, 0.43)
    mesh.apply_translation([0.0, 0.0, -BURIED])
    raw = RawMesh(np.asarray(mesh.vertices), np.asarray(mesh.faces), None, None, None)
    return modelled.bridge(raw, "angle.glb", 2 * MM, "#c8b08a")


def rough_beam():
    """A beam of 192 triangles, every corner moved by about a millimetre."""
    mesh = trimesh.creation.box((0.06, 0.02, 0.4)).subdivide().subdivide()
    moved = np.random.default_rng(1).normal(0.0, 1 * MM, mesh.vertices.shape)
    return trimesh.Trimesh(mesh.vertices + moved, mesh.faces, process=False)


MESHES = {
    "icosahedron": trimesh.creation.icosahedron().apply_scale(0.03),
    "box": trimesh.creation.box((0.3, 0.05, 0.2)),
    "angle": extruded(ANGLE, 0.2),
    "ball": trimesh.creation.icosphere(1, 0.05),
    "rough": rough_beam(),
    "cylinder": trimesh.creation.cylinder(0.03, 0.2, sections=72),
}


def worst_edge(pattern: Pattern, vertices, stretched: float = 1.0) -> float:
    """The largest difference (m) between a line on the sheet and the mesh's own edge, by numpy."""
    vertices = np.asarray(vertices)
    off = []
    for piece in pattern.pieces:
        for line in (*piece.cuts, *piece.folds):
            wanted = np.linalg.norm(vertices[line.corners[0]] - vertices[line.corners[1]])
            off.append(abs(stretched * np.linalg.norm(line.end - line.start) - wanted))
    return max(off)


def area_of(piece: PatternPiece) -> float:
    return Polygon(piece.outline, piece.holes).area


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())
def test_every_edge_of_a_slab_keeps_its_length(shape: dict) -> None:
    build = bridge(**shape)
    pattern = unfold(build, 0.4 * MM, "card")
    assert worst_edge(pattern, build.surface.vertices) < TRUE
    # and the whole skin is there: trimesh's area of the mesh
    area = trimesh.Trimesh(build.surface.vertices, build.surface.faces, process=False).area
    assert sum(map(area_of, pattern.pieces)) == pytest.approx(area, rel=1e-6)


@pytest.mark.parametrize("mesh", MESHES.values(), ids=MESHES.keys())
def test_every_edge_of_a_mesh_keeps_its_length(mesh: trimesh.Trimesh) -> None:
    pattern = unfold(mesh, 0.4 * MM, "card")
    assert worst_edge(pattern, mesh.vertices) < TRUE
    assert sum(map(area_of, pattern.pieces)) == pytest.approx(mesh.area, rel=1e-6)


@pytest.mark.parametrize("stretched", [0.995, 1.002])
def test_the_check_above_can_fail(stretched: float) -> None:
    mesh = MESHES["icosahedron"]
    assert worst_edge(unfold(mesh, 0.4 * MM, "card"), mesh.vertices, stretched) > TRUE


def models():
    return [bridge(**s) for s in SHAPES.values()] + list(MESHES.values()) + [angle_bridge()]


@pytest.mark.parametrize("model", models(), ids=[*SHAPES, *MESHES, "angle bridge"])
def test_nothing_overlaps_and_every_joint_has_its_tab(model) -> None:
    pattern = unfold(model, 0.4 * MM, "card")
    none = 1e-4 * MM * 1.0  # m2: 0.1 um along a metre of edge
    letters: dict[str, list] = {}
    for piece in pattern.pieces:
        face = Polygon(piece.outline, piece.holes)
        assert face.is_valid
        tabs = [Polygon(t.outline) for t in piece.tabs]
        assert all(t.is_valid for t in tabs)
        assert sum(t.intersection(face).area for t in tabs) < none
        assert sum(a.intersection(b).area for a, b in combinations(tabs, 2)) < none
        for cut in piece.cuts:
            if cut.letter:
                letters.setdefault(cut.letter, []).append((cut, piece))
    for letter, sides in letters.items():
        # the same mesh edges on both sides, walked the other way
        ways = sorted(c.corners for c, _ in sides)
        length = sum(np.linalg.norm(c.end - c.start) for c, _ in sides) / 2
        tabs = [t for p in pattern.pieces for t in p.tabs if t.letter == letter]
        assert len(ways) % 2 == 0
        assert bool(tabs) == (letter not in pattern.untabbed)
        glued = sum(np.linalg.norm(t.base[1] - t.base[0]) for t in tabs)
        assert glued <= length + 1e-3 * MM
        # not on both sides of one edge
        tabbed = [c for c, _ in sides if c.tabbed]
        assert sum(np.linalg.norm(c.end - c.start) for c in tabbed) == pytest.approx(glued, rel=2e-4, abs=1e-9)


def test_letters_stand_at_the_same_place_on_both_sides() -> None:
    pattern = unfold(bridge(camber=0.03), 0.4 * MM, "card")
    found: dict[str, int] = {}
    for piece in pattern.pieces:
        rim = Polygon(piece.outline).exterior
        for label in piece.labels:
            if label.kind == "letter":
                found[label.text] = found.get(label.text, 0) + 1
                assert rim.distance(Point(label.edge)) < TRUE
                assert Polygon(piece.outline).contains(Point(label.at))
    assert found
    assert set(found.values()) == {2}


def test_straight_slab_is_one_piece_with_the_top_in_the_middle() -> None:
    pattern = unfold(bridge(), 0.4 * MM, "card")
    (piece,) = pattern.pieces
    # by hand: 430 mm long and two ends of 12 mm; 50 + 12 + 50 + 12 mm wide
    assert piece.size == pytest.approx((430 * MM + 24 * MM, 124 * MM), abs=TRUE)
    assert piece.name == "top"
    assert set(piece.faces) == {"top", "left side", "right side", "underside", "front end", "into the wall"}
    folds = {round(np.linalg.norm(f.end - f.start) / MM): f.kind for f in piece.folds}
    assert set(folds) <= {30, 50, 400, 430}
    assert set(folds.values()) == {"mountain"}
    assert all(f.angle == pytest.approx(np.pi / 2) for f in piece.folds)


def test_flap_into_the_wall_hangs_on_the_top_and_is_glued_to_nothing() -> None:
    (piece,) = unfold(bridge(), 0.4 * MM, "card").pieces
    flap = [c for c in piece.cuts if "into the wall" in (c.face, c.meets)]
    assert flap
    assert not any(c.letter or c.tabbed for c in flap)
    # the sill is 30 mm from the buried end, all the way across
    marks = [m for m in piece.marks if m.name == "sill"]
    assert sum(np.linalg.norm(m.end - m.start) for m in marks) == pytest.approx(124 * MM, abs=TRUE)
    assert {round(float(m.start[0]) / MM, 6) for m in marks} == {12.0 + 30.0}


@pytest.mark.parametrize(("shape", "most"), [("arched", 4), ("bent", 4), ("narrowing", 1), ("tapered", 3)])
def test_curved_bridges_stay_whole_strips(shape: str, most: int) -> None:
    pattern = unfold(bridge(**SHAPES[shape]), 0.4 * MM, "card")
    assert len(pattern.pieces) <= most
    top = next(p for p in pattern.pieces if "top" in p.faces)
    assert top.size[0] > 400 * MM


def test_an_arch_is_bent_not_folded() -> None:
    pattern = unfold(bridge(camber=0.03), 0.4 * MM, "card")
    top = next(p for p in pattern.pieces if "top" in p.faces)
    assert sum(f.kind == "bend" for f in top.folds) == 63
    # the arch leaves the wall at a slope: there it is folded, towards who looks at the top
    assert [f.kind for f in top.folds if f.kind != "bend" and abs(f.angle) < 1.0] == ["valley"]


def test_inner_corner_is_a_valley() -> None:
    pattern = unfold(MESHES["angle"], 0.4 * MM, "card")
    kinds = [(f.kind, round(np.degrees(f.angle))) for p in pattern.pieces for f in p.folds]
    assert set(kinds) <= {("mountain", 90), ("valley", -90)}
    folded = sum(k == "valley" for k, _ in kinds)
    joint = sum(c.angle < 0 for p in pattern.pieces for c in p.cuts)
    assert folded + joint / 2 == 1


def test_a_straight_bridge_has_a_tab_for_every_joint() -> None:
    assert unfold(bridge(), 0.4 * MM, "card").untabbed == ()
    assert unfold(angle_bridge(), 0.4 * MM, "card").untabbed == ()


@pytest.mark.parametrize("thickness", [2 * MM, 3 * MM, 5 * MM])
@pytest.mark.parametrize("size", [(0.3, 0.05, 0.02), (0.2, 0.1, 0.06)])
def test_panels_of_board_fill_the_shell_of_a_box(size: tuple, thickness: float) -> None:
    pattern = unfold(trimesh.creation.box(size), thickness, "board")
    # by hand: boards that neither overlap nor leave a gap fill the box less its cavity
    inside = np.prod(np.array(size) - 2 * thickness)
    assert len(pattern.pieces) == 6
    assert sum(map(area_of, pattern.pieces)) * thickness == pytest.approx(np.prod(size) - inside, rel=1e-9)


def test_panels_of_board_fill_the_shell_of_an_angle() -> None:
    t, long = 3 * MM, 0.43
    pattern = unfold(angle_bridge(), t, "board")
    # the cavity by shapely: the outline moved inwards with sharp corners
    outline = Polygon(ANGLE)
    inside = outline.buffer(-t, join_style="mitre").area * (long - 2 * t)
    assert sum(map(area_of, pattern.pieces)) * t == pytest.approx(outline.area * long - inside, rel=1e-9)
    assert "runs under its neighbour" in " ".join(pattern.notes)


def test_board_covers_as_it_says() -> None:
    t = 3 * MM
    sizes = {p.name: sorted(np.array(p.size) / MM) for p in unfold(bridge(), t, "board").pieces}
    # by hand: slab of 430 x 50 x 12 mm
    assert sizes["top"] == pytest.approx([50, 430])
    assert sizes["left side"] == pytest.approx([12 - 3, 430])
    assert sizes["right side"] == pytest.approx([12 - 3, 430])
    assert sizes["underside"] == pytest.approx([50 - 6, 430 - 6])
    assert sizes["front end"] == pytest.approx([12 - 3, 50 - 6])
    assert sizes["into the wall"] == pytest.approx([12 - 3, 50 - 6])


def test_board_of_an_arch_follows_the_arch() -> None:
    t = 3 * MM
    build = bridge(camber=0.03)
    pieces = {p.name: p for p in unfold(build, t, "board").pieces}
    side = pieces["left side"]
    # the side lies under the bent top: its upper rim is everywhere t below the drawn one
    drawn = next(p for p in unfold(build, 0.4 * MM, "card").pieces if p.name == "left side")
    lost = Polygon(drawn.outline).area - Polygon(side.outline).area
    s = np.linspace(0.0, 0.4, 2001)
    arc = np.hypot(np.diff(s), np.diff(4 * 0.03 * s / 0.4 * (1 - s / 0.4))).sum()
    assert lost == pytest.approx((arc + BURIED) * t, rel=0.01)


def test_fold_growth_of_a_rounded_fold() -> None:
    # by hand: the corner's two outer legs of t each, less the quarter circle of the middle fibre, pi/2 * t/2
    assert fold_growth(np.pi / 2, 1 * MM) == pytest.approx((2 - np.pi / 4) * MM)
    assert fold_growth(0.0, 1 * MM) == 0.0


def test_pieces_keep_to_the_sheet() -> None:
    mesh = MESHES["icosahedron"]
    whole = unfold(mesh, 0.4 * MM, "card")
    small = unfold(mesh, 0.4 * MM, "card", sheet=(0.05, 0.07))
    assert len(whole.pieces) == 1
    assert len(small.pieces) > 2
    for piece in small.pieces:
        box = Polygon(piece.outline).minimum_rotated_rectangle
        sides = np.linalg.norm(np.diff(np.asarray(box.exterior.coords)[:3], axis=0), axis=1)
        assert min(sides) <= 0.05 + 1e-9
        assert max(sides) <= 0.07 + 1e-9


def test_order_of_triangles_does_not_change_the_skin() -> None:
    mesh = MESHES["angle"]
    turned = trimesh.Trimesh(mesh.vertices, mesh.faces[::-1], process=False)
    one, other = unfold(mesh, 0.4 * MM, "card"), unfold(turned, 0.4 * MM, "card")
    assert len(one.pieces) == len(other.pieces)
    again = unfold(mesh, 0.4 * MM, "card")
    for a, b in zip(one.pieces, again.pieces, strict=True):
        assert np.array_equal(a.outline, b.outline)
        assert all(np.array_equal(s.outline, t.outline) for s, t in zip(a.tabs, b.tabs, strict=True))


def test_cylinder_rolls_out() -> None:
    (piece,) = unfold(MESHES["cylinder"], 0.4 * MM, "card").pieces
    # by hand: a wrap of 72 chords and two polygons of 72 corners
    chord = 2 * 0.03 * np.sin(np.pi / 72)
    disc = 0.5 * 72 * 0.03**2 * np.sin(2 * np.pi / 72)
    assert area_of(piece) == pytest.approx(72 * chord * 0.2 + 2 * disc, rel=1e-9)


@pytest.mark.parametrize(
    ("model", "thickness", "material", "words"),
    [
        (bridge(), 3 * MM, "card", "cannot be scored and folded"),
        (bridge(), 0.0, "board", "cannot be cut"),
        (bridge(), 25.1 * MM, "board", "too thick"),
        (trimesh.creation.icosphere(3, 0.1), 0.4 * MM, "card", "1280 flat faces"),
        (trimesh.Trimesh(MESHES["box"].vertices, MESHES["box"].faces[1:], process=False), 0.4 * MM, "card", "3 open"),
    ],
)
def test_what_cannot_be_unfolded_is_said(model, thickness: float, material, words: str) -> None:
    with pytest.raises(BuildError, match=words) as caught:
        unfold(model, thickness, material)
    assert "\n" not in str(caught.value)


def as_bridge(mesh: trimesh.Trimesh):
    raw = RawMesh(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64), None, None, None)
    return modelled.bridge(raw, "given.glb", 2 * MM, "#c8b08a")


def prism(ring: np.ndarray, height: float, axes: list[list[float]]) -> trimesh.Trimesh:
    """A prism over a simple ring (N, 2), triangulated by shapely, its axes turned into the set's."""
    where = {tuple(np.round(p, 12)): i for i, p in enumerate(ring)}
    cells = constrained_delaunay_triangles(Polygon(ring)).geoms
    faces = [[where[tuple(np.round(c, 12))] for c in np.asarray(cell.exterior.coords)[:3]] for cell in cells]
    mesh = trimesh.creation.extrude_triangulation(ring, np.array(faces), height)
    turned = trimesh.Trimesh(mesh.vertices @ np.array(axes), mesh.faces, process=False)
    return turned if turned.volume > 0.0 else trimesh.Trimesh(turned.vertices, turned.faces[:, ::-1], process=False)


LYING = [[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]
ON_EDGE = [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]


def piece_sizes(pattern: Pattern) -> dict[str, tuple[float, float]]:
    return {piece.name: tuple(round(v / MM, 2) for v in piece.size) for piece in pattern.pieces}


def checked(mesh: trimesh.Trimesh, thickness: float = 0.4 * MM) -> Pattern:
    """Unfolded in card: every edge as long as the mesh's, and the whole skin there, by trimesh."""
    build = as_bridge(mesh)
    pattern = unfold(build, thickness, "card")
    assert worst_edge(pattern, build.surface.vertices) < TRUE
    assert sum(map(area_of, pattern.pieces)) == pytest.approx(mesh.area, rel=1e-6)
    return pattern


def test_a_hexagonal_deck_is_cut_flat() -> None:
    angle = np.radians(60.0 * np.arange(6) + 30.0)
    mesh = prism(0.12 * np.column_stack([np.cos(angle), np.sin(angle)]), 14 * MM, LYING)
    mesh.apply_translation([0.0, 0.0, 0.08])
    checked(mesh)
    sizes = piece_sizes(unfold(as_bridge(mesh), 3 * MM, "board"))
    # a regular hexagon of 120 mm sides: 240 mm from corner to corner, 120 sqrt 3 from side to side
    assert sizes["top"] == pytest.approx((240.0, 120.0 * np.sqrt(3.0)), abs=0.02)
    # the underside is covered by six sides of 3 mm that stand square on it: each corner at 60 degrees moves in by
    # 3 / cos 30
    assert sizes["underside"] == pytest.approx((240.0 - 12.0 / np.sqrt(3.0), 120.0 * np.sqrt(3.0) - 6.0), abs=0.02)
    assert len(sizes) == 8


def test_stairs_are_cut_flat() -> None:
    outline = [(-30.0, 0.0)]
    for step in range(3):
        outline += [(100.0 * (step + 1), -9.0 * step), (100.0 * (step + 1), -9.0 * (step + 1))]
    mesh = prism(np.array([*outline, (400.0, -27.0), (400.0, -60.0), (-30.0, -60.0)]) * MM, 60 * MM, ON_EDGE)
    checked(mesh)
    sizes = list(piece_sizes(unfold(as_bridge(mesh), 3 * MM, "board")).values())
    # three treads of 100 x 60 mm, the first with 30 mm of it in the wall
    assert sorted(size for size in sizes if size[1] == 60.0) == [(100.0, 60.0)] * 3 + [(130.0, 60.0)]
    assert sum(size[0] == 430.0 for size in sizes) == 2
    # risers of 9 mm lie between the sides
    assert [size for size in sizes if size[1] == 9.0] == [(54.0, 9.0)] * 3


def test_a_riser_lower_than_the_board_is_left_out_and_said() -> None:
    # one riser of 9 mm, one of 2 mm that the board of 3 mm above it covers whole
    outline = [(-30.0, 0.0), (100.0, 0.0), (100.0, -9.0), (200.0, -9.0), (200.0, -11.0), (300.0, -11.0)]
    mesh = prism(np.array([*outline, (300.0, -60.0), (-30.0, -60.0)]) * MM, 60 * MM, ON_EDGE)
    thin, thick = unfold(as_bridge(mesh), 1 * MM, "board"), unfold(as_bridge(mesh), 3 * MM, "board")
    assert not any("left out" in note for note in thin.notes)
    assert len(thick.pieces) == len(thin.pieces) - 1
    (note,) = [note for note in thick.notes if "left out" in note]
    assert note.count(",") == 2  # one name
    risers = [size for size in piece_sizes(thick).values() if size[0] == 54.0]
    assert (54.0, 9.0) in risers
    assert (54.0, 2.0) not in risers
    # where a good part of the surface would be missing, the board is refused
    with pytest.raises(BuildError, match="too thick"):
        unfold(as_bridge(mesh), 31 * MM, "board")


def test_a_curved_parapet_is_one_strip() -> None:
    angle = np.linspace(-0.1, 0.9, 25)
    rim = np.column_stack([np.cos(angle), np.sin(angle)])
    def arc(inner: float, outer: float) -> np.ndarray:
        return np.concatenate([outer * rim, inner * rim[::-1]]) - (0.5, 0.0)
    deck = prism(arc(0.47, 0.53), 12 * MM, LYING)
    parapet = prism(arc(0.522, 0.53), 30 * MM, LYING)
    flipped = np.diag([1.0, -1.0, -1.0, 1.0])
    for part, level in ((deck, 12 * MM), (parapet, 34 * MM)):
        part.apply_transform(flipped)
        part.apply_translation([0.0, -part.bounds[1, 1] + level - 12 * MM, 0.0])
    mesh = trimesh.util.concatenate([deck, parapet])
    pattern = checked(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False))
    # chords of a circle: 24 times 2 r sin(half the step)
    long = {r: 24 * 2.0 * r * np.sin(0.5 * (angle[1] - angle[0])) / MM for r in (0.522, 0.53)}
    strips = [piece for piece in pattern.pieces if len(piece.folds) >= 22]
    found = sorted(tuple(round(v / MM, 2) for v in piece.size) for piece in strips)
    for r, high in ((0.53, 30.0), (0.522, 30.0)):
        assert any(size[1] == pytest.approx(high, abs=0.02) and size[0] >= long[r] - 0.02 for size in found), found
    assert all(fold.kind == "bend" for piece in strips for fold in piece.folds if abs(fold.angle) < np.radians(6.0))
    notes = " ".join(pattern.notes)
    assert "The mesh is 2 closed parts" in notes
    assert "One pair of parts runs into one another" in notes
