"""The command that writes the shot card and the drawings for the day."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull

from previz import __version__
from previz.command.rig.rigfacts import (
    RigFacts,
    focus_lines,
    light_lines,
    mark_rows,
    marks_table,
    motion_lines,
    notes,
    places,
    rig_facts,
    safety_lines,
    settings,
    support_lines,
    tables,
)
from previz.command.shoot.shoot import scene_date
from previz.deliver.rig.rigcard import rig_pdf
from previz.deliver.rig.rigdata import RigCard
from previz.draw.drawing import field_directions
from previz.draw.drawnset import CrossSection, RigDrawing, StandMark
from previz.draw.pdf import PaperName
from previz.draw.sideview import rail_rule, title_block
from previz.geometry import Array
from previz.rig.lightadvice import light_found
from previz.run.frames import write_png
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder, json_text
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.scene.layout import wall_box
from previz.scene.model import Card, Lamp, Scene
from previz.scene.reader import read_scene, scene_sha256
from previz.scene.rig.lightcautions import face_points
from previz.scene.rig.support import Level, Profile, Section, Support
from previz.scene.shape import bridge_shape
from previz.stage.cautions import scene_cautions
from previz.stage.prepare import prepare, sight_of
from previz.workshop.section import section
from previz.workshop.set import BuiltSet

# points along curved outlines
_ALONG = 65

# rows and columns of a face whose rim is drawn: a disc gets four times as many corners, less four
_RIM = 13


def rig(scene_path: Path, paper: PaperName, out: Path | None, progress: Progress) -> RunResult:
    """Write ``rig.pdf``, ``rig.json`` and, where the bridge throws a shadow, ``shadow.png``: what it leaves of the
    wall's light, white for all of it."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    with results_in(results_folder(scene_path, out)) as folder:
        progress.say("building and lighting the set")
        ready = prepare(scene, None, LightCache(folder.path), progress.say)
        found = light_found(ready, sight_of(ready.built), progress.say)
        facts = rig_facts(scene, found.level, found.reflectance) if found else rig_facts(scene)
        advice = found.advice if found else ()
        cautions = scene_cautions(scene)
        knock = knock_lines(folder, sha256)
        card = card_of(facts, ready.built, scene_date(scene, scene_path), knock, advice, cautions)
        progress.say("drawing the card")
        folder.write_bytes("rig.pdf", rig_pdf(card, paper))
        files = ["rig.pdf", "rig.json"]
        if found and found.shadow is not None:
            write_png(folder, "shadow.png", found.shadow)
            files.append("shadow.png")
        values = {**_values(facts, sha256, knock, advice, cautions), "files": files}
        folder.write_text("rig.json", json_text(values, decimals=4, sort_keys=False))
    return RunResult(values, folder.path)


def knock_lines(folder: OutputFolder, sha256: str) -> list[str]:
    """What ``previz knock`` has found for the same scene file, where its results lie in the folder."""
    ask = ["Not worked out yet for this scene: previz knock tells how far the camera may drift."]
    try:
        told = json.loads((folder.path / "knock.json").read_text(encoding="utf-8"))
        sentences = [str(line) for line in told["sentences"]]
        same = told["scene_sha256"] == sha256
    except (OSError, ValueError, KeyError, TypeError):
        return ask
    return [f"{line[:1].upper()}{line[1:]}." for line in sentences] if same else ask


def card_of(
    facts: RigFacts,
    built: BuiltSet,
    date: str,
    knock: Sequence[str],
    advice: Sequence[str],
    cautions: Sequence[str],
) -> RigCard:
    """The card of a scene whose set is built."""
    return RigCard(
        title_block=title_block(facts.scene, date, "rig"),
        settings=settings(facts),
        places=places(facts),
        marks=marks_table(facts),
        drawing=drawing_of(facts, built),
        tables=tables(facts),
        notes=notes(facts, knock, advice, cautions),
        support=support_lines(facts),
    )


def drawing_of(facts: RigFacts, built: BuiltSet) -> RigDrawing:
    """What plan, elevation and details show."""
    scene, move = facts.scene, facts.move
    station = move.camera(move.station_frame)
    field = field_directions(station)
    side, plan = _bridge_outlines(scene, built)
    point = np.array([1e-4, -1e-4, 0.0])  # a hair beside the middle: no cut along an edge of the mesh
    low, high = built.wall.vertices.min(axis=0), built.wall.vertices.max(axis=0)
    box = wall_box(scene) if scene.wall.mesh is None else (low[0], low[1], high[0], high[1])
    found = facts.support
    none = np.zeros((0, 3))
    return RigDrawing(
        wall_side=section(built.wall, point, np.array([1.0, 0.0, 0.0])),
        wall_plan=section(built.wall, point, np.array([0.0, 1.0, 0.0])),
        bridge_side=side,
        bridge_plan=plan,
        station=np.asarray(station.position),
        forward=np.asarray(station.forward),
        field_side=field[2:],
        field_plan=field[:2],
        rail_line=move.track.position(np.linspace(0.0, float(move.rail[-1]), 33) - move.station_rail),
        rail=rail_rule(scene, move),
        stands=tuple(_stands(scene)),
        hold_zone=none if found is None else _zone(found.hold),
        move_zone=none if found is None else _zone(found.move),
        hold_plan=none if found is None else _level_outline(found.hold_level),
        move_plan=none if found is None else _level_outline(found.move_level),
        plan_depth=0.0 if found is None else found.hold_level.depth,
        near_end=bridge_shape(scene).near_corners,
        wall_box=(float(box[0]), float(box[1]), float(box[2]), float(box[3])),
        arm=0.0 if found is None else found.arm,
        sections=() if found is None else _cuts(scene, found),
    )


