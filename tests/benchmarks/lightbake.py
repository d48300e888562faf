"""Figures of baked light: closed forms, furnaces, a path tracer, and what baking takes (part of ``light``)."""

from __future__ import annotations

import importlib
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from previz.camera import Camera, camera_for
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.run.lightcache import find_light, keep_light, light_key
from previz.scene.model import Lamp, Light, Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.prepare import (
    BRIDGE,
    WALL,
    bridge_as_lit,
    bridge_baked,
    continues_wall,
    continuing_paint,
    lighting_of,
    typical_station_point,
    wall_in_light,
)
from previz.workshop.light.bake import BakedLight, bake_bridge, bake_wall
from previz.workshop.light.lamps import emitter_of, unshadowed
from previz.workshop.relief import GridSurface
from previz.workshop.set import BuiltSet, build_set
from previz.workshop.surface import Picture, Surface
from previz.workshop.texels import grid_points, texel_owners
from tests.benchmarks.figures import Figure, at_most
from tests.pixels import pixel_centres
from tests.workshop.lit_sets import (
    box_room,
    disc_factor,
    edge_under_a_disc,
    plate,
    rectangle_factor,
    segment_share,
)
from tests.workshop.rim_light import lightness

SCENES = Path(__file__).resolve().parents[2] / "scenes"

# scenes that the path tracer lights too
_TRACED = "quarry"

# samples of a pixel, and places of it at which the baked light is looked up, across and down
_SAMPLES, _PLACES = 1024, 4

# the demonstration sets, and how far (m) about the bridge its wall is looked at
_SETS, _ABOUT = ("quarry", "seastack", "crevasse"), 0.15

_WIDTH, _HEIGHT = 128, 72

# lamps of the scene whose baking is timed: its own and these
_MORE_LAMPS = (
    {"name": "fill", "position": (1.2, 0.4, 1.6), "size": 0.6, "lux": 300.0},
    {"name": "kicker", "position": (0.9, 0.9, 1.2), "size": (0.3, 0.9), "lux": 250.0, "kelvin": 3200.0},
)


def figures(quick: bool) -> list[Figure]:
    """Everything measured here; ``quick`` leaves out the path tracer and the bake with four lamps."""
    out = [*_closed_forms(), *_furnaces(), *_edges()]
    if not quick:
        out += [*_traced(), *_baking(), *(figure for name in _SETS for figure in _bounced(name))]
    return out


def left_out(quick: bool) -> list[str]:
    """What a run does not measure."""
    if quick:
        return ["path tracer", "baking with four lamps", "what the bridge's own paint throws on the wall"]
    return [] if _mitsuba() is not None else ["path tracer (mitsuba is not installed: extra bench)"]


def _closed_forms() -> list[Figure]:
    """Lamps over a plane, from half their size away to ten times, from under them to far aside."""
    worst = {"point": 0.0, "disc": 0.0, "rectangle": 0.0}
    light = Light()
    for distance in (0.15, 0.3, 0.6, 3.0):
        for aside in (0.0, 0.1, 0.3, 1.0):
            place = np.array([[aside, 0.0, 0.0]], dtype=np.float32)
            normal = np.array([[0.0, 0.0, 1.0]], dtype=np.float32)
            sizes: dict[str, Any] = {"point": 0.0, "disc": 0.3, "rectangle": (0.3, 0.2)}
            for name, size in sizes.items():
                lamp = Lamp(name=name, position=(0.0, 0.0, distance), aim=(0.0, 0.0, 0.0), size=size, lux=1.0)
                got = float(unshadowed(emitter_of(lamp, light, 1.0), place, normal)[0, 1])
                if name == "point":
                    wanted = distance**3 / (distance**2 + aside**2) ** 1.5
                elif name == "disc":
                    wanted = disc_factor(0.15, distance, aside) / disc_factor(0.15, distance, 0.0)
                else:
                    factor = rectangle_factor(0.3, 0.2, distance, aside)
                    wanted = factor / rectangle_factor(0.3, 0.2, distance, 0.0)
                worst[name] = max(worst[name], 100.0 * float(abs(got / wanted - 1.0)))
    return [at_most(f"{name} lamp against its closed form, worst of 16 places", value, "%", 1.0)
            for name, value in worst.items()]  # fmt: skip


