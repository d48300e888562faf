"""The performer's element in the scene file: the plate, its camera, and the marks measured in its picture.

Every length of the plate's camera is at full size; a foot mark on the bridge is at miniature size, as the bridge is.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, Strict, TypeAdapter, ValidationInfo
from pydantic_core import CoreSchema

from previz.scene.fields import (
    Coordinate,
    FileName,
    FrameNumber,
    Length,
    LengthOrZero,
    Number,
    Rate,
    Sensor,
    Share,
    Tilt,
    several,
    wrong,
)
from previz.scene.table import Table

_PLACE = several(2, "a place in the picture, [right, down] in pixels,", "[960, 812]")
_LINE = several(2, "two places in the picture", "[[0, 540], [1920, 536]]")
_EDGES = several(
    2, "two edges, each by two places in the picture,", "[[[0, 900], [700, 640]], [[1920, 900], [1200, 640]]]"
)

_BOX = several(4, "a box in the picture, [left, top, right, bottom] in pixels,", "[820, 400, 900, 460]")

PictureBox = Annotated[tuple[Number, Number, Number, Number], _BOX]
PicturePlace = Annotated[tuple[Number, Number], _PLACE]
PictureLine = Annotated[tuple[PicturePlace, PicturePlace], _LINE]


class PlateCamera(Table):
    """The camera of the full-size element; every length at full size.

    ``lateral`` is how far the lens stands to the right of the performer at the station frame. The move goes as the
    scene's own does, ``travel`` long.
    """

    lens: Length = Field(description="Focal length.")
    height: Coordinate = Field(description="Height of the lens above the performer's floor.")
    distance: Length = Field(description="From the lens to the performer.")
    tilt: Tilt = Field(0.0, description="Up is positive.")
    travel: Coordinate = Field(0.0, description="Length of the element's own move.")
    lateral: Coordinate = Field(0.0, description="Lens to the right of the performer at the station frame.")
    sensor: Sensor | None = Field(None, description='Width x height, such as "35.9 x 24.0 mm"; the scene\'s if none.')


class Pole(Table):
    """Something of known height that stands upright on the performer's floor, marked in a still of the plate."""

    foot: PicturePlace = Field(description="Where it stands, [right, down] in pixels.")
    top: PicturePlace = Field(description="Its upper end, [right, down] in pixels.")
    height: Length = Field(description="How tall it is, full size.")


def _several_poles(value: Any) -> Any:
    if not isinstance(value, (list, tuple)):
        raise wrong('a list of poles like [{ foot = [300, 700], top = [301, 420], height = "2 m" }]')
    return tuple(value)


Poles = Annotated[tuple[Pole, ...], BeforeValidator(_several_poles)]


class PlateMarks(Table):
    """Marks measured in a still of the plate, in its pixels: what the plate's camera is worked out from.

    ``feet`` and ``head`` are the performer's, ``horizon`` a line, ``edges`` two edges that are parallel on the floor,
    ``poles`` other uprights of known height.
    """

    picture: FileName = Field(description="The still in which they were measured.")
    feet: PicturePlace | None = Field(None, description="Where the performer stands, [right, down] in pixels.")
    head: PicturePlace | None = Field(None, description="Top of the performer's head, [right, down] in pixels.")
    horizon: PictureLine | None = Field(None, description="Two places on the horizon.")
    edges: Annotated[tuple[PictureLine, PictureLine], _EDGES] | None = Field(
        None, description="Two edges that are parallel on the floor, each by two places."
    )
    poles: Poles = Field((), description="Uprights of known height on the performer's floor.")
    noise_px: Annotated[Number, Field(gt=0, le=100)] = Field(1.0, description="How far a mark may be off, pixels.")


class PatchPair(Table):
    """Two boxes that show the same thing, a grey card say: one in the plate's still, one in the miniature's picture."""

    plate: PictureBox = Field(description="In plate.still: [left, top, right, bottom] in its pixels.")
    miniature: PictureBox = Field(
        description="In plate.miniature, or in the delivered frame as shot if none: [left, top, right, bottom]."
    )


def _several_patches(value: Any) -> Any:
    if not isinstance(value, (list, tuple)) or len(value) > _MOST_PATCHES:
        raise wrong(
            f"a list of up to {_MOST_PATCHES} patches like "
            "[{ plate = [820, 400, 900, 460], miniature = [610, 330, 680, 380] }]"
        )
    return tuple(value)


_MOST_PATCHES = 200
Patches = Annotated[tuple[PatchPair, ...], BeforeValidator(_several_patches)]


class MarkAt(Table):
    """Where a walking performer is at a delivered frame."""

    frame: FrameNumber = Field(description="A delivered frame; the first is 1001.")
    at: LengthOrZero = Field(description="From the sill along the bridge, miniature size.")


