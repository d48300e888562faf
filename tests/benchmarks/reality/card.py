"""The grey card: what a spot meter reads off one that the path tracer lights, against the stops on the rig card."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.camera import camera_for
from previz.command.rig.rigfacts import rig_facts
from previz.look.sight import SightLines
from previz.rig.lightadvice import level_of
from previz.run.lightcache import LightCache
from previz.scene.model import Scene
from previz.scene.shape import bridge_shape
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.prepare import ReadySet, prepare, sight_of
from tests.benchmarks.reality.tracer import Mesh, Tracer
from tests.benchmarks.reality.world import view_from, world_of

# side (m) of the card, how far (m) it hangs before the wall, and from where it is metered
_SIDE, _OFF, _AWAY = 0.03, 0.002, 0.1

# looks along a side of the card, from this far (m) before the wall, for what of the wall stands out
_LOOKS, _BEFORE = 13, 0.3

# what the trade's grey card sends back, and the calibration constant of incident meters (ISO 2720: from memory)
_GREY: Final = 0.18
_CONSTANT: Final = 250.0

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def metered(scene: Scene, folder: Path, variant: str, samples: int) -> dict[str, Any]:
    """``stops`` by which the rig card's reading of the wall differs from the traced grey card's, and both."""
    kept = folder / "ready.pickle"
    if kept.exists():
        with kept.open("rb") as file:
            ready: ReadySet = pickle.load(file)[0]
    else:
        # paint does not change what lies on the clean wall
        plain = scene.edited(bridge__paint="projected") if scene.wants_solving else scene
        ready = prepare(plain, JUDGED_WIDTH_PX, LightCache(folder))
    scene = ready.scene
    said = rig_facts(scene, level_of(ready, sight_of(ready.built))).exposure
    place, normal = _behind(ready)
    card, camera = _card(place, normal)
    world = world_of(ready)
    # the clean wall: what the card's marks are for is set before the bridge hangs
    world = replace(world, meshes={"wall": world.meshes["wall"], "card": card})
    view = view_from([camera], scene, (0, 0, camera.width_px, camera.height_px), sharp=True)
    drawn = Tracer(world, variant).draw(view, ("wall", "card"), samples)
    lux = float((drawn @ _LUMINANCE).mean()) / _GREY * world.white_lux
    focus = scene.camera.focus
    working = scene.camera.stop * (1.0 + scene.camera.lens / (focus - scene.camera.lens) if focus else 1.0)
    needed = _CONSTANT * working**2 / (scene.camera.iso * said.shutter)
    traced = float(np.log2(lux / needed))
    return {"stops": said.wall - traced, "said": said.wall, "traced": traced, "lux": lux, "said_lux": said.light.wall}


def _behind(ready: ReadySet) -> tuple[np.ndarray, np.ndarray]:
    """A point (3,) m before the wall behind the bridge's middle, where a card hangs clear of the wall's relief, and the
    way (3,) the card faces: square out."""
    eye = ready.station_point
    way = bridge_shape(ready.scene).centre - eye
    wall = SightLines([replace(ready.built.wall, name="wall")])
    hit = np.asarray(wall.first_hits(eye[None], (way / np.linalg.norm(way))[None]).point[0])
    side = np.linspace(-0.5, 0.5, _LOOKS) * _SIDE
    x, y = np.meshgrid(hit[0] + side, hit[1] + side)
    before = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, hit[2] + _BEFORE)])
    relief = wall.first_hits(before, np.tile([0.0, 0.0, -1.0], (len(before), 1))).point[:, 2]
    hit[2] = float(np.nanmax([*relief, hit[2]]))
    return hit, np.array([0.0, 0.0, 1.0])


def _card(place: np.ndarray, normal: np.ndarray) -> tuple[Mesh, Any]:
    """The card before the wall, square to it, and a camera before the card that sees its middle."""
    middle = place + _OFF * normal
    half = 0.5 * _SIDE
    corners = middle + half * np.array([(-1.0, -1.0, 0.0), (1.0, -1.0, 0.0), (1.0, 1.0, 0.0), (-1.0, 1.0, 0.0)])
    grey = np.full((2, 2, 3), _GREY, np.float32)
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.uint32)
    card = Mesh(corners.astype(np.float32), faces, np.array([(0, 1), (1, 1), (1, 0), (0, 0)], np.float32), None, grey)
    camera = camera_for(
        middle + _AWAY * normal, 0.0, 0.0, 0.0, focal=0.1, sensor_width=0.01, width_px=24, height_px=24
    )
    return card, camera
