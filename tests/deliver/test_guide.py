"""The painting guide, read back from its PDF by other libraries and measured."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pdfplumber
import pytest
from scipy.spatial import cKDTree

from previz.deliver.paint.guide import Guide, GuideFace, GuideString, GuideWall, PaintSwatch, guide_pdf
from previz.deliver.paint.regions import TRUE_WITHIN, boundaries, inside_outline, regions
from previz.draw.paper import TitleBlock
from previz.draw.pdf import PaperName
from previz.errors import OutputError
from tests.deliver.pdf_lengths import (
    MM,
    TRUE_WITHIN_MM,
    bar_faults,
    crosses,
    opened,
    outline_faults,
    outlines,
    rendered,
    scaled,
    strokes,
)

BLOCK = TitleBlock("Quarry walk", "1:20", "2026-11-20", "guide")
SWATCHES = tuple(
    PaintSwatch(i, (20 * i, 18 * i, 15 * i), (7.0 * i, 1.0, 3.0), f"{i} parts raw umber, 1 part titanium white")
    for i in range(1, 5)
)
CODES = np.array([(255, 255, 255), *(s.code for s in SWATCHES)], dtype=np.uint8)


def patches(height: float, width: float, texel: float, count: int, seed: int) -> np.ndarray:
    """Labels 1 to 4 in about ``count`` patches around random places."""
    h, w = int(np.ceil(height / texel - 1e-9)), int(np.ceil(width / texel - 1e-9))
    rng = np.random.default_rng(seed)
    seeds = rng.uniform(0.0, 1.0, (count, 2)) * (height, width)
    places = (np.stack(np.mgrid[:h, :w], axis=-1) + 0.5).reshape(-1, 2) * texel
    return (cKDTree(seeds).query(places)[1] % 4 + 1).reshape(h, w).astype(np.int16)


def face(
    name: str = "top",
    size: tuple[float, float] = (0.062, 0.85),
    texel: float = 0.5e-3,
    count: int = 80,
    region: np.ndarray | None = None,
    code: np.ndarray | None = None,
) -> GuideFace:
    w, h = size
    if region is None:
        region = patches(h, w, texel, count, 5)
    return GuideFace(
        name=name,
        code=CODES[region] if code is None else code,
        region=region,
        size=size,
        outline=np.array([[0.0, 0.0], [0.0, h], [w, h], [w, 0.0]]),
        rightwards="to camera right",
        downwards="towards the camera",
        seen=np.ones(region.shape, dtype=bool),
        texel=texel,
        marks=(("A", 0.02, 0.015),),
    )


def wall(size: tuple[float, float] = (0.15, 0.12)) -> GuideWall:
    region = patches(size[1], size[0], 1e-3, 30, 9)
    outline = np.array([[-0.031, 0.0], [-0.05, -0.06], [0.06, -0.06], [0.031, 0.0], [-0.031, 0.0]])
    return GuideWall(CODES[region], -size[0] / 2, 0.05, size, (outline,), (("A", -0.0125, -0.043),))


STRINGS = (
    GuideString("left edge, 50 mm from the sill", (0.02, 0.16, 1.25), (-0.031, 0.0, 0.05), (-0.0345, -0.0067, 0.0)),
    GuideString("near right corner", (0.02, 0.16, 1.25), (0.031, 0.0, 0.85), None),
)


def guide(*faces: GuideFace, **changes: object) -> Guide:
    return replace(Guide(BLOCK, faces, wall(), SWATCHES, STRINGS, ("It holds over 22 mm of rail.",)), **changes)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def long_a4() -> bytes:
    return guide_pdf(guide(face(), face("left side", (0.012, 0.85))), "a4")


SMALL = (0.0601, 0.0402)  # not whole texels


@pytest.fixture(scope="module")
def small_a4() -> bytes:
    return guide_pdf(guide(face(size=SMALL, count=30)), "a4")


# ---- true size


def test_bars_are_true_on_every_sheet(long_a4: bytes) -> None:
    assert bar_faults(long_a4) == []


@pytest.mark.parametrize("paper", ["letter", "roll"])
def test_bars_are_true_on_other_paper(paper: PaperName) -> None:
    assert bar_faults(guide_pdf(guide(face(size=SMALL, count=9)), paper)) == []


def test_a_face_is_true_to_size(small_a4: bytes) -> None:
    # colour, numbers, lines
    assert outline_faults(small_a4, (60.1, 40.2), 3) == []


@pytest.mark.parametrize("factor", [0.99, 0.995, 1.002])
def test_a_scaled_print_is_found_out(small_a4: bytes, factor: float) -> None:
    spoilt = scaled(small_a4, factor)
    with opened(small_a4) as pdf:
        pages = len(pdf.pages)
    assert len(bar_faults(spoilt)) == 2 * pages
    assert outline_faults(spoilt, (60.1, 40.2), 3) != []


def test_scaling_by_one_is_no_fault(small_a4: bytes) -> None:
    same = scaled(small_a4, 1.0)
    assert bar_faults(same) == []
    assert outline_faults(same, (60.1, 40.2), 3) == []


def test_pictures_cover_whole_texels(small_a4: bytes) -> None:
    with opened(small_a4) as pdf:
        page = next(p for p in pdf.pages if "Faces as colour" in (p.extract_text() or ""))
        (picture,) = page.images
        outline = min((o for o in outlines(page) if np.abs(np.ptp(o, axis=0) - (60.1, 40.2)).max() < 0.1), key=len)
    wide, high = picture["srcsize"]
    assert (picture["x1"] - picture["x0"]) * MM == pytest.approx(wide * 0.5, abs=1e-3)
    assert (picture["bottom"] - picture["top"]) * MM == pytest.approx(high * 0.5, abs=1e-3)
    # its grid starts at the face's corner: a whole number of texels before it
    before = (outline[:, 0].min() - picture["x0"] * MM) / 0.5
    assert before == pytest.approx(round(before), abs=1e-3)


@pytest.mark.parametrize(("factor", "true"), [(1.0, True), (0.995, False), (1.002, False)])
def test_a_printed_chequer_measures_true(factor: float, true: bool) -> None:
    # squares of 10 texels of 0.25 mm, so of 2.5 mm
    texel, size = 0.25e-3, (0.06, 0.04)
    rows, columns = np.mgrid[:160, :240] // 10
    light = ((rows + columns) % 2).astype(np.uint8) * 120 + 60
    region = np.ones((160, 240), dtype=np.int16)
    chequer = face(size=size, texel=texel, region=region, code=np.repeat(light[..., None], 3, axis=-1))
    data = guide_pdf(guide(replace(chequer, marks=())), "a4")
    with opened(data) as pdf:
        number = next(i for i, p in enumerate(pdf.pages) if "Faces as colour" in (p.extract_text() or ""))
        outline = next(o for o in outlines(pdf.pages[number]) if np.abs(np.ptp(o, axis=0) - (60.0, 40.0)).max() < 0.1)
    (left, top), dpi = outline.min(axis=0), 1200.0
    page = rendered(scaled(data, factor), number, dpi)
    px_per_mm = dpi / 25.4
    # scaling is about the paper's lower left corner
    row = round((297.0 - (297.0 - top - 21.25) * factor) * px_per_mm)
    line = page[row, round((left - 1) * factor * px_per_mm) : round((left + 61) * factor * px_per_mm)].astype(int)
    steps = np.flatnonzero(np.abs(np.diff(line)) > 60) / px_per_mm
    # without the bleed's and the outline's own steps: 22 inner edges of the squares
    inner = steps[(steps > 1.0 + 1.5) & (steps < 60.0)]
    inner = inner[np.insert(np.diff(inner) > 0.5, 0, True)]
    assert len(inner) == 23
    measured = inner[-1] - inner[0]
    assert (abs(measured - 22 * 2.5) <= TRUE_WITHIN_MM) == true
    if true:
        assert np.abs(np.diff(inner) - 2.5).max() <= TRUE_WITHIN_MM


# ---- parts and register


def band_face() -> GuideFace:
    """A long face whose paint tells how far down it one is: a band every 10 mm, its grey its number."""
    texel = 0.5e-3
    bands = np.repeat(np.arange(85), 20)
    # neighbours differ by at least 40 greys and no two bands are alike
    grey = np.where(bands % 2 == 0, 40 + bands // 2, 150 + bands // 2).astype(np.uint8)
    code = np.broadcast_to(grey[:, None, None], (1700, 124, 3))
    region = np.ones((1700, 124), dtype=np.int16)
    return replace(face(texel=texel, region=region, code=np.ascontiguousarray(code)), marks=())


def test_crosses_of_neighbouring_parts_are_one_point() -> None:
    data = guide_pdf(guide(band_face()), "a4")
    dpi = 1200.0
    px_per_mm = dpi / 25.4
    places: dict[float, list[float]] = {}
    parts = 0
    with opened(data) as pdf:
        for number, page in enumerate(pdf.pages):
            if "Faces as colour" not in (page.extract_text() or ""):
                continue
            picture = rendered(data, number, dpi)
            found = crosses(page)
            for image in page.images:
                parts += 1
                left, right = image["x0"] * MM, image["x1"] * MM
                column = picture[:, round((left + right) / 2.0 * px_per_mm)].astype(int)
                beside = {round(y, 3) for x, y in found if min(abs(x - left), abs(x - right)) < 5.0}
                steps = np.flatnonzero(np.abs(np.diff(column)) > 30)
                for y in beside:
                    # the nearest edge between two bands, read by their greys
                    near = steps[np.argsort(np.abs(steps / px_per_mm - y))]
                    for step in near:
                        above, below = column[step - 8], column[step + 9]
                        if max(above, below) < 200 and abs(above - below) > 60:
                            band = 2 * (below - 40) if below < 100 else 2 * (below - 150) + 1
                            on_face = 10.0 * band + (y - (step + 1) / px_per_mm)
                            places.setdefault(round(on_face), []).append(on_face)
                            break
    assert parts >= 4
    assert len(places) == parts - 1
    for seen in places.values():
        assert len(seen) == 2
        assert abs(seen[0] - seen[1]) <= TRUE_WITHIN_MM


def set_places(page: pdfplumber.page.Page) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Set coordinates (mm) of a wall sheet's register crosses and ringed marks, by its numbered grid lines only."""
    lines = [s for s in strokes(page) if s.length > 40.0]
    words = page.extract_words()
    offsets: dict[str, list[float]] = {"x": [], "y": []}
    for axis, number in pairwise(words):
        if axis["text"] not in offsets or not re.fullmatch(r"[+-]?\d+", number["text"]):
            continue
        value = float(number["text"])
        if axis["text"] == "x":
            at = min((s.x0 for s in lines if s.upright), key=lambda x: abs(x - (axis["x0"] * MM - 1.0)))
            offsets["x"].append(value - at)
        else:
            at = min((s.y0 for s in lines if s.level), key=lambda y: abs(y - axis["bottom"] * MM))
            offsets["y"].append(value + at)
    assert all(len(v) > 1 and np.ptp(v) < 0.01 for v in offsets.values())
    dx, dy = offsets["x"][0], offsets["y"][0]
    rings = [o for o in outlines(page) if np.abs(np.ptp(o, axis=0) - 3.2).max() < 0.05]
    middles = [(o.min(axis=0) + o.max(axis=0)) / 2.0 for o in rings]
    return [(x + dx, dy - y) for x, y in crosses(page)], [(float(x) + dx, dy - float(y)) for x, y in middles]


