"""Scenes whose values are sound one by one but cannot be built or shot together, and why not."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from previz.errors import BuildError, Fault, SceneError
from previz.geometry import Array, unit
from previz.scene.cautions import Caution, cautions
from previz.scene.derived import derived
from previz.scene.faults import Reason
from previz.scene.files import MESHES, trouble
from previz.scene.given.measured import relief_of
from previz.scene.given.mesh import MeshFile
from previz.scene.given.photochecks import wall_photo_reasons
from previz.scene.given.understood import better_units, mesh_seen
from previz.scene.layout import judged_frames, wall_box
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import FIRST_FRAME, Move, move_of
from previz.scene.search.bounds import bound_reasons
from previz.scene.shape import BridgeShape, bridge_shape
from previz.scene.timetable import course_reasons
from previz.units import deg_text, mm_text

__all__ = ["Caution", "Reason", "cautions", "derived", "impossible", "refuse_impossible"]

Reasons = Iterator[Reason]
_TIGHT = 1e-9  # m; below this two lengths are the same

# places along a walk at which a modelled bridge is asked for its top
_LOOKED_AT = 400

_NUMBERED = "frames are numbered from 1001"

# what a mesh has of its own
OVERRIDDEN = ("length", "width", "thickness", "taper", "camber", "bend")


def _wall(scene: Scene) -> Reasons:
    wall = scene.wall
    if wall.mesh is not None:
        if wall.sideways != 0.0:
            expected = "no shift of a modelled wall, which is placed as it is"
            yield Reason(("wall", "sideways"), expected, mm_text(wall.sideways), "write move beside mesh's file")
        if wall.turn != 0.0:
            expected = "a wall made by kind: a mesh is turned by its own table"
            hint = 'mesh = { file = "wall.glb", turn = "90 deg" }'
            yield Reason(("wall", "turn"), expected, deg_text(wall.turn), hint)
        yield from _wall_mesh(scene, wall.mesh)
        return
    if wall.turn != 0.0 and wall.kind is None:
        expected = "a wall made by kind: no other has a pattern that can be turned"
        yield Reason(("wall", "turn"), expected, deg_text(wall.turn), "leave out turn")
    yield from wall_photo_reasons(scene)
    if wall.top >= wall.height:
        expected = f"less than the wall's height, {mm_text(wall.height)}, so that there is wall behind the bridge"
        yield Reason(("wall", "top"), expected, mm_text(wall.top))
    door = wall.doorway
    if door is not None and door.width >= wall.width:
        expected = f"a doorway narrower than the wall, {mm_text(wall.width)}"
        yield Reason(("wall", "doorway", "width"), expected, mm_text(door.width))
    if door is not None and door.sill + door.height >= wall.top:
        expected = f"a doorway lower than the wall's top, {mm_text(wall.top)} above the bridge"
        yield Reason(("wall", "doorway", "height"), expected, mm_text(door.height))
    if door is not None and door.sill <= wall.top - wall.height:
        expected = f"a sill above the wall's foot, {mm_text(wall.height - wall.top)} below the bridge's top"
        yield Reason(("wall", "doorway", "sill"), expected, mm_text(door.sill))


def _wall_mesh(scene: Scene, mesh: MeshFile) -> Reasons:
    """A mesh that no wall can be made of; one that is not there at all is the reader's to tell."""
    path = scene.path(mesh.file)
    if trouble(path, MESHES) is None:
        try:
            mesh_seen(path, mesh)
        except BuildError as error:
            yield Reason(("wall", "mesh"), "the mesh of a wall", str(error))


def _bridge(scene: Scene) -> Reasons:
    bridge = scene.bridge
    if bridge.mesh is not None:
        if bridge.image is not None:
            expected = "one of mesh and image: a picture is laid over the plain slab only"
            yield Reason(("bridge", "image"), expected, "both", "paint the mesh's own texture instead")
        for key in OVERRIDDEN:
            if key in bridge.model_fields_set:
                expected = f"no {key} beside mesh: a modelled bridge has its own"
                yield Reason(("bridge", key), expected, "both", f"leave out {key}, or mesh for the plain slab")
        yield from _mesh(scene)
        return
    near = bridge.width * bridge.taper
    if not 1e-3 <= near <= 100.0:
        expected = "a taper that leaves a near end from 1 mm to 100 m wide"
        yield Reason(("bridge", "taper"), expected, f"{bridge.taper:g}, which makes it {mm_text(near)}")
    if abs(bridge.bend) > bridge.length:
        expected = f"a bend of at most the bridge's length, {mm_text(bridge.length)}"
        yield Reason(("bridge", "bend"), expected, mm_text(bridge.bend))
    if abs(bridge.camber) > 0.5 * bridge.length:
        expected = f"a camber of at most half the bridge's length, {mm_text(0.5 * bridge.length)}"
        yield Reason(("bridge", "camber"), expected, mm_text(bridge.camber))


