"""The printed markers in the set's coordinates: which number stands where."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.geometry import Array, turned
from previz.scene.given.measured import relief_of
from previz.scene.markerboard import Markers, SheetPlace
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.shape import bridge_shape
from previz.workshop.photographs.family import MODULES, SLOTS, grid, numbers_of


@dataclass(frozen=True, eq=False)
class MarkerSheet:
    """One sheet: its slot ``name``, ``numbers`` (T,), the middles of the markers on the paper ``at`` (T, 2) m from the
    sheet's middle cross, right and up, the ``side`` (m) of a marker, and ``world_from_sheet`` (4, 4)."""

    name: str
    numbers: tuple[int, ...]
    at: Array
    side: float
    world_from_sheet: Array

    @property
    def middle(self) -> Array:
        """Place of the middle cross (3,) m."""
        return np.asarray(self.world_from_sheet[:3, 3])

    @property
    def corners(self) -> Array:
        """Corners (T, 4, 3) m of the markers in the set: top left, top right, bottom right, bottom left."""
        h = 0.5 * self.side
        square = np.array([(-h, h), (h, h), (h, -h), (-h, -h)])
        flat = self.at[:, None, :] + square
        points = np.concatenate([flat, np.zeros((*flat.shape[:2], 1))], axis=2)
        return np.asarray(points @ self.world_from_sheet[:3, :3].T + self.middle)

    @property
    def outline(self) -> Array:
        """The printed area's corners (4, 3) m in the set, clockwise from the top left."""
        h = 0.5 * self.side * (1.0 + 2.0 / MODULES)
        low, high = self.at.min(axis=0) - h, self.at.max(axis=0) + h
        flat = np.array([(low[0], high[1], 0.0), (high[0], high[1], 0.0), (high[0], low[1], 0.0), (*low, 0.0)])
        return np.asarray(flat @ self.world_from_sheet[:3, :3].T + self.middle)


@dataclass(frozen=True, eq=False)
class Board:
    """All sheets of a scene. ``by_rule`` is true where the scene places none and they were placed for it."""

    sheets: tuple[MarkerSheet, ...]
    by_rule: bool

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of all markers."""
        return tuple(n for sheet in self.sheets for n in sheet.numbers)

    def corner(self, number: int) -> tuple[int, Array]:
        """Which sheet a marker is on, and its corners (4, 3) m. Raises ``KeyError`` for a stranger."""
        for index, sheet in enumerate(self.sheets):
            if number in sheet.numbers:
                return index, sheet.corners[sheet.numbers.index(number)]
        raise KeyError(number)


def world_from_sheet(slot: str, place: SheetPlace) -> Array:
    """(4, 4) transform of a sheet: its own axes are right, up and out of the paper."""
    out = np.eye(4)
    # a sheet that faces camera right looks along +X: the opposite sense of a camera's pan, which looks along -Z
    about_y = turned(-place.turned, 0.0, 0.0)
    lying = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    out[:3, :3] = about_y @ (lying if slot == "floor" else np.eye(3))
    out[:3, 3] = place.middle
    return out


def board_of(scene: Scene) -> Board:
    """The marker sheets of a scene: those it places, or one on the wall and one on a card, placed by rule."""
    markers = scene.markers
    given = {slot: getattr(markers, slot) for slot in SLOTS if getattr(markers, slot) is not None}
    places = given or _by_rule(scene)
    return Board(tuple(_sheet(scene, markers, slot, place) for slot, place in places.items()), not given)


def _sheet(scene: Scene, markers: Markers, slot: str, place: SheetPlace) -> MarkerSheet:
    at = grid(markers.tag, markers.paper)
    return MarkerSheet(slot, numbers_of(scene, slot, len(at)), at, markers.tag, world_from_sheet(slot, place))


def _by_rule(scene: Scene) -> dict[str, SheetPlace]:
    """A sheet on the wall and a nearer one on a card, on both sides of the bridge's picture where there is room."""
    move = move_of(scene)
    camera = move.camera(move.station_frame)
    front = 0.5 * relief_of(scene)
    at = grid(scene.markers.tag, scene.markers.paper)
    reach = np.abs(at).max(axis=0) + scene.markers.tag * (0.5 + 1.0 / MODULES)
    around = np.array([(x, y, 0.0) for x in (-reach[0], reach[0]) for y in (-reach[1], reach[1])])
    bridge = _bridge_columns(scene, camera)
    far = float(camera.position[2]) - front
    limit, middle = max(0.5 * scene.wall.width - 0.1, 0.0), scene.wall.sideways

    def free(place: tuple[float, float, float], taken: list[tuple[float, float]]) -> bool:
        px = camera.project(np.array(place) + around) / (camera.width_px, camera.height_px)
        low, high = _columns(camera, np.array(place) + around)
        whole = bool(np.all((px > 0.02) & (px < 0.98)))
        return whole and all(high < one[0] or low > one[1] for one in taken)

    def placed(card: tuple[float, float, float], wall: tuple[float, float, float]) -> dict[str, SheetPlace]:
        left = float(camera.project(np.array(wall))[0]) < 0.5 * (bridge[0] + bridge[1])
        return {"left" if left else "right": _place(wall), "card": _place(card)}

    for share, card_at, wall_at in itertools.product(_NEARER, _CARD_AT, _WALL_AT):
        card = _at(camera, card_at, 0.5, front + share * far)
        wall = _at(camera, wall_at, 0.5, front)
        if abs(wall[0] - middle) > limit or not free(card, [bridge]):
            continue
        if free(wall, [bridge, _columns(camera, np.array(card) + around)]):
            return placed(card, wall)
    # there is no room beside the bridge: previz markers says which markers are not in the frame
    wall = _at(camera, _WALL_AT[0], 0.5, front)
    return placed(_at(camera, _CARD_AT[0], 0.5, front + _NEARER[-1] * far), (max(wall[0], middle - limit), *wall[1:]))


