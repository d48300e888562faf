"""The scene as frozen data: what the file says.

Every length is in metres, every angle in radians, colours are strings ``#rrggbb`` (sRGB) as written.
Edit by :meth:`Scene.edited`, never in place. What each value means stands in its ``description``, which the
JSON Schema hands on to editors. Values that are wrong by themselves are refused here; values that do not go
together are found by ``previz.scene.checks``.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self, get_args

from pydantic import AliasChoices, BeforeValidator, ConfigDict, Field, Strict, model_validator

from previz.errors import Fault, SceneError
from previz.scene.element import Plate
from previz.scene.fields import (
    Aim,
    Along,
    Angle,
    Coordinate,
    Day,
    Ease,
    Face,
    FileName,
    FineLength,
    FrameNumber,
    Length,
    LengthOrZero,
    Number,
    Place,
    Rate,
    Scale,
    Sensor,
    Share,
    Stop,
    Taper,
    Text,
    Tilt,
    Time,
    Turn,
    Whole,
    face_sides,
    several,
    wrong,
)
from previz.scene.given.heights import Relief
from previz.scene.given.mesh import NamedMesh
from previz.scene.given.wallphoto import WallPhotos
from previz.scene.limits import CARDS, LAMPS, LAMPS_AT_HAND
from previz.scene.markerboard import Markers
from previz.scene.rig.athand import LampAtHand
from previz.scene.search.asked import Search
from previz.scene.table import Table

Colour = Annotated[str, Field(pattern=r"^#[0-9a-fA-F]{6}$")]
Side = Annotated[Whole, Field(ge=16, le=16384)]


class Delivery(Table):
    """The delivered picture. ``frame`` is (width, height) in pixels; ``bars`` the aspect inside it."""

    frame: Annotated[tuple[Side, Side], several(2, "[width, height] in pixels", "[1920, 1080]")] = Field(
        (1920, 1080), description="Width and height of the frame in pixels, 16 to 16384 each."
    )
    rate: Rate = Field(Fraction(25), description='Frames per second: 25, 23.976 or "24000/1001".')
    bars: Annotated[Number, Field(gt=0.2, lt=10.0)] | None = Field(
        None, description="Width / height of the delivered picture inside the frame, such as 2.39."
    )


class Doorway(Table):
    """An opening of the wall; the bridge starts in it, its top level with the sill unless ``sill`` says otherwise."""

    width: Length = Field(description='Clear width, such as "60 mm".')
    height: Length = Field(description='Height above the sill, such as "110 mm".')
    depth: Length = Field(0.05, description="How far the opening goes into the wall.")
    sill: Coordinate = Field(0.0, description="How far its sill lies over the bridge's top, in a set as built.")


# walls made by rule; each has its rule in RULES of previz/workshop/set.py
WallKind = Literal["slate", "basalt", "ice", "board"]
WALL_KINDS: Final[tuple[WallKind, ...]] = get_args(WallKind)
WALL_KINDS_TEXT: Final = f"{', '.join(WALL_KINDS[:-1])} or {WALL_KINDS[-1]}"

# how paint tins name it
Gloss = Literal["matt", "satin", "gloss"]


class Wall(Table):
    """The cliff, made by exactly one of ``kind``, ``mesh`` and ``photo``.

    ``top`` is how far it rises above the bridge's top; ``relief`` its full depth of carving. ``turn`` turns all of a
    kind's pattern, carving and paint, about the wall's middle at the level of the bridge's top. ``mesh`` is placed as
    it is, or as its table says, in the scene's axes and origin. ``photo`` is a picture of a wall, ``width`` x
    ``height``, or several; its ``relief`` is a measured grid, or none.
    """

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": [way]} for way in ("kind", "mesh", "photo")]}
    )

    kind: WallKind | None = Field(None, description=f"A wall made by rule: {WALL_KINDS_TEXT}.")
    mesh: NamedMesh = Field(None, description="A modelled or scanned wall: a mesh file, in metres or as told.")
    photo: WallPhotos = Field(None, description="One or several photographs of a flat painted wall.")
    width: Length = Field(1.8, description='Width, such as "1.8 m".')
    height: Length = Field(2.2, description='Whole height, such as "2.2 m".')
    top: Length = Field(0.7, description="How far the wall rises above the bridge's top.")
    sideways: Coordinate = Field(
        0.0, description="How far its middle, and the doorway's, lies to camera right of the bridge's middle."
    )
    relief: Relief = Field(0.04, description="Full depth of carving; or, of a photograph, a measured grid.")
    seed: Annotated[Whole, Field(ge=0, lt=2**32)] = Field(1, description="Another number, another wall.")
    turn: Angle = Field(
        0.0, description="A kind's pattern turned about the wall's normal; clockwise, as the lens sees it, is positive."
    )
    doorway: Doorway | None = Field(None, description="The opening in which the bridge starts.")
    triangles: Annotated[Whole, Field(ge=200, le=1_000_000)] = Field(
        200_000, description="How finely the wall is made, 200 to 1 000 000 triangles."
    )
    texture_px: Annotated[Whole, Field(ge=64, le=8192)] = Field(
        2048, description="Side of the wall's paint picture, 64 to 8192 pixels."
    )
    gloss: Gloss = Field("matt", description="How the wall's paint shines: matt, satin or gloss.")

    @property
    def opening(self) -> tuple[float, float, float, float] | None:
        """The doorway's left, lower, right and upper edge (m, x and y); None without one."""
        door = self.doorway
        if door is None:
            return None
        half = 0.5 * door.width
        return self.sideways - half, door.sill, self.sideways + half, door.sill + door.height

    @model_validator(mode="after")
    def _made_one_way(self) -> Self:
        given = [way for way in ("kind", "mesh", "photo") if getattr(self, way) is not None]
        if len(given) != 1:
            raise wrong(
                'exactly one of "kind", "mesh" and "photo"',
                "remove all but one" if given else 'write kind = "slate"',
                " and ".join(given) or "none of them",
            )
        return self


