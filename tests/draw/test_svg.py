"""Drawings at true size: SVG read by svgelements and by a rasteriser's rules, DXF by ezdxf; lengths to 0.01 mm."""

import io
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from shapely import Polygon

from previz.deliver.export.setdrawings import cut_drawing, elevation_drawing, plan_drawing
from previz.draw.drawnset import drawn_set
from previz.draw.dxf import dxf_text
from previz.draw.flatdrawing import INKS, FlatDrawing, Words, dimension, line
from previz.draw.svgdrawing import svg_text
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.workshop.pattern.pieces import Cut
from previz.workshop.pattern.unfold import Pattern, unfold
from previz.workshop.set import build_bridge, build_set, build_wall
from tests.command.scenes import laid

# what a cutter must keep to
TRUE_MM = 0.01


@pytest.fixture(scope="module")
def patterns(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Pattern]:
    """The small scene's bridge, tapered and arched, as board and as card."""
    path = laid(
        tmp_path_factory.mktemp("set"), ('width = "50 mm"\n', 'width = "50 mm"\ntaper = 0.7\ncamber = "20 mm"\n')
    )
    scene = read_scene(path)
    wall, _ = build_wall(scene)
    bridge = build_bridge(scene, wall, 0.001)
    return {"board": unfold(bridge, 0.003, "board"), "card": unfold(bridge, 0.0004, "card")}


def svg_lines(text: str) -> dict[str, list[np.ndarray]]:
    """Points (N, 2) mm of every path by layer, as svgelements has them at 25.4 pixels an inch."""
    svgelements = pytest.importorskip("svgelements")
    # at 25.4 pixels an inch one pixel is one millimetre
    svg = svgelements.SVG.parse(io.StringIO(text), ppi=25.4)
    out: dict[str, list[np.ndarray]] = {}
    for group in svg:
        if not isinstance(group, svgelements.Group):
            continue
        for path in group:
            if isinstance(path, svgelements.Path):
                points = [path.first_point, *(segment.end for segment in path.segments()[1:])]
                out.setdefault(group.id, []).append(np.array([[p.x, p.y] for p in points]))
    return out


def dxf_lines(text: str, folder: Path) -> dict[str, list[np.ndarray]]:
    """Points (N, 2) of every polyline by layer, as ezdxf has them; closed ones return to their first."""
    ezdxf = pytest.importorskip("ezdxf")
    path = folder / "drawing.dxf"
    path.write_text(text, encoding="ascii")
    file = ezdxf.readfile(path)
    judged = file.audit()
    assert (file.dxfversion, judged.errors, judged.fixes) == ("AC1009", [], [])
    # $INSUNITS 4: millimetres
    assert (file.units, file.header["$MEASUREMENT"]) == (ezdxf.units.MM, 1)
    out: dict[str, list[np.ndarray]] = {}
    for entity in file.modelspace().query("POLYLINE"):
        points = np.array([[v.dxf.location.x, v.dxf.location.y] for v in entity.vertices])
        if entity.is_closed:
            points = np.vstack([points, points[:1]])
        out.setdefault(entity.dxf.layer.lower(), []).append(points)
    return out


def lengths(lines: list[np.ndarray]) -> np.ndarray:
    """Every straight piece's length, sorted."""
    return np.sort(np.concatenate([np.linalg.norm(np.diff(points, axis=0), axis=1) for points in lines]))


def cut_lengths(pattern: Pattern) -> np.ndarray:
    """What the pattern says is to be cut, mm: rims but for tabbed edges, and round every tab."""
    out = [1e3 * float(np.linalg.norm(c.end - c.start)) for p in pattern.pieces for c in p.cuts if not c.tabbed]
    for piece in pattern.pieces:
        for tab in piece.tabs:
            way = np.concatenate([tab.base[1:], tab.outline[-2:], tab.base[:1]])
            out += (1e3 * np.linalg.norm(np.diff(way, axis=0), axis=1)).tolist()
    return np.sort(np.array(out))


@pytest.mark.parametrize("material", ["board", "card"])
def test_cut_lines_are_true_in_svg_and_dxf(patterns: dict[str, Pattern], material: str, tmp_path: Path) -> None:
    pattern = patterns[material]
    drawing = cut_drawing("Walk", pattern)
    wanted = cut_lengths(pattern)
    for found in (svg_lines(svg_text(drawing)), dxf_lines(dxf_text(drawing), tmp_path)):
        got = lengths(found["cut"])
        assert len(got) == len(wanted)
        assert np.abs(got - wanted).max() < TRUE_MM
        folds = [f for p in pattern.pieces for f in p.folds]
        bent = sum(f.kind == "bend" for f in folds)
        assert len(found.get("bend", [])) == bent
        assert len(found["mark"]) == sum(len(p.marks) for p in pattern.pieces)


