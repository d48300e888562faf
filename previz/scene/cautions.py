"""What a scene may well mean but is odd, or needs care on the day."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from previz.geometry import Array
from previz.scene.caution import Caution, Cautions
from previz.scene.given.measured import relief_of
from previz.scene.given.photochecks import photo_cautions
from previz.scene.given.understood import doubts, mesh_seen
from previz.scene.layout import behind, delivered_box_px, judged_frames, wall_box
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME, Move, move_of
from previz.scene.rig.exposure import shooting_rate
from previz.scene.rig.lightcautions import LIGHT_CAUTIONS
from previz.scene.shape import bridge_shape
from previz.scene.timetable import top_turn
from previz.units import deg_text, mm_text

CLOSEST_FOCUS = 0.25  # m, from the entrance pupil; common practice, no source
SLOWEST_PAN = 7.0  # s for a frame width at 24 frames/s and 180 degrees; practice, printed by a camera maker
LENS_CLEARANCE = 0.010  # m of air around the barrel; common practice, no source
SHORTEST, LONGEST = 1.0, 60.0  # s of a move; common practice, no source

_ROUNDING = 1e-6  # m, of a mesh's numbers

__all__ = ["Caution", "cautions"]


def _meshes(scene: Scene, _move: Move) -> Cautions:
    """A mesh in another unit than it was taken in, lying down or turned away."""
    lens = max(scene.camera.position[2], scene.camera.lens)
    view = lens * scene.camera.sensor[0] / scene.camera.lens
    for what, mesh, against in (("wall", scene.wall.mesh, view), ("bridge", scene.bridge.mesh, lens)):
        if mesh is not None:
            for text in doubts(what, mesh_seen(scene.path(mesh.file), mesh), mesh, against):
                yield Caution(f"{what}.mesh", text)


def _without_effect(scene: Scene, _move: Move) -> Cautions:
    """Keys of a wall by rule beside a mesh or a photograph."""
    wall = scene.wall
    given = wall.model_fields_set
    if wall.kind is not None:
        return
    way = "a mesh" if wall.mesh is not None else "a photograph"
    if "relief" in given and isinstance(wall.relief, float) and wall.relief > 0.0:
        more = 'model it there' if wall.mesh is not None else (
            'give a measured grid, relief = { file = "relief.csv" }, or "0 mm"'
        )
        yield Caution(
            "wall.relief", f"A depth of carving, {mm_text(wall.relief)}, has no effect beside {way}: {more}."
        )
    if "seed" in given:
        yield Caution("wall.seed", f"A seed has no effect beside {way}: leave it out.")


def _photographs(scene: Scene, _move: Move) -> Cautions:
    yield from photo_cautions(scene)


def _framing(scene: Scene, move: Move) -> Cautions:
    """The tilt or pan that loses the bridge."""
    shape = bridge_shape(scene)
    camera = move.camera(move.station_frame)
    left, top, right, bottom = delivered_box_px(scene)
    picture = "delivered picture" if scene.delivery.bars else "frame"
    for name, point in (("sill", shape.sill), ("near end", shape.near_corners[1])):
        x, y = camera.project(point)
        for over, side, turn, key in (
            (y - bottom, "below", "tilt the camera down", "tilt"),
            (top - y, "above", "tilt the camera up", "tilt"),
            (x - right, "right of", "pan the camera right", "pan"),
            (left - x, "left of", "pan the camera left", "pan"),
        ):
            if over > 0.0:
                about = deg_text(float(np.arctan(over / camera.focal_px)))
                yield Caution(
                    f"camera.{key}",
                    f"The bridge's {name} lies {over:.0f} px {side} the {picture} at the station frame "
                    f"{move.station_frame}: {turn} by about {about} or use a shorter lens.",
                )


def _touch(scene: Scene, move: Move) -> Cautions:
    """A lens that would touch the bridge."""
    gaps = bridge_shape(scene).distance(move.positions[_rows(move)])
    at = int(np.argmin(gaps))
    needed = 0.5 * scene.camera.lens_diameter + LENS_CLEARANCE
    if gaps[at] < needed:
        yield Caution(
            "camera.position",
            f"The lens comes within {mm_text(float(gaps[at]))} of the bridge at frame {judged_frames(move)[at]}; a "
            f"barrel of {mm_text(scene.camera.lens_diameter)} needs {mm_text(needed)}. Raise the camera or move it "
            "out.",
        )


def _wall_size(scene: Scene, move: Move) -> Cautions:
    """A wall smaller than the view."""
    if scene.wall.mesh is not None:
        return
    left, bottom, right, top = wall_box(scene)
    frames = judged_frames(move, most=33)
    corners = np.array([_corner_hits(scene, move, frame) for frame in frames])
    lost = np.isnan(corners).any(axis=(1, 2))
    if lost.any():
        frame = frames[int(np.argmax(lost))]
        yield Caution("camera.tilt", f"The view runs past the wall into the open at frame {frame}: tilt or pan less.")
        return
    x, y = corners[..., 0], corners[..., 1]
    for side, key, gaps in (
        ("left", "width", left - x),
        ("right", "width", x - right),
        ("top", "top", y - top),
        ("bottom", "height", bottom - y),
    ):
        worst = gaps.max(axis=1)
        at = int(np.argmax(worst))
        if worst[at] > 0.5e-3:
            yield Caution(
                f"wall.{key}",
                f"The wall ends {mm_text(float(worst[at]), 0)} inside the view at the {side} (frame {frames[at]}): "
                "make it larger, use a longer lens or dress what lies beyond.",
            )


def _corner_hits(scene: Scene, move: Move, frame: int) -> Array:
    """Where the corners of the delivered picture meet the wall's datum plane, (4, 3) m; NaN where they miss."""
    camera = move.camera(frame)
    left, top, right, bottom = delivered_box_px(scene)
    origins, rays = camera.rays([[left, top], [right, top], [left, bottom], [right, bottom]])
    return behind(camera.position, origins + rays)