def test_wall_parts_share_their_crosses_and_marks_lie_where_they_should() -> None:
    data = guide_pdf(guide(face(size=SMALL, count=9), wall=wall((0.42, 0.36))), "a4")
    seen: list[tuple[float, float]] = []
    marks: list[tuple[float, float]] = []
    with opened(data) as pdf:
        pages = [p for p in pdf.pages if "Wall, lines" in (p.extract_text() or "")]
        assert len(pages) == 6
        for page in pages:
            on_page, rings = set_places(page)
            seen += on_page
            marks += rings
    tree = cKDTree(seen)
    # every cross stands on exactly one other sheet too (at the corners of four, its own two)
    assert all(len(tree.query_ball_point(place, TRUE_WITHIN_MM)) == 2 for place in seen)
    assert len(seen) == 28
    assert marks
    for place in marks:
        assert np.hypot(place[0] + 12.5, place[1] + 43.0) <= TRUE_WITHIN_MM


def test_the_bridge_on_the_wall_is_where_it_was_said() -> None:
    data = guide_pdf(guide(face(size=SMALL, count=9)), "roll")
    with opened(data) as pdf:
        page = next(p for p in pdf.pages if "Wall, lines" in (p.extract_text() or ""))
        wanted = np.array([(-31, 0), (-50, -60), (60, -60), (31, 0), (-31, 0)])
        frames = [o for o in outlines(page) if np.abs(np.ptp(o, axis=0) - (150.0, 120.0)).max() <= TRUE_WITHIN_MM]
        left, top = frames[0].min(axis=0)
        bridge = [o for o in outlines(page) if len(o) == 5 and abs(np.ptp(o[:, 0]) - 110.0) <= TRUE_WITHIN_MM]
    assert np.abs(bridge[0] - (left, top) - (wanted - (-75.0, 50.0)) * (1, -1)).max() <= TRUE_WITHIN_MM