def _furnaces() -> list[Figure]:
    room, before = box_room(1.0), plate(0.05)
    sight = SightLines([replace(room, name=WALL), replace(before, name=BRIDGE)])
    scene = Scene.model_validate(_bare_scene(1.0))
    # closed walls: nothing of the light from everywhere comes in
    dark = bake_wall(room, lighting_of(scene), sight).clean
    dark = dark[texel_owners(room, *dark.shape[1::-1], margin=False) >= 0]
    flat = replace(plate(4.0), name=WALL)
    open_wall = bake_wall(flat, lighting_of(scene), SightLines([flat])).clean
    return [
        at_most("open sky over a plane, largest error", 100.0 * float(np.abs(open_wall - 1.0).max()), "%", 1.0),
        at_most("light from everywhere that gets into a closed room", 100.0 * float(dark.max()), "%", 1.0),
    ]


def _bare_scene(ambient: float) -> dict[str, Any]:
    return {
        "title": "bare", "scale": "1:20", "wall": {"kind": "board"}, "camera": {"position": (0.0, 0.2, 1.2)},
        "rail": {"hold": (1001, 1040)}, "light": {"ambient": ambient},
    }  # fmt: skip


def _edges() -> list[Figure]:
    at, got = edge_under_a_disc()
    wanted = segment_share(at)
    error = 100.0 * np.abs(got - wanted)
    return [
        at_most("edge under a disc lamp, mean error of its profile", float(error.mean()), "%", 0.5),
        at_most("edge under a disc lamp, largest error", float(error.max()), "%", 2.0),
    ]


def _mitsuba() -> Any:
    try:
        return importlib.import_module("mitsuba")
    except ImportError:
        return None


def _lit(scene: Scene) -> tuple[BuiltSet, Surface, SightLines, BakedLight]:
    built = build_set(scene)
    bridge = bridge_as_lit(scene, built)
    sight = SightLines([replace(built.wall, name=WALL), replace(bridge, name=BRIDGE)])
    light = bake_bridge(bake_wall(built.wall, lighting_of(scene), sight), bridge, sight)
    return built, bridge, sight, light


def _cameras() -> dict[str, Camera]:
    """The wall from in front, the bridge from above and from below."""
    size = {"sensor_width": 0.036, "width_px": _WIDTH, "height_px": _HEIGHT, "pan": 0.0, "roll": 0.0}
    return {
        "wall": camera_for(position=(0.0, 0.0, 1.9), tilt=0.0, focal=0.036, **size),
        "bridge from above": camera_for(position=(0.0, 0.9, 0.45), tilt=-0.5 * np.pi, focal=0.1, **size),
        "bridge from below": camera_for(position=(0.0, -0.9, 0.45), tilt=0.5 * np.pi, focal=0.1, **size),
    }


def _traced() -> list[Figure]:
    mi = _mitsuba()
    if mi is None:
        return []
    mi.set_variant("scalar_rgb")
    mi.set_log_level(mi.LogLevel.Error)
    scene = read_scene(SCENES / f"{_TRACED}.toml")
    _, bridge, sight, light = _lit(scene)
    wall = sight.surfaces[0]
    out = []
    scenes = _mitsuba_scenes(mi, scene, wall, bridge)
    for name, camera in _cameras().items():
        wanted = sum(_render(mi, one, camera) for one in scenes)
        got, whole = _looked_up(camera, sight, wall, bridge, light, "wall" if name == "wall" else BRIDGE)
        there, own = wanted[whole].sum(axis=-1), got[whole].sum(axis=-1)
        apart = 100.0 * float((np.abs(own - there) / there).mean())
        more = 100.0 * float(own.sum() / there.sum() - 1.0)
        out += [
            at_most(f"{name}: baked light against the path tracer, mean difference", apart, "%", 3.0),
            Figure(f"{name}: all places together, more than the path tracer's", more, "%"),
            Figure(f"{name}: places looked at", int(whole.sum()), ""),
        ]
    return out


