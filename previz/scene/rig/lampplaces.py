"""Where a lamp may stand: off foam and paint, off the lens and its shadow, and out of the picture, its stand as well.

A lamp is its face and a housing behind it. It stands on a pole that goes straight down to the floor or, where that
would be in the picture or in the set, hangs on a level arm from a pole beside. All of it keeps out of the delivered
picture over the whole move.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.geometry import Array, unit
from previz.scene.given.measured import relief_of
from previz.scene.layout import behind, delivered_box_px, distance_to_wall, judged_frames, wall_box
from previz.scene.model import Lamp, Scene
from previz.scene.move import Move
from previz.scene.rig.lightcautions import HOT_DISTANCE, face_points
from previz.scene.search.asked import Search
from previz.scene.shape import BridgeShape, bridge_shape

# how far lamps that do not burn hot keep off the set, m: room for a hand; common practice, no source
COOL_DISTANCE: Final = 0.15

# how far a lamp's housing reaches behind its face, m
_HOUSING: Final = 0.15

# how near a lamp, a pole or an arm may come to the lens on its way, m; and the way of a lamp's light to the camera
_OFF_LENS: Final = 0.2
_OFF_CAMERA: Final = 0.14

# lengths of an arm, m, and the highest that a lamp is put over the floor
ARMS: Final = (0.5, 1.0, 1.5, 2.0)
TALLEST: Final = 3.0

# steps along poles and arms (m), how far they keep off bridge and wall, and frames of the move that are looked at
_STEP, _OFF_SET, _FRAMES = 0.05, 0.03, 17

# share of the frame's width by which everything keeps out of the picture
_MARGIN: Final = 0.02

# directions that are tried, degrees: round from the wall's normal to camera right, and up from the level
ROUND_DEG: Final = (0.0, -14.0, 14.0, -28.0, 28.0, -45.0, 45.0, -65.0, 65.0)
UP_DEG: Final = (5.0, 20.0, 36.0, 52.0, 68.0)

# and distances from the aim, as shares of how far the bridge reaches or of the least reach
AWAY: Final = (1.2, 1.7, 2.4, 3.4)
_LEAST_REACH: Final = 0.45


@dataclass(frozen=True)
class LampStand:
    """What carries a lamp: a pole at ``right`` and ``out`` m (right, out of the wall), ``height`` m from the floor to
    the lamp's middle, and a level arm ``arm`` m long, 0 where the lamp stands on the pole."""

    right: float
    out: float
    height: float
    arm: float


@dataclass(frozen=True)
class Direction:
    """A way from the aim to a lamp: ``round_deg`` to camera right from the wall's normal, ``up_deg`` from the level."""

    round_deg: float
    up_deg: float

    @property
    def way(self) -> Array:
        """The unit vector (3,)."""
        a, e = math.radians(self.round_deg), math.radians(self.up_deg)
        return np.array([math.cos(e) * math.sin(a), math.sin(e), math.cos(e) * math.cos(a)])

    @staticmethod
    def of(way: Array) -> Direction:
        """The direction of a vector (3,)."""
        x, y, z = unit(way)
        return Direction(math.degrees(math.atan2(x, z)), math.degrees(math.asin(float(np.clip(y, -1.0, 1.0)))))

    def away_from(self, other: Direction) -> float:
        """The angle (rad) between two directions."""
        return float(np.arccos(np.clip(self.way @ other.way, -1.0, 1.0)))


