"""The scene file that the design prints, and small changes to it."""

from pathlib import Path

from previz.scene.model import CameraBody, Rail, Scene, Wall
from previz.scene.reader import read_scene

EXAMPLE = '''\
title = "Quarry walk"
scale = "1:20"

[delivery]
frame = [1920, 1080]
rate  = 25
bars  = 2.39                 # delivered picture inside the frame

[wall]
kind   = "slate"             # slate | basalt | ice | board; or mesh = "wall.glb"; or photo = "painted.jpg"
width  = "1.8 m"
height = "2.2 m"
top    = "700 mm"            # above the bridge's top
relief = "40 mm"
seed   = 7
doorway = { width = "60 mm", height = "110 mm" }

[bridge]
length    = "850 mm"         # from the sill towards the camera
width     = "50 mm"
thickness = "12 mm"
taper     = 1.0              # near width / far width
paint     = "solved"         # bare | wash | projected | solved; or image = "bridge.png"; or mesh = ...

[camera]
sensor   = "35.9 x 24.0 mm"
lens     = "35 mm"
stop     = "f/22"
focus    = "700 mm"
position = ["0 mm", "160 mm", "1250 mm"]
tilt     = "-8 deg"

[rail]
along  = [1, 0, 0]          # or "arc" with a radius
travel = "120 mm"
frames = 100
ease   = "10%"
hold   = [1001, 1040]
reveal = 1090

[[lamp]]
name = "key"
# position, aim, size (a soft lamp has one), illuminance at the wall in lux, colour temperature

[plate]
figure   = "figure.png"      # cut-out with alpha, or a folder of numbered frames
height   = "1.75 m"          # the performer
camera   = { lens = "35 mm", height = "1.6 m", distance = "9 m", tilt = "-8 deg", travel = "2.4 m" }
foot_mark = "400 mm"         # from the sill along the bridge, miniature size
'''


def modelled(name: str) -> tuple[tuple[str, str], ...]:
    """Changes that put a mesh of this name in the place of the slab."""
    return (
        ('length    = "850 mm" ', f'mesh = "{name}" '),
        ('width     = "50 mm"', ""),
        ('thickness = "12 mm"', ""),
        ("taper     = 1.0 ", ""),
    )


def changed(*changes: tuple[str, str]) -> str:
    """The example with each first text, which must be in it once, replaced by the second."""
    text = EXAMPLE
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in the example"
        text = text.replace(old, new)
    return text


def written(folder: Path, text: str) -> Path:
    """A scene file with this text, beside a figure."""
    (folder / "figure.png").write_bytes(b"not looked into")
    path = folder / "walk.toml"
    path.write_bytes(text.encode())
    return path


def scene_of(folder: Path, *changes: tuple[str, str]) -> Scene:
    """The example, changed, as a scene."""
    return read_scene(written(folder, changed(*changes)))


def plain_scene(rail: dict[str, object], **camera: object) -> Scene:
    """A plain set with this rail and camera, values in inside units."""
    body = {"position": (0.0, 0.16, 1.25), **camera}
    return Scene(
        title="move",
        scale=20.0,
        wall=Wall(kind="board"),
        camera=CameraBody.model_validate(body),
        rail=Rail.model_validate(rail),
    )