def _bridge_outlines(scene: Scene, built: BuiltSet) -> tuple[Array, Array]:
    """Outlines (N, 3) m of the bridge from the side and from above, from the wall's plane on."""
    bridge = scene.bridge
    if bridge.mesh is not None:
        vertices = built.bridge.surface.vertices
        front = vertices[vertices[:, 2] >= 0.0]
        points = front if len(front) > 3 else vertices
        hulls = (points[ConvexHull(points[:, axes]).vertices] for axes in ([2, 1], [2, 0]))
        side, plan = hulls
        return np.asarray(side), np.asarray(plan)
    curved = bridge.bend != 0.0 or bridge.camber != 0.0
    share = np.linspace(0.0, 1.0, _ALONG if curved else 2)
    half = 0.5 * bridge.width * (1.0 + (bridge.taper - 1.0) * share)
    top, middle, z = 4.0 * bridge.camber * share * (1.0 - share), bridge.bend * share**2, bridge.length * share

    def ring(first: Array, last: Array) -> Array:
        return np.concatenate([first, last[::-1]])

    level = np.zeros_like(z)
    side = ring(np.column_stack([middle, top, z]), np.column_stack([middle, top - bridge.thickness, z]))
    plan = ring(np.column_stack([middle - half, level, z]), np.column_stack([middle + half, level, z]))
    return side, plan


def _stands(scene: Scene) -> list[StandMark]:
    out = []
    things: list[tuple[Lamp | Card, str]] = [(lamp, "lamp") for lamp in scene.lamps]
    things += [(card, card.kind) for card in scene.cards]
    for thing, kind in things:
        face = face_points(thing, _RIM)
        out.append(StandMark(thing.name, kind, np.asarray(thing.position), np.asarray(thing.aim), _rim(face)))
    return out


def _rim(face: Array) -> Array:
    """The outline of a face given as a square grid of points; a point stays a point."""
    if len(face) == 1:
        return face
    side = round(len(face) ** 0.5)
    grid = face.reshape(side, side, 3)
    return np.concatenate([grid[0, :-1], grid[:-1, -1], grid[-1, :0:-1], grid[:0:-1, 0]])


def _zone(profile: Profile) -> Array:
    """Outline (N, 3) of what is hidden under the bridge, seen from the side: the underside and back; empty if flat."""
    if float(profile.depth.max()) < 1e-4:
        return np.zeros((0, 3))
    level = np.zeros_like(profile.z)
    upper = np.column_stack([level, profile.underside, profile.z])
    lower = np.column_stack([level, profile.underside - profile.depth, profile.z])
    return np.concatenate([upper, lower[::-1]])


def _level_outline(level: Level) -> Array:
    height = np.zeros_like(level.z)
    left, right = (np.column_stack([x, height, level.z]) for x in (level.left, level.right))
    return np.concatenate([left, right[::-1]])


def _cuts(scene: Scene, found: Support) -> tuple[CrossSection, ...]:
    out = []
    for hold, move in zip(found.hold_sections, found.move_sections, strict=True):
        # from above the left, as people draw
        slab = bridge_shape(scene).section(hold.z)[0][::-1]
        out.append(CrossSection(hold.z, slab, _hidden_outline(hold), _hidden_outline(move)))
    return tuple(out)


def _hidden_outline(cut: Section) -> Array:
    seen = np.isfinite(cut.left) & np.isfinite(cut.right)
    y = cut.slab[3] - cut.levels[seen]
    return np.concatenate([np.column_stack([cut.left[seen], y]), np.column_stack([cut.right[seen], y])[::-1]])


def _values(
    facts: RigFacts, sha256: str, knock: Sequence[str], advice: Sequence[str], cautions: Sequence[str]
) -> dict[str, Any]:
    plan, found = facts.plan, facts.exposure
    return {
        "title": facts.scene.title,
        "scene_sha256": sha256,
        "version": __version__,
        "settings": {s.name: f"{s.value} ({s.more})" if s.more else s.value for s in settings(facts)},
        "camera": [{"name": m.name, "set_to": m.metric, "also": m.imperial} for m in places(facts)],
        "marks": mark_rows(facts),
        "focus": {
            "near_mm": 1e3 * plan.move.near,
            "wall_mm": 1e3 * plan.move.far,
            "blur_near_mm": 1e3 * plan.now.near,
            "blur_wall_mm": 1e3 * plan.now.wall,
            "blur_limit_mm": 1e3 * plan.blur_limit,
            "best_focus_mm": 1e3 * plan.best_focus,
            "least_stop": plan.least_stop,
            "chosen_stop": plan.chosen.stop,
            "sharpest_stop": plan.sharpest_stop,
            "working_stop": plan.working_stop,
            "airy_mm": 1e3 * plan.airy,
            "advice": list(focus_lines(facts)),
        },
        "light": {
            "wall_lux": found.light.wall,
            "bridge_lux": found.light.bridge,
            "needed_lux": found.needed,
            "wall_stops": _finite(found.wall),
            "bridge_stops": _finite(found.bridge),
            "ways": [{"name": w.name, "what": w.what, "cost": w.cost, "stops": w.stops} for w in facts.ways],
            "lines": list(light_lines(facts)),
        },
        "motion": list(motion_lines(facts)),
        "flicker": [
            {"mains_hz": f.mains, "safe": f.safe, "half_periods": f.half_periods, "differs_stops": _finite(f.differs)}
            for f in facts.flicker
        ],
        "support": list(support_lines(facts)),
        "knock": list(knock),
        "advice": list(advice),
        "safety": list(safety_lines(facts, cautions)),
        "cautions": list(cautions),
    }


def _finite(number: float) -> float | None:
    return number if np.isfinite(number) else None
