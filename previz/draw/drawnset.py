"""The set as plans and elevations draw it: plain places in metres, gathered once for every drawing."""

from __future__ import annotations

from dataclasses import dataclass

from previz.draw.railrule import RailRule
from previz.geometry import Array


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
class RigDrawing:
    """The set as it is drawn; places (..., 3) m.

    ``wall_side`` and ``wall_plan`` are cuts through the wall, ``bridge_side`` and ``bridge_plan`` outlines,
    ``field_side`` and ``field_plan`` (2, 3) the directions of the frame's edges at the station point. ``hold_zone`` and
    ``move_zone`` are outlines of what an arm ``arm`` m wide may fill unseen, seen from the side; ``hold_plan`` and
    ``move_plan`` of what is hidden ``plan_depth`` m below the underside, from above. They are empty where nothing is.
    """

    wall_side: Array | None
    wall_plan: Array | None
    bridge_side: Array
    bridge_plan: Array
    station: Array
    forward: Array
    field_side: Array
    field_plan: Array
    rail_line: Array
    rail: RailRule
    stands: tuple[StandMark, ...]
    hold_zone: Array
    move_zone: Array
    hold_plan: Array
    move_plan: Array
    plan_depth: float
    near_end: Array
    wall_box: tuple[float, float, float, float]
    arm: float
    sections: tuple[CrossSection, ...] = ()