def test_a_board_as_drawn_has_the_area_of_its_piece(patterns: dict[str, Pattern]) -> None:
    pattern = patterns["board"]
    rings = svg_lines(svg_text(cut_drawing("Walk", pattern)))["cut"]
    areas = sorted(Polygon(ring).area for ring in rings)
    assert areas == pytest.approx(sorted(1e6 * Polygon(p.outline).area for p in pattern.pieces), abs=0.5)


def test_pieces_do_not_touch(patterns: dict[str, Pattern]) -> None:
    for pattern in patterns.values():
        drawing = cut_drawing("Walk", pattern)
        high = 0.0
        for piece in pattern.pieces:
            _, low, _, top = piece.bounds
            high += 1e3 * (top - low)
        assert drawing.bounds_mm[3] - drawing.bounds_mm[1] > high + 24.0 * len(pattern.pieces)


def test_the_svg_is_as_large_as_it_says(patterns: dict[str, Pattern]) -> None:
    drawing = cut_drawing("Walk & <slate>", patterns["board"])
    root = ElementTree.fromstring(svg_text(drawing))
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    assert (left, top) == (0.0, 0.0)
    assert root.attrib["width"] == f"{root.attrib['viewBox'].split()[2]}mm"
    assert root.attrib["height"] == f"{root.attrib['viewBox'].split()[3]}mm"
    for lines in svg_lines(svg_text(drawing)).values():
        for points in lines:
            assert (points >= 0.0).all()
            assert (points <= (width, height)).all()


def test_a_wrong_scale_would_be_found(patterns: dict[str, Pattern]) -> None:
    text = svg_text(cut_drawing("Walk", patterns["board"]))
    root = ElementTree.fromstring(text)
    wide = root.attrib["width"]
    stretched = text.replace(f'width="{wide}"', f'width="{1.002 * float(wide[:-2]):.4f}mm"', 1)
    stretched = stretched.replace("<svg ", '<svg preserveAspectRatio="none" ', 1)
    got = lengths(svg_lines(stretched)["cut"])
    assert np.abs(got - cut_lengths(patterns["board"])).max() > TRUE_MM


def test_plan_and_elevation_measure_what_the_scene_says(tmp_path: Path) -> None:
    scene = read_scene(laid(tmp_path))
    drawing = drawn_set(move_of(scene), build_set(scene, 0.001).wall)
    plan, elevation = plan_drawing("Walk", drawing), elevation_drawing("Walk", drawing)
    for found in (svg_lines(svg_text(plan)), dxf_lines(dxf_text(plan), tmp_path)):
        # 700 x 50 mm of bridge, 1800 mm of wall, 60 mm of rail
        assert np.ptp(found["bridge"][0], axis=0) == pytest.approx([700.0, 50.0], abs=TRUE_MM)
        assert np.ptp(found["wall"][0], axis=0)[1] == pytest.approx(1800.0, abs=TRUE_MM)
        assert lengths([found["rail"][0]]).sum() == pytest.approx(60.0, abs=TRUE_MM)
        # the axis of view runs from the lens to the wall's plane: 1250 mm
        assert max(np.ptp(line_, axis=0)[0] for line_ in found["view"]) == pytest.approx(1250.0, abs=TRUE_MM)
    for found in (svg_lines(svg_text(elevation)), dxf_lines(dxf_text(elevation), tmp_path)):
        assert np.ptp(found["bridge"][0], axis=0) == pytest.approx([700.0, 12.0], abs=TRUE_MM)
        assert np.ptp(found["wall"][0], axis=0)[1] == pytest.approx(1400.0, abs=TRUE_MM)
    said = {words.text.split(" / ")[0] for words in (*plan.words, *elevation.words) if words.layer == "dimensions"}
    assert {"700.0 mm", "1250.0 mm", "50.0 mm", "1800.0 mm", "160.0 mm", "12.0 mm"} <= said