def _mesh(scene: Scene) -> Reasons:
    """A mesh that no bridge can be made of; one that is not there at all is the reader's to tell."""
    assert scene.bridge.mesh is not None
    path = scene.path(scene.bridge.mesh.file)
    if trouble(path, MESHES) is None:
        try:
            bridge_shape(scene)
        except BuildError as error:
            yield Reason(("bridge", "mesh"), "the mesh of a bridge, closed", str(error))


def _shape(scene: Scene) -> BridgeShape | None:
    """The bridge's shape; None where its mesh cannot be read, which is said already."""
    try:
        return bridge_shape(scene)
    except BuildError:
        return None


def _bridge_on_wall(scene: Scene) -> Reasons:
    wall, bridge = scene.wall, scene.bridge
    if wall.mesh is not None or bridge.mesh is not None:
        return
    for key, width in (("width", bridge.width), ("taper", bridge.width * bridge.taper)):
        if width >= wall.width:
            expected = f"a bridge narrower than the wall, {mm_text(wall.width)}"
            at = "" if key == "width" else " at its near end"
            yield Reason(("bridge", key), expected, mm_text(width) + at)
            return
    try:
        relief = relief_of(scene)
    except BuildError:
        return  # said by the wall's own check
    if 0.5 * relief >= bridge.length:
        expected = f"a relief that leaves the bridge's {mm_text(bridge.length)} out of the rock"
        yield Reason(("wall", "relief"), expected, mm_text(relief))


def _camera(scene: Scene) -> Reasons:
    body = scene.camera
    width, height = body.sensor
    if body.focus is not None and body.focus <= body.lens:
        expected = f"a focus distance beyond the focal length, {mm_text(body.lens)}"
        yield Reason(("camera", "focus"), expected, mm_text(body.focus))
    if abs(body.shift[0]) > width or abs(body.shift[1]) > height:
        expected = f"a shift of at most the sensor's own size, {mm_text(width)} and {mm_text(height)}"
        yield Reason(("camera", "shift"), expected, f"{mm_text(body.shift[0])} and {mm_text(body.shift[1])}")


def _frame(scene: Scene) -> Reasons:
    width, height = scene.camera.sensor
    width_px, height_px = scene.delivery.frame
    needed = width * height_px / width_px
    # a hundredth of room: sensor sides are printed rounded
    if needed > 1.01 * height:
        expected = f"a frame no taller than the sensor: {width_px} px of its width take {mm_text(height)} of height"
        hint = f"at most {math.floor(width_px * height / width)} lines, or another sensor"
        yield Reason(("delivery", "frame"), expected, f"{height_px} lines, {mm_text(needed)}", hint)


def _rail(scene: Scene) -> Reasons:
    rail = scene.rail
    first, last = FIRST_FRAME, FIRST_FRAME + rail.frames - 1
    span = f"frames of the move, {first} to {last}"
    hint = _NUMBERED if min(rail.hold) < first else f"or set frames to at least {max(rail.hold) - FIRST_FRAME + 1}"
    if rail.hold[0] > rail.hold[1]:
        expected = "the hold's first frame before its last"
        yield Reason(("rail", "hold"), expected, f"[{rail.hold[0]}, {rail.hold[1]}]", "swap the two")
    elif not first <= rail.hold[0] <= rail.hold[1] <= last:
        yield Reason(("rail", "hold"), span, f"[{rail.hold[0]}, {rail.hold[1]}]", hint)
    for key, frame in (("reveal", rail.reveal), ("station", rail.station)):
        if frame is not None and not first <= frame <= last:
            low = _NUMBERED * (frame < first)
            yield Reason(("rail", key), f"a frame of the move, {first} to {last}", str(frame), low)
    if rail.reveal is not None and rail.reveal <= max(rail.hold) and first <= rail.reveal <= last:
        yield Reason(("rail", "reveal"), f"a frame after the hold's end, {max(rail.hold)}", str(rail.reveal))
    if rail.frames > 1 and abs(rail.travel) < 1e-6 and not (rail.pan or rail.tilt):
        expected = f"a travel that is not zero over {rail.frames} frames, or a pan or tilt"
        yield Reason(("rail", "travel"), expected, mm_text(rail.travel), "or frames = 1")
    yield from course_reasons(rail)
    yield from _curve(scene)