class FootStep(Table):
    """A foot that is down: on which delivered frames, and where on the bridge."""

    frames: Annotated[tuple[FrameNumber, FrameNumber], several(2, "two frame numbers", "[1001, 1012]")] = Field(
        description="First and last delivered frame on which the foot stays in its place."
    )
    at: LengthOrZero = Field(description="From the sill along the bridge, miniature size.")
    foot: Literal["left", "right"] | None = Field(
        None, description="Which foot, as the picture shows it; the one that stays in place if none."
    )


_MOST_MARKS = 10_000


_ONE_MARK: Final = TypeAdapter(LengthOrZero)
_MARKS: Final = TypeAdapter(tuple[MarkAt, ...])


def _mark_or_several(value: Any, info: ValidationInfo) -> Any:
    # faults of either keep their own key paths: a union would tell of both
    if not isinstance(value, (list, tuple)):
        return _ONE_MARK.validate_python(value, context=info.context)
    if not 2 <= len(value) <= _MOST_MARKS:
        raise wrong(
            'a length like "400 mm", or two places and more like [{ frame = 1001, at = "250 mm" }, '
            '{ frame = 1050, at = "400 mm" }]'
        )
    return _MARKS.validate_python(tuple(value), context=info.context)


class _OneOrSeveral:
    """In the JSON Schema: a length, or places at frames."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        several = next(choice for choice in handler(core)["anyOf"] if choice.get("type") == "array")
        one = _ONE_MARK.json_schema()
        return {"anyOf": [one, several | {"minItems": 2, "maxItems": _MOST_MARKS}], "examples": one["examples"]}


FootMark = Annotated[float | tuple[MarkAt, ...], BeforeValidator(_mark_or_several), _OneOrSeveral()]


def _several_steps(value: Any) -> Any:
    if not isinstance(value, (list, tuple)) or len(value) > _MOST_MARKS:
        raise wrong('a list of steps like [{ frames = [1001, 1012], at = "250 mm" }]')
    return tuple(value)


class Plate(Table):
    """The performer's element: the cut-out, the performer's height and the foot mark on the bridge.

    ``foot_mark`` is measured from the sill along the bridge, at miniature size: one place, or the places of a
    performer who walks, straight on between two of them. ``steps`` say when which foot is down, and where; they are
    found in the figure's frames if none are given.
    """

    figure: FileName | None = Field(None, description="Cut-out with alpha, or a folder of numbered frames.")
    height: Length = Field(1.75, description="The performer's height, full size.")
    camera: PlateCamera | None = Field(None, description="The camera of the element, full size.")
    foot_mark: FootMark = Field(
        0.4, description="From the sill along the bridge, miniature size; or where a walking performer is at frames."
    )
    steps: Annotated[tuple[FootStep, ...], BeforeValidator(_several_steps)] | None = Field(
        None, description="When a foot is down, and where; found in the figure's frames if none, [] for not at all."
    )
    rate: Rate | None = Field(None, description="Frames per second of the plate; the delivered rate if none.")
    feet: PicturePlace | None = Field(
        None, description="The feet in the figure's picture, [right, down] in pixels; found if none."
    )
    marks: PlateMarks | None = Field(None, description="Marks in a still of the plate, to work its camera out from.")
    crop: Annotated[Share, Field(ge=0.05)] = Field(1.0, description="Share of the plate's width that is used.")
    still: FileName | None = Field(None, description="A still of the plate, for the colour match.")
    miniature: FileName | None = Field(
        None, description="A photograph of the miniature, for the colour match; a drawn frame if none."
    )
    match: Literal["linear", "log"] = Field(
        "log", description="What the colour match works in: linear (Rec.709 light) or log (ACEScct, AP1)."
    )
    patches: Patches = Field(
        (), description="Boxes that show the same thing in both stills; they alone decide the colour match."
    )
    wanted: FileName | None = Field(
        None, description="CSV of the wanted rail position per delivered frame; the scene's move if none."
    )
    take: FileName | None = Field(None, description="CSV of the rail position measured in a take.")
    back: Annotated[bool, Strict()] = Field(False, description="Whether the move is played out and back.")
    drift_px: Annotated[Number, Field(ge=-4096, le=4096)] = Field(
        0.0, description="How far the picture drifts inside the bars over the move, delivered pixels, up is positive."
    )

    @property
    def places(self) -> tuple[tuple[float, float], ...]:
        """Frames and places (m from the sill) between which the performer walks; none where they stand.

        Those of ``foot_mark``, else the middles of the steps.
        """
        if isinstance(self.foot_mark, tuple):
            return tuple((float(mark.frame), mark.at) for mark in self.foot_mark)
        return tuple((0.5 * sum(step.frames), step.at) for step in self.steps or ())

    def mark_at(self, frame: float) -> float:
        """Where the performer is (m from the sill) at a delivered frame, the first or last place before and after."""
        places = self.places
        if not places:
            assert isinstance(self.foot_mark, float)
            return self.foot_mark
        for (one, at), (other, then) in pairwise(places):
            if frame < other:
                return at + (then - at) * max(frame - one, 0.0) / (other - one)
        return places[-1][1]