PaintKind = Literal["bare", "wash", "projected", "solved"]


class Bridge(Table):
    """The walkway. ``length`` runs from the sill to the near end; ``taper`` is near width / far width.

    ``camber`` is how far the middle of the length rises, ``bend`` how far the near end swings to camera
    right, ``colour`` the bare material. ``mesh`` replaces the slab and all keys of its shape (placed as it is, or as
    its table says, in the scene's axes and origin); ``image`` is a picture laid over the slab's map.
    """

    model_config = ConfigDict(
        json_schema_extra={"dependentSchemas": {"mesh": {"properties": dict.fromkeys(
            ("length", "width", "thickness", "taper", "camber", "bend", "image"), False
        )}}}
    )

    length: Length = Field(0.85, description='From the sill towards the camera, such as "850 mm".')
    width: Length = Field(0.05, description='Width at the sill, such as "50 mm".')
    thickness: Length = Field(0.012, description='Thickness, such as "12 mm".')
    taper: Taper = Field(1.0, description="Near width / far width.")
    camber: Coordinate = Field(0.0, description="How far the middle of the length rises.")
    bend: Coordinate = Field(0.0, description="How far the near end swings to camera right.")
    colour: Colour = Field("#c8b08a", description="The bare material, sRGB, #rrggbb.")
    paint: PaintKind = Field("projected", description="bare, wash, projected or solved.")
    image: FileName | None = Field(None, description="A picture laid over the bridge instead of paint.")
    mesh: NamedMesh = Field(None, description="A modelled bridge: a mesh file, in metres or as its table says.")
    gloss: Gloss = Field("matt", description="How the bridge's paint shines: matt, satin or gloss.")


