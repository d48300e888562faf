"""The scene's ``[search]``: what may change, between which bounds, and the studio that the shot has to fit."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from previz.scene.fields import (
    Angle,
    Coordinate,
    FrameNumber,
    Length,
    LengthOrZero,
    Number,
    Share,
    Taper,
    Text,
    Tilt,
    Turn,
    Whole,
    several,
    wrong,
)
from previz.scene.table import Table

_LENGTHS = several(2, "two lengths, lowest and highest,", '["120 mm", "240 mm"]')
_ANGLES = several(2, "two angles, lowest and highest,", '["-12 deg", "-4 deg"]')
_FRAMES = several(2, "two frame numbers, lowest and highest,", "[1001, 1040]")
_COUNTS = several(2, "two numbers of frames, fewest and most,", "[20, 60]")
_SIZES = several(3, "three lengths, wide, high and deep,", '["150 mm", "130 mm", "200 mm"]')
_TAPERS = several(2, "two numbers, lowest and highest,", "[0.8, 1.2]")
_LEVELS = several(2, "two levels in lux, lowest and highest,", "[100, 400]")

_WALLS = several(2, "the two ways of painting the wall", '["kept", "free"]')

Count = Annotated[Whole, Field(ge=0, le=100_000)]
Level = Annotated[Number, Field(gt=0, lt=1e6)]
Places = Annotated[tuple[Coordinate, Coordinate], _LENGTHS]


class MovableCard(Table):
    """A card of the set that a search may move: the one of this ``name``. What has no bounds stays as it is.

    ``size`` bounds its longer side; it keeps its proportions.
    """

    name: Text = Field(description="Name of the card in the scene.")
    x: Places | None = Field(None, description="Bounds of its place to the right.")
    y: Places | None = Field(None, description="Bounds of its place up from the bridge's top.")
    z: Places | None = Field(None, description="Bounds of its place out of the wall.")
    size: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of its longer side; a rectangle keeps its proportions."
    )


class MovableLamp(MovableCard):
    """A lamp of the set that a search may move or dim: the one of this ``name``. What has no bounds stays as it is.

    ``size`` bounds the diameter of its face, or the longer side of a rectangle, which keeps its proportions.
    """

    name: Text = Field(description="Name of the lamp in the scene.")
    lux: Annotated[tuple[Level, Level], _LEVELS] | None = Field(
        None, description="Bounds of what it gives at its aim, lux."
    )


def _several_lamps(value: Any) -> Any:
    if not isinstance(value, (list, tuple)):
        raise wrong('tables like [[search.lamp]] with a name and bounds, such as x = ["-200 mm", "200 mm"]')
    return tuple(value)


def _several_cards(value: Any) -> Any:
    if not isinstance(value, (list, tuple)):
        raise wrong('tables like [[search.card]] with a name and bounds, such as x = ["-200 mm", "200 mm"]')
    return tuple(value)


class Search(Table):
    """Bounds to search within, and the studio that the shot has to fit. What has no bounds stays as the scene has it.

    Bounds are a lowest and a highest value. ``rail_length`` is the length of the move, its direction kept;
    ``bridge_height`` is the slab's thickness (the bridge's top is where the axes start: it has no other height).
    ``distance_with_lens`` moves the lens along its own axis and changes its focal length with it, so that the middle of
    the bridge keeps its size and its place in the picture. The shot keeps its length: frames that ``stand``
    and ``slide`` leave are stood at the end, and without ``slide`` a longer stand makes a faster slide.
    A wall that is free is in bands along each candidate's own slide, as far as ``wall_change`` under ``[paint]`` lets
    it. The camera's body is a box behind the lens mount, the lens a barrel that begins ``lens_front`` ahead of the
    entrance pupil.
    """

    height: Annotated[tuple[Coordinate, Coordinate], _LENGTHS] | None = Field(
        None, description="Bounds of the lens's height above the bridge's top."
    )
    distance: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the distance from the lens to the wall's plane."
    )
    lateral: Annotated[tuple[Coordinate, Coordinate], _LENGTHS] | None = Field(
        None, description="Bounds of the lens's place to camera right of the bridge's middle."
    )
    distance_with_lens: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the distance where the lens changes with it: the bridge stays as large."
    )
    tilt: Annotated[tuple[Tilt, Tilt], _ANGLES] | None = Field(None, description="Bounds of the tilt.")
    pan: Annotated[tuple[Angle, Angle], _ANGLES] | None = Field(
        None, description="Bounds of a pan about the entrance pupil, set before the slide: it costs no parallax."
    )
    lens: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the focal length of a zoom."
    )
    lenses: Annotated[tuple[Length, ...], Field(min_length=2, max_length=50)] | None = Field(
        None, description='The lenses at hand, instead of a zoom: ["28 mm", "35 mm"].'
    )
    rail_angle: Annotated[tuple[Angle, Angle], _ANGLES] | None = Field(
        None, description="Bounds of a level rail's direction: 0 is along the wall, positive leads away from it."
    )
    rail_length: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the length of the move."
    )
    rail_pan: Annotated[tuple[Turn, Turn], _ANGLES] | None = Field(
        None, description="Bounds of the pan over the slide, about the entrance pupil."
    )
    stand: Annotated[tuple[Count, Count], _COUNTS] | None = Field(
        None, description="Bounds of the frames that the camera stands before the slide."
    )
    slide: Annotated[tuple[Count, Count], _COUNTS] | None = Field(
        None, description="Bounds of the frames that the slide takes, its pauses apart: fewer are faster."
    )
    station: Annotated[tuple[FrameNumber, FrameNumber], _FRAMES] | None = Field(
        None, description="Bounds of the frame at which the lens is on the station point."
    )
    bridge_length: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the bridge's length."
    )
    bridge_width: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the bridge's width at the sill."
    )
    bridge_taper: Annotated[tuple[Taper, Taper], _TAPERS] | None = Field(
        None, description="Bounds of the bridge's near width / far width."
    )
    bridge_height: Annotated[tuple[Length, Length], _LENGTHS] | None = Field(
        None, description="Bounds of the bridge's thickness."
    )
    wall: Annotated[tuple[Literal["kept", "free"], Literal["kept", "free"]], _WALLS] | None = Field(
        None, description='["kept", "free"]: whether the wall is painted over in bands along the slide.'
    )
    wall_turn: Annotated[tuple[Turn, Turn], _ANGLES] | None = Field(
        None, description="Bounds of the turn of the wall kind's pattern."
    )
    lamp: Annotated[tuple[MovableLamp, ...], Field(max_length=20), BeforeValidator(_several_lamps)] = Field(
        (), description="Lamps that may be moved or dimmed, by name."
    )
    card: Annotated[tuple[MovableCard, ...], Field(max_length=20), BeforeValidator(_several_cards)] = Field(
        (), description="Cards that may be moved, by name."
    )
    least_reveal: Share = Field(0.6, description="Least break at the reveal, as a percentage.")
    longest_rail: Length = Field(1.0, description="The longest move that the rail at hand allows.")
    closest_focus: LengthOrZero = Field(0.3, description="The nearest that the bridge may come to the entrance pupil.")
    view_margin: LengthOrZero = Field(0.02, description="How far the wall must reach beyond the picture.")
    floor: Coordinate | None = Field(None, description="The floor above the bridge's top; the wall's foot if none.")
    body: Annotated[tuple[Length, Length, Length], _SIZES] = Field(
        (0.15, 0.13, 0.2), description="The camera's body: wide, high, and deep behind the lens mount."
    )
    lens_front: LengthOrZero = Field(0.04, description="Front of the lens ahead of its entrance pupil.")
    budget: Annotated[Whole, Field(ge=10, le=10_000_000)] = Field(600, description="Candidates to try, at least 10.")
    finalists: Annotated[Whole, Field(ge=1, le=100)] = Field(
        10, description="How many of the best are drawn and judged as score does, 1 to 100."
    )
    seed: Annotated[Whole, Field(ge=0, lt=2**32)] = Field(1, description="Another number, another search.")
