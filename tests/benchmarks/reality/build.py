"""A build by a careful hand, from the photograph with marker sheets to paint made again for the set as it stands.

Hanging, lamps, sheets, camera and paint are off by what ``[knock]`` and ``[markers]`` say a careful hand leaves, drawn
by number. The set with its bare bridge and its printed sheets is traced from the real camera; ``lineup --points
--write`` reads the photograph; paint and rig card are made for the scene as built, and the paint is laid with errors of
its own; the film is traced again and judged, and beside it the one with the drawing's paint, laid by the same hand.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import distance_transform_edt, shift
from skimage.color import lab2rgb, rgb2lab

from previz.command.lineup.lineup import LineupWishes, lineup
from previz.command.rig.rig import rig
from previz.judge.film.found import film_of
from previz.judge.hold import FrameScore, Held, held_around
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.lineup.markers import board_of
from previz.look.choose import choose_engine
from previz.paint.brush import brushed
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME, Move, move_of
from previz.scene.reader import read_scene, scene_of_text
from previz.stage.delivering import JUDGED_WIDTH_PX, Delivered
from previz.stage.looking import Looker
from previz.stage.prepare import Painter, ReadySet, sight_of
from tests.benchmarks.reality import frames
from tests.benchmarks.reality.choice import stands
from tests.benchmarks.reality.sets import SCENES
from tests.benchmarks.reality.tracer import Mesh, Tracer, View, World
from tests.benchmarks.reality.world import MOMENTS, bridge_paint, lamp_of, mesh_of, view_from, world_of
from tests.command.test_lineup import camera_of
from tests.lineup.photographs import TEXEL_MM, Paper, Truth, coded

Floats = NDArray[np.float64]

# the set is the quarry; its photographs are so large
_PHOTO_PX: Final = (1800, 1200)

# of what a photograph is measured by hand: a point is right to so many px (standard deviation)
_BY_HAND_PX: Final = 0.3

# how far a wrong mixture reaches (m), as the tool's own hand has it: a palm
_PALM: Final = 0.08

# so many frames after the hold asked for are traced as well
_BEYOND: Final = 12

_QUIET = Progress(quiet=True)


@dataclass(frozen=True, eq=False)
class Amiss:
    """What is off in one build: the camera's place (m), turns (rad) and focal length, the bridge's hanging (4, 4), each
    lamp's place (m) and level, where paint lies (m), each marker sheet's place (S, 3) m."""

    shift: Floats
    turns: Floats
    focal: float
    hung: Floats
    lamps: Floats
    levels: Floats
    laid: Floats
    sheets: Floats
    seed: int


def drawn_amiss(scene: Scene, number: int) -> Amiss:
    """The build of a number: every error anywhere within what the scene's knock says; sheets by their own spread."""
    from scipy.spatial.transform import Rotation

    rng, knock = np.random.default_rng([22, number]), scene.knock
    hung = np.eye(4)
    hung[:3, :3] = Rotation.from_euler("XYZ", rng.uniform(-1.0, 1.0, 3) * knock.hung_turn).as_matrix()
    hung[:3, 3] = rng.uniform(-1.0, 1.0, 3) * knock.hung
    count = len(scene.lamps)
    return Amiss(
        rng.uniform(-1.0, 1.0, 3) * knock.shift, rng.uniform(-1.0, 1.0, 3) * knock.turn,
        1.0 + float(rng.uniform(-1.0, 1.0)) * knock.focal, hung, rng.uniform(-1.0, 1.0, (count, 3)) * knock.lamp,
        1.0 + rng.uniform(-1.0, 1.0, count) * knock.lamp_level, rng.uniform(-1.0, 1.0, 2) * knock.paint,
        rng.normal(0.0, 1.0, (len(board_of(scene).sheets), 3)) * scene.markers.placed, number,
    )  # fmt: skip


