"""The printed cut pattern, read back by pdfplumber and pypdfium2."""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pdfplumber
import pypdfium2
import pytest
from reportlab.pdfgen.canvas import Canvas

from previz.deliver.paint.pattern import pattern_pdf
from previz.draw import pdf as sheets
from previz.draw.paper import TitleBlock
from previz.errors import OutputError
from previz.workshop.bridge import slab
from previz.workshop.pattern.unfold import Pattern, unfold
from tests.workshop.sets import MM, scene

BLOCK = TitleBlock("Quarry walk", "1:20", "2025-11-25", "")
# issue 4: printed lengths true to 0.05 mm
TRUE_MM = 0.05
# 72 points in an inch of 25.4 mm (ISO 32000-1, 8.3.2.3)
MM_PER_POINT = 25.4 / 72.0
SHAPES = {"straight": {}, "tapered": {"taper": 1.6}, "arched": {"camber": 0.03}, "bent": {"bend": -0.05}}


def pattern(material="card", thickness=0.4 * MM, **shape) -> Pattern:
    return unfold(slab(scene(bridge=shape).bridge, 0.03, 2 * MM), thickness, material)


def printed_lines(data: bytes) -> np.ndarray:
    """Every straight stroke of the file as (x0, y0, x1, y1) mm, each page's own."""
    with pdfplumber.open(io.BytesIO(data)) as file:
        return np.concatenate([page_lines(page) for page in file.pages])


def page_lines(page) -> np.ndarray:
    """The straight strokes of one page."""
    out = []
    for thing in [*page.lines, *page.curves, *page.rects]:
        points = np.array(thing["pts"]) * MM_PER_POINT
        out += [np.concatenate(ends) for ends in pairwise(points)]
    return np.array(out)


def is_true_to_size(data: bytes, made: Pattern) -> bool:
    """Whether every line of every piece is printed with its length, for a pattern in one part on a roll."""
    lines = printed_lines(data)
    lengths = np.sort(np.linalg.norm(lines[:, 2:] - lines[:, :2], axis=1))
    wanted = [np.linalg.norm(line.end - line.start) / MM for p in made.pieces for line in p.cuts]
    wanted += [np.linalg.norm(f.end - f.start) / MM for p in made.pieces for f in p.folds if f.kind != "bend"]
    wanted += [100.0, 101.6]
    # lines shorter than 20 mm stretch by less than the tolerance
    at = np.clip(np.searchsorted(lengths, wanted), 1, len(lengths) - 1)
    off = np.minimum(np.abs(lengths[at] - wanted), np.abs(lengths[at - 1] - wanted))
    return bool(off[np.array(wanted) > 20.0].max() < TRUE_MM)


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())
@pytest.mark.parametrize(("material", "thickness"), [("card", 0.4 * MM), ("board", 3 * MM)])
def test_lengths_are_true(shape: dict, material: str, thickness: float) -> None:
    made = pattern(material, thickness, **shape)
    assert is_true_to_size(pattern_pdf(made, BLOCK, "roll"), made)


@pytest.mark.parametrize("scaled", [0.995, 1.002])
def test_a_print_that_is_scaled_is_found(monkeypatch, scaled: float) -> None:
    made = pattern()
    monkeypatch.setattr(sheets, "POINTS_PER_MM", sheets.POINTS_PER_MM * scaled)
    assert not is_true_to_size(pattern_pdf(made, BLOCK, "roll"), made)


def anchor_of(lines: np.ndarray, piece) -> tuple[np.ndarray, int, float]:
    """Where (mm) the piece's first corner lies on a page, the page's axis that its length runs along, and how far (mm)
    its other corners are off then."""
    ends = np.concatenate([lines[:, :2], lines[:, 2:]])
    tries = []
    # x down the page and y to the right, or x to the right and y up
    for axis, drawn in ((1, piece.outline[:, ::-1] / MM), (0, piece.outline * (1.0, -1.0) / MM)):
        for corner in np.unique(np.round(ends, 3), axis=0):
            shifted = drawn - drawn[0] + corner
            off = float(np.abs(ends[None] - shifted[:, None]).max(axis=2).min(axis=1).max())
            tries.append((off, axis, tuple(corner)))
    off, axis, at = min(tries)
    return np.array(at), axis, off


def test_corners_of_a_piece_lie_as_drawn() -> None:
    made = pattern()
    *_, off = anchor_of(printed_lines(pattern_pdf(made, BLOCK, "roll")), made.pieces[0])
    assert off < TRUE_MM


