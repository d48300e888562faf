"""Where the figure stands in every delivered frame, and how far its feet slide there all the same.

The figure's layer is the plate's picture, or the performer's cut-out from it. Frame by frame it is laid over the
miniature's picture by a similarity (place, scale and turn) that takes the foot to the foot mark on the bridge and the
head to where a head of that height would be: so the figure's own motion in the plate is taken out and the bridge's put
in. What is left over: two feet are not one point. Each foot stands nearer or farther than the foot mark, so that in the
plate and in the miniature it moves a little differently; no similarity removes both. That rest is the residual, and its
change from frame to frame is the slide that a viewer sees.

Two homographies do better than a similarity. The card's maps the upright plane through the foot mark, square to the
miniature's lens at the station frame, exactly: nothing that stands in that plane slides. The floor's maps the floor:
the feet and their shadow are exact on a flat bridge, but it would lay the body flat, so it serves for the feet and the
ground only.

Pictures: x right, y down, pixel centres at .5; a turn is positive clockwise as seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array, cv_from_world, unit
from previz.plate.top import Stance

# a slide (delivered px from one frame to the next) that is still taken for standing
SLIDE_LIMIT_PX = 0.5


@dataclass(frozen=True, eq=False)
class Layer:
    """The picture that the figure's layer is: ``width_px`` x ``height_px``, foot and head in it (2,) px each.

    A cut-out keeps its foot and head in one place for all frames. In the plate's own picture they move: there is no
    ``Layer`` then.
    """

    width_px: float
    height_px: float
    foot_px: tuple[float, float]
    head_px: tuple[float, float]


@dataclass(frozen=True, eq=False)
class FootTrack:
    """The figure's layer in every delivered frame (N of them). What is not in front of a lens is NaN.

    ``frames`` (N,) numbers. ``layer_foot_px`` (N, 2) the foot in the layer, ``foot_px`` (N, 2) where it comes to lie in
    the delivered picture. ``scale`` (N,) delivered px for each of the layer's px, ``turn`` (N,) rad clockwise about the
    foot. ``residual_px`` (N, 2, 2): of the left foot and the right one, where the layer shows it less where its place
    on the bridge is (x, y). ``corners_px`` (N, 4, 2): the layer's corners top left, top right, bottom right, bottom
    left in the delivered picture; ``corners_residual_px`` (N, 2, 2) the residual when the layer is laid by them.
    """

    frames: tuple[int, ...]
    layer_foot_px: Array
    foot_px: Array
    scale: Array
    turn: Array
    residual_px: Array
    corners_px: Array
    corners_residual_px: Array

    @property
    def slide_px(self) -> Array:
        """Slide (N,) px of the worse foot from the frame before to this one; NaN at the first frame."""
        return _slide(self.residual_px)

    @property
    def corners_slide_px(self) -> Array:
        """The same (N,) px when the layer is laid by its corners."""
        return _slide(self.corners_residual_px)

    @property
    def worst(self) -> tuple[int, float]:
        """Frame number and slide (px) where the feet slide most; of one frame 0 px."""
        return _worst(self.frames, self.slide_px)

    @property
    def corners_worst(self) -> tuple[int, float]:
        """The same when the layer is laid by its corners."""
        return _worst(self.frames, self.corners_slide_px)

    @property
    def drift_px(self) -> float:
        """How far (px) the worse foot wanders on the bridge over the whole move: diagonal of the box of its residuals.

        A slide far below the limit in every frame may still add up to one that is seen.
        """
        known = self.residual_px[np.isfinite(self.residual_px).all(axis=(1, 2))]
        return float(np.linalg.norm(np.ptp(known, axis=0), axis=-1).max()) if len(known) else 0.0

    def stands(self, limit_px: float = SLIDE_LIMIT_PX) -> bool:
        """Whether no foot slides more than ``limit_px`` from any frame to the next."""
        return self.worst[1] <= limit_px


def foot_track(
    frames: Sequence[int],
    plate_cameras: Sequence[Camera],
    cameras: Sequence[Camera],
    on_floor: Stance,
    on_bridge: Stance,
    facing: ArrayLike,
    layer: Layer | None = None,
) -> FootTrack:
    """The figure's layer in every frame.

    ``plate_cameras`` and ``cameras``, one a frame, are the plate's (full size, about the stance ``on_floor``) and the
    delivered picture's (miniature, ``on_bridge``). Of a still cut-out the plate's camera is the same in every frame:
    the one that took it. ``facing`` (3,) is the level direction that the card's plane is turned to, for both
    (:func:`facing_camera`). ``layer`` is the cut-out; without one the layer is the plate's picture itself.
    Raises :class:`JudgeError` if the figure is before the lenses in no frame.
    """
    count = len(frames)
    if not count == len(plate_cameras) == len(cameras) or count == 0:
        raise ValueError(f"{count} frames need as many cameras, not {len(plate_cameras)} and {len(cameras)}")
    plate = np.stack([c.project(np.stack([on_floor.foot, on_floor.head, *on_floor.feet])) for c in plate_cameras])
    lens = np.stack([c.project(np.stack([on_bridge.foot, on_bridge.head, *on_bridge.feet])) for c in cameras])
    if not (np.isfinite(plate[:, :2]).all(axis=(1, 2)) & np.isfinite(lens[:, :2]).all(axis=(1, 2))).any():
        raise JudgeError(
            "the figure is behind the lens in every frame; put the foot mark, and the plate's distance, before the lens"
        )
    if layer is None:
        held = plate[:, :2]
        sizes = [(float(c.width_px), float(c.height_px)) for c in plate_cameras]
    else:
        held = np.broadcast_to(np.array([layer.foot_px, layer.head_px], dtype=np.float64), (count, 2, 2))
        sizes = [(layer.width_px, layer.height_px)] * count
    ratio = similarity(held, lens[:, :2])
    shown = laid(similarity(plate[:, :2], lens[:, :2]), plate[:, 0], lens[:, 0], plate[:, 2:])
    laid_at, kept = np.full((count, 4, 2), np.nan), np.full((count, 2, 2), np.nan)
    plate_from_layer = similarity(held, plate[:, :2])
    for i, (plate_camera, camera, (w, h)) in enumerate(zip(plate_cameras, cameras, sizes, strict=True)):
        card = card_homography(plate_camera, camera, on_floor, on_bridge, facing)
        if card is None:
            continue
        corners = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
        in_plate = laid(plate_from_layer[i], held[i, 0], plate[i, 0], corners)
        laid_at[i], kept[i] = through(card, in_plate), through(card, plate[i, 2:]) - lens[i, 2:]
    return FootTrack(
        frames=tuple(frames),
        layer_foot_px=np.array(held[:, 0]),
        foot_px=lens[:, 0],
        scale=np.abs(ratio),
        turn=np.angle(ratio),
        residual_px=shown - lens[:, 2:],
        corners_px=laid_at,
        corners_residual_px=kept,
    )


def similarity(before: ArrayLike, after: ArrayLike) -> NDArray[np.complex128]:
    """Scale and turn (...) that take two points ``before`` (..., 2, 2) px to two ``after``, as complex numbers.

    The modulus is the scale, the argument the turn, clockwise as seen (y is down). The first point stays the pivot.
    """
    a, b = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    step_a, step_b = a[..., 1, :] - a[..., 0, :], b[..., 1, :] - b[..., 0, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((step_b[..., 0] + 1j * step_b[..., 1]) / (step_a[..., 0] + 1j * step_a[..., 1]))


def laid(ratio: ArrayLike, pivot: ArrayLike, place: ArrayLike, points: ArrayLike) -> Array:
    """Points (..., K, 2) px after a similarity ``ratio`` (...) that takes ``pivot`` (..., 2) to ``place`` (..., 2)."""
    pivot, place = np.asarray(pivot, dtype=np.float64), np.asarray(place, dtype=np.float64)
    steps = np.asarray(points, dtype=np.float64) - pivot[..., None, :]
    moved = np.asarray(ratio)[..., None] * (steps[..., 0] + 1j * steps[..., 1])
    return np.asarray(np.stack([moved.real, moved.imag], axis=-1) + place[..., None, :])


def facing_camera(foot: ArrayLike, camera: Camera) -> Array:
    """Level unit direction (3,) from a foot (3,) m to the lens: how an upright card is turned to it.

    A lens straight above the foot leaves the card turned along the camera's own down direction.
    """
    away = np.array(camera.position - np.asarray(foot, dtype=np.float64))
    away[1] = 0.0
    if float(np.linalg.norm(away)) < 1e-9:
        away = -camera.world_from_cam[:3, 1] * [1.0, 0.0, 1.0]
    return unit(away)


def card_homography(
    plate_camera: Camera, camera: Camera, on_floor: Stance, on_bridge: Stance, facing: ArrayLike
) -> Array | None:
    """(3, 3) homography from the plate's px to the delivered picture's for the upright plane through the feet.

    ``facing`` (3,) is the level unit normal of that plane. None where a lens is in the plane or behind the feet.
    """
    right = np.cross([0.0, 1.0, 0.0], np.asarray(facing, dtype=np.float64))
    up = np.array([0.0, 1.0, 0.0])
    return _plane_homography(plate_camera, camera, on_floor, on_bridge, right, up)


def through(homography: ArrayLike, points: ArrayLike) -> Array:
    """Points (..., 2) px taken through a homography (3, 3). A point on its vanishing line gives NaN."""
    p = np.asarray(points, dtype=np.float64)
    mapped = np.concatenate([p, np.ones((*p.shape[:-1], 1))], axis=-1) @ np.asarray(homography).T
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.where(np.abs(mapped[..., 2:]) > 1e-12, mapped[..., :2] / mapped[..., 2:], np.nan)
    return np.asarray(out)


def _plane_homography(
    plate_camera: Camera, camera: Camera, on_floor: Stance, on_bridge: Stance, right: Array, up: Array
) -> Array | None:
    # a figure's height is the unit in the plane, so that the scale drops out
    plate = _px_from_plane(plate_camera, on_floor.foot, right * on_floor.height, up * on_floor.height)
    lens = _px_from_plane(camera, on_bridge.foot, right * on_bridge.height, up * on_bridge.height)
    if plate is None or lens is None:
        return None
    between = lens @ np.linalg.inv(plate)
    return np.asarray(between / np.abs(between).max())


def _px_from_plane(camera: Camera, middle: Array, right: Array, up: Array) -> Array | None:
    """(3, 3) homography from places (a, b, 1) of the plane ``middle + a right + b up`` to px.

    The columns r1, r2, t of a calibrated view of a plane: Zhang, IEEE PAMI 22(11), 1330-1334, 2000, eq. 2.
    """
    if float(camera.depth(middle)) <= 0.0:
        return None
    world = cv_from_world(camera.world_from_cam)
    rotation, shift = world[:3, :3], world[:3, 3]
    px_from_ray = np.array(
        [[camera.focal_px, 0.0, camera.centre_x_px], [0.0, camera.focal_px, camera.centre_y_px], [0.0, 0.0, 1.0]]
    )
    columns = np.stack([rotation @ right, rotation @ up, rotation @ middle + shift], axis=1)
    # the volume is nothing where the lens lies in the plane
    size = np.prod(np.linalg.norm(columns, axis=0))
    if abs(np.linalg.det(columns)) < 1e-9 * size:
        return None
    return np.asarray(px_from_ray @ columns)


def _slide(residual_px: Array) -> Array:
    steps = np.linalg.norm(np.diff(residual_px, axis=0), axis=-1).max(axis=-1)
    return np.asarray(np.concatenate([[np.nan], steps]), dtype=np.float64)


def _worst(frames: tuple[int, ...], slide_px: Array) -> tuple[int, float]:
    known = np.where(np.isfinite(slide_px), slide_px, -1.0)
    at = int(known.argmax())
    return frames[at], max(float(known[at]), 0.0)
