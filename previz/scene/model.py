"""The scene as frozen data: what the file of design section 4 says.

Every length is in metres, every angle in radians, colours are strings ``#rrggbb`` (sRGB) as written.
Edit by :func:`edited`, never in place.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AliasChoices, BaseModel, ConfigDict, Field

from previz.scene.fields import Angle, Length, Rate, Scale, Share, Size, Stop, Time

Colour = Annotated[str, Field(pattern=r"^#[0-9a-fA-F]{6}$")]
Place = tuple[Length, Length, Length]
Direction = tuple[float, float, float]


class Table(BaseModel):
    """A table of the scene file: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Delivery(Table):
    """The delivered picture. ``frame`` is (width, height) in pixels; ``bars`` the aspect inside it."""

    frame: tuple[Annotated[int, Field(ge=16, le=16384)], Annotated[int, Field(ge=16, le=16384)]] = (1920, 1080)
    rate: Rate = Fraction(25)
    bars: Annotated[float, Field(gt=0.2, lt=10.0)] | None = None


class Doorway(Table):
    """An opening of the wall whose sill is the bridge's top; the bridge starts in it."""

    width: Annotated[Length, Field(gt=0)]
    height: Annotated[Length, Field(gt=0)]
    depth: Annotated[Length, Field(gt=0)] = 0.05


WallKind = Literal["slate", "basalt", "ice", "board"]


class Wall(Table):
    """The cliff. ``top`` is how far it rises above the bridge's top; ``relief`` its full depth of carving."""

    kind: WallKind | None = None
    mesh: Path | None = None
    photo: Path | None = None
    width: Annotated[Length, Field(gt=0)] = 1.8
    height: Annotated[Length, Field(gt=0)] = 2.2
    top: Annotated[Length, Field(gt=0)] = 0.7
    relief: Annotated[Length, Field(ge=0)] = 0.04
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1
    doorway: Doorway | None = None
    triangles: Annotated[int, Field(ge=200, le=1_000_000)] = 200_000
    texture_px: Annotated[int, Field(ge=64, le=8192)] = 2048


PaintKind = Literal["bare", "wash", "projected", "solved"]


class Bridge(Table):
    """The walkway. ``length`` runs from the sill to the near end; ``taper`` is near width / far width.

    ``camber`` is how far the middle of the length rises, ``bend`` how far the near end swings to camera
    right, ``colour`` the bare material. ``mesh`` replaces the slab (placed as it is, in metres, the scene's
    axes and origin); ``image`` is a picture laid over the slab's map.
    """

    length: Annotated[Length, Field(gt=0)] = 0.85
    width: Annotated[Length, Field(gt=0)] = 0.05
    thickness: Annotated[Length, Field(gt=0)] = 0.012
    taper: Annotated[float, Field(gt=0.05, le=20.0)] = 1.0
    camber: Length = 0.0
    bend: Length = 0.0
    colour: Colour = "#c8b08a"
    paint: PaintKind = "projected"
    image: Path | None = None
    mesh: Path | None = None


class CameraBody(Table):
    """The camera as it stands at the station frame; ``position`` is the entrance pupil.

    ``pan`` is positive to camera right, ``tilt`` positive up, ``roll`` positive clockwise.
    """

    sensor: Size = (0.0359, 0.0240)
    lens: Annotated[Length, Field(gt=0)] = 0.035
    stop: Annotated[Stop, Field(gt=0)] = 22.0
    focus: Annotated[Length, Field(gt=0)] | None = None
    position: Place
    tilt: Angle = 0.0
    pan: Angle = 0.0
    roll: Angle = 0.0
    shift: tuple[Length, Length] = (0.0, 0.0)
    pupil_from_mount: Length = 0.0
    lens_diameter: Annotated[Length, Field(gt=0)] = 0.07
    shutter: Annotated[Time, Field(gt=0)] | None = None


class Rail(Table):
    """The move. ``along`` is the direction of travel, or "arc" with a ``radius``.

    ``hold`` is the first and last frame on which the bridge must not be seen, ``reveal`` the frame by which
    it must be, ``station`` the frame at which the lens stands at ``camera.position`` (middle of the hold
    unless given). ``aim``: "parallel" keeps the camera's angles, "track" turns with an arc, a point in space
    stays where it is in the picture.
    """

    along: Direction | Literal["arc"] = (1.0, 0.0, 0.0)
    radius: Length | None = None
    travel: Length = 0.12
    frames: Annotated[int, Field(ge=1, le=100_000)] = 100
    ease: Annotated[Share, Field(ge=0.0, le=0.5)] = 0.1
    hold: tuple[int, int]
    reveal: int | None = None
    station: int | None = None
    aim: Literal["parallel", "track"] | Place = "parallel"


class Lamp(Table):
    """A lamp. ``size`` is the diameter of a soft lamp's face, ``lux`` what it gives the wall face on at the
    datum point it is aimed at, ``kelvin`` its colour temperature."""

    name: str
    position: Place
    aim: Place = (0.0, 0.0, 0.0)
    size: Annotated[Length, Field(ge=0)] = 0.0
    lux: Annotated[float, Field(gt=0, lt=1e6)]
    kelvin: Annotated[float, Field(ge=1500, le=25000)] = 5600.0


class Light(Table):
    """What all lamps share: ``ambient`` lux from everywhere and the camera's white balance."""

    ambient: Annotated[float, Field(ge=0, lt=1e6)] = 0.0
    white_balance: Annotated[float, Field(ge=1500, le=25000)] = 5600.0


class PlateCamera(Table):
    """The camera of the full-size element; every length at full size."""

    lens: Annotated[Length, Field(gt=0)]
    height: Length
    distance: Annotated[Length, Field(gt=0)]
    tilt: Angle = 0.0
    travel: Length = 0.0


class Plate(Table):
    """The performer's element: the cut-out, the performer's height and the foot mark on the bridge.

    ``foot_mark`` is measured from the sill along the bridge, at miniature size.
    """

    figure: Path | None = None
    height: Annotated[Length, Field(gt=0)] = 1.75
    camera: PlateCamera | None = None
    foot_mark: Annotated[Length, Field(ge=0)] = 0.4


class Scene(Table):
    """A whole scene file. ``folder`` is where relative paths start; it is not part of the file."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    title: str
    scale: Scale
    delivery: Delivery = Delivery()
    wall: Wall
    bridge: Bridge = Bridge()
    camera: CameraBody
    rail: Rail
    lamps: tuple[Lamp, ...] = Field(default=(), validation_alias=AliasChoices("lamp", "lamps"))
    light: Light = Light()
    plate: Plate | None = None
    folder: Annotated[Path, Field(exclude=True)] = Path()

    def edited(self, **changes: Any) -> Self:
        """A copy with changes, each named by its key path with ``__`` between: ``bridge__length=0.8``.

        The result is validated as a whole; a wrong value raises ``pydantic.ValidationError``.
        """
        data = self.model_dump()
        data["folder"] = self.folder
        for path, value in changes.items():
            *tables, key = path.split("__")
            table = data
            for name in tables:
                table = table[name]
            table[key] = value
        return type(self).model_validate(data)

    def path(self, relative: Path) -> Path:
        """A file named by the scene, as seen from the working folder."""
        return self.folder / relative