class CameraBody(Table):
    """The camera as it stands at the station frame; ``position`` is the entrance pupil.

    ``pan`` is positive to camera right, ``tilt`` positive up, ``roll`` positive clockwise. Without ``focus`` everything
    is sharp, without ``shutter`` the exposure of a frame is half its time (a 180 degree shutter).
    """

    sensor: Sensor = Field((0.0359, 0.0240), description='Width x height, such as "35.9 x 24.0 mm".')
    lens: Length = Field(0.035, description='Focal length, such as "35 mm".')
    stop: Stop = Field(22.0, description='Stop, such as "f/22".')
    focus: Length | None = Field(
        None, description="Distance in focus, from the entrance pupil; sharp all over if none."
    )
    position: Place = Field(description="Entrance pupil: right, up from the bridge's top, out of the wall.")
    tilt: Tilt = Field(0.0, description='Up is positive: "-8 deg" looks down.')
    pan: Angle = Field(0.0, description="To camera right is positive.")
    roll: Angle = Field(0.0, description="Clockwise, as the operator sees it, is positive.")
    shift: Annotated[tuple[Coordinate, Coordinate], several(2, "two lengths", '["0 mm", "5 mm"]')] = Field(
        (0.0, 0.0), description="Lens shifted against the sensor: right, up."
    )
    pupil_from_mount: Coordinate = Field(0.0, description="Entrance pupil ahead of the lens mount.")
    mount_from_sensor: Length | None = Field(
        None, description="Lens mount ahead of the body's sensor mark, to tape focus from there; not known if none."
    )
    lens_diameter: Length = Field(0.07, description="Outer diameter of the lens barrel.")
    shutter: Time | None = Field(
        None, description='Exposure of a frame, such as "1/50 s"; half of each frame\'s time if none.'
    )
    rate: Rate | None = Field(None, description="Frames per second that are shot; the delivered rate if none.")
    iso: Annotated[Number, Field(ge=1, le=10_000_000)] = Field(800.0, description="Sensitivity, ISO, such as 800.")
    blur_limit: FineLength = Field(
        0.000025, description='Largest circle of confusion, on the sensor, that counts as sharp: "0.025 mm".'
    )
    pupil_ratio: Annotated[Number, Field(ge=0.1, le=10.0)] = Field(
        1.0, description="Exit pupil / entrance pupil, 0.1 to 10; 1 for a lens that is alike from both ends."
    )


class Pause(Table):
    """A place at which the slide comes to rest and stands for a while before it goes on."""

    at: Length = Field(description="Travel from the start of the slide, whichever way it goes.")
    frames: Annotated[Whole, Field(ge=1, le=100_000)] = Field(description="Frames that the slide stands there.")


def _several_pauses(value: Any) -> Any:
    if not isinstance(value, (list, tuple)):
        raise wrong('a list of pauses like [{ at = "40 mm", frames = 10 }]')
    return tuple(value)


Pauses = Annotated[tuple[Pause, ...], Field(max_length=50), BeforeValidator(_several_pauses)]
Standing = Annotated[Whole, Field(ge=0, le=100_000)]