@dataclass(frozen=True, eq=False)
class LampRoom:
    """The room about a set in which lamps may stand."""

    scene: Scene
    move: Move

    @cached_property
    def shape(self) -> BridgeShape:
        """The bridge."""
        return bridge_shape(self.scene)

    @cached_property
    def aim(self) -> Array:
        """What lamps are turned to (3,) m: half way from the bridge's middle to the wall behind it."""
        middle = self.shape.centre
        wall = behind(np.asarray(self.move.camera(self.move.station_frame).position), middle[None])[0]
        return np.asarray(0.5 * (middle + (wall if np.isfinite(wall).all() else np.zeros(3))))

    @cached_property
    def floor(self) -> float:
        """Height (m) of the floor: the studio's, or the wall's foot."""
        search = self.scene.search or Search()
        return wall_box(self.scene)[1] if search.floor is None else search.floor

    @cached_property
    def reach(self) -> float:
        """How far (m) the bridge comes out of the wall, or the least that counts."""
        return max(self.shape.near, _LEAST_REACH)

    @cached_property
    def _cameras(self) -> list[Camera]:
        return [self.move.camera(frame) for frame in judged_frames(self.move, _FRAMES)]

    @cached_property
    def _lenses(self) -> Array:
        return np.array([camera.position for camera in self._cameras])

    @cached_property
    def lens_way(self) -> Direction:
        """The way from the aim to the lens at the station point."""
        return Direction.of(np.asarray(self.move.camera(self.move.station_frame).position) - self.aim)

    def directions(self) -> Iterator[Direction]:
        """Directions worth trying: evenly about the set, and close around the lens."""
        lens = self.lens_way
        for up in UP_DEG:
            for turn in ROUND_DEG:
                yield Direction(turn, up)
        for turn, up in ((0.0, 7.0), (0.0, 12.0), (-9.0, 3.0), (9.0, 3.0), (0.0, -8.0)):
            yield Direction(lens.round_deg + turn, lens.up_deg + up)

    def distances(self) -> tuple[float, ...]:
        """Distances (m) from the aim that are tried, the nearest first."""
        return tuple(share * self.reach for share in AWAY)

    def in_picture(self, points: Array) -> bool:
        """Whether the lens sees any of points (N, 3) m in the delivered picture at some frame, nothing in the way."""
        left, top, right, bottom = delivered_box_px(self.scene)
        rim = _MARGIN * self.scene.delivery.frame[0]
        for camera in self._cameras:
            before = points[camera.depth(points) > 1e-3]
            if not len(before):
                continue
            x, y = camera.project(before).T
            if bool(((x > left - rim) & (x < right + rim) & (y > top - rim) & (y < bottom + rim)).any()):
                return True
        return False

    def stands(self, lamp: Lamp, hot: bool) -> LampStand | None:
        """What may carry a lamp where it is; None where it cannot be there. ``hot`` lamps keep farther off the set."""
        face = face_points(lamp)
        back = unit(np.asarray(lamp.position) - np.asarray(lamp.aim)) * _HOUSING
        body = np.concatenate([face, face + back])
        height = lamp.position[1] - self.floor
        if body[:, 1].min() < self.floor or height > TALLEST or body[:, 2].min() < 0.0:
            return None
        if self.gap(body) < (HOT_DISTANCE if hot else COOL_DISTANCE):
            return None
        if self._near_lens(body, _OFF_LENS) or self._shades_camera(lamp) or self.in_picture(body):
            return None
        return next(self._carried(np.asarray(lamp.position) + back, height), None)

    def gap(self, points: Array) -> float:
        """How near (m) points (N, 3) come to wall and bridge."""
        wall = float(distance_to_wall(self.scene, points).min()) - 0.5 * relief_of(self.scene)
        return min(wall, float(self.shape.distance(points).min()))

    def _near_lens(self, points: Array, within: float) -> bool:
        return bool((np.linalg.norm(points[:, None] - self._lenses[None], axis=-1) < within).any())

    def _shades_camera(self, lamp: Lamp) -> bool:
        """Whether the camera stands in the middle of a lamp's light at some frame of the hold."""
        start, end = np.asarray(lamp.position), np.asarray(lamp.aim)
        way = end - start
        first, last = self.scene.rail.hold
        for frame in {first, self.move.station_frame, last}:
            camera = self.move.camera(frame)
            body = np.stack([camera.position, camera.position - 0.15 * np.asarray(camera.forward)])
            along = np.clip((body - start) @ way / float(way @ way), 0.0, 1.0)
            if (np.linalg.norm(start + along[:, None] * way - body, axis=1) < _OFF_CAMERA).any():
                return True
        return False

    def in_light(self, lamp: Lamp, other: Lamp, stand: LampStand) -> bool:
        """Whether ``other``, or the pole that carries it, stands in the light of ``lamp`` on its way to the set."""
        face = face_points(lamp, 3)
        targets = np.concatenate([self._lit, self.aim[None]])
        ways = targets[None] - face[:, None]
        along = np.linspace(0.05, 0.95, 19)
        points = (face[:, None, None] + along[:, None] * ways[:, :, None]).reshape(-1, 3)
        half = 0.5 * max(*other.face, 0.1) + 0.03
        if bool((np.linalg.norm(points - np.asarray(other.position), axis=1) < half).any()):
            return True
        # a pole is thin, and throws no shadow to speak of but in the middle of the light
        middle = np.asarray(lamp.position) + along[:, None] * (self.aim - np.asarray(lamp.position))
        beside = np.hypot(middle[:, 0] - stand.right, middle[:, 2] - stand.out) < _OFF_SET
        return bool((beside & (middle[:, 1] < other.position[1])).any())

    @cached_property
    def _lit(self) -> Array:
        """Places (N, 3) m of bridge and seen wall that a lamp's light has to reach."""
        camera = self.move.camera(self.move.station_frame)
        left, top, right, bottom = delivered_box_px(self.scene)
        x, y = np.meshgrid(np.linspace(left, right, 3), np.linspace(top, bottom, 3))
        origins, directions = camera.rays(np.column_stack([x.ravel(), y.ravel()]))
        reach = np.where(directions[:, 2] < -1e-3, -origins[:, 2] / np.minimum(directions[:, 2], -1e-3), np.nan)
        wall = origins + reach[:, None] * directions
        return np.concatenate([wall[np.isfinite(wall).all(axis=1)], self.shape.near_corners])

    def _carried(self, top: Array, height: float) -> Iterator[LampStand]:
        """Stands that carry a lamp whose housing ends at ``top`` (3,) m, the simplest first."""
        aside = np.array([top[0] - self.aim[0], 0.0, top[2] - self.aim[2]])
        aside = unit(aside) if np.linalg.norm(aside) > 1e-3 else np.array([0.0, 0.0, 1.0])
        ways = [aside, np.array([1.0, 0.0, 0.0]), np.array([-1.0, 0.0, 0.0])]
        ways += [unit(aside + way) for way in ways[1:] if np.linalg.norm(aside + way) > 1e-3]
        for arm in (0.0, *ARMS):
            for way in ways if arm else ways[:1]:
                foot = top + arm * way
                pole = self._line(foot, np.array([foot[0], self.floor, foot[2]]))
                points = np.concatenate([self._line(top, foot), pole]) if arm else pole
                if self._near_lens(points, _OFF_LENS) or self.gap(points) < _OFF_SET or self.in_picture(points):
                    continue
                yield LampStand(float(foot[0]), float(foot[2]), height, arm)

    @staticmethod
    def _line(start: Array, end: Array) -> Array:
        count = max(round(float(np.linalg.norm(end - start)) / _STEP), 1)
        return np.asarray(start + np.linspace(0.0, 1.0, count + 1)[:, None] * (end - start))
