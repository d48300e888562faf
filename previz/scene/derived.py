"""The numbers that follow from a scene, as rows for people."""

from __future__ import annotations

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.optics import angle_of_view, depth_of_field
from previz.scene.given.understood import mesh_rows, mesh_seen
from previz.scene.layout import behind
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME, Move, move_of
from previz.scene.rig.exposure import exposure, state
from previz.scene.rig.focusing import blur_text, focus_plan
from previz.scene.shape import bridge_shape
from previz.scene.timetable import is_plain, stretches, top_turn
from previz.units import deg_text, inches_text, mm_text

_MM = 1e-3


def slip_px_per_mm(scene: Scene, move: Move) -> float:
    """Slip of the near end's middle against the wall point it hides, delivered px for a millimetre of rail.

    The mean over the millimetre around the station point; f b (1/z_bridge - 1/z_wall) on a rail across the line
    of sight (``check_values.md``, Geometry).
    """
    at = move.station_rail
    slips = [slip_px(scene, move, move.camera_at(at + step))[1] for step in (-0.5 * _MM, 0.5 * _MM)]
    return float(np.linalg.norm(slips[1] - slips[0]))


def slip_px(scene: Scene, move: Move, camera: Camera) -> Array:
    """Slip (3, 2) px, right and down, of the near end's left corner, middle and right corner seen by a camera.

    How far each has moved in the picture against the point of the wall's datum plane that it hides from the
    station point.
    """
    ends = bridge_shape(scene).near_corners
    hidden = behind(move.track.through, ends)
    return np.asarray(camera.project(ends) - camera.project(hidden))


def largest_slip_px(scene: Scene, move: Move) -> tuple[float, int]:
    """The largest slip over the hold, px, and the frame where it is met.

    NaN, and the frame, where the near end falls behind the lens within the hold.
    """
    first, last = scene.rail.hold
    frames = sorted({*np.linspace(first, last, min(last - first + 1, 129)).round().astype(int).tolist()})
    slips = [float(np.linalg.norm(slip_px(scene, move, move.camera(f)), axis=1).max()) for f in frames]
    at = int(np.argmax(slips))
    return slips[at], int(frames[at])


def derived(scene: Scene) -> list[tuple[str, str]]:
    """Rows (label, value with its unit) for ``previz check``, in the order of the job.

    The scene must be free of the faults that ``previz.scene.checks.impossible`` finds. Sizes in the picture leave
    out the change of a lens's field with focus.
    """
    move = move_of(scene)
    station = move.camera(move.station_frame)
    width_px, height_px = scene.delivery.frame
    body, rail, rate = scene.camera, scene.rail, float(scene.delivery.rate)
    sensor_width = body.sensor[0]
    sensor_height = sensor_width * height_px / width_px
    shape = bridge_shape(scene)
    sill, near = np.zeros(3), shape.near_corners[1]
    at_sill, at_near = float(station.depth(sill)), float(station.depth(near))
    lens_to_near = float(np.linalg.norm(station.position - near))
    steps = np.abs(np.diff(move.rail))
    fastest = float(steps.max()) if len(steps) else 0.0
    first, last = rail.hold
    hold = abs(float(move.rail[last - FIRST_FRAME] - move.rail[first - FIRST_FRAME]))
    slip, slip_frame = largest_slip_px(scene, move)
    slip_text = f"{slip:.1f} px" if np.isfinite(slip) else "the near end is behind the lens"

    def frame_text(depth: float) -> str:
        return f"{sensor_width * depth / body.lens / _MM:.1f} x {sensor_height * depth / body.lens / _MM:.1f} mm"

    def cut_text(metres: float) -> str:
        return f"{mm_text(metres)} ({inches_text(metres)})"

    rows = [
        ("picture", f"{width_px} x {height_px} px at {rate:g} frames/s"),
        ("angle of view, horizontal", deg_text(float(angle_of_view(body.lens, sensor_width)), 2)),
        ("angle of view, vertical", deg_text(float(angle_of_view(body.lens, sensor_height)), 2)),
        ("lens to the wall", cut_text(body.position[2])),
        ("lens to the near end of the bridge", cut_text(lens_to_near)),
        ("lens above the bridge", cut_text(body.position[1])),
        ("lens above the bridge, full size", f"{body.position[1] * scene.scale:.2f} m at 1:{scene.scale:g}"),
        ("frame at the wall", frame_text(at_sill)),
        ("frame at the near end", frame_text(at_near)),
        ("a pixel at the wall", mm_text(at_sill / station.focal_px, 3)),
        ("a pixel at the near end", mm_text(at_near / station.focal_px, 3)),
        ("move", f"{len(move.frames)} frames, {len(move.frames) / rate:.2f} s, {mm_text(abs(rail.travel))}"),
        *_course_rows(scene, move),
        ("fastest rail speed", f"{fastest / _MM:.3f} mm a frame, {fastest * rate / _MM:.1f} mm/s"),
        ("station frame", f"{move.station_frame}"),
        ("hold", f"{first} to {last}, {mm_text(hold)} of rail"),
        ("slip at the near end", f"{slip_px_per_mm(scene, move):.3f} px for a millimetre of rail"),
        ("largest slip in the hold", f"{slip_text} at frame {slip_frame}"),
    ]
    if shape.modelled:
        litres = f"{1e3 * shape.volume:.2f} litres"
        rows.insert(3, ("modelled bridge, out of the wall", f"{shape.size}, {litres}"))
    rows[3:3] = _mesh_rows(scene)
    rows += _lens_rows(scene, move)
    if scene.plate is not None:
        tall = scene.plate.height / scene.scale
        depth = float(station.depth(shape.on_middle(scene.plate.mark_at(move.station_frame))))
        rows.append(("figure at miniature size", cut_text(tall)))
        rows.append(("figure in the picture", f"{tall * station.focal_px / depth:.0f} px at the foot mark"))
    return rows