class Rail(Table):
    """The move. ``along`` is the direction of travel, or "arc" with a ``radius``.

    ``hold`` is the first and last frame on which the bridge must not be seen, ``reveal`` the frame by which
    it must be, ``station`` the frame at which the lens stands at ``camera.position`` (middle of the hold
    unless given). ``aim``: "parallel" keeps the camera's angles, "track" turns with an arc, a point in space
    stays where it is in the picture. ``along`` need not have length one.

    A shot may stand for ``stand`` frames, slide with ``pauses``, and stand again for ``stand_after``; all of them are
    among its ``frames``, and the frames left share the slide. ``pan`` and ``tilt`` turn the camera about its entrance
    pupil, where no parallax comes of it, from the slide's beginning to its end and on through the pauses; at the
    station frame the angles are those of ``[camera]``.
    """

    along: Along = Field(
        (1.0, 0.0, 0.0), description='Direction of travel [right, up, out of the wall], or "arc" with a radius.'
    )
    radius: Coordinate | None = Field(
        None, description="Bends the rail: positive about a point ahead of the lens, negative about one behind."
    )
    travel: Coordinate = Field(0.12, description='Length of the move along the rail, such as "120 mm".')
    frames: Annotated[Whole, Field(ge=1, le=100_000)] = Field(
        100, description="Delivered frames of the whole shot, standing ones too; the first is 1001."
    )
    ease: Ease = Field(
        0.1, description='Share of the slide\'s frames for starting and for stopping, "0%" to "50%"; at pauses too.'
    )
    stand: Standing = Field(0, description="Frames that the camera stands before the slide begins.")
    stand_after: Standing = Field(0, description="Frames that the camera stands after the slide has ended.")
    pauses: Pauses = Field((), description="Where the slide stands on its way, in the order of the travel.")
    pan: Turn = Field(0.0, description="Turned over the slide about the entrance pupil; to camera right is positive.")
    tilt: Turn = Field(0.0, description="Tilted over the slide about the entrance pupil; up is positive.")
    pan_ease: Ease | None = Field(None, description="Easing of the pan, as a share of its frames; the slide's if none.")
    tilt_ease: Ease | None = Field(
        None, description="Easing of the tilt, as a share of its frames; the slide's if none."
    )
    hold: Annotated[tuple[FrameNumber, FrameNumber], several(2, "two frame numbers", "[1001, 1040]")] = Field(
        description="First and last frame on which the bridge must not be seen."
    )
    reveal: FrameNumber | None = Field(None, description="Frame by which the bridge must be seen.")
    station: FrameNumber | None = Field(None, description="Frame at which the lens stands at camera.position.")
    aim: Aim = Field("parallel", description='"parallel", "track", or a point that stays in place in the picture.')


class Lamp(Table):
    """A lamp. ``size`` is its face: a diameter, or width x height; ``lux`` what it gives face on at the point it is
    aimed at, nothing in the way; ``kelvin`` its colour temperature.

    A face shines as white paper does (Lambert), a lamp without one alike to all sides. ``cone`` is the full angle of
    a spot's beam, at whose edge half of the light is left; ``edge`` the share of the cone over which it fades;
    ``watts`` what it takes from the mains. A lamp with nothing but a name is a key from high camera left.
    """

    name: Text = Field(description="What the crew calls it; no two alike.")
    position: Place = Field((-0.8, 1.0, 1.5), description="Middle of the lamp's face: right, up, out of the wall.")
    aim: Place = Field((0.0, 0.0, 0.0), description="The point it is turned to.")
    size: Face = Field(0.0, description='Its face: a diameter, "400 mm", or "600 x 900 mm", wide x high; 0 is a point.')
    lux: Annotated[Number, Field(gt=0, lt=1e6)] = Field(1000.0, description="Illuminance at the aim, face on.")
    kelvin: Annotated[Number, Field(ge=1500, le=25000)] = Field(5600.0, description="Colour temperature.")
    cone: Annotated[Angle, Field(gt=0.0, lt=math.pi)] | None = Field(
        None, description='Full angle of a spot\'s beam, such as "30 deg"; no beam if none.'
    )
    edge: Share = Field(0.2, description="Share of the cone over which the beam fades.")
    watts: Annotated[Number, Field(gt=0, lt=1e6)] | None = Field(None, description="What it takes from the mains.")

    @property
    def face(self) -> tuple[float, float]:
        """Width and height (m) of the face; a disc's diameter twice, 0 for a point."""
        return face_sides(self.size)

    @property
    def is_point(self) -> bool:
        """Whether the lamp has no face."""
        return self.size == 0.0

    @property
    def is_disc(self) -> bool:
        """Whether its face is round."""
        return isinstance(self.size, float) and self.size > 0.0


