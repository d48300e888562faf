"""A build by a careful hand, from the photograph with marker sheets to paint made again for the set as it stands.

Hanging, lamps, camera and paint are off by what ``[knock]`` says a careful hand leaves, drawn by number. The set with
its bare bridge and its printed sheets is traced from the real camera; ``lineup --points --write`` reads the photograph;
paint is made for the scene as built and laid with errors of its own; the film is traced again and judged.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, shift
from skimage.color import lab2rgb, rgb2lab

from previz.command.lineup.lineup import LineupWishes, lineup
from previz.judge.hold import FrameScore
from previz.lineup.markers import board_of
from previz.look.choose import choose_engine
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_of_text
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet
from tests.benchmarks.reality import frames
from tests.benchmarks.reality.sets import SCENES
from tests.benchmarks.reality.tracer import Mesh, Tracer, View, World
from tests.benchmarks.reality.world import MOMENTS, lamp_of, mesh_of, view_from, world_of
from tests.command.test_lineup import camera_of
from tests.lineup.photographs import TEXEL_MM, Paper, Truth, coded

Floats = NDArray[np.float64]

# the set is the quarry; its photographs are so large
_PHOTO_PX: Final = (1800, 1200)

# of what a photograph is measured by hand: a point is right to so many px (standard deviation)
_BY_HAND_PX: Final = 0.3

# how far a wrong mixture reaches (m), as the tool's own hand has it: a palm
_PALM: Final = 0.08

_QUIET = Progress(quiet=True)


@dataclass(frozen=True, eq=False)
class Amiss:
    """What is off in one build: the camera's place (m), turns (rad) and focal length, the bridge's hanging (4, 4), each
    lamp's place (m) and level, where paint lies (m)."""

    shift: Floats
    turns: Floats
    focal: float
    hung: Floats
    lamps: Floats
    levels: Floats
    laid: Floats
    seed: int


def drawn_amiss(scene: Scene, number: int) -> Amiss:
    """The build of a number: every error anywhere within what the scene's knock says."""
    from scipy.spatial.transform import Rotation

    rng, knock = np.random.default_rng([22, number]), scene.knock
    hung = np.eye(4)
    hung[:3, :3] = Rotation.from_euler("XYZ", rng.uniform(-1.0, 1.0, 3) * knock.hung_turn).as_matrix()
    hung[:3, 3] = rng.uniform(-1.0, 1.0, 3) * knock.hung
    count = len(scene.lamps)
    return Amiss(
        rng.uniform(-1.0, 1.0, 3) * knock.shift, rng.uniform(-1.0, 1.0, 3) * knock.turn,
        1.0 + float(rng.uniform(-1.0, 1.0)) * knock.focal, hung, rng.uniform(-1.0, 1.0, (count, 3)) * knock.lamp,
        1.0 + rng.uniform(-1.0, 1.0, count) * knock.lamp_level, rng.uniform(-1.0, 1.0, 2) * knock.paint, number,
    )  # fmt: skip