def _curve(scene: Scene) -> Reasons:
    rail = scene.rail
    if rail.along == "arc" and not rail.radius:
        expected = 'a radius for the rail along = "arc", like radius = "1.5 m"'
        yield Reason(("rail", "radius"), expected, "nothing" if rail.radius is None else mm_text(rail.radius))
    if not rail.radius:
        return
    if abs(rail.radius) * math.pi < abs(rail.travel):
        expected = f"a radius of at least {mm_text(abs(rail.travel) / math.pi)}: an arc is at most half a circle"
        yield Reason(("rail", "radius"), expected, mm_text(rail.radius))
    if rail.along != "arc" and abs(unit(rail.along)[1]) > 1e-6:
        expected = "a level direction, its second number 0: a curved rail lies flat"
        yield Reason(("rail", "along"), expected, str(list(rail.along)))


def _sound_move(scene: Scene) -> Move | None:
    """The scene's move where its frames and its rail are sound, None where they are not."""
    if any(True for _ in _rail(scene)):
        return None
    try:
        return move_of(scene)
    except SceneError:
        return None


def _turned(scene: Scene) -> Reasons:
    """A tilt over the move that leads past the vertical."""
    move = _sound_move(scene)
    if move is None or scene.rail.tilt == 0.0:
        return
    for frame in (move.frames[0], move.frames[-1]):
        tilt = scene.camera.tilt + float(move.turns(frame - FIRST_FRAME)[1])
        if abs(tilt) > 0.5 * math.pi + 1e-9:
            expected = "a tilt over the move that stays between straight down and straight up, -90 to 90 deg"
            yield Reason(("rail", "tilt"), expected, f"{deg_text(tilt)} at frame {frame}")
            return


def _carved(scene: Scene) -> float:
    """How far (m) the wall may stand out of its plane; 0 where that is not known."""
    try:
        return 0.5 * relief_of(scene) if scene.wall.mesh is None else 0.0
    except BuildError:
        return 0.0


def _lens_path(scene: Scene) -> Reasons:
    move = _sound_move(scene)
    if move is None:
        return
    frames = judged_frames(move)
    places = move.positions[np.array(frames) - FIRST_FRAME]
    left, bottom, right, top = wall_box(scene)
    x, y, z = places.T
    carved = _carved(scene)
    within = (x > left) & (x < right) & (y > bottom) & (y < top)
    inside = (z <= _TIGHT) | (within & (z <= carved))
    aim = scene.rail.aim
    if not isinstance(aim, str) and np.linalg.norm(places - np.array(aim), axis=1).min() < 1e-3:
        yield Reason(("rail", "aim"), "a point that the lens does not run through", "one on the lens's own path")
    if inside.any():
        at = int(np.argmin(z))
        expected = f"a lens in front of the wall, more than {mm_text(carved)} from its datum plane, in every frame"
        found = f"{mm_text(float(z[at]))} at frame {frames[at]}"
        yield Reason(("camera", "position", 2), expected, found, "move camera.position out, or change the rail")
    else:
        yield from _bridge_reach(scene, move, frames, places)


def _bridge_reach(scene: Scene, move: Move, frames: list[int], places: Array) -> Reasons:
    shape = _shape(scene)
    if shape is None:
        return
    z = places[:, 2]
    half = shape.widest + 0.5 * scene.camera.lens_diameter
    beside = np.abs(places[:, 0] - shape.near_corners[1, 0]) > half
    station = np.array(frames) == move.station_frame
    reached = (z <= shape.near) & (station | ~beside)
    if reached.any():
        at = int(np.argmin(np.where(reached, z, np.inf)))
        expected = f"a bridge that ends before the lens, which is {mm_text(float(z[at]))} from the wall"
        found = f"{mm_text(shape.near)} (frame {frames[at]})"
        hint = "shorten the bridge or move camera.position out"
        mesh = scene.bridge.mesh
        if mesh is not None and shape.near > 1.3 * scene.camera.position[2]:
            hint = f"the mesh is {shape.near:.1f} m long: is it in another unit than metres, or at full size?"
            better = better_units("bridge", shape.near, scene.camera.position[2], mesh)
            hint += f" Perhaps {better}" if better else ""
        yield Reason(("bridge", "mesh" if shape.modelled else "length"), expected, found, hint)
    elif shape.distance(places).min() <= _TIGHT:
        yield Reason(("camera", "position"), "a lens outside the bridge in every frame", "one that runs through it")


