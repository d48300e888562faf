"""The set as plans and elevations draw it: plain places in metres, gathered once for every drawing.

PNG, PDF, SVG, DXF and the page all draw a :class:`DrawnSet`; each has its own pen and nothing of the set of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from previz.camera import Camera
from previz.draw.railrule import RailMark, RailRule
from previz.geometry import Array
from previz.scene.layout import PictureBox, wall_box
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import Move
from previz.scene.rig.lightcautions import face_points
from previz.scene.rig.support import Level, Profile, Section, Support
from previz.scene.shape import BridgeShape, Outlines, bridge_shape
from previz.scene.timetable import turning_marks
from previz.workshop.section import sections
from previz.workshop.surface import Surface

# rows and columns of a face whose rim is drawn: a disc gets four times as many corners, less four
_RIM = 13


@dataclass(frozen=True)
class StandMark:
    """A lamp or a card in plan and elevation: ``kind`` is lamp, bounce or flag; ``face`` (N, 3) m its outline."""

    name: str
    kind: str
    position: Array
    aim: Array
    face: Array


@dataclass(frozen=True, eq=False)
class CrossSection:
    """A cut across the bridge at ``z`` m: the ``slab`` and what is ``hold`` and ``move`` hidden, outlines (N, 2) m."""

    z: float
    slab: Array
    hold: Array
    move: Array


@dataclass(frozen=True, eq=False)
class LensMark:
    """A lens: its place ``position`` (3,) m, the way ``forward`` (3,) it looks, and the directions ``field`` (4, 3) to
    the middles of its frame's left, right, top and bottom edges."""

    position: Array
    forward: Array
    field: Array

    def edges(self, side: bool) -> Array:
        """Directions (2, 3) to the edges that are seen from the side, or from above."""
        return self.field[2:] if side else self.field[:2]

    def at_wall(self, way: Array) -> Array | None:
        """Where (3,) m a direction (3,) from the lens meets the wall's plane; None where it leads away from it."""
        return self.position - way * self.position[2] / way[2] if way[2] < -1e-6 else None


@dataclass(frozen=True, eq=False)
class Length:
    """A length that a set-builder measures, from ``a`` to ``b`` (3,) m along world axis ``axis``."""

    a: Array
    b: Array
    axis: int

    @property
    def ends(self) -> tuple[Array, Array]:
        """Both ends (3,) m of the length itself: ``a``, and what is as far along the axis as ``b``."""
        return self.a, self.a + (self.b - self.a) * np.eye(3)[self.axis]


@dataclass(frozen=True, eq=False)
class DrawnView:
    """Elevation or plan; outlines (N, 3) m do not repeat their first point, inner ones are holes (even-odd rule).

    ``wall`` are the wall's cuts, through the middle or at the level of the bridge's top; ``bridge`` is the bridge's
    silhouette. ``hold`` and ``move`` are what an arm may fill unseen over the hold and over the move.
    """

    wall: Outlines
    bridge: Outlines
    hold: Outlines = ()
    move: Outlines = ()