# ---- paper


@pytest.mark.parametrize(
    ("paper", "size"),
    # ISO 216: A4 is 210 x 297 mm; US Letter is 8 1/2 x 11 in
    [("a4", {210.0, 297.0}), ("letter", {8.5 * 25.4, 11 * 25.4})],
)
def test_sheets_have_the_papers_size(paper: PaperName, size: set[float]) -> None:
    with opened(guide_pdf(guide(face()), paper)) as pdf:
        for page in pdf.pages:
            assert sorted((page.width * MM, page.height * MM)) == pytest.approx(sorted(size), abs=0.01)


def test_a_roll_takes_a_long_face_in_one_piece() -> None:
    data = guide_pdf(guide(face()), "roll", 0.610)
    with opened(data) as pdf:
        assert all(min(abs(p.width * MM - 610), abs(p.height * MM - 610)) < 0.01 for p in pdf.pages)
        assert "top, in one piece" in "".join(p.extract_text() or "" for p in pdf.pages)
        assert "part 2" not in "".join(p.extract_text() or "" for p in pdf.pages)
    assert outline_faults(data, (62.0, 850.0), 3) == []


def test_nothing_is_printed_near_the_papers_edge(long_a4: bytes) -> None:
    with opened(long_a4) as pdf:
        for page in pdf.pages:
            for char in page.chars:
                assert char["x0"] * MM >= 10.0 - 1e-3
                assert char["x1"] * MM <= 200.0 + 1e-3
                assert char["top"] * MM >= 9.0  # a letter's box is taller than the letter
                assert char["bottom"] * MM <= 288.0
        pages = len(pdf.pages)
    for number in range(pages):
        picture = rendered(long_a4, number, 96.0)
        px = int(9.7 * 96.0 / 25.4)
        rim = np.ones(picture.shape, dtype=bool)
        rim[px:-px, px:-px] = False
        assert (picture[rim] == 255).all()
        assert (picture < 100).any()


