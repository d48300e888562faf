"""Whether a shot fits the studio: rail, closest focus, camera body, floor, and wall enough behind every frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import Array, inverse_rigid, transform_points, unit
from previz.look.sight import SightLines
from previz.scene.layout import PictureBox, delivered_box_px, judged_frames
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.scene.search.asked import Search
from previz.scene.shape import bridge_shape
from previz.units import mm_text

# frames along the move at which the camera is tried for size
_FRAMES = 9

# places along an edge of the bridge that are tried against the camera
_ALONG_EDGE = 17


@dataclass(frozen=True)
class Misfit:
    """Something that does not fit, in words, and by how much (m)."""

    what: str
    by: float


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What a camera must keep off.

    ``sight`` casts against the surfaces called ``names``; ``edges`` (N, 3) m are points on the bridge's edges; ``wall``
    is the wall's rectangle on its datum plane, m: left, bottom, right, top.
    """

    sight: SightLines
    names: tuple[str, ...]
    edges: Array
    wall: PictureBox


def edge_points(vertices: Array, faces: NDArray[np.int32]) -> Array:
    """Points (N, 3) m along every edge of a mesh's triangles."""
    pairs = np.unique(np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1), axis=0)
    share = np.linspace(0.0, 1.0, _ALONG_EDGE)[:, None, None]
    points = vertices[pairs[:, 0]] * (1.0 - share) + vertices[pairs[:, 1]] * share
    return np.asarray(points.reshape(-1, 3))


def misfits(scene: Scene, move: Move, around: Surroundings) -> list[Misfit]:
    """All that does not fit, the worst frame of each; an empty list where the shot can be made."""
    search = scene.search or Search()
    found = []
    if abs(scene.rail.travel) > search.longest_rail + 1e-9:
        over = abs(scene.rail.travel) - search.longest_rail
        found.append(
            Misfit(f"a move of {mm_text(abs(scene.rail.travel))} on a rail for {mm_text(search.longest_rail)}", over)
        )
    body = _body_points(scene, search)
    floor = search.floor if search.floor is not None else around.wall[1]
    worst: dict[str, Misfit] = {}
    for frame in judged_frames(move, _FRAMES):
        camera = move.camera(frame)
        placed = transform_points(camera.world_from_cam, body)
        for kind, what, by in (
            _too_close(scene, search, camera),
            _touching(scene, search, camera, placed, around),
            _in_floor(placed, floor),
            _past_wall(scene, search, camera, around.wall),
        ):
            if by > 1e-9 and (kind not in worst or by > worst[kind].by):
                worst[kind] = Misfit(f"{what} at frame {frame}", by)
    return found + list(worst.values())


def _too_close(scene: Scene, search: Search, camera: Camera) -> tuple[str, str, float]:
    distance = float(bridge_shape(scene).distance(camera.position[None])[0])
    what = f"the bridge {mm_text(distance)} from a lens that focuses from {mm_text(search.closest_focus)}"
    return "focus", what, search.closest_focus - distance


def _body_points(scene: Scene, search: Search) -> Array:
    """Points (N, 3) m all over the lens barrel and the camera's body, in the camera's axes."""
    wide, high, deep = search.body
    mount = scene.camera.pupil_from_mount
    third = np.array([-0.5, 0.0, 0.5])
    box = np.stack(np.meshgrid(third * wide, third * high, mount + (third + 0.5) * deep), axis=-1).reshape(-1, 3)
    angle = np.arange(12) * np.pi / 6.0
    ring = 0.5 * scene.camera.lens_diameter * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    ends = np.linspace(-search.lens_front, mount, 4)
    barrel = np.concatenate([np.column_stack([ring, np.full(len(ring), z)]) for z in ends])
    return np.concatenate([barrel, box])


def _touching(
    scene: Scene, search: Search, camera: Camera, placed: Array, around: Surroundings
) -> tuple[str, str, float]:
    """How deep camera and set reach into one another, m along the way from the lens: as much or more than across."""
    eye = camera.position
    ways = placed - eye
    reach = np.linalg.norm(ways, axis=1)
    far = reach > 1e-6
    inside = 0.0
    # one by one: a search puts another bridge before the same wall, and each keeps its own Embree scene
    for name in around.names:
        hits = around.sight.first_hits(np.broadcast_to(eye, ways[far].shape).copy(), unit(ways[far]), [name])
        inside = max(inside, float(np.maximum(reach[far] - hits.distance, 0.0).max(initial=0.0)))
    # the bridge's edges may pass between those points
    edges = transform_points(inverse_rigid(camera.world_from_cam), around.edges)
    mount = scene.camera.pupil_from_mount
    wide, high, deep = search.body
    in_box = np.minimum.reduce(
        [
            0.5 * wide - np.abs(edges[:, 0]),
            0.5 * high - np.abs(edges[:, 1]),
            edges[:, 2] - mount,
            mount + deep - edges[:, 2],
        ]
    )
    in_barrel = np.minimum.reduce(
        [
            0.5 * scene.camera.lens_diameter - np.hypot(edges[:, 0], edges[:, 1]),
            edges[:, 2] + search.lens_front,
            mount - edges[:, 2],
        ]
    )
    deepest = max(inside, float(in_box.max(initial=-1.0)), float(in_barrel.max(initial=-1.0)))
    return "touch", "the camera reaches into the set", deepest


def _in_floor(placed: Array, floor: float) -> tuple[str, str, float]:
    by = floor - float(placed[:, 1].min())
    return "floor", f"the camera {mm_text(max(by, 0.0))} below the floor", by


def _past_wall(scene: Scene, search: Search, camera: Camera, wall: PictureBox) -> tuple[str, str, float]:
    """How far the delivered picture, with its margin, reaches beyond the wall, m on the wall's datum plane."""
    left, top, right, bottom = delivered_box_px(scene)
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    origins, directions = camera.rays(corners)
    if np.any(directions[:, 2] > -1e-3):
        return "wall", "the picture looks past the wall", 10.0
    met = origins + (-origins[:, 2] / directions[:, 2])[:, None] * directions
    margin = search.view_margin
    sides = {
        "left": wall[0] + margin - float(met[:, 0].min()),
        "right": float(met[:, 0].max()) - (wall[2] - margin),
        "bottom": wall[1] + margin - float(met[:, 1].min()),
        "top": float(met[:, 1].max()) - (wall[3] - margin),
    }
    side = max(sides, key=lambda name: sides[name])
    what = f"{mm_text(max(sides[side], 0.0))} of wall missing at the picture's {side}"
    return "wall", what, min(sides[side], 10.0)