def built(folder: Path, variant: str, samples: int, number: int) -> dict[str, Any]:
    """One build, from its errors to whether the shot holds as long as is asked for.

    ``holds`` is the traced film's answer in the paint made again, ``held_before`` and ``held`` are the last frames up
    to which the film of either paint holds (the frame before the station where it never does). ``before`` and
    ``shown`` have the traced frames with the break and trace of each, ``own_shown`` the tool's of the scene as built.
    ``residual_px`` is by how much places on the bridge are seen elsewhere than drawing, and scene as built, have them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    text = (SCENES / "quarry.toml").read_text(encoding="utf-8")
    text = text.split("[plate]")[0] + "[search]" + text.split("[search]")[1]
    path = folder / "quarry.toml"
    path.write_text(text, encoding="utf-8")
    scene = scene_of_text(text, path)
    amiss = drawn_amiss(scene, number)
    width, height = scene.delivery.frame
    size_px = (JUDGED_WIDTH_PX, round(JUDGED_WIDTH_PX * height / width))
    drawn = frames.made_ready(scene, folder, size_px[0])
    real = real_world(drawn, amiss)
    truth = real_camera(scene, amiss)
    photo = folder / "photo.jpg"
    photo.write_bytes(photograph(scene, real, truth, variant, max(samples // 16, 8)))
    points = folder / "points.csv"
    points.write_text(measured(scene, amiss, truth), encoding="utf-8")
    wishes = LineupWishes(judge=False, points=points, write=True)
    made = lineup(path, photo, wishes, folder / "lineup", 1, None, _QUIET)
    as_built = made.folder / made.values["as_built_scene"]
    again = read_scene(as_built)
    card = rig(as_built, "a4", folder / "card", _QUIET)
    ready = frames.made_ready(again, folder, size_px[0])
    # guides are drawn on the map for delivered frames, on which a stroke is some texels wide
    paints = {
        name: with_paint_by_hand(real, drawn, frames.made_ready(one, folder, width), amiss)
        for name, one in (("before", scene), ("after", again))
    }
    film = filmed(ready, paints, scene, truth, variant, samples, size_px, folder)
    before, after = (held_in(film.traced[name], ready.move) for name in ("before", "after"))
    return {
        "number": number, "samples": samples, "wanted": list(scene.rail.hold), "holds": after.covers_wanted,
        "holds_before": before.covers_wanted,
        "held": _last(after, ready.move), "held_before": _last(before, ready.move),
        "own_held": _last(held_in(film.own, ready.move), ready.move),
        "shown": _rows(film.traced["after"], film.chosen), "before": _rows(film.traced["before"], film.chosen),
        "own_shown": _rows(film.own, film.chosen), "noise_pct": film.noise_pct, "noise_px_code": film.noise_code,
        "residual_px": [
            apart_px(scene, scene, amiss, truth, size_px), apart_px(scene, again, amiss, truth, size_px),
        ],
        "left_out": len(made.values["as_built_left_out"]), "card": card.values["files"], "engine": film.engine,
    }  # fmt: skip


def held_in(scores: Mapping[int, FrameScore], move: Move) -> Held:
    """The stretch around the station on which the film holds: no frame shows the bridge, nor is it found by then."""
    order = [scores[frame] for frame in sorted(scores)]
    film = film_of(order, float(move.scene.delivery.rate))
    holds = [s.holds and one.found_pct <= HOLDS_BELOW_PCT for s, one in zip(order, film, strict=True)]
    return held_around(order, holds, move.station_frame, move.scene.rail.hold)


def _last(held: Held, move: Move) -> int:
    return move.station_frame - 1 if held.last is None else held.last


def _rows(scores: Mapping[int, FrameScore], chosen: Sequence[int]) -> list[list[Any]]:
    return [[f, scores[f].break_pct, scores[f].trace_pct, list(scores[f].tells)] for f in chosen if f in scores]


def apart_px(scene: Scene, believed: Scene, amiss: Amiss, truth: Truth, size_px: tuple[int, int]) -> float:
    """By how many px (root mean square) the bridge's top is seen elsewhere in a frame than a scene believes."""
    half = 0.5 * scene.bridge.width
    places = np.array([(x, 0.0, z) for z in np.linspace(0.1, 1.0, 10) * scene.bridge.length for x in (-half, half)])
    real = replace(truth, focal_px=truth.focal_px * size_px[0] / truth.size_px[0], size_px=size_px)
    seen = real.px(places @ amiss.hung[:3, :3].T + amiss.hung[:3, 3])
    move = move_of(believed)
    # both scenes' bridges end at the same near end
    there = places + [0.0, 0.0, believed.bridge.length - scene.bridge.length]
    off = seen - move.camera(move.station_frame, *size_px).project(there)
    return float(np.sqrt((off**2).sum(axis=1).mean()))


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
    meshes = {"wall": world.meshes["wall"], "bridge": bridge, **_sheets(scene, amiss.sheets)}
    return replace(world, meshes=meshes, lamps=lamps)