def test_viewers_are_asked_not_to_scale(small_a4: bytes) -> None:
    with opened(small_a4) as pdf:
        wish = pdf.doc.catalog["ViewerPreferences"].resolve()
    assert wish["PrintScaling"].name == "None"


def test_fonts_are_embedded(small_a4: bytes) -> None:
    with opened(small_a4) as pdf:
        names = {char["fontname"] for page in pdf.pages for char in page.chars}
    # a subset embedded in the file has a tag of six letters (ISO 32000-1:2008, 9.6.4)
    assert names
    assert all(re.match(r"[A-Z]{6}\+DejaVuSansMono", name) for name in names)


def test_same_guide_same_bytes(small_a4: bytes) -> None:
    assert guide_pdf(guide(face(size=SMALL, count=30)), "a4") == small_a4


@pytest.mark.parametrize("roll", [0.1, 6.0])
def test_an_impossible_roll_is_refused(roll: float) -> None:
    with pytest.raises(OutputError, match=r"roll \d+\.0 mm wide .* 210 mm to 5000 mm"):
        guide_pdf(guide(face()), "roll", roll)


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(OutputError, match=r'"a3".*a4, letter or roll'):
        guide_pdf(guide(face()), "a3")  # type: ignore[arg-type]


# ---- what it says


def test_page_map_leads_to_the_parts(long_a4: bytes) -> None:
    with opened(long_a4) as pdf:
        texts = [p.extract_text() or "" for p in pdf.pages]
    tiles = sorted(set(re.findall(r"top, part \d of \d", "".join(texts))))
    assert len(tiles) >= 4
    for tile in tiles:
        numbers = [i for i, text in enumerate(texts, 1) if tile in text]
        assert len(numbers) == 3
        assert " · ".join(map(str, numbers)) in texts[0]