@dataclass(frozen=True, eq=False)
class DrawnSet:
    """The set as it is drawn; places (..., 3) m.

    ``front`` is the bridge's silhouette from the front, ``lens`` the lens at the station point, ``near_end`` (3, 3)
    left corner, middle and right corner of the bridge's near end. ``wall_box`` and ``doorway`` are left, bottom, right
    and top on the wall's plane. What may hold the bridge: an arm ``arm`` m wide, drawn in plan ``plan_depth`` m below
    the underside, and ``sections`` of it.
    """

    elevation: DrawnView
    plan: DrawnView
    front: Outlines
    lens: LensMark
    rail_line: Array
    rail: RailRule
    stands: tuple[StandMark, ...]
    near_end: Array
    wall_box: PictureBox
    doorway: PictureBox | None = None
    plan_depth: float = 0.0
    arm: float = 0.0
    sections: tuple[CrossSection, ...] = ()

    def view(self, side: bool) -> DrawnView:
        """The elevation, seen from camera right, or the plan."""
        return self.elevation if side else self.plan

    def core(self, side: bool) -> list[Array]:
        """What a drawing must have on it, whatever else it leaves out: wall, bridge, rail and lens."""
        view = self.view(side)
        return [*view.bridge, self.rail_line, self.lens.position[None], *view.wall]

    def lengths(self, side: bool) -> dict[str, Length]:
        """What is measured in a view, by name."""
        sill, lens, near = np.zeros(3), self.lens.position, self.near_end
        under = lens * (0.0, 0.0, 1.0)
        left, foot, right, top = self.wall_box
        found = {"bridge": Length(sill, near[1], 2), "lens": Length(sill, lens, 2)}
        if not side:
            found["near end"] = Length(near[0], near[2], 0)
            found["wall"] = Length(np.array([left, 0.0, 0.0]), np.array([right, 0.0, 0.0]), 0)
            return found | {"lens aside": Length(under, lens, 0)}
        found["lens height"] = Length(under, lens, 1)
        found["foot"] = Length(np.array([0.0, foot, 0.0]), sill, 1)
        found["top"] = Length(sill, np.array([0.0, top, 0.0]), 1)
        rim = np.concatenate(self.elevation.bridge)
        end = rim[rim[:, 2] > rim[:, 2].max() - 1e-9]
        return found | {"thickness": Length(end[end[:, 1].argmin()], end[end[:, 1].argmax()], 1)}


def drawn_set(move: Move, wall: Surface | None = None, support: Support | None = None) -> DrawnSet:
    """The set of a move's scene: with its ``wall`` cut where it is built, and what is known of what may hold it up."""
    scene = move.scene
    shape = bridge_shape(scene)
    # a hair beside the middle and the top, so that the cut does not run along an edge of the mesh
    hair = np.array([1e-4, -1e-4, 0.0])
    cuts = [() if wall is None else sections(wall, hair, normal) for normal in np.eye(3)[:2]]
    above = [np.insert(ring, 1, 0.0, axis=1) for ring in shape.plan]
    aside = [np.insert(ring[:, ::-1], 0, 0.0, axis=1) for ring in shape.elevation]
    side = DrawnView(cuts[0], tuple(_from_wall(ring, -ring[:, 1]) for ring in aside))
    plan = DrawnView(cuts[1], tuple(_from_wall(ring, ring[:, 0]) for ring in above))
    more: dict[str, Any] = {}
    if support is not None:
        side = DrawnView(side.wall, side.bridge, _zone(support.hold), _zone(support.move))
        plan = DrawnView(plan.wall, plan.bridge, _level(support.hold_level), _level(support.move_level))
        more = {"plan_depth": support.hold_level.depth, "arm": support.arm, "sections": tuple(_cuts(shape, support))}
    return DrawnSet(
        elevation=side,
        plan=plan,
        front=_front(shape),
        lens=lens_mark(move.camera(move.station_frame)),
        rail_line=rail_line(move),
        rail=rail_rule(move),
        stands=tuple(_stands(scene)),
        near_end=shape.near_corners,
        wall_box=wall_box(scene) if scene.wall.mesh is None or wall is None else _box(wall),
        doorway=scene.wall.opening,
        **more,
    )


def lens_mark(camera: Camera) -> LensMark:
    """A camera as drawings show it."""
    w, h = camera.width_px, camera.height_px
    field = camera.rays([(0.0, h / 2), (w, h / 2), (w / 2, 0.0), (w / 2, h)])[1]
    return LensMark(np.asarray(camera.position), np.asarray(camera.forward), field)


def rail_line(move: Move) -> Array:
    """The rail (N, 3) m over the travel of the move."""
    return move.track.position(np.linspace(0.0, float(move.rail[-1]), 33) - move.station_rail)