def _moved(points: NDArray[np.float32], b_from_a: Floats) -> NDArray[np.float32]:
    return (points @ b_from_a[:3, :3].T + b_from_a[:3, 3]).astype(np.float32)


def _sheets(scene: Scene, off: Floats) -> dict[str, Mesh]:
    """The printed marker sheets where they hang, ``off`` (S, 3) m their places, by OpenCV's markers."""
    out = {}
    for k, sheet in enumerate(board_of(scene).sheets):
        texture, corner = Paper(sheet.numbers, sheet.at, sheet.side, sheet.world_from_sheet).texture()
        wide, high = (1e-3 * TEXEL_MM * side for side in texture.shape[::-1])
        x, y = corner
        quad = np.array([(x, y, 0.0), (x + wide, y, 0.0), (x + wide, y - high, 0.0), (x, y - high, 0.0)])
        out[f"sheet{k}"] = Mesh(
            _moved(quad.astype(np.float32), np.asarray(sheet.world_from_sheet)) + off[k].astype(np.float32),
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
    half, length, opening = 0.5 * scene.bridge.width, scene.bridge.length, scene.wall.opening
    rows = [("bridge", p, amiss.hung) for part in (0.1, 0.3, 0.5, 0.7, 0.85, 1.0)
            for p in ((-half, 0.0, length * part), (half, 0.0, length * part))]  # fmt: skip
    if opening is not None:
        rows += [("wall doorway", (x, y, 0.0), np.eye(4)) for x in opening[::2] for y in opening[1::2]]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(("name", "x", "y", "z", "px", "py"))
    for number, (piece, place, moved) in enumerate(rows, 1):
        there = np.array(place) @ moved[:3, :3].T + moved[:3, 3]
        px = truth.px(there[None])[0] + rng.normal(0.0, _BY_HAND_PX, 2)
        table.writerow((f"{piece} {number}", *(f"{1e3 * v:.2f}" for v in place), *(f"{v:.2f}" for v in px)))
    return out.getvalue()


def with_paint_by_hand(real: World, drawn: ReadySet, ready: ReadySet, amiss: Amiss) -> World:
    """The real set with the paint of a scene on its bridge: mixed a little wrong, brushed, laid a little off. The hand
    errs alike whatever it paints. The sheets are taken down."""
    surface, texel = ready.built.bridge.surface, ready.built.bridge.texel
    own = drawn.built.bridge.surface
    if own.faces.shape != surface.faces.shape:
        raise AssertionError("the bridge as built is cut otherwise than the drawn one")
    paint, texels = bridge_paint(ready), Painter(ready.built, ready.wall, sight_of(ready.built)).texels
    valid, knock = texels.valid, ready.scene.knock
    # in strokes of one colour each, none thinner than the brush; what is laid off its place goes on over a face's edge
    # as the stroke does that ends there, and nothing stays bare
    laid = brushed(paint, valid, knock.brush / texel)
    beside = distance_transform_edt(~valid, return_distances=False, return_indices=True)
    laid = laid[beside[0], beside[1]]
    moved = np.stack([shift(laid[..., k], amiss.laid / texel, order=1, mode="nearest") for k in range(3)], axis=-1)
    lab = rgb2lab(coded(moved))
    lab[valid] += mixed_wrong(texels.points[valid], knock.colour, amiss.seed)
    code = np.clip(lab2rgb(lab), 0.0, 1.0)
    mixed = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    bridge = mesh_of(replace(own, uv=surface.uv), mixed.astype(np.float32))
    bridge = replace(bridge, corners=_moved(bridge.corners, amiss.hung))
    return replace(real, meshes={"wall": real.meshes["wall"], "bridge": bridge})


def mixed_wrong(points: NDArray[Any], most: float, seed: int) -> Floats:
    """Errors (N, 3) in L*, a*, b* of the mixtures at points (N, 3) m of the bridge, the largest of them ``most`` dE*ab.

    Sums of waves (random Fourier features: Rahimi and Recht, NIPS 2007) that correlate by 1 / e a palm apart.
    """
    rng = np.random.default_rng([24, seed])
    out = np.empty((len(points), 3))
    for k in range(3):
        waves, phases = rng.normal(0.0, np.sqrt(2.0) / _PALM, (3, 64)), rng.uniform(0.0, 2.0 * np.pi, 64)
        out[:, k] = np.cos(points @ waves + phases).sum(axis=1)
    return np.asarray(out * (most / np.linalg.norm(out, axis=1).max()))


@dataclass(frozen=True, eq=False)
class Film:
    """Scores by frame: the tool's ``own`` of the scene as built, those ``traced`` by paint; the ``chosen`` frames, what
    noise alone counts at the station (percent) and is in a pixel of the clean wall (8-bit codes, standard
    deviation), and the ``engine`` that drew the tool's frames."""

    own: dict[int, FrameScore]
    traced: dict[str, dict[int, FrameScore]]
    chosen: list[int]
    noise_pct: float
    noise_code: float
    engine: str


def filmed(
    ready: ReadySet,
    paints: Mapping[str, World],
    scene: Scene,
    truth: Truth,
    variant: str,
    samples: int,
    size_px: tuple[int, int],
    folder: Path,
) -> Film:
    """The film of the real set in each of its ``paints``, traced and judged.

    Traced are the station's frame, which stands for all that stand, and every moving frame of the hold asked for and
    some time after it.
    """
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    own = frames.own_scores(looker, size_px)
    move, station, last = move_of(scene), ready.move.station_frame, scene.rail.hold[1]
    tracers = {name: Tracer(world, variant) for name, world in paints.items()}
    alone = list(tracers.values())[-1]
    standing = [f for f in own if stands(move, f)]
    moving = [f for f in own if f not in standing and f <= last + _BEYOND]
    chosen = sorted({station, *moving})
    traced: dict[str, dict[int, FrameScore]] = {name: {} for name in paints}
    noise_pct = noise_code = 0.0
    for frame in chosen:
        looks, _ = looker.delivered(frame, *size_px)[1]
        box = frames.box_around(looks.cover)
        view = _view(truth, scene, size_px, _places(scene, move, truth, frame), box)
        clean = frames.whole(alone.draw(view, ("wall",), samples, 1), looks.clean, box)
        cover = frames.whole(alone.cover(view, "bridge", ("wall",), 64), looks.cover, box)
        pictures = [clean]
        for name, tracer in tracers.items():
            seen = frames.whole(tracer.draw(view, ("wall", "bridge"), samples, 1), looks.seen, box)
            traced[name][frame] = _judged(looker, frame, seen, clean, cover, box, size_px)
            pictures.append(seen)
        if frame == station:
            other = frames.whole(alone.draw(view, ("wall",), samples, 2), looks.clean, box)
            noise_pct = _judged(looker, frame, other, clean, cover, box, size_px).shown_pct or 0.0
            noise_code = float((255.0 * (coded(other) - coded(clean))[_part(box)]).std() / np.sqrt(2.0))
        if frame in (station, last):
            row = np.concatenate([picture[_part(box)] for picture in pictures], axis=1)
            Image.fromarray(np.rint(coded(row) * 255.0).astype(np.uint8)).save(folder / f"{frame}.png")
    engine = looker.engine.name
    looker.engine.close()
    for scores in traced.values():
        scores |= {f: replace(scores[station], frame=f) for f in standing}
    return Film(own, traced, chosen, noise_pct, noise_code, engine)


def _part(box: frames.Box) -> tuple[slice, slice]:
    left, top, width, height = box
    return slice(top, top + height), slice(left, left + width)


def _places(scene: Scene, move: Move, truth: Truth, frame: int) -> list[Floats]:
    """Places of the real lens while the shutter is open; one where the camera stands."""
    opened = 0.5 if scene.camera.shutter is None else float(scene.camera.shutter * scene.delivery.rate)
    times = frame - FIRST_FRAME + opened * ((np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5)
    start = move.camera(move.station_frame).position
    places = [np.array(truth.place) + move.camera_during(float(t)).position - start for t in times]
    return places[:1] if np.ptp(np.stack(places), axis=0).max() == 0.0 else places


def _judged(
    looker: Looker, frame: int, seen: frames.Picture, clean: frames.Picture, cover: frames.Picture, box: frames.Box,
    size_px: tuple[int, int],
) -> FrameScore:  # fmt: skip
    shown: Delivered = (frames.looks_of(frames.faded(seen, clean, box), clean, cover), {})
    return frames.judged(looker, frame, shown, size_px).score