def crosses_on(lines: np.ndarray) -> np.ndarray:
    """Middles (mm) of crosses of two strokes of 5 mm."""
    way = lines[:, 2:] - lines[:, :2]
    middle = (lines[:, 2:] + lines[:, :2]) / 2
    five = np.abs(np.linalg.norm(way, axis=1) - 5.0) < 0.01
    level, plumb = five & (np.abs(way[:, 1]) < 0.01), five & (np.abs(way[:, 0]) < 0.01)
    return np.array([m for m in middle[level] if np.abs(middle[plumb] - m).max(axis=1).min() < 0.01])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_parts_fit_together_at_their_crosses(paper) -> None:
    made = pattern(length=0.85)
    (piece,) = made.pieces
    size = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    parts = []
    with pdfplumber.open(io.BytesIO(pattern_pdf(made, BLOCK, paper))) as file:
        for page in file.pages:
            box = (float(page.width) * MM_PER_POINT, float(page.height) * MM_PER_POINT)
            assert sorted(box) == pytest.approx(size, abs=TRUE_MM)
            title = [t for t in page.extract_text().splitlines() if "piece 1: top, part" in t]
            words = [w for w in page.extract_words() if w["bottom"] * MM_PER_POINT > box[1] - 30.0]
            assert max(w["x1"] for w in words) * MM_PER_POINT < box[0] - 10.0 + TRUE_MM
            if title:
                lines = page_lines(page)
                anchor, axis, off = anchor_of(lines, piece)
                assert off < TRUE_MM
                # (along, across) the piece
                parts.append((crosses_on(lines) - anchor)[:, [axis, 1 - axis]])
    assert len(parts) >= 3
    # what lies at the foot of one part lies at the head of the next, in the piece's own places
    for one, other in pairwise(parts):
        foot = one[one[:, 0] > one[:, 0].max() - 1.0]
        head = other[other[:, 0] < other[:, 0].min() + 1.0]
        assert len(foot) == len(head) == 2
        assert np.abs(np.sort(foot, axis=0) - np.sort(head, axis=0)).max() < TRUE_MM
    # no part is longer than the paper
    steps = np.diff([part[:, 0].max() for part in parts[:-1]])
    assert (steps < size[1] - 20.0).all()


def test_words_on_the_sheets() -> None:
    made = pattern()
    with pdfplumber.open(io.BytesIO(pattern_pdf(made, BLOCK, "a4"))) as file:
        index = file.pages[0].extract_text()
        text = "\n".join(page.extract_text() for page in file.pages)
    assert "CAUTION" in index
    assert "cutter's glove" in index
    assert "dust mask" in index
    assert "454.0 mm / 1'-5 7/8\"" in index
    assert "Material: card, 0.40 mm (0.016 in)" in index
    for name in ("into the wall", "front end", "Quarry walk", "1:20"):
        assert name in text
    for note in made.notes:
        assert " ".join(note.split()[:6]) in index


def test_line_kinds() -> None:
    made = pattern(camber=0.03)
    with pdfplumber.open(io.BytesIO(pattern_pdf(made, BLOCK, "roll"))) as file:
        dashes = {str(thing.get("dash")) for thing in [*file.pages[-1].lines, *file.pages[-1].curves]}
    kinds = [d for d in dashes if "[" in d and d.count(",") >= 2]
    # solid, mountain, valley (of four lengths) and sill are told apart
    assert len(dashes) >= 4
    assert any(d.count(",") >= 4 for d in kinds)


def test_a_tab_is_grey_and_its_fold_not_cut() -> None:
    made = pattern()
    data = pattern_pdf(made, BLOCK, "roll")
    page = pypdfium2.PdfDocument(data)[1]
    picture = np.asarray(page.render(scale=150 / 72).to_pil().convert("L")).astype(int)
    (piece,) = made.pieces
    tabs = sum(0.5 * abs(np.cross(np.append(t.outline, np.zeros((len(t.outline), 1)), 1),
                                  np.append(np.roll(t.outline, -1, 0), np.zeros((len(t.outline), 1)), 1))[:, 2].sum())
               for t in piece.tabs)  # fmt: skip
    grey = (np.abs(picture - 227) < 4).sum() * (25.4 / 150) ** 2
    # the lines around them hide a little
    assert grey == pytest.approx(tabs / MM**2, rel=0.12)


def test_same_bytes_and_no_scaling() -> None:
    one, other = pattern_pdf(pattern(), BLOCK, "a4"), pattern_pdf(pattern(), BLOCK, "a4")
    assert one == other
    assert b"/PrintScaling /None" in one


def test_wrong_paper_is_said() -> None:
    with pytest.raises(OutputError, match="a4, letter or roll"):
        pattern_pdf(pattern(), BLOCK, "a3")  # type: ignore[arg-type]
    with pytest.raises(OutputError, match="roll"):
        pattern_pdf(pattern(), BLOCK, "roll", roll_width=0.1)


def test_the_reader_reads_a_known_line() -> None:
    out = io.BytesIO()
    canvas = Canvas(out)
    canvas.line(0, 0, 72, 0)
    canvas.showPage()
    canvas.save()
    lines = printed_lines(out.getvalue())
    assert np.linalg.norm(lines[0, 2:] - lines[0, :2]) == pytest.approx(25.4)