def test_every_sheet_has_its_title_block(long_a4: bytes) -> None:
    with opened(long_a4) as pdf:
        for number, page in enumerate(pdf.pages, 1):
            block = page.crop((page.width / 2, page.height - 90, page.width, page.height)).extract_text()
            for words in ("Quarry walk", "1:20", "1:1", "2026-11-20", f"{number} of {len(pdf.pages)}"):
                assert words in block


def test_palette_and_strings_are_listed(small_a4: bytes) -> None:
    with opened(small_a4) as pdf:
        first, last = pdf.pages[0].extract_text(), pdf.pages[-1].extract_text()
        fills = {tuple(round(c * 255) for c in r["non_stroking_color"]) for r in pdf.pages[0].rects if r["fill"]}
    for swatch in SWATCHES:
        assert "#{:02x}{:02x}{:02x}".format(*swatch.code) in first
        assert swatch.recipe in first
        assert swatch.code in fills
    assert "It holds over 22 mm of rail." in first
    # by hand: -34.5 mm is 1.358 in, nearest sixteenth 1 3/8; sqrt(54.5^2 + 166.7^2 + 1250^2) = 1262.2
    assert "-34.5" in last
    assert '-1 3/8"' in last
    assert "1262.2" in last
    assert "meets no wall" in last


def test_an_unseen_face_is_called_so() -> None:
    hidden = replace(face(size=SMALL, count=9), seen=np.zeros((81, 121), dtype=bool))
    with opened(guide_pdf(guide(hidden), "a4")) as pdf:
        assert "never seen in the hold" in " ".join("".join(p.extract_text() for p in pdf.pages).split())


def test_faces_of_one_name_are_told_apart() -> None:
    with opened(guide_pdf(guide(face(size=SMALL, count=9), face(size=SMALL, count=9)), "a4")) as pdf:
        assert "top (2), in one piece" in "".join(p.extract_text() for p in pdf.pages)


def test_painted_wall_gets_its_own_sheets() -> None:
    base = wall()
    region = patches(0.12, 0.15, 1e-3, 40, 11)
    painted = replace(base, repainted=CODES[region], region=region)
    with opened(guide_pdf(guide(face(size=SMALL, count=9), wall=painted), "a4")) as pdf:
        text = "".join(p.extract_text() for p in pdf.pages)
    for words in ("Wall, as it is, in colour", "Wall, its new paint, in colour", "Wall by numbers"):
        assert words in text


# ---- numbered regions


def test_numbers_stand_in_regions_of_their_paint() -> None:
    texel = 0.25e-3
    region = patches(0.12, 0.15, texel, 60, 3)
    data = guide_pdf(guide(replace(face(size=(0.15, 0.12), texel=texel, region=region), marks=())), "a4")
    with opened(data) as pdf:
        page = next(p for p in pdf.pages if "Faces by numbers" in p.extract_text())
        frame = next(o for o in outlines(page) if np.abs(np.ptp(o, axis=0) - (150.0, 120.0)).max() < 0.1)
        left, top = frame.min(axis=0)
        found = 0
        for char in page.chars:
            x = (char["x0"] + char["x1"]) / 2.0 * MM - left
            y = (char["top"] + char["bottom"]) / 2.0 * MM - top
            if char["text"].isdigit() and 0 < x < 150 and 0 < y < 120:
                found += 1
                assert region[int(y / 0.25), int(x / 0.25)] == int(char["text"])
    # patches of one paint that touch make one region
    large = [r for r in regions(region, np.ones(region.shape, dtype=bool), texel) if r.radius > 1.5e-3]
    assert found >= len(large) > 20


