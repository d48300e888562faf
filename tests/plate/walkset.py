"""A performer who walks down the stairs of a modelled causeway, and how far a planted foot moves against its tread.

What is measured knows nothing of how the figure is laid: the shoe is found in the finished frame by its colour, the
tread under it by a sight line to the bridge's mesh in the middle of the contact, and that place of the tread goes on to
all other frames through OpenCV.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from previz import colour
from previz.camera import Camera
from previz.command.plate.animatic import AnimaticFrame, AnimaticJob, staged
from previz.command.plate.bothsides import Both
from previz.geometry import Array, cv_from_world
from previz.look.choose import choose_engine
from previz.look.sight import SightLines
from previz.plate.cdl import NO_CHANGE
from previz.scene.reader import read_scene
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, prepare
from previz.workshop.surface import LitSurface
from tests.paint.causeway import causeway, deck
from tests.plate import walker
from tests.plate.cameras import FullSize
from tests.plate.walker import Gait

SCENE = """\
title = "Stairs"
scale = "1:24"
date = 2025-03-14

[delivery]
frame = [{width}, {height}]

[wall]
kind = "slate"
width = "1.8 m"
height = "1.4 m"
triangles = 2000
texture_px = 256

[bridge]
mesh = "causeway.glb"
paint = "projected"

[camera]
lens = "35 mm"
position = ["-30 mm", "190 mm", "1150 mm"]
tilt = "-11 deg"

[rail]
travel = "60 mm"
frames = {count}
hold = [1001, {hold}]
reveal = {reveal}

{lamp}
[plate]
figure = "{figure}"
camera = {{ lens = "35 mm", height = "4.7 m", distance = "21 m", tilt = "-11 deg", travel = "1.44 m" }}
{plate}
"""

LAMP = """
[[lamp]]
name = "key"
position = ["-700 mm", "900 mm", "900 mm"]
aim = ["0 mm", "0 mm", "200 mm"]
size = "120 mm"
lux = 1800
"""

# the causeway's treads are 20 mm deep from 200 mm on: a step sets a foot on every one, its sole half way
FIRST, TREAD = 0.210, 0.020


def walk_scene(
    folder: Path, gait: Gait, lens: FullSize, count: int, plate: str, width: int = 640, lamp: str = LAMP
) -> Path:
    """A scene of ``count`` frames with its mesh and its cut-outs; ``plate`` is what else stands under [plate]."""
    folder.mkdir(parents=True, exist_ok=True)
    causeway().export(folder / "causeway.glb")
    if not (folder / "walker").exists():
        walker.written(folder / "walker", gait, lens, count)
    text = SCENE.format(width=width, height=width * 9 // 16, count=count, hold=1001 + count // 3,
                        reveal=1001 + count - 2, figure="walker", plate=plate, lamp=lamp)  # fmt: skip
    place = folder / "stairs.toml"
    place.write_text(text, encoding="utf-8")
    return place


def even_marks(gait: Gait, count: int) -> str:
    """The foot marks of a walk of a tread a step."""
    last = FIRST + TREAD * (count - 1) / gait.frames
    return (f'foot_mark = [{{ frame = 1001, at = "{1e3 * FIRST:.3f} mm" }}, '
            f'{{ frame = {1000 + count}, at = "{1e3 * last:.3f} mm" }}]')  # fmt: skip


@dataclass(frozen=True, eq=False)
class Planted:
    """A contact as found in the finished frames: its frames (indices), how far (px) the foot moves against its tread at
    most, the place (3,) m of the tread that is under it, and how far (m) that is from where it was asked for, along."""

    frames: tuple[int, int]
    moves_px: float
    tread: Array
    off_along: float


@dataclass(frozen=True, eq=False)
class Walked:
    """A walk drawn: both sides, the finished frames, every contact, and the bridge's mesh."""

    both: Both
    frames: list[AnimaticFrame]
    planted: list[Planted]
    bridge: LitSurface


def walk_drawn(scene_file: Path, gait: Gait, lens: FullSize, engine: str | None = None) -> Walked:
    """Draw the animatic's frames of a walk, and measure."""
    scene = read_scene(scene_file)
    both = Both.of(scene)
    ready = prepare(scene)
    size_px = scene.delivery.frame
    stage = both.stage(both.move, both.course.rail, size_px)
    looker = Looker(choose_engine(engine).engine)
    looker.load(staged(ready, stage))
    frames = []
    for index in range(len(both.course.frames)):
        frames += AnimaticJob(index, None, NO_CHANGE, "log").done_by(looker)
    bridge = ready.built.bridge.surface
    return Walked(both, frames, measured(both, frames, gait, lens, bridge), bridge)


def measured(both: Both, frames: list[AnimaticFrame], gait: Gait, lens: FullSize, bridge: LitSurface) -> list[Planted]:
    """Every contact of a walk, in finished frames."""
    assert both.walking is not None
    cameras = both.cameras(both.move, both.course.rail[:, 1])
    track = both.track(both.move, both.course.rail[:, 1])
    sight = SightLines([bridge])
    out = []
    for contact in both.walking.walk.contacts:
        own = list(range(contact.first, contact.last + 1))
        drawn = []
        for i in own:
            cut = walker.picture(gait, lens, float(i)).astype(np.float32) / np.float32(255.0)
            light = colour.decoded8(np.rint(cut[..., :3] * 255.0).astype(np.uint8)) * cut[..., 3:]
            up = walker.sole(gait, lens, contact.foot, float(i)) - walker.shoe_place(light, contact.foot)
            c, s = np.cos(track.turn[i]), np.sin(track.turn[i])
            shoe = walker.shoe_place(colour.decoded8(frames[i].code), contact.foot, 8.0)
            drawn.append(shoe + track.scale[i] * np.array([[c, -s], [s, c]]) @ up)
        middle = len(own) // 2
        origins, ways = cameras[own[middle]].rays(np.array([drawn[middle]]))
        tread = sight.first_hits(origins, ways, (BRIDGE,)).point[0]
        there = np.array([_opencv_px(cameras[i], tread) for i in own])
        away = np.array(drawn) - there
        out.append(Planted((contact.first, contact.last), float(np.linalg.norm(away, axis=1).max()), tread,
                           float(tread[2] - contact.at)))  # fmt: skip
    return out


def on_its_tread(planted: Planted) -> bool:
    """Whether the place found is on the top of a tread, by the causeway's own rule."""
    return abs(float(planted.tread[1]) - deck(float(planted.tread[2]))) < 2e-4


def _opencv_px(view: Camera, point: Array) -> Array:
    world = cv_from_world(view.world_from_cam)
    turn, _ = cv2.Rodrigues(world[:3, :3])
    inner = np.array([[view.focal_px, 0, view.centre_x_px], [0, view.focal_px, view.centre_y_px], [0, 0, 1.0]])
    # pixel centres at halves, as the project has them: the principal point is given so
    return np.asarray(cv2.projectPoints(point.reshape(1, 3), turn, world[:3, 3], inner, None)[0].reshape(2))