class Card(Table):
    """A card on a stand: one that bounces light onto the set, or a flag that keeps light off it.

    ``position`` is its middle, ``aim`` the point that its face is turned to. A bounce card sends light back from the
    side that faces ``aim``; both kinds throw a shadow, and neither is in the picture.
    """

    name: Text = Field(description="What the crew calls it; no two alike.")
    kind: Literal["bounce", "flag"] = Field(description="bounce sends light back, flag keeps it off.")
    position: Place = Field(description="Middle of the card: right, up, out of the wall.")
    aim: Place = Field((0.0, 0.0, 0.0), description="The point that its face is turned to.")
    size: Sensor = Field(description='Width x height, such as "600 x 400 mm".')
    colour: Colour = Field("#f2f2f2", description="A bounce card's own colour, sRGB, #rrggbb.")


class Light(Table):
    """What all lamps share: ``ambient`` lux from everywhere, the camera's white balance, the mains.

    ``bounce`` is whether the set lights itself: what wall and bridge throw on each other, to and fro.
    """

    ambient: Annotated[Number, Field(ge=0, lt=1e6)] = Field(0.0, description="Lux from everywhere.")
    white_balance: Annotated[Number, Field(ge=1500, le=25000)] = Field(
        5600.0, description="The camera's white balance in kelvin."
    )
    bounce: Annotated[bool, Strict()] = Field(True, description="Whether wall and bridge light each other.")
    mains: Literal[50, 60] = Field(50, description="Mains frequency, 50 or 60 Hz.")
    volts: Annotated[Number, Field(ge=12, le=1000)] = Field(230.0, description="Mains voltage.")
    circuit: Annotated[Number, Field(gt=0, le=1000)] = Field(16.0, description="Amperes of one circuit's fuse.")


class Knock(Table):
    """What a build and a rig are true to: every error lies anywhere within plus and minus what is given.

    What it is unless given is a careful hand's (common practice, no source).
    """

    shift: LengthOrZero = Field(0.001, description="How true the lens's place is, along each axis.")
    turn: Annotated[Angle, Field(ge=0.0)] = Field(
        math.radians(0.2), description="How true the camera's pan, tilt and roll are."
    )
    focal: Share = Field(0.005, description="How true the focal length is, as a percentage.")
    paint: LengthOrZero = Field(0.0005, description="How true the paint lies on the bridge.")
    paint_turn: Annotated[Angle, Field(ge=0.0)] = Field(math.radians(0.1), description="How true it is turned there.")
    hung: LengthOrZero = Field(0.0005, description="How true the bridge hangs, along each axis.")
    hung_turn: Annotated[Angle, Field(ge=0.0)] = Field(
        math.radians(0.1), description="How true the bridge is turned at its joint, about each axis."
    )
    colour: Annotated[Number, Field(ge=0, le=50)] = Field(2.0, description="Largest error of a mixed colour, dE*ab.")
    brush: LengthOrZero = Field(0.002, description="Diameter of the brush that the bridge is painted with.")
    lamp: LengthOrZero = Field(0.02, description="How true each lamp stands, along each axis.")
    lamp_level: Share = Field(0.05, description="How true each lamp's brightness is, as a percentage.")
    samples: Annotated[Whole, Field(ge=10, le=1_000_000)] = Field(400, description="Builds to try, at least 10.")
    seed: Annotated[Whole, Field(ge=0, lt=2**32)] = Field(1, description="Another number, other builds.")


class PaintJob(Table):
    """How the bridge is painted and cut: what solved paint may ask for, and what the bridge is made from."""

    brush: Annotated[Length, Field(ge=0.0002, le=0.2)] | None = Field(
        None, description='Diameter of the finest brush, such as "3 mm"; nothing finer is asked for.'
    )
    palette: Annotated[Whole, Field(ge=1, le=64)] | None = Field(None, description="Number of mixed paints, 1 to 64.")
    wall: Literal["kept", "free"] = Field(
        "kept", description="free: the wall is painted over too, where the bridge sweeps past it."
    )
    wall_change: Annotated[Number, Field(gt=0, le=50)] = Field(
        8.0, description="How far the wall's new paint may lie from its design, dE*ab, about."
    )
    material: Literal["card", "board"] = Field("board", description="card is scored and folded, board is glued.")
    sheet: Length = Field(0.003, description='Thickness of the card or board, such as "3 mm".')