def test_dimension_lines_are_as_long_as_they_say() -> None:
    for start, end, along, wanted in [
        ((0, 0), (30, 40), None, 50.0), ((0, 0), (30, 40), (1, 0), 30.0), ((0, 0), (30, 40), (0, 1), 40.0),
        ((30, 40), (0, 0), (0, 1), 40.0), ((5, 5), (-20, 5), None, 25.0),
    ]:  # fmt: skip
        for away in (12.0, -12.0):
            lines, words = dimension(start, end, away, 3.0, along)
            assert np.linalg.norm(np.diff(lines[0].points, axis=0)) == pytest.approx(wanted)
            assert words.text.startswith(f"{wanted:.1f} mm / ")
            # 3 mm high, they are longer than 25 to 50 mm or not; the longer ones stand clear of the line's middle
            middle = lines[0].points.mean(axis=0)
            aside = np.linalg.norm(np.asarray(words.at) - middle)
            assert (aside > 0.5 * words.long_mm) == (words.long_mm + 1.5 > wanted)
            # never upside down
            assert -90.0 < words.turn_deg <= 90.0


@pytest.mark.parametrize("material", ["board", "card"])
def test_words_on_pieces_do_not_lie_on_one_another(patterns: dict[str, Pattern], material: str) -> None:
    pattern = patterns[material]
    # a thin bridge's ends are 9 mm high: name and letters found no room one above the other
    drawing = cut_drawing("Walk", pattern)
    boxes = [_box(words) for words in drawing.words]
    touching = [
        (drawing.words[a].text, drawing.words[b].text)
        for a in range(len(boxes)) for b in range(a)
        if boxes[a].intersects(boxes[b])
    ]  # fmt: skip
    assert touching == []
    # every letter of a joint is there, and every piece is named
    said = [words.text for words in drawing.words]
    for number, piece in enumerate(pattern.pieces, 1):
        assert any(text.startswith(f"piece {number}: ") and piece.name in text for text in said)
        for label in piece.labels:
            assert label.kind == "face" or label.text in said


def _box(words: Words) -> Polygon:
    """Where words lie: capitals of their height, each letter 0.62 of it wide (common practice, no source)."""
    half = np.array([0.31 * len(words.text), 0.5]) * words.high_mm
    turn = np.radians(words.turn_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return Polygon(corners @ axes + words.at)


@pytest.mark.parametrize(
    ("at", "turn", "near"),
    [((0.0, 5.0), 0.0, False), ((0.0, 0.9), 0.0, True), ((7.0, 0.0), 0.0, False), ((5.5, 0.0), 0.0, True),
     ((3.3, 2.4), 90.0, True), ((3.3, 2.4), 0.0, False), ((0.0, 4.2), 45.0, False), ((0.0, 2.0), 45.0, True)],
)  # fmt: skip
def test_words_touch_where_their_boxes_do(at: tuple[float, float], turn: float, near: bool) -> None:
    one, other = Words("words", "abcdefghij", (0.0, 0.0), 1.0), Words("words", "abcdefghij", at, 1.0, turn)
    assert one.touches(other, 0.0) == other.touches(one, 0.0) == _box(one).intersects(_box(other)) == near


def test_words_survive_in_both(tmp_path: Path) -> None:
    ezdxf = pytest.importorskip("ezdxf")
    words = (Words("words", 'ä & <b> "q"\nnext', (3.0, 4.0), 2.0, 30.0),)
    drawing = FlatDrawing("T", (line("cut", [[0, 0], [10, 0]]),), words)
    texts = [element.text for element in ElementTree.fromstring(svg_text(drawing)).iter() if element.text]
    assert 'ä & <b> "q"\nnext' in texts
    path = tmp_path / "a.dxf"
    path.write_text(dxf_text(drawing), encoding="ascii")
    (text,) = ezdxf.readfile(path).modelspace().query("TEXT")
    assert ezdxf.lldxf.encoding.decode_dxf_unicode(text.dxf.text) == 'ä & <b> "q" next'
    assert (text.dxf.align_point.x, text.dxf.align_point.y, text.dxf.rotation) == (3.0, 4.0, 30.0)


def test_every_layer_is_known() -> None:
    with pytest.raises(ValueError, match="no layer"):
        line("ceiling", [[0, 0], [1, 1]])
    assert all(name.replace("-", "").isalpha() for name in INKS)


def test_same_input_same_bytes(patterns: dict[str, Pattern]) -> None:
    assert isinstance(patterns["card"].pieces[0].cuts[0], Cut)
    drawing = cut_drawing("Walk", patterns["card"])
    assert svg_text(drawing) == svg_text(cut_drawing("Walk", patterns["card"]))
    assert dxf_text(drawing) == dxf_text(cut_drawing("Walk", patterns["card"]))
