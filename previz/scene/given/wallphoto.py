"""A photograph of the real wall named by a scene: what was measured in it, and what in it is no wall."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field

from previz.scene.fields import Coordinate, FileName, Length, Number, several, wrong
from previz.scene.given.named import or_one_or_several
from previz.scene.limits import WALL_PHOTOS, WALL_POINTS
from previz.scene.table import Table

# the reflectance of the grey cards that photographers use: the trade's 18 %
GREY: Final = 0.18

_PLACE = several(2, "a place in the picture, [right, down] in pixels,", "[960, 812]")
_ON_WALL = several(2, "a place on the wall, two lengths [right, up],", '["-350 mm", "120 mm"]')
_BOX = several(4, "a box in the picture, [left, top, width, height] in pixels,", "[120, 80, 60, 40]")

_Along = Annotated[Number, Field(ge=-100_000, le=100_000)]
PhotoPlace = Annotated[tuple[_Along, _Along], _PLACE]
OnWall = Annotated[tuple[Coordinate, Coordinate], _ON_WALL]
_Side = Annotated[Number, Field(gt=0, le=100_000)]
PhotoBox = Annotated[tuple[_Along, _Along, _Side, _Side], _BOX]


class WallPoint(Table):
    """A point of the real wall: where it is in the photograph, and where on the wall."""

    px: PhotoPlace = Field(description="In the photograph, upright: [right, down] in pixels.")
    at: OnWall = Field(description="On the wall: right of the bridge's middle, up from the bridge's top.")


class SheetsInPhoto(Table):
    """Marker sheets of ``previz markers`` that were stuck flat on the wall for the photograph, upright: where the
    middle cross of each was."""

    left: OnWall | None = Field(None, description="Middle cross of the sheet that is printed as left: right, up.")
    right: OnWall | None = Field(None, description="Middle cross of the sheet that is printed as right: right, up.")
    floor: OnWall | None = Field(None, description="Middle cross of the sheet that is printed as floor: right, up.")
    card: OnWall | None = Field(None, description="Middle cross of the sheet that is printed as card: right, up.")


class GreyBox(Table):
    """A part of the photograph that shows nothing but a grey card, lit as the wall is."""

    box: PhotoBox = Field(description="[left, top, width, height] in pixels.")
    reflectance: Annotated[Number, Field(ge=0.01, le=1.0)] = Field(
        GREY, description="How much light the card sends back, 0.01 to 1."
    )


def _points(value: Any) -> Any:
    if not isinstance(value, (list, tuple)) or len(value) > WALL_POINTS:
        raise wrong(f'at most {WALL_POINTS} points like [{{ px = [412, 318], at = ["-350 mm", "120 mm"] }}]')
    return tuple(value)


def _boxes(value: Any) -> Any:
    if not isinstance(value, (list, tuple)) or len(value) > WALL_POINTS:
        raise wrong(f"at most {WALL_POINTS} boxes like [[120, 80, 60, 40]]")
    return tuple(value)


class WallPhoto(Table):
    """A photograph of the real wall. With ``points`` or ``sheets`` it may be taken at an angle, and is laid flat and
    true to size; without either it is taken as straight on, and its middle cut out in the wall's shape."""

    file: FileName = Field(description="The photograph: a JPEG, PNG, TIFF, WebP or BMP file.")
    points: Annotated[tuple[WallPoint, ...], BeforeValidator(_points)] = Field(
        (), description="Four or more measured points of the wall."
    )
    sheets: SheetsInPhoto | None = Field(None, description="Printed marker sheets that stand in the picture.")
    grey: GreyBox | None = Field(None, description="A grey card in the picture, for colour and brightness.")
    leave_out: Annotated[tuple[PhotoBox, ...], BeforeValidator(_boxes)] = Field(
        (), description="Parts of the picture that are not the wall: boxes [left, top, width, height] in pixels."
    )
    distortion: Annotated[Number, Field(ge=-1.0, le=1.0)] | None = Field(
        None, description="Radial distortion k1 of the lens, as a lens check says; none if left out."
    )
    lens: Length | None = Field(
        None, description="Focal length for a 36 mm wide frame, for the distortion; what the file says if none."
    )

    @property
    def measured(self) -> bool:
        """Whether it says where on the wall it lies."""
        return bool(self.points) or self.sheets is not None


WallPhotos = Annotated[
    tuple[WallPhoto, ...] | None, *or_one_or_several('{ file = "wall.jpg", points = [...] }', WALL_PHOTOS)
]
