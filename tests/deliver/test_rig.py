"""The rig sheets, read back by other libraries: lengths to scale, text, margins, and that a spoilt print is noticed."""

from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest

from previz.deliver.rig.phonecard import phone_page
from previz.deliver.rig.rigcard import rig_pdf
from previz.deliver.rig.rigdata import CardTable, Notes, RigCard, Setting
from previz.draw.drawnset import CrossSection, DrawnSet, DrawnView, LensMark, StandMark
from previz.draw.paper import TitleBlock
from previz.draw.railrule import RailMark, RailRule
from tests.deliver.pdf_lengths import MM, TRUE_WITHIN_MM, bar_faults, opened, outlines, rendered, scaled, strokes

BLOCK = TitleBlock("A made-up walk", "1:20", "2025-03-14", "rig")
LENGTH, WIDE, THICK = 0.85, 0.062, 0.012
LENS = np.array([-0.03, 0.43, 1.75])


def box(z0: float, z1: float, low: float, high: float, side: bool) -> np.ndarray:
    """A rectangle from ``z0`` to ``z1`` and from ``low`` to ``high``, up or to the right."""
    flat = [(z0, low), (z1, low), (z1, high), (z0, high)]
    return np.array([(0.0, v, z) if side else (v, 0.0, z) for z, v in flat])


def drawing(**changes: object) -> DrawnSet:
    """A plain set: slab, flat wall 2.3 m wide, rail 240 mm across, one disc lamp."""
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    face = np.column_stack([-0.9 + 0.2 * np.cos(turn), 0.8 + 0.2 * np.sin(turn), np.full(24, 1.5)])
    points = [LENS + (x, 0.0, 0.0) for x in (0.0, 0.0331, 0.24)]
    marks = tuple(
        RailMark(name, frame, float(p[0] - LENS[0]), p)
        for name, frame, p in zip(("start", "station", "end"), (1001, 1015, 1100), points, strict=True)
    )
    zone = np.array([(0.0, -0.012, 0.05), (0.0, -0.012, 0.85), (0.0, -0.012, 0.85), (0.0, -0.25, 0.05)])
    slab = np.array([(-0.031, 0.0), (0.031, 0.0), (0.031, -0.012), (-0.031, -0.012)])
    cut = CrossSection(0.425, slab, slab - (0.0, 0.05), slab - (0.0, 0.02))
    made = DrawnSet(
        elevation=DrawnView(
            (box(-0.06, 0.0, -0.85, 0.65, True),),
            (box(0.0, LENGTH, -THICK, 0.0, True),),
            (zone,),
            (zone * (1.0, 0.5, 1.0),),
        ),
        plan=DrawnView((box(-0.06, 0.0, -1.15, 1.15, False),), (box(0.0, LENGTH, -0.5 * WIDE, 0.5 * WIDE, False),)),
        front=(),
        lens=LensMark(
            LENS,
            np.array([0.0, -np.sin(0.26), -np.cos(0.26)]),
            np.array([(-0.4, -0.2, -1.0), (0.4, -0.2, -1.0), (0.0, -0.02, -1.0), (0.0, -0.5, -1.0)]),
        ),
        rail_line=np.array([points[0], points[-1]]),
        rail=RailRule(0.24, marks, (0.0, 0.0331)),
        stands=(StandMark("key lamp", "lamp", face.mean(axis=0), np.zeros(3), face),),
        plan_depth=0.03,
        near_end=np.array([(x, 0.0, LENGTH) for x in (-0.031, 0.0, 0.031)]),
        wall_box=(-1.15, -0.85, 1.15, 0.65),
        arm=0.02,
        sections=(cut,),
    )
    return replace(made, **changes)


def card(**changes: object) -> RigCard:
    """A card with a little of everything."""
    made = RigCard(
        title_block=BLOCK,
        settings=tuple(Setting(n, v, "more") for n, v in (("lens", "40 mm"), ("stop", "f/22"), ("ISO", "5000"))),
        day=(
            CardTable(
                "camera", ("", "set to", "", "measured"),
                (("height over bridge top", "430.0\u00a0mm", "1'-4\u00a015/16\"", ""), ("tilt", "-15.0 deg", "", "")),
                (2, 1, 1, 1),
            ),
            CardTable(
                "rail marks", ("", "frame", "travel", "measured"), (("start", "1001", "0.0 mm", ""),), (1, 1, 1, 1)
            ),
        ),
        order=CardTable(
            "order of work", ("", "what", "right when", "done"), (("1 hang", "it", "level", ""),), (1, 2, 2, 1)
        ),
        drawing=drawing(),
        tables=(CardTable("lamps", ("lamp", "lux", "measured"), (("key lamp", "650", ""),), (2, 1, 1)),),
        notes=(Notes("light", ("Exposure right.",)), Notes("cautions", ("Hot lamps.",), warn=True)),
        support=("An arm stays unseen.",),
    )
    return replace(made, **changes)


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return rig_pdf(card(), "a4")