def _mesh_rows(scene: Scene) -> list[tuple[str, str]]:
    """What the meshes of wall and bridge were understood to be."""
    rows = []
    for what, mesh in (("wall", scene.wall.mesh), ("bridge", scene.bridge.mesh)):
        if mesh is not None:
            rows += mesh_rows(what, mesh_seen(scene.path(mesh.file), mesh), mesh)
    return rows


def _course_rows(scene: Scene, move: Move) -> list[tuple[str, str]]:
    """When the shot stands, slides and turns; nothing of a plain slide."""
    rail, rate = scene.rail, float(scene.delivery.rate)
    if is_plain(rail):
        return []
    rows = []
    for what, first, last in stretches(move.timing, len(move.frames) - 1):
        at = f", {mm_text(abs(move.rail_at(first)))} to {mm_text(abs(move.rail_at(last)))}"
        rows.append((what, f"{first} to {last}, {(last - first) / rate:.2f} s{at if what == 'slides' else ''}"))
    first, last = FIRST_FRAME + move.timing.begins, FIRST_FRAME + move.timing.ends
    for name, turn, top in zip(("pan", "tilt"), (rail.pan, rail.tilt), top_turn(rail), strict=True):
        if turn:
            speed = f"{deg_text(top * rate, 2)}/s at most"
            rows.append((f"{name} over the move", f"{deg_text(turn, 2)}, {first} to {last}, {speed}"))
    return rows


def _lens_rows(scene: Scene, move: Move) -> list[tuple[str, str]]:
    """Focus, blur and exposure over the move."""
    plan, body = focus_plan(scene, move), scene.camera
    working = f"f/{plan.working_stop:.1f} at f/{body.stop:g}, Airy disc {blur_text(plan.airy, plan.pixel)}"
    if body.focus is None:
        rows = [("focus", f"none given, all is sharp; {mm_text(plan.best_focus, 0)} blurs near end and wall alike")]
    else:
        near, far = (float(d) for d in depth_of_field(body.lens, body.stop, body.blur_limit, body.focus))
        end = f"{far / _MM:.0f} mm" if np.isfinite(far) else "infinity"
        rows = [
            ("focus", f"{mm_text(body.focus)}, sharp from {near / _MM:.0f} mm to {end}"),
            ("blur of the near end", blur_text(plan.now.near, plan.pixel)),
            ("blur of the wall", blur_text(plan.now.wall, plan.pixel)),
        ]
    rows.append(("working stop", working))
    if scene.lamps or scene.light.ambient > 0.0:
        rows.append(("exposure", state(exposure(scene, move, plan))))
    return rows
