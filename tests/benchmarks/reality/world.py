"""What the path tracer is told of a set: exported meshes and reflectances, and the scene file's own numbers.

Of the project's light nothing is handed over. Colours of lamps come from the colour-science library: CIE daylight from
4000 K, a black body below, brought to the camera's white balance by Bradford's transform.
"""

from __future__ import annotations

import importlib
import warnings
from functools import lru_cache
from typing import Any

import numpy as np

from previz import colour as own_colour
from previz.camera import Camera
from previz.command.paint.solving import reflectance_of
from previz.gloss import ROUGHNESS
from previz.look.blur import exposure_frames, moves_during
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import FIRST_FRAME, Move
from previz.stage.prepare import Painter, ReadySet, sight_of
from previz.workshop.light.resample import enlarged_on
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import Picture, Surface
from tests.benchmarks.lightbake import corners_as_lit
from tests.benchmarks.reality.tracer import Board, LampFace, Mesh, View, World

# places of the camera while the shutter is open
MOMENTS = 5

# from this many kelvin on lamps are taken for daylight (CIE 15), and below for a black body
_DAYLIGHT = 4000.0


def world_of(ready: ReadySet) -> World:
    """The world of a set that is ready."""
    scene = ready.scene
    return World(
        meshes={
            "wall": mesh_of(ready.built.wall, wall_paint(ready), scene.wall.gloss),
            "bridge": mesh_of(ready.built.bridge.surface, bridge_paint(ready), scene.bridge.gloss),
        },
        lamps=tuple(lamp_of(lamp, scene) for lamp in scene.lamps),
        boards=tuple(board_of(card) for card in scene.cards),
        ambient=float(scene.light.ambient),
        # what the exposure is set for: the lamps' lux at their aims and the light from everywhere
        white_lux=float(sum(lamp.lux for lamp in scene.lamps) + scene.light.ambient) or 1.0,
    )


def mesh_of(surface: Surface, reflectance: Picture, gloss: str = "matt") -> Mesh:
    """A surface in a paint."""
    corners, uv, faces, normals = corners_as_lit(surface)
    return Mesh(
        np.asarray(corners, dtype=np.float32),
        np.asarray(faces, dtype=np.uint32),
        np.asarray(uv, dtype=np.float32),
        None if normals is None else np.asarray(normals, dtype=np.float32),
        np.asarray(reflectance, dtype=np.float32),
        ROUGHNESS.get(gloss, 0.0),
    )


def wall_paint(ready: ReadySet) -> Picture:
    """Reflectance (H, W, 3) of the wall: its own, or, painted over, what sends the same under its light."""
    if ready.scene.paint.wall != "free":
        return ready.built.wall.reflectance
    code = ready.wall.clean.code
    light = enlarged_on(ready.built.wall, ready.wall.light.clean, *code.shape[:2])
    return reflectance_of(code, light)


def bridge_paint(ready: ReadySet) -> Picture:
    """Reflectance (H, W, 3) of the bridge as ``previz export`` hands it on."""
    scene, surface = ready.scene, ready.built.bridge.surface
    if scene.bridge.image is not None or scene.bridge.paint == "bare":
        return surface.reflectance
    painter = Painter(ready.built, ready.wall, sight_of(ready.built))
    return np.clip(reflectance_of(ready.bridge.code, painter.light), DARKEST_PAINT, BRIGHTEST_PAINT)


def lamp_of(lamp: Lamp, scene: Scene) -> LampFace:
    """A lamp by the scene file's numbers."""
    size: tuple[float, ...] = ()
    if not lamp.is_point:
        size = (lamp.face[0],) if lamp.is_disc else lamp.face
    tint = lamp_colour(lamp.kelvin, scene.light.white_balance)
    cone = lamp.cone or 0.0
    return LampFace(tuple(lamp.position), tuple(lamp.aim), size, lamp.lux, tint, cone, lamp.edge if cone else 0.0)


def board_of(card: Card) -> Board:
    """A card: a flag is black."""
    paint = own_colour.decoded8(np.array([[int(card.colour[k : k + 2], 16) for k in (1, 3, 5)]], dtype=np.uint8))[0]
    reflectance = tuple(float(v) for v in paint) if card.kind == "bounce" else (0.0, 0.0, 0.0)
    return Board(tuple(card.position), tuple(card.aim), tuple(card.size), reflectance)


@lru_cache(maxsize=64)
def lamp_colour(kelvin: float, white_balance: float) -> tuple[float, ...]:
    """Linear Rec.709 (3,), luminance 1, of a lamp as a balanced camera sees it, by the colour-science library."""
    colour = _colour_science()
    balanced, lamp = (np.array([x / y, 1.0, (1.0 - x - y) / y]) for x, y in map(_white_of, (white_balance, kelvin)))
    space = colour.RGB_COLOURSPACES["sRGB"]
    x, y = space.whitepoint
    d65 = np.array([x / y, 1.0, (1.0 - x - y) / y])
    seen = colour.adaptation.chromatic_adaptation_VonKries(lamp, balanced, d65, transform="Bradford")
    rgb = np.maximum(space.matrix_XYZ_to_RGB @ seen, 0.0)
    return tuple(float(v) for v in rgb / (rgb @ space.matrix_RGB_to_XYZ[1]))


def _colour_science() -> Any:
    with warnings.catch_warnings():
        # it says so when there is nothing to plot with
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


def _white_of(kelvin: float) -> tuple[float, float]:
    colour = _colour_science()
    if kelvin >= _DAYLIGHT:
        x, y = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    else:
        body = colour.sd_blackbody(kelvin, colour.SPECTRAL_SHAPE_DEFAULT)
        x, y = colour.XYZ_to_xy(colour.sd_to_XYZ(body))
    return float(x), float(y)


def view_of(
    move: Move, frame: int, size_px: tuple[int, int], box: tuple[int, int, int, int], sharp: bool = False
) -> View:
    """What the lens sees in a frame of the move, in a ``box`` (left, top, width, height) px of it.

    ``sharp`` takes focus, diffraction and movement away.
    """
    cameras = [move.camera(frame, *size_px)]
    if moves_during(move, frame) and not sharp:
        opened = exposure_frames(move)
        shares = (np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5
        cameras = [move.camera_during(frame - FIRST_FRAME + opened * float(share), *size_px) for share in shares]
    return view_from(cameras, move.scene, box, sharp)


def view_from(cameras: list[Camera], scene: Scene, box: tuple[int, int, int, int], sharp: bool = False) -> View:
    """What the scene's lens sees from ``cameras``, even parts of one exposure."""
    first, body = cameras[0], scene.camera
    focus = 0.0 if sharp or body.focus is None else float(body.focus)
    # the stop as the sensor sees it (Kingslake: N (1 + m)), over the pitch of a pixel
    working = body.stop * (1.0 + body.lens / (focus - body.lens) / body.pupil_ratio) if focus else 0.0
    return View(
        moments=tuple(tuple(tuple(float(v) for v in row) for row in camera.world_from_cam) for camera in cameras),
        focal_px=float(first.focal_px),
        centre_px=(float(first.centre_x_px), float(first.centre_y_px)),
        size_px=(first.width_px, first.height_px),
        box=box,
        pupil=body.lens / body.stop if focus else 0.0,
        focus=focus,
        stop_per_m=working * first.focal_px / body.lens if focus else 0.0,
    )
