"""The worked shoot of the sea stack, made anew: ``python -m tests.workedshoot`` (a minute or two).

Nobody has shot it. What a shooting day would bring is made here, in ``scenes/seastack/``: two photographs of the hung
set with the marker sheets in it, from where the camera should stand and after a knock; corners of the bridge and the
doorway as somebody would measure them in the second; a still of the performer's plate; the slide's places in a take.
The set is drawn by the project, the sheets by OpenCV (``tests/lineup/photographs.py``). Noise is seeded.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from previz import colour
from previz.camera import Camera
from previz.lineup.markers import board_of
from previz.look.choose import choose_engine
from previz.plate.cdl import Cdl
from previz.plate.space import graded
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import scene_of_text
from previz.scene.shape import bridge_shape
from previz.stage.prepare import CLEAN, WITH_BRIDGE, prepare
from previz.workshop.surface import Picture
from tests.command.test_lineup import camera_of
from tests.lineup.photographs import Paper, Spoils, Truth, coded, jpeg, linear_picture

SCENES = Path(__file__).resolve().parents[1] / "scenes"
SCENE = SCENES / "seastack.toml"
FOLDER = SCENES / "seastack"

# the whole sensor, 4:3, as a camera's own photograph has it
SIZE = (2000, 1500)

# what somebody's elbow did: m and rad
KNOCK = ((4e-3, -2e-3, 3e-3), (math.radians(0.35), math.radians(-0.25), math.radians(0.3)))

# the bridge as it was hung against its drawing: m right, up, out
HUNG = (2e-3, -3e-3, 0.0)

# how the film stock and the weather of the plate differ from the miniature's picture, in linear light
LOOK = Cdl((1.16, 1.0, 0.82), (0.004, 0.0, -0.002), (1.05, 1.0, 0.96), 0.85)


def sea_stack() -> Scene:
    """The scene without the files that are made here."""
    lines = SCENE.read_text(encoding="utf-8").splitlines(keepends=True)
    return scene_of_text("".join(line for line in lines if f'"{FOLDER.name}/' not in line), SCENE)


def photo_camera(camera: Camera) -> Camera:
    """The lens of the delivered frame on the whole sensor."""
    width = SIZE[0]
    return camera.resized(width, round(width * camera.height_px / camera.width_px)).resized(*SIZE, factor=1.0)


def photograph(drawn: Picture, seen_by: Truth, seed: int) -> bytes:
    """The set with its sheets in it, as a JPEG: noise, uneven light and blur by colour."""
    papers = [Paper(s.numbers, s.at, s.side, s.world_from_sheet) for s in board_of(sea_stack()).sheets]
    planes = [
        linear_picture(seen_by, papers, Spoils(seed=seed + k, uneven=0.2), np.ascontiguousarray(drawn[..., k]))
        for k in range(3)
    ]
    return jpeg(np.rint(coded(np.stack(planes, axis=-1)) * 255.0).astype(np.uint8), 88)


def photographs() -> None:
    """Both photographs, and what is measured in the second."""
    scene = sea_stack()
    # what is hung is not painted yet
    bare = scene.model_copy(update={"bridge": scene.bridge.model_copy(update={"paint": "wash"})})
    engine, ready = choose_engine().engine, prepare(bare, SIZE[0])
    engine.load(ready.lit)
    camera = photo_camera(ready.move.camera(ready.move.station_frame))
    right = camera_of(scene, SIZE)
    knocked = right.knocked(*KNOCK)
    for name, seen_by, seed in (("right", right, 1), ("knocked", knocked, 4)):
        world_from_cam = np.eye(4)
        world_from_cam[:3, :3], world_from_cam[:3, 3] = seen_by.world_from_cam, seen_by.place
        drawn = engine.draw(replace(camera, world_from_cam=world_from_cam), WITH_BRIDGE).colour
        (FOLDER / f"{name}.jpg").write_bytes(photograph(drawn, seen_by, seed))
    shape, door = bridge_shape(scene), scene.wall.doorway
    assert door is not None
    rows = ["name,x,y,z,px,py"]
    rng = np.random.default_rng(7)
    edges = zip(*shape.top_edges(5), ("0%", "25%", "50%", "75%", "100%"), strict=True)
    for *sides, share in list(edges)[1:]:
        for place, word in zip(sides, ("left", "right"), strict=True):
            rows.append(_row(f"bridge {share} {word}", tuple(place), HUNG, knocked, rng))
    for x, y, word in ((-0.5, 0, "low left"), (-0.5, 1, "high left"), (0.5, 1, "high right"), (0.5, 0, "low right")):
        rows.append(_row(f"wall doorway {word}", (x * door.width, y * door.height, 0.0), (0.0, 0.0, 0.0), knocked, rng))
    (FOLDER / "measured.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def _row(
    name: str, place: tuple[float, ...], moved: tuple[float, ...], seen_by: Truth, rng: np.random.Generator
) -> str:
    """A point as drawn, mm, and where somebody who is right to half a pixel measures it."""
    px = seen_by.px(np.array([place]) + np.array(moved))[0] + rng.normal(0.0, 0.3, 2)
    return ",".join([name, *(f"{1e3 * value:.2f}" for value in place), *(f"{value:.1f}" for value in px)])


def still() -> None:
    """The performer's plate: other rock of the same kind, the climber before it, graded otherwise."""
    scene = sea_stack()
    other = scene.model_copy(update={"wall": scene.wall.model_copy(update={"seed": scene.wall.seed + 6})})
    engine, ready = choose_engine().engine, prepare(other, 1280)
    engine.load(ready.lit)
    drawn = engine.draw(ready.move.camera(ready.move.station_frame, 1280, 720), CLEAN).colour
    with Image.open(SCENES / "figures" / "climber.png") as picture:
        cut = picture.convert("RGBA").resize((round(picture.width * 330 / picture.height), 330))
    layer = np.asarray(cut)
    cover = layer[..., 3:].astype(np.float32) / 255.0
    box = np.s_[720 - 120 - 330 : 720 - 120, 700 : 700 + layer.shape[1]]
    drawn = np.array(drawn)
    drawn[box] = drawn[box] * (1.0 - cover) + colour.decoded8(layer[..., :3]) * cover
    noise = np.random.default_rng(3).normal(0.0, 0.004, drawn.shape)
    codes = colour.encoded8(np.clip(graded(np.clip(drawn, 0.0, 1.0), LOOK, "linear") + noise, 0.0, 1.0))
    Image.fromarray(codes).save(FOLDER / "plate.jpg", quality=90)


def take() -> None:
    """A slide pushed by hand: it stands, starts late, wavers, and runs a little too far."""
    scene = sea_stack()
    move = move_of(scene)
    frames = np.arange(len(move.frames) + 60)
    share = np.clip((frames - 48.0) / 140.0, 0.0, 1.0)
    pushed = share**2 * (3.0 - 2.0 * share) + 0.006 * np.sin(9.0 * np.pi * share) * np.sin(np.pi * share)
    rail = np.maximum.accumulate(1.01 * 1e3 * float(move.rail[-1]) * pushed)
    rows = [f"{frame + 1},{place:.2f}" for frame, place in zip(frames, rail, strict=True)]
    (FOLDER / "take.csv").write_text("frame,rail_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    photographs()
    still()
    take()


if __name__ == "__main__":
    main()