def _focus(scene: Scene, move: Move) -> Cautions:
    body = scene.camera
    if body.focus is not None:
        camera = move.camera(move.station_frame)
        # the wall point on the optical axis
        axis = behind(camera.position, (camera.position + camera.forward)[None, :])[0]
        wall = float(np.linalg.norm(axis - camera.position))
        if not np.isnan(wall) and body.focus > wall + 0.5 * relief_of(scene):
            yield Caution(
                "camera.focus",
                f"The focus, {mm_text(body.focus)}, lies behind the wall, which is {mm_text(wall)} away along the "
                "line of sight.",
            )
        if body.focus < CLOSEST_FOCUS:
            yield Caution(
                "camera.focus",
                f"The focus, {mm_text(body.focus)}, is nearer than many lenses reach (about {mm_text(CLOSEST_FOCUS)}): "
                "check the lens, or use a close-up lens.",
            )
    shape = bridge_shape(scene)
    gaps = np.linalg.norm(move.positions[_rows(move)] - shape.near_corners[1], axis=1)
    at = int(np.argmin(gaps))
    if gaps[at] < CLOSEST_FOCUS:
        yield Caution(
            "bridge.mesh" if shape.modelled else "bridge.length",
            f"The near end comes within {mm_text(float(gaps[at]))} of the lens at frame {judged_frames(move)[at]}, "
            f"nearer than many lenses focus (about {mm_text(CLOSEST_FOCUS)}): shorten the bridge or move the camera "
            "out.",
        )


def _timing(scene: Scene, move: Move) -> Cautions:
    rate = float(scene.delivery.rate)
    seconds = len(move.frames) / rate
    if len(move.frames) > 1 and not SHORTEST <= seconds <= LONGEST:
        yield Caution(
            "rail.frames",
            f"{len(move.frames)} frames at {rate:g} a second last {seconds:.2f} s; a move of this kind usually takes "
            f"{SHORTEST:g} to {LONGEST:g} s. Check frames and rate.",
        )
    shot = shooting_rate(scene)
    if scene.camera.shutter is not None and scene.camera.shutter > 1.0 / shot + 1e-9:
        yield Caution(
            "camera.shutter",
            f"The exposure of {scene.camera.shutter:g} s is longer than a frame lasts at the {shot:.6g} frames a "
            f"second that are shot, {1.0 / shot:.4f} s: it can only be shot frame by frame.",
        )
    if not scene.rail.hold[0] <= move.station_frame <= scene.rail.hold[1]:
        yield Caution(
            "rail.station",
            f"The station frame {move.station_frame} lies outside the hold, {scene.rail.hold[0]} to "
            f"{scene.rail.hold[1]}: the paint lines up when it need not.",
        )