def words(data: bytes, page: int) -> str:
    """The text of a page (from 0)."""
    with opened(data) as file:
        return file.pages[page].extract_text()


def scale_of(data: bytes, page: int) -> int:
    """The scale that a drawing's own head states."""
    return int(words(data, page).partition("drawn at 1:")[2].split()[0])


def outline_spans(data: bytes, page: int) -> np.ndarray:
    """Width and height (K, 2) mm of every closed outline that is drawn on a page; plates under labels are not."""
    with opened(data) as file:
        shapes = [*file.pages[page].curves, *file.pages[page].rects]
        drawn = [np.array(shape["pts"]) * MM for shape in shapes if shape["stroke"]]
        return np.array([np.ptp(points, axis=0) for points in drawn])


def lacks(data: bytes) -> list[str]:
    """What is not true to the stated scales: bridge and wall in plan and elevation."""
    out = []
    for page, sizes in ((1, {"bridge": (LENGTH, WIDE), "wall": (0.06, 2.3)}),
                        (2, {"bridge": (LENGTH, THICK), "wall": (0.06, 1.5)})):  # fmt: skip
        spans = outline_spans(data, page)
        for name, size in sizes.items():
            wanted = np.array(size) * 1e3 / scale_of(data, page)
            if not (np.abs(spans - wanted).max(axis=1) <= TRUE_WITHIN_MM).any():
                out.append(f"page {page + 1}: no {name} of {wanted} mm")
    return out


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_plan_and_elevation_are_true_to_their_stated_scale(paper: str) -> None:
    data = rig_pdf(card(), paper)  # type: ignore[arg-type]
    assert lacks(data) == []
    assert bar_faults(data) == []


@pytest.mark.parametrize("factor", [0.97, 0.99, 1.01])
def test_a_print_that_is_not_true_is_noticed(pdf: bytes, factor: float) -> None:
    spoilt = scaled(pdf, factor)
    assert len(lacks(spoilt)) == 4
    assert bar_faults(spoilt)


def test_a_bridge_of_another_size_is_noticed() -> None:
    # 1.1 mm at 1:20 is 0.055 mm on paper
    longer = DrawnView(drawing().plan.wall, (box(0.0, LENGTH + 0.0011, -0.031, 0.031, False),))
    off = drawing(plan=longer)
    assert [fault.partition(" of")[0] for fault in lacks(rig_pdf(card(drawing=off), "a4"))] == ["page 2: no bridge"]


def test_dimensions_are_as_long_as_they_say(pdf: bytes) -> None:
    with opened(pdf) as file:
        for page, wanted in ((1, (0.85, 1.75, 2.3)), (2, (0.85, 1.75, 0.43, 0.65, 0.85))):
            text = file.pages[page].extract_text(x_tolerance=1)
            drawn = [s.length for s in strokes(file.pages[page])]
            for length in wanted:
                paper = length * 1e3 / scale_of(pdf, page)
                assert min(abs(d - paper) for d in drawn) <= TRUE_WITHIN_MM, (page, length)
            assert "850.0 mm / 2'-9 7/16\"" in text
            assert "1750.0 mm / 5'-8 7/8\"" in text


def ruled(data: bytes) -> list[tuple[set[float], list[int]]]:
    """Each strip of the rail's ruler: where its ticks stand from its left end, and the numbers under it, in order."""
    out = []
    with opened(data) as file:
        for page in file.pages:
            if "Rail ruler" not in page.extract_text():
                continue
            lines = strokes(page)
            said = [w for w in page.extract_words() if w["text"].isdigit()]
            for base in sorted((s for s in lines if s.level and s.length > 105.0), key=lambda s: s.y0):
                ticks = {round(s.x0 - base.x0, 2) for s in lines if s.upright and abs(s.y0 - base.y0) < 0.01}
                under = [w for w in said if 3.0 < w["top"] * MM - base.y0 < 8.0]
                out.append((ticks, [int(w["text"]) for w in sorted(under, key=lambda w: w["x0"])]))
    return out


def test_the_rail_is_printed_at_true_size(pdf: bytes) -> None:
    ((ticks, numbers),) = ruled(pdf)
    assert {float(k) for k in range(241)} <= ticks
    assert 33.1 in ticks  # the station's own line
    assert numbers == list(range(0, 241, 10))


def test_a_long_rail_is_printed_at_true_size_in_strips_that_go_on() -> None:
    rule = replace(drawing().rail, travel=0.9)
    strips = ruled(rig_pdf(card(drawing=drawing(rail=rule)), "a4"))
    assert len(strips) == 4
    for (_, before), (_, after) in pairwise(strips):
        # neighbours share 10 mm: the number there stands on both, or the next one on the next
        assert after[0] in (before[-1], before[-1] + 10)
    assert sorted({number for _, numbers in strips for number in numbers}) == list(range(0, 901, 10))
    # a strip's ticks are a millimetre apart
    for ticks, _ in strips:
        whole = sorted(ticks)
        assert max(np.diff([t for t in whole if t >= 0.0])) <= 1.0 + TRUE_WITHIN_MM
    assert ruled(rig_pdf(card(drawing=drawing(rail=replace(rule, travel=0.0))), "a4")) == []


