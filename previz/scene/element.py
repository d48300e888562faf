"""The performer's element in the scene file: the plate, its camera, and the marks measured in its picture.

Every length of the plate's camera is at full size; a foot mark on the bridge is at miniature size, as the bridge is.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, Strict

from previz.scene.fields import (
    Coordinate,
    FileName,
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


class Plate(Table):
    """The performer's element: the cut-out, the performer's height and the foot mark on the bridge.

    ``foot_mark`` is measured from the sill along the bridge, at miniature size.
    """

    figure: FileName | None = Field(None, description="Cut-out with alpha, or a folder of numbered frames.")
    height: Length = Field(1.75, description="The performer's height, full size.")
    camera: PlateCamera | None = Field(None, description="The camera of the element, full size.")
    foot_mark: LengthOrZero = Field(0.4, description="From the sill along the bridge, miniature size.")
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