# how far from the wall to the lens the card is tried, and where in the picture's width the sheets are, best first
_NEARER: Final = (0.5, 0.4, 0.3, 0.2, 0.12)
_CARD_AT: Final = (0.8, 0.85, 0.2, 0.15, 0.75, 0.25, 0.88, 0.12, 0.35, 0.4, 0.45, 0.65)
_WALL_AT: Final = (0.18, 0.12, 0.25, 0.82, 0.88, 0.75, 0.3, 0.7, 0.08, 0.92, 0.4)


def _columns(camera: Camera, points: Array) -> tuple[float, float]:
    x = camera.project(points)[..., 0]
    return float(np.nanmin(x)), float(np.nanmax(x))


def _bridge_columns(scene: Scene, camera: Camera) -> tuple[float, float]:
    """Columns (px) of the picture between which the bridge's top lies, with some room."""
    edges = np.concatenate(bridge_shape(scene).top_edges(20))
    seen = edges[camera.depth(edges) > 0.02]
    low, high = _columns(camera, seen) if len(seen) else (0.5 * camera.width_px, 0.5 * camera.width_px)
    rim = 0.01 * camera.width_px
    return low - rim, high + rim


def _at(camera: Camera, right: float, down: float, z: float) -> tuple[float, float, float]:
    origins, directions = camera.rays(np.array([right * camera.width_px, down * camera.height_px]))
    if directions[2] > -1e-3:
        return 0.0, 0.0, z
    point = origins + directions * (z - origins[2]) / directions[2]
    return float(point[0]), float(point[1]), z


def _place(point: tuple[float, float, float]) -> SheetPlace:
    # to whole centimetres: easy to measure out
    x, y, z = point
    return SheetPlace.model_construct(middle=(round(x, 2), round(y, 2), round(z, 3)), turned=0.0)


def hidden_from(board: Board, camera: Camera) -> dict[str, int]:
    """How many markers of each sheet do not lie whole in a camera's frame."""
    size = (camera.width_px, camera.height_px)
    out = {}
    for sheet in board.sheets:
        px = camera.project(sheet.corners)
        out[sheet.name] = int(np.sum(~np.all((px > 0.0) & (px < size), axis=(1, 2))))
    return out