def _facing(scene: Scene) -> Reasons:
    move, shape = _sound_move(scene), _shape(scene)
    if move is None or shape is None:
        return
    ends = {"the sill": shape.sill, "the near end": shape.near_corners[1]}
    if scene.camera.position[2] <= shape.near:
        return  # said already
    station = move.camera(move.station_frame)
    lost = [name for name, point in ends.items() if station.depth(point) <= 0.0]
    if lost:
        expected = "a camera that looks towards the bridge at the station frame"
        yield Reason(("camera", "position"), expected, f"{' and '.join(lost)} behind it", "see pan and tilt")


def _named(kind: str, things: Sequence[Lamp | Card]) -> Reasons:
    """Lamps and cards with a name of their own, turned to somewhere else."""
    names: dict[str, int] = {}
    for i, thing in enumerate(things):
        folded = thing.name.strip().casefold()
        if folded in names:
            expected = f"a name of its own for every {kind}"
            yield Reason((kind, i, "name"), expected, f'"{thing.name}" again', f"as {kind} {names[folded] + 1}")
        names.setdefault(folded, i)
        if math.dist(thing.position, thing.aim) < 1e-3:
            yield Reason((kind, i, "aim"), f"a point away from the {kind} itself", f"the {kind}'s own position")


def _lamps(scene: Scene) -> Reasons:
    yield from _named("lamp", scene.lamps)


def _cards(scene: Scene) -> Reasons:
    yield from _named("card", scene.cards)


def _at_hand(scene: Scene) -> Reasons:
    names: dict[str, int] = {}
    for i, lamp in enumerate(scene.at_hand):
        folded = lamp.name.strip().casefold()
        if folded in names:
            expected = "a name of its own for every lamp at hand"
            hint = f"as at_hand {names[folded] + 1}; count says how many are alike"
            yield Reason(("at_hand", i, "name"), expected, f'"{lamp.name}" again', hint)
        names.setdefault(folded, i)


def _lamps_and_wall(scene: Scene) -> Reasons:
    left, bottom, right, top = wall_box(scene)
    carved = _carved(scene)
    for i, lamp in enumerate(scene.lamps):
        x, y, z = lamp.position
        if z <= carved + _TIGHT and left < x < right and bottom < y < top:
            expected = f"a lamp in front of the wall, more than {mm_text(carved)} from its datum plane"
            yield Reason(("lamp", i, "position", 2), expected, mm_text(z), "the third length points out of the wall")


def _lamps_and_bridge(scene: Scene) -> Reasons:
    shape = _shape(scene)
    if shape is None or not scene.lamps:
        return
    gaps = shape.distance([lamp.position for lamp in scene.lamps])
    for i, gap in enumerate(gaps):
        if gap <= _TIGHT:
            expected = "a lamp outside the bridge"
            yield Reason(("lamp", i, "position"), expected, f'"{scene.lamps[i].name}" inside it')


def _plate(scene: Scene) -> Reasons:
    shape, plate = _shape(scene), scene.plate
    if plate is None or shape is None:
        return
    marks: list[tuple[tuple[str | int, ...], float]] = []
    if isinstance(plate.foot_mark, tuple):
        marks += [(("plate", "foot_mark", i, "at"), mark.at) for i, mark in enumerate(plate.foot_mark)]
    elif not plate.steps:
        marks.append((("plate", "foot_mark"), plate.foot_mark))
    marks += [(("plate", "steps", i, "at"), step.at) for i, step in enumerate(plate.steps or ())]
    wrong = [reason for loc, at in marks for reason in _off_top(shape, loc, at)]
    yield from wrong
    if not wrong:
        yield from _gap_on_the_way(shape, plate.places)


def _off_top(shape: BridgeShape, loc: tuple[str | int, ...], mark: float) -> Reasons:
    if mark > shape.near:
        expected = f"a foot mark on the bridge, at most {mm_text(shape.near)} from the sill"
        yield Reason(loc, expected, mm_text(mark), "it is a miniature length")
    elif shape.modelled and np.isnan(shape.top(shape.middle(mark), mark)):
        expected = "a foot mark where the bridge has a top to stand on"
        yield Reason(loc, expected, f"{mm_text(mark)}, where the mesh has none in its middle")


