"""A mesh named by a scene: in which unit its program wrote it, which way its axes run, and where it stands."""

from __future__ import annotations

from typing import Annotated, Final, Literal, get_args

from pydantic import Field, Strict

from previz.scene.fields import FileName, Place, Turn
from previz.scene.given.named import or_name
from previz.scene.table import Table
from previz.units import METRES_PER_INCH

Units = Literal["m", "cm", "mm", "in", "ft"]
UNITS: Final[tuple[Units, ...]] = get_args(Units)
METRES: Final[dict[Units, float]] = {
    "m": 1.0, "cm": 0.01, "mm": 0.001, "in": METRES_PER_INCH, "ft": 12.0 * METRES_PER_INCH,
}  # fmt: skip
UNIT_WORDS: Final[dict[Units, str]] = {"m": "metres", "cm": "centimetres", "mm": "millimetres", "in": "inches",
                                       "ft": "feet"}  # fmt: skip

Up = Literal["y", "z", "x", "-y", "-z", "-x"]

# kinds of file that state their unit: Khronos, glTF 2.0, section 3.4, "the units for all linear distances are meters".
# OBJ, PLY, STL and OFF state none
STATED: Final[dict[str, Units]] = {".glb": "m"}
ASSUMED: Final[Units] = "m"

class MeshFile(Table):
    """A mesh file in its program's own unit and axes.

    In this order: numbers are taken in ``units``, the axis ``up`` is stood up, the mesh is turned about the vertical by
    ``turn``, mirrored, and moved by ``move``. Without any of them it is placed as it is, in the scene's axes.
    """

    file: FileName = Field(description="The mesh: a GLB, OBJ, PLY, STL or OFF file.")
    units: Units | None = Field(
        None, description="What its numbers are: m, cm, mm, in or ft; what the file states, or metres, if none."
    )
    up: Up = Field("y", description="Which of its axes is up: y, z, x, -y, -z or -x.")
    turn: Turn = Field(0.0, description="Turn about the vertical; positive turns its front to camera right.")
    mirror: Annotated[bool, Strict()] = Field(False, description="Whether left and right are to be swapped.")
    move: Place = Field((0.0, 0.0, 0.0), description="Moved by so much: right, up, out of the wall.")

    @property
    def kind(self) -> str:
        """How the file's name ends, small."""
        return self.file.suffix.lower()

    @property
    def unit(self) -> Units:
        """The unit that its numbers are taken in."""
        return self.units or STATED.get(self.kind, ASSUMED)


NamedMesh = Annotated[MeshFile | None, *or_name('"wall.glb"')]