def rail_rule(move: Move) -> RailRule:
    """The rail with the marks of the move."""
    rail = move.scene.rail
    frames = {"start": move.frames[0], "hold": rail.hold[0], "hold ends": rail.hold[1]}
    frames |= {"station": move.station_frame, "end": move.frames[-1]}
    if rail.reveal is not None:
        frames["reveal"] = rail.reveal
    if frames["hold"] == frames["start"]:
        del frames["hold"]
    frames |= dict(turning_marks(move.timing, len(move.frames) - 1))
    marks = tuple(
        RailMark(name, frame, move.rail_at(frame), np.asarray(move.camera(frame).position))
        for name, frame in sorted(frames.items(), key=lambda item: item[1])
    )
    return RailRule(float(move.rail[-1]), marks, (move.rail_at(rail.hold[0]), move.rail_at(rail.hold[1])))


def _stands(scene: Scene) -> Iterator[StandMark]:
    things: list[tuple[Lamp | Card, str]] = [*((lamp, "lamp") for lamp in scene.lamps)]
    for thing, kind in [*things, *((card, card.kind) for card in scene.cards)]:
        # the outline of a face given as a square grid of points; a point stays a point
        face = face_points(thing, _RIM)
        if len(face) > 1:
            grid = face.reshape(_RIM, _RIM, 3)
            face = np.concatenate([grid[0, :-1], grid[:-1, -1], grid[-1, :0:-1], grid[:0:-1, 0]])
        yield StandMark(thing.name, kind, np.asarray(thing.position), np.asarray(thing.aim), face)


def _from_wall(ring: Array, down: Array) -> Array:
    """An outline (N, 3) that starts at the wall and goes out along its upper edge; ``down`` (N,) counts downwards."""
    turns = float(ring[:, 2] @ (np.roll(down, -1) - np.roll(down, 1)))
    first = int(np.lexsort([down, ring[:, 2]])[0])
    return np.roll(ring, -first, axis=0) if turns > 0.0 else np.roll(ring[::-1], first + 1, axis=0)


def _front(shape: BridgeShape) -> Outlines:
    """The bridge from the front: what its cuts from station to station cover together."""
    inside = np.clip(shape.stations, shape.far + 1e-6, shape.near - 1e-6)
    nothing, merged = shapely.Polygon(), shapely.symmetric_difference
    cuts = [reduce(merged, map(shapely.Polygon, shape.section(z)), nothing) for z in inside]
    # between two plain cuts lies all that is between their corners
    between = [shapely.union(*two).convex_hull for two in pairwise(cuts) if not shape.modelled]
    found = shapely.get_parts(shapely.union_all([*cuts, *between]))
    rings = [ring for part in found for ring in (part.exterior, *part.interiors)]
    return tuple(np.insert(shapely.get_coordinates(ring)[:-1], 2, 0.0, axis=1) for ring in rings)


def _box(wall: Surface) -> PictureBox:
    (left, bottom, _), (right, top, _) = wall.vertices.min(axis=0).tolist(), wall.vertices.max(axis=0).tolist()
    return left, bottom, right, top


def _zone(profile: Profile) -> Outlines:
    """What is hidden under the bridge, seen from the side: along the underside and back; nothing if flat."""
    if float(profile.depth.max()) < 1e-4:
        return ()
    level = np.zeros_like(profile.z)
    upper, lower = (np.column_stack([level, profile.underside - d, profile.z]) for d in (0.0, profile.depth))
    return (np.concatenate([upper, lower[::-1]]),)


def _level(level: Level) -> Outlines:
    left, right = (np.column_stack([x, np.zeros_like(level.z), level.z]) for x in (level.left, level.right))
    return (np.concatenate([left, right[::-1]]),)


def _cuts(shape: BridgeShape, found: Support) -> Iterator[CrossSection]:
    for hold, move in zip(found.hold_sections, found.move_sections, strict=True):
        # the largest part, from above the left, as people draw; nothing between two parts
        for slab in shape.section(hold.z)[:1]:
            yield CrossSection(hold.z, slab[::-1], _hidden_outline(hold), _hidden_outline(move))


def _hidden_outline(cut: Section) -> Array:
    seen = np.isfinite(cut.left) & np.isfinite(cut.right)
    y = cut.slab[3] - cut.levels[seen]
    return np.concatenate([np.column_stack([cut.left[seen], y]), np.column_stack([cut.right[seen], y])[::-1]])