def _speed(scene: Scene, move: Move) -> Cautions:
    """Moving faster than the picture can be followed."""
    rate = float(scene.delivery.rate)
    frames = [f for f in judged_frames(move) if f < move.frames[-1]]
    if not frames:
        return
    turn = top_turn(scene.rail)
    # of a turn the middle of the picture is the slowest place: f tan of the angle
    step_px = move.camera(move.station_frame).focal_px * np.tan(min(np.hypot(*turn), 1.5))
    left, top, right, bottom = delivered_box_px(scene)
    seconds = (right - left) / (step_px * rate) if step_px else np.inf
    if seconds < 0.99 * SLOWEST_PAN:
        key, word = ("pan", "pans") if turn[0] >= turn[1] else ("tilt", "tilts")
        yield Caution(
            f"rail.{key}",
            f"The camera {word} at up to {deg_text(max(turn) * rate)}/s, a frame width in {seconds:.1f} s; faster than "
            f"one in {SLOWEST_PAN:g} s tends to stutter. Use more frames, a smaller turn or more {key}_ease.",
        )
        return
    points = {"wall": np.zeros(3), "bridge's near end": bridge_shape(scene).near_corners[1]}
    fastest, name, at = 0.0, "", 0
    for frame in frames:
        before, after = move.camera(frame), move.camera(frame + 1)
        for what, point in points.items():
            a, b = before.project(point), after.project(point)
            seen = left <= a[0] <= right and top <= a[1] <= bottom
            step = float(np.linalg.norm(b - a)) if seen else 0.0
            if step > fastest:  # false for NaN
                fastest, name, at = step, what, frame
    seconds = (right - left) / (fastest * rate) if fastest else np.inf
    # a hundredth of room for rounding in the text
    if seconds < 0.99 * SLOWEST_PAN:
        yield Caution(
            "rail.travel",
            f"At frame {at} the {name} crosses the picture at a frame width in {seconds:.1f} s; faster than one in "
            f"{SLOWEST_PAN:g} s tends to stutter. Use more frames, less travel or more ease.",
        )


def _fit(scene: Scene, _move: Move) -> Cautions:
    door = scene.wall.doorway
    if door is None or scene.wall.mesh is not None:
        return
    shape = bridge_shape(scene)
    off, width = abs(float(shape.sill[0]) - scene.wall.sideways), 2.0 * float(shape.half_width(shape.far))
    if width + 2.0 * off > door.width + _ROUNDING:
        where = f", {mm_text(off)} off its middle," if off > _ROUNDING else ","
        yield Caution(
            "bridge.mesh" if shape.modelled else "bridge.width",
            f"The bridge, {mm_text(width)} wide{where} does not fit into the doorway, "
            f"{mm_text(door.width)}.",
        )
    clear = door.height + min(door.sill, 0.0)
    if scene.plate is not None and scene.plate.height / scene.scale > clear:
        tall = scene.plate.height / scene.scale
        yield Caution(
            "wall.doorway.height",
            f"The figure, {mm_text(tall)} tall in the miniature, does not fit through the doorway, "
            f"{mm_text(clear)}.",
        )


def _rows(move: Move) -> Array:
    return np.array(judged_frames(move)) - FIRST_FRAME


def _paint(scene: Scene, move: Move) -> Cautions:
    """Brushes and palettes that cannot hide anything."""
    shape, brush = bridge_shape(scene), scene.paint.brush
    width = 2.0 * float(shape.half_width(shape.far))
    if brush is not None and brush > 0.5 * width:
        wide = "wider than the bridge" if brush > width else "more than half as wide as the bridge"
        yield Caution(
            "paint.brush",
            f"A brush of {mm_text(brush)} is {wide} ({mm_text(width)}): it lays little more than one colour across. "
            "Take one of a tenth of the width or less.",
        )
    if scene.paint.palette == 1:
        yield Caution(
            "paint.palette", "One paint is a wash: a rock face of one colour is found by its grain. Take 8 or more."
        )


_ALL: tuple[Callable[[Scene, Move], Cautions], ...] = (
    _meshes,
    _without_effect,
    _photographs,
    _framing,
    _touch,
    _wall_size,
    _focus,
    _timing,
    _speed,
    _fit,
    *LIGHT_CAUTIONS,
    _paint,
)


def cautions(scene: Scene) -> list[Caution]:
    """Everything about a scene that is plausible but odd, or needs care, in the order of the job.

    The scene must be free of the faults that ``previz.scene.checks.impossible`` finds.
    """
    move = move_of(scene)
    return [caution for find in _ALL for caution in find(scene, move)]
