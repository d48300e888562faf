"""The performer as a textured card: traced at full size and on the traced miniature, against what ``plate`` says.

The cut-out is cut into strips by its alpha, so that it is a mesh like any other; it stands on a grey floor under the
set's lamps, so many times as large, seen by the plate's camera, and on the miniature's bridge, seen by the shot's.
Asked is where its silhouette comes to lie (OpenCV's affine warp, by the numbers of ``feet.csv``), what its shadow
leaves of the light on the bridge's top, and how far its colours are from the plate's after the colour match: a camera
that was balanced and exposed otherwise took the plate, and a chart held up on either set is what is matched by.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from previz import colour
from previz.camera import Camera
from previz.plate.cardcast import StandingCard
from previz.plate.cutout import standing_of
from previz.plate.feet import facing_camera, foot_track
from previz.plate.figure import figure_file, rgba_of
from previz.plate.match import PixelBox, colour_match
from previz.plate.shadow import cast_shadow, face_of, key_lamp, key_share, shadow_matte
from previz.plate.space import graded
from previz.plate.top import Stance, stances, top_of
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.stage.delivering import JUDGED_WIDTH_PX
from tests.benchmarks.reality import frames
from tests.benchmarks.reality.compare import colour_apart, edge_apart
from tests.benchmarks.reality.tracer import LampFace, Mesh, Tracer, View, World
from tests.benchmarks.reality.world import world_of

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

_SIZE_PX: Final = (1920, 1080)

# rows of the cut-out, head to foot, that its mesh has
_ROWS: Final = 160

# frames of the shot at which the silhouette is laid
_FRAMES: Final = 4

# what the floor of the plate's studio and the darkest and lightest of a figure's paints send back
_FLOOR, _DARKEST, _LIGHTEST = 0.35, 0.03, 0.8

# the plate's camera: so many times as much red, green and blue as the miniature's (another balance, 0.3 stops more)
PLATE_GAINS: Final = (1.38, 1.23, 1.01)

# its lens is that much longer, and it leans (rad)
_LONGER, _ROLL = 1.3, 0.03

# the chart: two rows of six; the last two of each row are kept from the match and tell how good it is
CHART: Final = (
    (
        (0.80, 0.80, 0.80), (0.50, 0.50, 0.50), (0.28, 0.28, 0.28), (0.14, 0.14, 0.14), (0.36, 0.36, 0.36),
        (0.45, 0.28, 0.20),
    ),
    (
        (0.07, 0.07, 0.07), (0.40, 0.12, 0.10), (0.14, 0.30, 0.14), (0.12, 0.16, 0.38), (0.20, 0.20, 0.20),
        (0.18, 0.28, 0.40),
    ),
)  # fmt: skip
_MATCHED_BY: Final = 4

# light is compared averaged over so many px, where the figure covers nothing and the bridge all of a pixel
_SMOOTH_PX, _WHOLE, _NONE = 1.5, 0.98, 0.002

# a shadow is where either takes so much of the light
_SHADED: Final = 0.02

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True, eq=False)
class CardShot:
    """A world, a camera in it, and where the figure stands and how high (m) it is there."""

    world: World
    camera: Camera
    stance: Stance
    card: Mesh
    chart: Mesh


def performer_of(scene: Scene, folder: Path, variant: str, samples: int) -> dict[str, Any]:
    """``silhouette`` px between outlines laid and traced, frame by frame; ``shadow`` on the bridge's top, shares of the
    light; ``colour`` dE00 of figure and chart, before the match and after it."""
    plain = scene.edited(bridge__paint="projected") if scene.wants_solving else scene
    ready = frames.made_ready(plain, folder, JUDGED_WIDTH_PX)
    path = figure_file(scene)
    assert path is not None
    assert scene.plate is not None
    cutout = rgba_of(path)
    move = move_of(scene)
    on_floor, on_bridge = stances(top_of(scene), scene.plate.foot_mark, scene.plate.height, scene.scale)
    facing = facing_camera(on_bridge.foot, move.camera(move.station_frame, *_SIZE_PX))
    small = world_of(ready)
    cameras = [move.camera(frame, *_SIZE_PX) for frame in move.frames]
    # the plate as it was asked for, on the same rays of the lens, that many times as far (Thales); but by a longer
    # lens, on a head that leans: a layer's scale and turn mend both
    views = [plate_camera(magnified(camera, scene.scale, on_bridge.foot)) for camera in cameras]
    at = move.frames.index(move.station_frame)
    shots = {
        name: CardShot(world, camera, stance, card_of(cutout, stance, facing), chart_of(stance, facing))
        for name, world, camera, stance in (
            ("plate", full_size(small, scene.scale, on_bridge.foot), views[at], on_floor),
            ("miniature", small, cameras[at], on_bridge),
        )
    }
    track = foot_track(move.frames, views, cameras, on_floor, on_bridge, facing)
    silhouette = []
    for k in np.unique(np.linspace(at, len(move.frames) - 1, _FRAMES).round().astype(int)):
        pair = [
            _whole(_cover(replace(shots[name], camera=camera), variant), replace(shots[name], camera=camera))
            for name, camera in (("plate", views[k]), ("miniature", cameras[k]))
        ]
        laid = laid_by(pair[0], track.layer_foot_px[k], track.foot_px[k], float(track.scale[k]), float(track.turn[k]))
        if pair[1].max() > 0.0:
            silhouette.append({"frame": int(move.frames[k]), "apart_px": edge_apart(laid, pair[1])})
    return {
        "silhouette": silhouette,
        "shadow": _shadow(scene, shots["miniature"], cutout, facing, variant, samples),
        "colour": _colour(shots, facing, variant, samples),
    }


def card_of(cutout: NDArray[np.uint8], stance: Stance, facing: Floats) -> Mesh:
    """The cut-out (h, w, 4) as a mesh of strips, upright on its foot, turned to ``facing`` (3,)."""
    stands = standing_of(cutout)
    tall = stands.foot[1] - stands.top
    step = tall / _ROWS
    size = round(cutout.shape[1] / step), round(cutout.shape[0] / step)
    texel = stance.height / tall * (cutout.shape[0] / size[1])
    foot = np.array(stands.foot) * np.array(size) / np.array(cutout.shape[1::-1])
    alpha = np.asarray(Image.fromarray(cutout[..., 3]).resize(size, Image.Resampling.BOX))
    colours = np.asarray(Image.fromarray(np.ascontiguousarray(cutout[..., :3])).resize(size, Image.Resampling.BOX))
    corners, uv = [], []
    for row, solid in enumerate(alpha >= 128):
        ends = np.flatnonzero(np.diff(np.concatenate([[0], solid.astype(np.int8), [0]])))
        for left, right in ends.reshape(-1, 2):
            box = [(left, row + 1), (right, row + 1), (right, row), (left, row)]
            corners += box
            uv += [(x / size[0], y / size[1]) for x, y in box]
    flat = (np.array(corners) - foot) * texel
    return _upright(flat * [1.0, -1.0], np.array(uv), stance.foot, facing,
                    np.clip(colour.decoded8(colours), _DARKEST, _LIGHTEST))  # fmt: skip


def chart_of(stance: Stance, facing: Floats) -> Mesh:
    """The chart held up where the figure's chest is, half as high as the figure."""
    high = 0.5 * stance.height
    wide = high * len(CHART[0]) / len(CHART)
    box = np.array([(-0.5 * wide, 0.3 * stance.height), (0.5 * wide, 0.3 * stance.height),
                    (0.5 * wide, 0.3 * stance.height + high), (-0.5 * wide, 0.3 * stance.height + high)])  # fmt: skip
    # cells of many texels, so that hardly any of one is blended with its neighbour
    texture = np.repeat(np.repeat(np.array(CHART), 32, axis=0), 32, axis=1)
    return _upright(box, np.array([(0, 1), (1, 1), (1, 0), (0, 0)]), stance.foot, facing, texture)