def test_what_is_read_on_set_is_printed_in_nine_points(pdf: bytes) -> None:
    with opened(pdf) as file:
        said = {w["text"]: w["bottom"] - w["top"] for w in file.pages[0].extract_words()}
    for word in ("430.0", "-15.0", "1001", "hang", "650"):
        assert said[word] >= 9.0 - 0.01, word


class _Page(HTMLParser):
    """What a page says, its inputs by type, and the elements that were never closed."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.inputs: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "input":
            self.inputs.append(dict(attrs)["type"] or "")
        elif tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_card_for_a_phone_has_all_of_it_and_loads_nothing() -> None:
    page = phone_page(card(notes=(Notes("cautions", ("Hot lamps & <paint>.",), warn=True),)))
    read = _Page()
    read.feed(page)
    read.close()
    text = " ".join("".join(read.text).split())
    for word in ("40 mm", "f/22", "430.0", "key lamp", "650", "1001", "Hot lamps & <paint>.", "1 hang"):
        assert word in text
    assert read.inputs.count("checkbox") == 1
    assert read.inputs.count("text") == 4
    assert read.open == []
    assert not any(name in page for name in ("<script", "http:", "https:", "src=", "url("))
    assert "width=device-width" in page
    assert phone_page(card()) == phone_page(card())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_is_printed_in_the_margins(paper: str) -> None:
    data = rig_pdf(card(), paper)  # type: ignore[arg-type]
    dpi = 100.0
    rim = int(9.5 / 25.4 * dpi)
    for page in range(5):
        grey = rendered(data, page, dpi)
        inner = grey[rim:-rim, rim:-rim]
        assert (inner < 200).any()
        assert (grey < 200).sum() == (inner < 200).sum(), f"page {page + 1}"


def test_every_word_of_the_card_is_there(pdf: bytes) -> None:
    text = words(pdf, 0)
    card_words = ("40 mm", "f/22", "5000", "430.0", "key lamp", "650", "Exposure right.", "Hot lamps.", "1001")
    for word in (*card_words, "measured"):
        assert word in text
    assert "key lamp" in words(pdf, 1)
    assert "key lamp" in words(pdf, 2)
    assert "An arm stays unseen." in words(pdf, 3)


def test_measured_boxes_are_empty_and_large_enough_to_write_in(pdf: bytes) -> None:
    with opened(pdf) as file:
        page = file.pages[0]
        boxes = [points for points in outlines(page) if 12.0 < np.ptp(points[:, 0]) < 60.0]
        written = [(w["x0"] * MM, w["top"] * MM) for w in page.extract_words()]
        empty = [
            b for b in boxes
            if not any(b[:, 0].min() < x < b[:, 0].max() and b[:, 1].min() < y < b[:, 1].max() for x, y in written)
        ]  # fmt: skip
        assert sum(np.ptp(b[:, 1]) >= 3.0 for b in empty) >= 4


def test_a_card_that_is_full_goes_on_on_another_page() -> None:
    lines = tuple(f"Sentence {k} about what has to be looked after on the day, and why that is so." for k in range(150))
    many = tuple((f"lamp {k}", "650", "") for k in range(30))
    full = card(notes=(Notes("light", lines[:75]), Notes("cautions", lines[75:], warn=True)),
                tables=(replace(card().tables[0], rows=many),))  # fmt: skip
    data = rig_pdf(full, "a4")
    with opened(data) as file:
        assert len(file.pages) > 5
        text = " ".join(page.extract_text() for page in file.pages[:-4])
        # nothing runs into the foot
        for page in file.pages[:-4]:
            below = [w for w in page.extract_words() if w["text"] == "Sentence" and w["bottom"] * MM > 297.0 - 32.0]
            assert below == []
    assert all(f"Sentence {k} " in text for k in range(150))
    assert all(f"lamp {k} " in text for k in range(30))


def test_a_far_lamp_is_told_at_the_edge_of_the_sheet() -> None:
    far = replace(drawing().stands[0], position=np.array([0.0, 0.8, 40.0]), face=np.array([[0.0, 0.8, 40.0]]))
    near = rig_pdf(card(drawing=drawing(stands=())), "a4")
    data = rig_pdf(card(drawing=drawing(stands=(far,))), "a4")
    assert scale_of(data, 1) == scale_of(near, 1)
    # and it does not push another off the sheet
    both = rig_pdf(card(drawing=drawing(stands=(far, replace(drawing().stands[0], name="side lamp")))), "a4")
    assert words(both, 1).count("farther") == 1
    assert "key lamp," in words(data, 1)
    assert "farther" in words(data, 1)


def test_same_card_same_bytes(pdf: bytes) -> None:
    assert rig_pdf(card(), "a4") == pdf
    assert b"/CreationDate (D:2000" in pdf or b"D:20000101" in pdf