class Scene(Table):
    """A whole scene file. ``folder`` is where relative paths start; it is not part of the file."""

    model_config = ConfigDict(populate_by_name=True)

    title: Text = Field(description="Name of the shot.")
    scale: Scale = Field(description='How much smaller than life the set is, such as "1:20".')
    delivery: Delivery = Field(Delivery(), description="The delivered picture.")
    wall: Wall = Field(description="The cliff the bridge is hidden against.")
    bridge: Bridge = Field(Bridge(), description="The piece to be hidden.")
    camera: CameraBody = Field(description="The camera at the station point.")
    rail: Rail = Field(description="How the camera travels.")
    lamps: tuple[Lamp, ...] = Field(
        (), validation_alias=AliasChoices("lamp", "lamps"), max_length=LAMPS, description=f"The lamps, at most {LAMPS}."
    )
    cards: tuple[Card, ...] = Field(
        (),
        validation_alias=AliasChoices("card", "cards"),
        max_length=CARDS,
        description=f"Bounce cards and flags, at most {CARDS}.",
    )
    at_hand: tuple[LampAtHand, ...] = Field(
        (),
        max_length=LAMPS_AT_HAND,
        description=f"The lamps that may be placed, at most {LAMPS_AT_HAND} kinds; the scene's own lamps if none.",
    )
    light: Light = Field(Light(), description="What all lamps share.")
    plate: Plate | None = Field(None, description="The performer's element.")
    search: Search | None = Field(None, description="Bounds to search within, and the studio to fit.")
    knock: Knock = Field(Knock(), description="What a build and a rig are true to.")
    paint: PaintJob = Field(PaintJob(), description="How the bridge is painted and cut.")
    markers: Markers = Field(Markers(), description="Printed markers that tell where the real camera is.")
    date: Day | None = Field(None, description="Date of the scene, for title blocks; the file's, by UTC, if none.")
    folder: Annotated[Path, Field(exclude=True)] = Path()

    def edited(self, **changes: Any) -> Self:
        """A copy with changes, each named by its key path with ``__`` between: ``bridge__length=0.8``.

        The result is validated as a whole; a wrong value raises ``pydantic.ValidationError``. A path that leads
        through a table which the scene does not have raises :class:`SceneError` (set that table first, whole:
        ``plate={...}``).
        """
        data = self.model_dump()
        # a modelled bridge's shape is left out of the file, and stays out
        data["bridge"] = self.bridge.model_dump(exclude_unset=True)
        data["folder"] = self.folder
        for path, value in changes.items():
            *tables, key = path.split("__")
            table: Any = data
            for depth, name in enumerate(tables):
                table = table.get(name)
                if not isinstance(table, dict):
                    where = ".".join(tables[: depth + 1])
                    raise SceneError(
                        [
                            Fault(
                                file=self.title,
                                line=0,
                                column=0,
                                key=where,
                                expected=f'a table to change "{".".join([*tables[depth + 1 :], key])}" in',
                                found="no such table in this scene" if table is None else "a plain value",
                                hint=f"add [{where}] to the scene first",
                            )
                        ]
                    )
            table[key] = value
        return type(self).model_validate(data)

    @property
    def wants_solving(self) -> bool:
        """Whether the bridge is to be painted with paint solved for the hold."""
        return self.bridge.paint == "solved" and self.bridge.image is None

    def path(self, relative: Path) -> Path:
        """A file named by the scene, as seen from the working folder."""
        return self.folder / relative
