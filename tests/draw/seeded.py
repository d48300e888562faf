"""Every kind of drawing of seeded sets, and the labels on it that are struck through.

Sets are those of the attack (``tests.benchmarks.attacksets``), cut small: any wall, bridge, rail and lamps. What a plot
shows beside the set itself (curves, bars, candidates) is drawn by lot from the same seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from previz.command.lineup.markers import frames_showing
from previz.command.rig.rig import card_of
from previz.command.rig.rigfacts import rig_facts
from previz.deliver.export.setdrawings import cut_drawing, elevation_drawing, plan_drawing
from previz.deliver.lineup.lineuppicture import LineupPicture, lineup_picture
from previz.deliver.lineup.markersheet import marker_pdf
from previz.deliver.paint.guide import Guide, GuideFace, GuideString, GuideWall, PaintSwatch, guide_pdf
from previz.deliver.paint.pattern import pattern_pdf
from previz.deliver.rig.rigcard import rig_pdf
from previz.deliver.search.knockplot import KnockBar, KnockPlot, knock_plot
from previz.deliver.search.tradeplot import TradePlot, trade_plot
from previz.deliver.sheet.sheet import CandidatePlan, CandidateView, ContactCell, ContactSheet, Fact, contact_pages
from previz.deliver.shoot.holdplot import HoldPlot, hold_plot
from previz.draw.drawing import SideFrame, SideSheet, SideStatic, sheet_cameras, usual_dimensions
from previz.draw.drawnset import DrawnSet, drawn_set, lens_mark, rail_line
from previz.draw.flatdrawing import INKS, FlatDrawing
from previz.draw.paper import TitleBlock
from previz.errors import BuildError
from previz.geometry import Array
from previz.lineup.markers import board_of
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene
from previz.scene.shape import bridge_shape
from previz.workshop.pattern.unfold import unfold
from previz.workshop.set import BuiltSet, build_set
from tests.benchmarks.attacksets import set_of
from tests.draw.struck import LEAST, Struck, struck, struck_in_pdf, watched

SEED: Final = 1803
# a candidate's rank on a contact sheet, frames of a plot
_CANDIDATES: Final = 14
_TEXEL: Final = 4e-3


def struck_of_set(number: int, folder: Path, seed: int = SEED) -> dict[str, list[Struck]]:
    """The labels that are struck through, by the kind of drawing; one that could not be made is not in it."""
    scene = read_scene(set_of(number, seed, folder))
    move, built, rng = move_of(scene), build_set(scene, _TEXEL), np.random.default_rng([seed, 11, number])
    block = TitleBlock(scene.title, f"1:{scene.scale:g}", "2025-03-14", "seeded")
    facts = rig_facts(scene)
    drawn = drawn_set(move, built.wall, facts.support)
    out: dict[str, list[Struck]] = {}

    def pdf(name: str, data: bytes) -> None:
        out[name] = struck_in_pdf(data, f"set {number}, {name}")

    pdf("rig.pdf", rig_pdf(card_of(facts, built, "2025-03-14", (), (), ()), "a4"))
    board = board_of(scene)
    shown = {sheet.name: frames_showing(scene, move, sheet) for sheet in board.sheets}
    words = {name: "in the picture" if frames else "outside" for name, frames in shown.items()}
    pdf("markers.pdf", marker_pdf(board.sheets, words, drawn, scene.markers.paper, block, "markers"))
    pdf("guide.pdf", guide_pdf(_guide(block, scene, rng), "a4"))
    try:
        pattern = unfold(built.bridge, scene.paint.sheet, scene.paint.material)
    except BuildError:
        pattern = None
    if pattern is not None:
        pdf("pattern.pdf", pattern_pdf(pattern, block, "a4"))
    flats = {"plan.svg": plan_drawing("set", drawn), "elevation.svg": elevation_drawing("set", drawn)}
    if pattern is not None:
        flats["cut.svg"] = cut_drawing("set", pattern)
    for name, flat in flats.items():
        out[name] = _struck_flat(flat, f"set {number}, {name}")
    for name, draw in _pictures(block, move, built, drawn, rng).items():
        with watched() as papers:
            draw()
        found = [each for k, (laid, _) in enumerate(papers, 1) for each in struck(laid, f"set {number}, {name} {k}")]
        out[name] = found
    return out


def _pictures(block: TitleBlock, move: Move, built: BuiltSet, drawn: DrawnSet, rng: Any) -> dict[str, Any]:
    bridge = built.bridge.surface.vertices
    near = np.concatenate([bridge, rail_line(move), np.array([[0.0, 0.2, -0.06], [0.0, -0.2, 0.0]])])
    side, plan = sheet_cameras(np.stack([near.min(axis=0) - 0.08, near.max(axis=0) + 0.08]))

    def noise(high: int, wide: int) -> Any:
        return rng.integers(0, 256, (high, wide, 3), dtype=np.uint8)

    pictures = noise(side.height_px, side.width_px), noise(plan.height_px, plan.width_px)
    static = SideStatic(block, side, plan, drawn, *pictures, dimensions=usual_dimensions(drawn))

    def sheets() -> None:
        sheet = SideSheet(static)
        for frame in sorted({move.frames[0], move.station_frame, move.frames[-1]}):
            camera = move.camera(frame)
            edge = bridge[rng.integers(0, len(bridge), 6)]
            wall = edge + (edge - camera.position) * 0.3
            lines, broken = np.stack([edge, wall], axis=1), rng.uniform(size=6) < 0.5
            rail = move.rail_at(frame)
            sheet.frame(SideFrame(frame, rail, lens_mark(camera), 100.0 * rng.uniform(), lines, broken, ("colour",)))

    return {
        "side": sheets,
        "sheet.png": lambda: list(contact_pages(_contact(block, move, drawn, rng, noise(90, 160)))),
        "hold.png": lambda: hold_plot(_hold(block, rng, noise(90, 160))),
        "knock.png": lambda: knock_plot(_knock(block, rng)),
        "trade.png": lambda: trade_plot(_trade(block, rng, noise(90, 160))),
        "lineup.png": lambda: lineup_picture(_lineup(block, rng, noise(300, 400))),
    }


def _contact(block: TitleBlock, move: Move, drawn: DrawnSet, rng: Any, picture: Any) -> ContactSheet:
    station = np.asarray(move.camera(move.station_frame).position)
    views, cells = [], []
    for rank in range(1, _CANDIDATES + 1):
        at = station + rng.uniform(-0.1, 0.1, 3)
        way = np.array([0.0, rng.uniform(-0.4, 0.0), -1.0])
        views.append(CandidateView(rank, at, way / np.linalg.norm(way), at + np.array([[-0.05, 0, 0], [0.05, 0, 0]])))
        facts = (Fact("height", f"{1e3 * at[1]:.0f} mm", "height_mm", 1e3 * float(at[1])),)
        reason = "the outline is not in the frame" if rank > 11 else ""
        cells.append(ContactCell(rank, facts, picture, reason=reason) if reason else ContactCell(
            rank, facts, picture, 0.05 / rank, 1.5 / rank, 0.06, 3.0, 1.0, 2.0, 80.0))  # fmt: skip
    return ContactSheet(block, tuple(cells), CandidatePlan(tuple(views), drawn))


def _hold(block: TitleBlock, rng: Any, picture: Any) -> HoldPlot:
    count = int(rng.integers(8, 160))
    frames = np.arange(1001, 1001 + count)
    steps = rng.uniform(0.0, 1.0, count) * (rng.uniform(size=count) < 0.9)
    rail = np.cumsum(steps) * rng.choice([-1.0, 1.0])
    break_pct = np.clip(np.cumsum(rng.normal(0.5, 4.0, count)), 0.0, 100.0)
    last, station = int(rng.integers(1002, 1001 + count)), int(rng.integers(1001, 1001 + count))
    held = None if rng.uniform() < 0.3 else (1001, last)
    shown = dict.fromkeys((1001, station, 1000 + count), picture)
    reveal = int(rng.integers(last, 1001 + count))
    return HoldPlot(block, frames, rail, break_pct, (1001, last), station, reveal, held, 12.0, 1.0,
                    np.clip(np.cumsum(rng.uniform(0.0, 2.0, count)), 0.0, 100.0), shown)  # fmt: skip


def _knock(block: TitleBlock, rng: Any) -> KnockPlot:
    bars = []
    for k, name in enumerate(("sideways", "height", "distance", "pan", "tilt", "roll", "focal length")):
        reach = [None if rng.uniform() < 0.3 else float(10 ** rng.uniform(-1, 1.5)) for _ in range(4)]
        unit = "mm" if k < 3 else "deg"
        bars.append(KnockBar(name=name, unit=unit, station=(reach[0], reach[1]), hold=(reach[2], reach[3]), limit=20.0,
                             stated=1.0, words=("lower 0.8 mm", "12.2 mm higher")))  # fmt: skip
    return KnockPlot(title=block, headline="lock the sideways position: 0.8 mm is all you have", bars=bars,
                     probability=0.6, interval=(0.5, 0.7), builds=400)  # fmt: skip


def _trade(block: TitleBlock, rng: Any, picture: Any) -> TradePlot:
    dots = [(float(a), float(b)) for a, b in rng.uniform(0.0, (80.0, 100.0), (60, 2))]
    front, best = [], -1.0
    for hold, reveal in sorted(dots, reverse=True):
        if reveal > best:
            front.append((hold, reveal))
            best = reveal
    return TradePlot(title=block, dots=dots, front=front, least_reveal_pct=float(rng.uniform(20.0, 90.0)), tried=600,
                     own=dots[0], best=front[len(front) // 2], pictures=[("best", picture)],
                     notes=("height 1 mm",))  # fmt: skip


def _lineup(block: TitleBlock, rng: Any, picture: Any) -> LineupPicture:
    line = rng.uniform(0.0, (400.0, 300.0), (9, 2))
    steps = [f"slide {k}.0 mm to the left along the rail (+-0.1 mm)" for k in range(7)]
    return LineupPicture(picture, [line], [line + 4.0], line, line[:2], "Bring the camera back:", steps,
                         ["break 1.0 % from here, 0.5 % from the wanted place (no difference: a clean wall itself "
                          "scores up to 2 %)", "camera at 1, 2, 3 mm"], block)  # fmt: skip


def _guide(block: TitleBlock, scene: Any, rng: Any) -> Guide:
    shape = bridge_shape(scene)
    long, wide = shape.near - max(shape.far, 0.0), 2.0 * float(shape.half_width(0.5 * (shape.near + shape.far)))
    texel = max(long, 0.02) / 120.0
    faces = []
    for name, size, facing in (("top", (max(wide, 0.01), long), (0.0, 1.0, 0.0)), ("near end", (max(wide, 0.01), 0.012),
                               (0.0, 0.0, 1.0)), ("left side", (0.012, long), (-1.0, 0.0, 0.0))):  # fmt: skip
        w, h = size
        rows, columns = int(np.ceil(h / texel)), int(np.ceil(w / texel))
        region = np.kron(rng.integers(0, 5, (12, 8)), np.ones((16, 16)))[:rows, :columns].astype(np.int16)
        outline = np.array([[0.0, 0.0], [0.0, h], [w, h], [w, 0.0]])
        place = np.column_stack([outline[:, 0] - 0.5 * w, np.zeros(4), outline[:, 1]])
        faces.append(GuideFace(name, _CODES[region], region, size, outline, "to camera right", "towards the camera",
                               np.ones(region.shape, bool), texel, (("A", 0.3 * w, 0.3 * h), ("B", 0.7 * w, 0.6 * h)),
                               place, facing))  # fmt: skip
    region = np.kron(rng.integers(1, 5, (10, 12)), np.ones((12, 12))).astype(np.int16)
    edge = np.cumsum(rng.uniform(-0.01, 0.01, (12, 2)), axis=0)
    wall = GuideWall(_CODES[region], -0.07, 0.06, (0.144, 0.12), (edge,), (("A", 0.01, -0.02), ("B", -0.03, 0.01)))
    strings = tuple(
        GuideString(f"left edge, {k} mm from the sill", (0.02, 0.16, 1.25), (-0.03, 0.0, 0.05), (-0.03, 0.0, 0.0))
        for k in range(3)
    )
    return Guide(block, tuple(faces), wall, _SWATCHES, strings, ("It holds over 22 mm of rail.",))


_SWATCHES: Final = tuple(
    PaintSwatch(i, (40 * i, 38 * i, 35 * i), (7.0 * i, 1.0, 3.0), f"{i} parts raw umber, 1 part titanium white")
    for i in range(1, 5)
)
_CODES: Final = np.array([(255, 255, 255), *(swatch.code for swatch in _SWATCHES)], dtype=np.uint8)


def _struck_flat(flat: FlatDrawing, where: str) -> list[Struck]:
    """The words of a drawing of plain lines that a line of it goes through: nothing there is rubbed out."""
    lines = [shapely.LineString(_closed(each.points, each.closed)) for each in flat.lines if len(each.points) > 1]
    tree, out = shapely.STRtree(lines), []
    boxes = []
    for words in flat.words:
        turn = np.radians(words.turn_deg)
        along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
        half = 0.5 * words.long_mm * along, 0.36 * words.high_mm * up
        corners = [np.asarray(words.at) + a * half[0] + b * half[1] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        box = shapely.Polygon(corners)
        through = sum(lines[k].intersection(box).length for k in tree.query(box, predicate="intersects").tolist())
        if through > LEAST * words.high_mm:
            out.append(Struck(where, words.text, "struck through"))
        out += [Struck(where, words.text, f"over {other!r}") for other, taken in boxes
                if box.intersection(taken).area > 0.05 * box.area]  # fmt: skip
        boxes.append((words.text, box))
    assert set(INKS) >= {each.layer for each in flat.lines}
    return out


def _closed(points: Array, closed: bool) -> Sequence[Any]:
    return [*points, points[0]] if closed else list(points)