def _upright(flat: Floats, uv: Floats, foot: Floats, facing: Floats, texture: NDArray[Any]) -> Mesh:
    """Quads (4 N, 2) m, right and up of the foot, as an upright mesh that is turned to ``facing``."""
    right = np.cross([0.0, 1.0, 0.0], facing)
    places = foot + flat[:, :1] * right + flat[:, 1:] * [0.0, 1.0, 0.0]
    first = 4 * np.arange(len(flat) // 4)[:, None]
    faces = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]])
    return Mesh(np.asarray(places, np.float32), np.asarray(faces, np.uint32), np.asarray(uv, np.float32), None,
                np.asarray(texture, np.float32))  # fmt: skip


def full_size(small: World, scale: float, foot: Floats) -> World:
    """A studio at full size: a grey floor, feet at its middle, under the miniature's lamps that many times as large."""
    half = 400.0
    floor = Mesh(
        np.array([(-half, 0, half), (half, 0, half), (half, 0, -half), (-half, 0, -half)], np.float32),
        np.array([[0, 1, 2], [0, 2, 3]], np.uint32), np.zeros((4, 2), np.float32), None,
        np.full((2, 2, 3), _FLOOR, np.float32),
    )  # fmt: skip

    def placed(at: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(float(v) for v in scale * (np.array(at) - foot))

    lamps = tuple(
        LampFace(placed(lamp.position), placed(lamp.aim), tuple(scale * side for side in lamp.size), lamp.lux,
                 lamp.tint, lamp.cone, lamp.edge)
        for lamp in small.lamps
    )  # fmt: skip
    return World({"floor": floor}, lamps, (), small.ambient, small.white_lux)


def magnified(camera: Camera, scale: float, foot: Floats) -> Camera:
    """A miniature's camera at full size, feet at the origin: turned alike, so many times as far from the feet."""
    world_from_cam = np.array(camera.world_from_cam)
    world_from_cam[:3, 3] = scale * (world_from_cam[:3, 3] - foot)
    return replace(camera, world_from_cam=world_from_cam)


def plate_camera(camera: Camera) -> Camera:
    """The same with a longer lens, rolled about its axis."""
    roll = np.eye(4)
    roll[:2, :2] = [(np.cos(_ROLL), -np.sin(_ROLL)), (np.sin(_ROLL), np.cos(_ROLL))]
    return replace(camera, world_from_cam=camera.world_from_cam @ roll, focal_px=_LONGER * camera.focal_px)


def laid_by(cover: Picture, layer_foot: Floats, foot: Floats, scale: float, turn: float) -> Picture:
    """A layer (H, W) laid in the frame by a row of ``feet.csv``: shrunk, turned and its foot brought to its place."""
    rotation = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    # OpenCV counts from the middle of the first pixel
    shift = foot - 0.5 - rotation @ (layer_foot - 0.5)
    warp = np.column_stack([rotation, shift])
    return np.asarray(cv2.warpAffine(cover, warp, _SIZE_PX, flags=cv2.INTER_LINEAR), dtype=np.float32)


def _box(shot: CardShot, mesh: Mesh, margin: int) -> tuple[int, int, int, int]:
    px = shot.camera.project(np.asarray(mesh.corners, dtype=np.float64))
    low = np.clip(np.floor(px.min(axis=0)) - margin, 0, _SIZE_PX).astype(int)
    high = np.clip(np.ceil(px.max(axis=0)) + margin, 0, _SIZE_PX).astype(int)
    return int(low[0]), int(low[1]), int(max(high[0] - low[0], 0)), int(max(high[1] - low[1], 0))


def _view(camera: Camera, box: tuple[int, int, int, int]) -> View:
    rows = tuple(tuple(float(v) for v in row) for row in np.asarray(camera.world_from_cam))
    return View((rows,), float(camera.focal_px), (float(camera.centre_x_px), float(camera.centre_y_px)), _SIZE_PX, box)


def _cover(shot: CardShot, variant: str) -> Picture:
    """The card's share of each pixel of its box; nothing where it is out of the frame."""
    box = _box(shot, shot.card, 4)
    if min(box[2:]) == 0:
        return np.zeros((0, 0), np.float32)
    world = World({"card": shot.card}, (), (), 1.0, 1.0)
    return Tracer(world, variant).cover(_view(shot.camera, box), "card", (), 256)


def _whole(part: Picture, shot: CardShot) -> Picture:
    out = np.zeros((_SIZE_PX[1], _SIZE_PX[0]), np.float32)
    left, top, width, height = _box(shot, shot.card, 4)
    if part.size:
        out[top : top + height, left : left + width] = part
    return out


def _shadow(
    scene: Scene, shot: CardShot, cutout: NDArray[np.uint8], facing: Floats, variant: str, samples: int
) -> dict[str, float]:
    """What the figure leaves of the light on the bridge's top about its foot: the lamp's alone, and of all light."""
    key = key_lamp(scene.lamps, scene.light, shot.stance.foot)
    assert key is not None
    number = list(scene.lamps).index(key)
    _, _, width, height = _box(shot, shot.card, 0)
    # the shadow falls about the feet: as far again as the figure is high, and as far below
    reach = max(width, height)
    foot = shot.camera.project(shot.stance.foot[None])[0].round().astype(int)
    box = (int(foot[0]) - reach, int(foot[1]) - reach, 2 * reach, 2 * reach)
    view = _view(shot.camera, box)
    meshes = shot.world.meshes | {"card": shot.card}
    lit = {
        "all": Tracer(replace(shot.world, meshes=meshes), variant),
        "key": Tracer(replace(shot.world, meshes=meshes, lamps=(shot.world.lamps[number],), ambient=0.0), variant, 2),
    }
    part = np.s_[box[1] : box[1] + box[3], box[0] : box[0] + box[2]]
    stands = standing_of(cutout)
    card = StandingCard(
        np.asarray(cutout[..., 3] / 255.0, np.float32), stands.foot, stands.foot[1] - stands.top,
        shot.stance.foot, shot.stance.height, facing,
    )  # fmt: skip
    texel = 0.5 * float(shot.camera.depth(shot.stance.foot)) / shot.camera.focal_px
    matte = shadow_matte(cast_shadow(card, face_of(key), top_of(scene), texel), shot.camera)[part]
    share = float(key_share(key, scene.lamps, scene.light, shot.stance.foot) @ _LUMINANCE)
    covers = Tracer(replace(shot.world, meshes=meshes), variant)
    figure = covers.cover(view, "card", ("wall", "bridge"), 128)
    bridge = covers.cover(view, "bridge", ("wall", "card"), 128)
    out: dict[str, float] = {"key share": share}
    for name, tracer in lit.items():
        seen, without = (
            tracer.draw(view, names, samples) @ _LUMINANCE for names in (("wall", "bridge", "card"), ("wall", "bridge"))
        )
        where = (figure < _NONE) & (bridge > _WHOLE) & (without > 0.02 * float(without.max()))
        left_of = _light_left(seen, without, where)
        own = 1.0 - _smoothed(matte, where) * (share if name == "all" else 1.0)
        shaded = where & (np.minimum(left_of, own) < 1.0 - _SHADED)
        apart = np.abs(left_of - own)[shaded]
        out |= {
            f"{name} pixels": float(shaded.sum()), f"{name} mean": float(apart.mean()),
            f"{name} 95th": float(np.percentile(apart, 95.0)), f"{name} own": float(1.0 - own[shaded].mean()),
            f"{name} traced": float(1.0 - left_of[shaded].mean()),
        }  # fmt: skip
    return out


def _light_left(seen: NDArray[Any], without: NDArray[Any], where: NDArray[np.bool_]) -> Floats:
    a, b = (gaussian_filter(np.asarray(p, np.float64) * where, _SMOOTH_PX) for p in (seen, without))
    return np.asarray(a / np.maximum(b, 1e-9))


def _smoothed(picture: NDArray[Any], where: NDArray[np.bool_]) -> Floats:
    weight = gaussian_filter(where.astype(np.float64), _SMOOTH_PX)
    return np.asarray(gaussian_filter(np.asarray(picture, np.float64) * where, _SMOOTH_PX) / np.maximum(weight, 1e-9))


def _colour(shots: dict[str, CardShot], facing: Floats, variant: str, samples: int) -> dict[str, float]:
    """dE00 between plate and miniature of the figure's card and of patches that the match has not seen."""
    stills, boxes, figures = {}, {}, {}
    at = _places(shots["plate"], facing)
    for name, shot in shots.items():
        gains = np.array(PLATE_GAINS if name == "plate" else (1.0, 1.0, 1.0))
        around = tuple(shot.world.meshes)
        for what, mesh in (("card", shot.card), ("chart", shot.chart)):
            box = _box(shot, mesh, 8)
            tracer = Tracer(replace(shot.world, meshes=shot.world.meshes | {what: mesh}), variant)
            drawn = np.clip(tracer.draw(_view(shot.camera, box), (*around, what), samples) * gains, 0.0, 1.0)
            if what == "chart":
                stills[name], boxes[name] = np.asarray(drawn, np.float32), _cells(shot, facing, box)
            else:
                cover = tracer.cover(_view(shot.camera, box), "card", (), 128)
                figures[name] = _on_card(shot, np.asarray(drawn, np.float32), cover, box, facing, at)
    match = colour_match(stills["miniature"], stills["plate"], patches=[
        (boxes["miniature"][row][k], boxes["plate"][row][k]) for row in range(len(CHART)) for k in range(_MATCHED_BY)
    ])  # fmt: skip
    told = {
        name: np.array([[_mean(stills[name], box) for box in row[_MATCHED_BY:]] for row in boxes[name]], np.float32)
        for name in shots
    }
    out = {}
    for what, pair in (("patches", told), ("figure", figures)):
        matched = np.clip(graded(pair["miniature"], match.cdl, match.space), 0.0, 1.0).astype(np.float32)
        for when, mine in (("before", pair["miniature"]), ("after", matched)):
            apart = colour_apart(mine, pair["plate"])
            out |= {f"{what} {when}": float(apart.mean()), f"{what} {when} worst": float(apart.max())}
    return out


def _mean(still: Picture, box: PixelBox) -> Floats:
    left, top, right, bottom = box
    return np.asarray(still[top:bottom, left:right].mean(axis=(0, 1), dtype=np.float64))


def _cells(shot: CardShot, facing: Floats, box: tuple[int, int, int, int]) -> list[list[PixelBox]]:
    """The middles of the chart's patches in its picture, px."""
    corners = np.asarray(shot.chart.corners, dtype=np.float64)
    right, up = corners[1] - corners[0], corners[3] - corners[0]
    out: list[list[PixelBox]] = []
    for row in range(len(CHART)):
        out.append([])
        for k in range(len(CHART[0])):
            places = [
                corners[0] + (k + a) / len(CHART[0]) * right + (len(CHART) - 1 - row + b) / len(CHART) * up
                for a in (0.25, 0.75) for b in (0.25, 0.75)
            ]  # fmt: skip
            px = shot.camera.project(np.array(places)) - box[:2]
            low, high = np.ceil(px.min(axis=0)).astype(int), np.floor(px.max(axis=0)).astype(int)
            out[-1].append((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    return out


def _places(shot: CardShot, facing: Floats) -> Floats:
    """Places (N, 2) of the figure's card, right and up of its foot in heights of the figure, away from its edge."""
    corners = (np.asarray(shot.card.corners, dtype=np.float64) - shot.stance.foot) / shot.stance.height
    across, upward = corners @ np.cross([0.0, 1.0, 0.0], facing), corners[:, 1]
    x, y = np.meshgrid(np.linspace(-0.4, 0.4, 41), np.linspace(0.02, 0.98, 49))
    inside = np.zeros(x.shape, dtype=bool)
    for a, b in zip(across.reshape(-1, 4), upward.reshape(-1, 4), strict=True):
        inside |= (x >= a.min()) & (x <= a.max()) & (y >= b.min()) & (y <= b.max())
    inside = cv2.erode(np.pad(inside, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    return np.column_stack([x[inside], y[inside]])


def _on_card(
    shot: CardShot, picture: Picture, cover: Picture, box: tuple[int, int, int, int], facing: Floats, at: Floats
) -> Picture:
    """The figure's colours (1, N, 3) at places (N, 2) of its card, averaged over some pixels that it covers whole."""
    right = np.cross([0.0, 1.0, 0.0], facing)
    places = shot.stance.foot + shot.stance.height * (at[:, :1] * right + at[:, 1:] * [0.0, 1.0, 0.0])
    # OpenCV counts from the middle of the first pixel
    px = (shot.camera.project(places) - box[:2] - 0.5).astype(np.float32)[None]
    whole = (cover > _WHOLE).astype(np.float32)[..., None]
    parts = [gaussian_filter(part, (_SMOOTH_PX, _SMOOTH_PX, 0.0)) for part in (picture * whole, whole)]
    smooth = parts[0] / np.maximum(parts[1], 1e-6)
    return np.asarray(cv2.remap(smooth, px[..., 0], px[..., 1], cv2.INTER_LINEAR), dtype=np.float32)