def built(folder: Path, variant: str, samples: int, number: int) -> dict[str, Any]:
    """One build, from its errors to whether the shot holds as long as is asked for."""
    folder.mkdir(parents=True, exist_ok=True)
    text = (SCENES / "quarry.toml").read_text(encoding="utf-8")
    text = text.split("[plate]")[0] + "[search]" + text.split("[search]")[1]
    path = folder / "quarry.toml"
    path.write_text(text, encoding="utf-8")
    scene = scene_of_text(text, path)
    amiss = drawn_amiss(scene, number)
    width, height = scene.delivery.frame
    size_px = (frames.JUDGED_WIDTH_PX, round(frames.JUDGED_WIDTH_PX * height / width))
    drawn = frames.made_ready(scene, folder, size_px[0])
    real = real_world(drawn, amiss)
    truth = real_camera(scene, amiss)
    photo = folder / "photo.jpg"
    photo.write_bytes(photograph(scene, real, truth, variant, max(samples // 16, 8)))
    points = folder / "points.csv"
    points.write_text(measured(scene, amiss, truth), encoding="utf-8")
    wishes = LineupWishes(judge=False, points=points, write=True)
    made = lineup(path, photo, wishes, folder / "lineup", 1, None, _QUIET)
    again = read_scene(made.folder / made.values["as_built_scene"])
    ready = frames.made_ready(again, folder, size_px[0])
    painted = with_paint_by_hand(real, drawn, ready, amiss)
    scores, traced, chosen = filmed(ready, painted, scene, truth, variant, samples, size_px)
    still, film = frames.loss_frames(traced, ready.move)
    return {
        "number": number, "holds": film > scene.rail.hold[1], "loss_still": still, "loss_film": film,
        "own_loss": list(frames.loss_frames(scores, ready.move)),
        "shown": [[f, traced[f].shown_pct or 0.0, scores[f].shown_pct or 0.0] for f in chosen],
        "left_out": len(made.values["as_built_left_out"]),
    }  # fmt: skip


def real_world(drawn: ReadySet, amiss: Amiss) -> World:
    """The set as it really stands, its bridge bare, in the drawing's axes."""
    world = world_of(drawn)
    scene = drawn.scene
    lamps = tuple(
        replace(lamp_of(lamp, scene), lux=lamp.lux * float(level), position=tuple(np.array(lamp.position) + off))
        for lamp, level, off in zip(scene.lamps, amiss.levels, amiss.lamps, strict=True)
    )
    bare = mesh_of(drawn.built.bridge.surface, drawn.built.bridge.surface.reflectance)
    bridge = replace(bare, corners=_moved(bare.corners, amiss.hung))
    meshes = {"wall": world.meshes["wall"], "bridge": bridge, **_sheets(scene)}
    return replace(world, meshes=meshes, lamps=lamps)


def _moved(points: NDArray[np.float32], b_from_a: Floats) -> NDArray[np.float32]:
    return (points @ b_from_a[:3, :3].T + b_from_a[:3, 3]).astype(np.float32)


def _sheets(scene: Scene) -> dict[str, Mesh]:
    """The printed marker sheets where they hang, by OpenCV's markers."""
    out = {}
    for k, sheet in enumerate(board_of(scene).sheets):
        texture, corner = Paper(sheet.numbers, sheet.at, sheet.side, sheet.world_from_sheet).texture()
        wide, high = (1e-3 * TEXEL_MM * side for side in texture.shape[::-1])
        x, y = corner
        quad = np.array([(x, y, 0.0), (x + wide, y, 0.0), (x + wide, y - high, 0.0), (x, y - high, 0.0)])
        out[f"sheet{k}"] = Mesh(
            _moved(quad.astype(np.float32), np.asarray(sheet.world_from_sheet)),
            np.array([[0, 2, 1], [0, 3, 2]], np.uint32), np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32), None,
            np.repeat(texture[..., None], 3, axis=2),
        )  # fmt: skip
    return out


def real_camera(scene: Scene, amiss: Amiss) -> Truth:
    """The camera as it really stands at the station, as an independent one."""
    right = camera_of(scene, _PHOTO_PX)
    knocked = right.knocked(tuple(amiss.shift), tuple(amiss.turns))
    return replace(knocked, focal_px=right.focal_px * amiss.focal)


def _view(truth: Truth, scene: Scene, size_px: tuple[int, int], places: list[Floats], box: frames.Box) -> View:
    """What the real lens sees from some places (3,) m, in a frame of a size."""
    moments = []
    for place in places:
        world_from_cam = np.eye(4)
        world_from_cam[:3, :3], world_from_cam[:3, 3] = truth.world_from_cam, place
        moments.append(tuple(tuple(float(v) for v in row) for row in world_from_cam))
    lens = view_from([move_of(scene).camera(1001, *size_px)], scene, box)
    return replace(lens, moments=tuple(moments), focal_px=truth.focal_px * size_px[0] / truth.size_px[0])


def photograph(scene: Scene, real: World, truth: Truth, variant: str, samples: int) -> bytes:
    """The set with its bare bridge and its sheets, as a JPEG."""
    whole = (0, 0, *_PHOTO_PX)
    tracer = Tracer(real, variant)
    light = tracer.draw(_view(truth, scene, _PHOTO_PX, [np.array(truth.place)], whole), list(real.meshes), samples)
    out = io.BytesIO()
    Image.fromarray(np.rint(coded(light) * 255.0).astype(np.uint8)).save(out, "JPEG", quality=95, subsampling=0)
    return out.getvalue()


def measured(scene: Scene, amiss: Amiss, truth: Truth) -> str:
    """Points of bridge and doorway as somebody measures them in the photograph: a table for ``lineup --points``."""
    rng = np.random.default_rng([23, amiss.seed])
    half, length, door = 0.5 * scene.bridge.width, scene.bridge.length, scene.wall.doorway
    rows = [("bridge", p, amiss.hung) for part in (0.1, 0.3, 0.5, 0.7, 0.85, 1.0)
            for p in ((-half, 0.0, length * part), (half, 0.0, length * part))]  # fmt: skip
    if door is not None:
        wide, high = 0.5 * door.width, door.height
        rows += [("wall doorway", (x, y, 0.0), np.eye(4)) for x in (-wide, wide) for y in (0.0, high)]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(("name", "x", "y", "z", "px", "py"))
    for number, (piece, place, moved) in enumerate(rows, 1):
        there = np.array(place) @ moved[:3, :3].T + moved[:3, 3]
        px = truth.px(there[None])[0] + rng.normal(0.0, _BY_HAND_PX, 2)
        table.writerow((f"{piece} {number}", *(f"{1e3 * v:.2f}" for v in place), *(f"{v:.2f}" for v in px)))
    return out.getvalue()


def with_paint_by_hand(real: World, drawn: ReadySet, ready: ReadySet, amiss: Amiss) -> World:
    """The real set with the paint of the scene as built on its bridge: mixed a little wrong, brushed, laid a little
    off. The sheets are taken down."""
    surface, texel = ready.built.bridge.surface, ready.built.bridge.texel
    own = drawn.built.bridge.surface
    if own.faces.shape != surface.faces.shape:
        raise AssertionError("the bridge as built is cut otherwise than the drawn one")
    paint = world_of(ready).meshes["bridge"].reflectance
    knock = ready.scene.knock
    rng = np.random.default_rng([24, amiss.seed])
    h, w = paint.shape[:2]
    # strokes leave nothing finer than the brush is wide
    brushed = np.stack([gaussian_filter(paint[..., k], 0.25 * knock.brush / texel) for k in range(3)], axis=-1)
    moved = np.stack([shift(brushed[..., k], amiss.laid / texel, order=1, mode="nearest") for k in range(3)], axis=-1)
    lab = rgb2lab(coded(moved))
    reach = _PALM / texel
    for k in range(3):
        field = gaussian_filter(rng.standard_normal((h, w)), 0.5 * reach, mode="wrap")
        # the largest error of a mixture is two deviations, shared out among L*, a* and b*
        lab[..., k] += field / max(float(field.std()), 1e-9) * 0.5 * knock.colour / np.sqrt(3.0)
    code = np.clip(lab2rgb(lab), 0.0, 1.0)
    mixed = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    bridge = mesh_of(replace(own, uv=surface.uv), mixed.astype(np.float32))
    bridge = replace(bridge, corners=_moved(bridge.corners, amiss.hung))
    return replace(real, meshes={"wall": real.meshes["wall"], "bridge": bridge})


def filmed(
    ready: ReadySet, real: World, scene: Scene, truth: Truth, variant: str, samples: int, size_px: tuple[int, int]
) -> tuple[dict[int, FrameScore], dict[int, FrameScore], list[int]]:
    """The tool's scores of the set as built, those of the real one, and which of its frames were traced: the station's,
    one in the midst of the slide, and the hold's last."""
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    scores = frames.own_scores(looker, size_px)
    move, tracer = move_of(scene), Tracer(real, variant)
    moving = [f for f in range(move.station_frame + 1, scene.rail.hold[1] + 1) if move.rail_at(f) != move.station_rail]
    chosen = sorted({move.station_frame, *moving[len(moving) // 2 :: max(len(moving) // 2, 1)], scene.rail.hold[1]})
    traced, rows = dict(scores), []
    for frame in chosen:
        looks, _ = looker.delivered(frame, *size_px)[1]
        box = frames.box_around(looks.cover)
        opened = 0.5 if scene.camera.shutter is None else float(scene.camera.shutter * scene.delivery.rate)
        times = frame - 1001 + opened * ((np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5)
        start = move.camera(move.station_frame).position
        places = [np.array(truth.place) + move.camera_during(float(t)).position - start for t in times]
        if np.ptp(np.stack(places), axis=0).max() == 0.0:
            places = places[:1]
        view = _view(truth, scene, size_px, places, box)
        seen, clean = (tracer.draw(view, names, samples, 1) for names in (("wall", "bridge"), ("wall",)))
        seen, clean = frames.whole(seen, looks.seen, box), frames.whole(clean, looks.clean, box)
        cover = frames.whole(tracer.cover(view, "bridge", ("wall",), 64), looks.cover, box)
        shown = (frames.looks_of(frames.faded(seen, clean, box), clean, cover), {})
        traced[frame] = frames.judged(looker, frame, shown, size_px).score
        rows.append({"frame": frame})
    looker.engine.close()
    frames.carried_over(traced, scores, rows, ready.move)
    return scores, traced, chosen