@pytest.mark.parametrize("texel", [0.1e-3, 0.25e-3, 0.5e-3, 0.8e-3])
def test_smoothed_outlines_are_true(texel: float) -> None:
    labels = patches(0.04, 0.05, texel, 25, 2)
    h, w = labels.shape
    lines = boundaries(labels, texel)
    stairs = []
    for r, c in zip(*np.nonzero(labels[1:] != labels[:-1]), strict=True):
        stairs += [(c + t, r + 1) for t in np.linspace(0, 1, 9)]
    for r, c in zip(*np.nonzero(labels[:, 1:] != labels[:, :-1]), strict=True):
        stairs += [(c + 1, r + t) for t in np.linspace(0, 1, 9)]
    edge = np.array(stairs) * texel
    dense = np.concatenate([zoom_line(line, 0.02e-3) for line in lines])
    slack = texel / 16 + 0.01e-3  # of the samples
    assert cKDTree(edge).query(dense)[0].max() <= TRUE_WITHIN + slack
    assert cKDTree(dense).query(edge)[0].max() <= TRUE_WITHIN + slack
    assert dense.min() >= -1e-9
    assert (dense.max(axis=0) <= np.array([w, h]) * texel + 1e-9).all()


def zoom_line(line: np.ndarray, step: float) -> np.ndarray:
    """A line with a point at least every ``step``."""
    count = np.maximum(1, np.ceil(np.hypot(*np.diff(line, axis=0).T) / step).astype(int))
    pieces = [a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(line[:-1], line[1:], count, strict=True)]
    return np.concatenate([*pieces, line[-1:]])


def test_a_disc_is_drawn_once_and_round() -> None:
    texel, radius = 0.2e-3, 8e-3
    y, x = (np.mgrid[:100, :100] + 0.5) * texel - 0.01
    (line,) = boundaries((np.hypot(x, y) < radius).astype(np.int16), texel)
    length = np.hypot(*np.diff(line, axis=0).T).sum()
    # the stairs themselves would be 8 r long, 27 % too much
    assert length == pytest.approx(2.0 * np.pi * radius, rel=0.02)
    assert np.array_equal(line[0], line[-1])
    (one,) = regions((np.hypot(x, y) < radius).astype(np.int16), np.ones((100, 100), dtype=bool), texel)
    assert one.radius == pytest.approx(radius, abs=1.5 * texel)
    assert (one.x, one.y) == pytest.approx((0.01, 0.01), abs=2 * texel)


def test_a_number_stands_deep_in_a_bent_region() -> None:
    # an L: its centre of mass lies outside, in the other paint
    labels = np.ones((60, 60), dtype=np.int16)
    labels[:50, 10:] = 2
    found = {r.label: r for r in regions(labels, np.ones((60, 60), dtype=bool), 1.0)}
    assert labels[int(found[1].y), int(found[1].x)] == 1
    # the inscribed circle touches both outer sides and the inner corner: r (1 + 1/sqrt 2) = 10
    assert found[1].radius == pytest.approx(10.0 * 2.0 - 10.0 * np.sqrt(2.0), abs=1.0)


def test_inside_outline_is_even_odd() -> None:
    outline = np.array([[0.0, 0.0], [0.0, 8.0], [4.0, 3.5], [8.0, 8.0], [8.0, 0.0]])
    inside = inside_outline(outline, (8, 8), 1.0)
    y, x = np.mgrid[:8, :8] + 0.5
    # by hand: beyond the notch's two slopes nothing is inside
    assert np.array_equal(inside, (y < 8.0 - 1.125 * x) | (y < 1.125 * x - 1.0))


def test_many_tiny_regions_are_quick() -> None:
    size, texel = (0.062, 0.2), 0.25e-3
    crowded = face(size=size, texel=texel, region=patches(0.2, 0.062, texel, 1500, 8))
    count = len(regions(crowded.region, np.ones(crowded.region.shape, dtype=bool), texel))
    assert count >= 500
    start = time.process_time()
    guide_pdf(guide(crowded), "a4")
    assert time.process_time() - start < 3.0


@pytest.mark.parametrize("off", [1e-12, -1e-12])
def test_marks_on_the_edges_of_a_face_are_printed_whichever_way_they_are_rounded(off: float) -> None:
    wide, tall = SMALL
    marks = (("QL", -off, 0.01), ("QR", wide + off, 0.01), ("QT", 0.01, -off), ("QB", 0.01, tall + off))
    with opened(guide_pdf(guide(replace(face(size=SMALL, count=9), marks=marks)), "a4")) as pdf:
        (lines,) = (text for page in pdf.pages if "lines for transfer" in (text := page.extract_text() or "")
                    and text.startswith("Faces"))  # fmt: skip
    assert all(name in lines for name, _, _ in marks)