def _looked_up(
    camera: Camera, sight: SightLines, wall: Surface, bridge: Surface, light: BakedLight, on: str
) -> tuple[Picture, np.ndarray]:
    """What each pixel sends by the baked light (H, W, 3), and the pixels that lie wholly on one surface."""
    got = np.zeros((_HEIGHT, _WIDTH, 3), dtype=np.float32)
    whole = np.ones((_HEIGHT, _WIDTH), dtype=bool)
    for k in range(_PLACES * _PLACES):
        shift = (np.array([k % _PLACES, k // _PLACES]) + 0.5) / _PLACES - 0.5
        origins, directions = camera.rays((pixel_centres(_WIDTH, _HEIGHT) + shift).reshape(-1, 2))
        hits = sight.first_hits(origins, directions)
        whole &= (hits.surface == sight.number(on)).reshape(_HEIGHT, _WIDTH)
        for number, (surface, lit) in enumerate(((wall, light.wall), (bridge, light.bridge))):
            here = np.flatnonzero(hits.surface == number)
            sent = bilinear(surface.reflectance, hits.uv[here]) * bilinear(lit, hits.uv[here])
            got.reshape(-1, 3)[here] += sent / np.float32(_PLACES * _PLACES)
    return got, whole


def _mitsuba_scenes(mi: Any, scene: Scene, wall: Surface, bridge: Surface) -> list[Any]:
    """The set under its lamps, and under the light from everywhere: apart, because here lamps keep no sky off."""
    lighting = lighting_of(scene)
    shapes = {"wall": _mitsuba_mesh(mi, wall), "bridge": _mitsuba_mesh(mi, bridge)}
    # straight light, and what is thrown on once
    traced = {"type": "scene", "integrator": {"type": "path", "max_depth": 3, "rr_depth": 100}}
    lamps = {}
    for k, lamp in enumerate(lighting.lamps):
        emitter = emitter_of(lamp, lighting.light, lighting.reference)
        radius = 0.5 * emitter.size[0]
        frame = np.eye(4)
        centre, side, up, ahead = emitter.frame
        frame[:3, :3] = np.stack([-side * radius, up * radius, ahead], axis=1)
        frame[:3, 3] = centre
        radiance = (emitter.strength * emitter.tint).tolist()
        lamps[f"lamp{k}"] = {
            "type": "disk", "to_world": mi.ScalarTransform4f(frame.tolist()),
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance}},
        }  # fmt: skip
    ambient = lighting.light.ambient / lighting.reference / np.pi
    sky = {"sky": {"type": "constant", "radiance": {"type": "rgb", "value": [ambient] * 3}}}
    return [mi.load_dict(traced | shapes | more) for more in (lamps, sky)]


def _mitsuba_mesh(mi: Any, surface: Surface) -> Any:
    bitmap = mi.Bitmap(np.ascontiguousarray(surface.reflectance, dtype=np.float32))
    texture = {"type": "bitmap", "bitmap": bitmap, "wrap_mode": "clamp", "raw": True}
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": texture})
    corners, uv, faces, normals = corners_as_lit(surface)
    mesh = mi.Mesh(surface.name, len(corners), len(faces), has_vertex_texcoords=True,
                   has_vertex_normals=normals is not None, props=properties)  # fmt: skip
    values = mi.traverse(mesh)
    values["vertex_positions"] = np.ascontiguousarray(corners, dtype=np.float32).ravel()
    values["faces"] = np.ascontiguousarray(faces, dtype=np.uint32).ravel()
    values["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    if normals is not None:
        values["vertex_normals"] = normals.astype(np.float32).ravel()
    values.update()
    return mesh


def corners_as_lit(surface: Surface) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]:
    """Corners, their places on the map, faces, and the corners' normals; none for flat faces.

    Every face of a height field has corners of its own, with normals as its texels have them: they part at creases.
    """
    if not isinstance(surface, GridSurface):
        return surface.vertices, surface.uv, surface.faces, None
    corners, uv = surface.vertices[surface.faces], surface.uv[surface.faces].astype(np.float64)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.repeat((normals / np.linalg.norm(normals, axis=1, keepdims=True))[:, None], 3, axis=1)
    front = 2 * (len(surface.field.x) - 1) * (len(surface.field.y) - 1)
    # a hair inside each face
    at = uv[:front] + 1e-3 * (uv[:front].mean(axis=1, keepdims=True) - uv[:front])
    _, normals[:front] = grid_points(surface, 1, 1, at[..., 1] - 0.5, at[..., 0] - 0.5)
    faces = np.arange(3 * len(corners)).reshape(-1, 3)
    return corners.reshape(-1, 3), uv.reshape(-1, 2), faces, normals.reshape(-1, 3)


def _render(mi: Any, scene: Any, camera: Camera) -> Picture:
    """What each pixel sends as a share of white: radiance times pi."""
    # mitsuba's cameras look along +Z with X to the left
    turned = camera.world_from_cam @ np.diag([-1.0, 1.0, -1.0, 1.0])
    sensor = mi.load_dict(
        {
            "type": "perspective",
            "fov": float(np.degrees(2.0 * np.arctan(0.5 * camera.width_px / camera.focal_px))),
            "fov_axis": "x",
            "to_world": mi.ScalarTransform4f(turned.tolist()),
            "film": {"type": "hdrfilm", "width": camera.width_px, "height": camera.height_px,
                     "rfilter": {"type": "box"}},
            "sampler": {"type": "multijitter", "sample_count": _SAMPLES},
        }
    )  # fmt: skip
    return np.array(mi.render(scene, sensor=sensor, spp=_SAMPLES))[..., :3].astype(np.float32) * np.float32(np.pi)


def _baking() -> list[Figure]:
    scene = read_scene(SCENES / "quarry.toml")
    usual = _timed(scene)[0]
    more = tuple(Lamp.model_validate(lamp) for lamp in _MORE_LAMPS)
    four = scene.model_copy(update={"lamps": (*scene.lamps, *more)})
    seconds, again = _timed(four)
    return [
        at_most("baking the quarry as it is, two lamps, one bounce", usual, "s", 6.0),
        at_most("baking the quarry with four lamps, one bounce", seconds, "s", 60.0),
        at_most("the same found again", again, "s", 2.0),
    ]


def _bounced(name: str) -> list[Figure]:
    """What the wall about the bridge gains by paint that continues it, against the wall's mean colour in its place."""
    scene = read_scene(SCENES / f"{name}.toml").edited(bridge__paint="projected")
    built = build_set(scene)
    bridge = bridge_as_lit(scene, built)
    sight = SightLines([replace(built.wall, name=WALL), replace(bridge, name=BRIDGE)])
    base = bake_wall(built.wall, lighting_of(scene), sight)
    mean = bake_bridge(base, bridge, sight)
    clean = wall_in_light(base.lighting, built.wall, mean, bridge).clean
    own = bridge_baked(scene, base, clean, bridge, sight)
    move = move_of(scene)
    eye = np.asarray(move.camera(move.station_frame).position)
    paint = continuing_paint(built.wall, clean.code, bridge, sight, typical_station_point(bridge))
    again = bake_bridge(base, bridge, sight, lambda _: paint(own.bridge))
    there = bake_bridge(base, bridge, sight, continuing_paint(built.wall, clean.code, bridge, sight, eye))
    low, high = bridge.vertices.min(axis=0)[:2] - _ABOUT, bridge.vertices.max(axis=0)[:2] + _ABOUT
    points = base.map.texels.points[..., :2]
    about = ((points > low) & (points < high)).all(axis=-1)
    seen = lightness(base.map.colour[about], own.wall[about])
    gain = seen - lightness(base.map.colour[about], mean.wall[about])
    off = np.abs(seen - lightness(base.map.colour[about], there.wall[about]))
    second = np.abs(seen - lightness(base.map.colour[about], again.wall[about]))
    words = f"{name}: light of the bridge's own paint on the wall about it"
    return [
        Figure(f"{words}, L* against that of the wall's mean colour, most", float(gain.max()), ""),
        Figure(f"{words}, L* against that of the wall's mean colour, mean", float(gain.mean()), ""),
        at_most(f"{words}, L* if seen from the scene's own station point, most", float(off.max()), "", 1.0),
        at_most(f"{words}, L* if the paint is worked out a second time, most", float(second.max()), "", 0.1),
    ]


def _timed(scene: Scene) -> tuple[float, float]:
    """Seconds of a bake with its compiled loops at hand, and of finding it again."""
    built = build_set(scene)
    _lit(scene)
    started = time.perf_counter()
    bridge, lighting = bridge_as_lit(scene, built), lighting_of(scene)
    sight = SightLines([replace(built.wall, name=WALL), replace(bridge, name=BRIDGE)])
    light = bake_bridge(bake_wall(built.wall, lighting, sight), bridge, sight)
    baked = time.perf_counter() - started
    with tempfile.TemporaryDirectory() as name:
        keep_light(Path(name), light_key(built.wall, bridge, lighting, continues_wall(scene)), light)
        started = time.perf_counter()
        if find_light(Path(name), light_key(built.wall, bridge, lighting, continues_wall(scene)), lighting) is None:
            raise RuntimeError("baked light is not found again")
        found = time.perf_counter() - started
    return baked, found
