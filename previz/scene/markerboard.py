"""The sheets of printed markers: how large, and where in the set they are fixed."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import Field

from previz.scene.fields import Angle, Length, LengthOrZero, Number, Place, Whole
from previz.scene.table import Table

_HALF_TURN = math.radians(180.0)


class SheetPlace(Table):
    """Where one sheet is fixed. ``middle`` is its middle cross, ``turned`` its turn about the vertical, positive to
    camera right as its front looks at the camera (a sheet on the floor turns with its upper edge)."""

    middle: Place = Field(description="Its middle cross: right, up from the bridge's top, out of the wall.")
    turned: Annotated[Angle, Field(ge=-_HALF_TURN, le=_HALF_TURN)] = Field(
        0.0, description="Turn about the vertical; positive faces more to camera right."
    )


class Markers(Table):
    """Printed markers that tell where the real camera is. Without any sheet placed, two are placed by rule.

    ``placed`` is the standard deviation of a sheet's place against what is written here; ``distortion`` is the lens's
    k1, r' = r (1 + k1 r^2) with r in focal lengths; fitted from each photograph where it is left out.
    """

    tag: Annotated[Length, Field(ge=0.015, le=0.06)] = Field(0.06, description="Side of a marker, 15 to 60 mm.")
    paper: Literal["a4", "letter"] = Field("a4", description="What the sheets are printed on.")
    placed: LengthOrZero = Field(0.0005, description="How true a sheet's place is known, one standard deviation.")
    first: Annotated[Whole, Field(ge=0, le=539)] | None = Field(
        None, description="Number of the first marker, 0 to 539; made from the title if none."
    )
    distortion: Annotated[Number, Field(ge=-1.0, le=1.0)] | None = Field(
        None, description="Radial distortion k1 of the lens, from a lens check; fitted if none."
    )
    left: SheetPlace | None = Field(None, description="A sheet flat on the wall, left of the bridge.")
    right: SheetPlace | None = Field(None, description="A sheet flat on the wall, right of the bridge.")
    floor: SheetPlace | None = Field(None, description="A sheet lying level, its upper edge towards the wall.")
    card: SheetPlace | None = Field(None, description="A sheet on an upright card in front of the wall.")