def _gap_on_the_way(shape: BridgeShape, places: Sequence[tuple[float, float]]) -> Reasons:
    if not shape.modelled or len(places) < 2:
        return
    ends = [at for _, at in places]
    z = np.linspace(min(ends), max(ends), _LOOKED_AT)
    gone = np.isnan(shape.top(shape.middle(z), z))
    if gone.any():
        expected = f"a way from {mm_text(min(ends))} to {mm_text(max(ends))} on which the bridge has a top to walk on"
        found = f"none in its middle at {mm_text(float(z[gone.argmax()]))}"
        yield Reason(("plate", "foot_mark"), expected, found, "walk to before the gap, or close it")


def _walk(scene: Scene) -> Reasons:
    """Marks and steps of a walk that do not go together, whatever the bridge."""
    plate, rail = scene.plate, scene.rail
    if plate is None:
        return
    # a table of wanted places has frames of its own
    count = 2 * rail.frames - 1 if plate.back else rail.frames
    first, last = (-math.inf, math.inf) if plate.wanted is not None else (FIRST_FRAME, FIRST_FRAME + count - 1)
    marks = plate.foot_mark if isinstance(plate.foot_mark, tuple) else ()
    for i, mark in enumerate(marks):
        loc = ("plate", "foot_mark", i, "frame")
        if i and mark.frame <= marks[i - 1].frame:
            yield Reason(loc, f"a frame after that of the mark before it, {marks[i - 1].frame}", str(mark.frame))
        elif not first <= mark.frame <= last:
            yield Reason(loc, f"a delivered frame, {first:g} to {last:g}", str(mark.frame), _NUMBERED)
    steps = plate.steps or ()
    before: float = -math.inf
    for i, step in enumerate(steps):
        loc, found = ("plate", "steps", i, "frames"), f"[{step.frames[0]}, {step.frames[1]}]"
        if step.frames[0] > step.frames[1]:
            yield Reason(loc, "the frame on which the foot comes down before the one on which it leaves", found, "swap")
        elif step.frames[0] <= before:
            expected = f"a step that begins after the one before it has ended, at {before:g}"
            yield Reason(loc, expected, found, "while both feet are down name the one that bears the weight")
        elif not first <= step.frames[0] <= step.frames[1] <= last:
            yield Reason(loc, f"delivered frames, {first:g} to {last:g}", found, _NUMBERED)
        before = max(before, *step.frames)
    if not steps:
        return
    if not marks and "foot_mark" in plate.model_fields_set:
        expected = "no single foot mark beside steps, which say where the feet are"
        yield Reason(("plate", "foot_mark"), expected, "both", "leave it out, or give places at frames")
    if plate.figure is None or not scene.path(plate.figure).is_dir():
        expected = "a folder of numbered frames as plate.figure: a still has no feet that come down in turn"
        found = "none" if plate.figure is None else "a still"
        yield Reason(("plate", "steps"), expected, found, "give foot_mark at two frames, and the still moves along")


# every check with the tables that it reads
_CHECKS: tuple[tuple[Callable[[Scene], Reasons], frozenset[str]], ...] = (
    (_frame, frozenset({"delivery", "camera"})),
    (_wall, frozenset({"wall"})),
    (_bridge, frozenset({"bridge"})),
    (_bridge_on_wall, frozenset({"wall", "bridge"})),
    (_camera, frozenset({"camera"})),
    (_turned, frozenset({"camera", "rail"})),
    (_lens_path, frozenset({"wall", "bridge", "camera", "rail"})),
    (_facing, frozenset({"bridge", "camera", "rail"})),
    (_rail, frozenset({"rail"})),
    (_lamps, frozenset({"lamp"})),
    (_lamps_and_wall, frozenset({"lamp", "wall"})),
    (_lamps_and_bridge, frozenset({"lamp", "bridge"})),
    (_cards, frozenset({"card"})),
    (_at_hand, frozenset({"at_hand"})),
    (_plate, frozenset({"plate", "bridge"})),
    (_walk, frozenset({"plate", "rail"})),
    (bound_reasons, frozenset({"search", "rail", "bridge", "lamp", "card"})),
)


def impossible(scene: Scene, without: frozenset[str] = frozenset()) -> list[Reason]:
    """Every reason why a scene cannot be built or shot as it is; an empty list where it can.

    Checks that read a table named in ``without`` are left out (its values are known to be wrong already).
    """
    return [reason for check, reads in _CHECKS if not reads & without for reason in check(scene)]


def refuse_impossible(scene: Scene) -> None:
    """Raise :class:`SceneError` with every reason why ``scene``, built or edited in Python, cannot be used."""
    reasons = impossible(scene)
    if reasons:
        raise SceneError([Fault(scene.title, 0, 0, r.key, r.expected, r.found, r.hint) for r in reasons])
