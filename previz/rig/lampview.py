"""What a lamp's place does to the picture, fast and roughly: how much of the bridge's shadow shows on a grid of looks.

It ranks places that the judge then looks at, and decides nothing. Lamps are cast on the seen wall alone, past the
bridge; what the wall's relief shades, and what comes back from the set, is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from scipy.spatial import cKDTree

from previz.judge.viewer import JND_COLOUR, WINDOW_DEG, WINDOW_OFFSET
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.rig.shadowstep import WallView, wall_view
from previz.scene.layout import delivered_box_px
from previz.scene.model import Lamp, Scene
from previz.scene.move import Move
from previz.stage.prepare import BRIDGE, WALL, ReadySet
from previz.workshop.light.lamps import emitter_of, unshadowed
from previz.workshop.light.rays import card_frames
from previz.workshop.light.shadows import box_of, seen_points, share_seen
from previz.workshop.pigment import BRIGHTEST_PAINT
from previz.workshop.surface import Picture
from previz.workshop.texels import TexelMap, texel_points

# rows of sight lines over the whole frame: on fewer the judge's wider window (1/8 degree) is less than a row, and no
# edge on the wall is seen; longest side of the map that normals are looked up on
_ROWS: Final = 160
_NORMALS_PX: Final = 320

# points of a face that its light with nothing in the way is summed over
_POINTS: Final = 48

# a step counts in full from one just noticeable difference on, and as far as it is over half of one
_FROM: Final = 0.5

# how many cells wide a step of a hard edge reads on the grid, about
_STEP_CELLS: Final = 4.0


@dataclass(frozen=True, eq=False)
class CastLight:
    """What one lux at its aim of a lamp gives the seen wall without the bridge (``free``) and past it (``past``), both
    (N, 3), and the bridge's seen faces (``bridge``, (M, 3))."""

    free: Picture
    past: Picture
    bridge: Picture


@dataclass(frozen=True)
class RoughLook:
    """About how much shows, percent of the outline's length: of ``edges`` on the wall, and ``beside`` the outline;
    ``range_pct`` is the share of the seen bridge that no paint is bright enough for."""

    edges: float
    beside: float
    range_pct: float

    @property
    def cost(self) -> float:
        """What places are ranked by: the less the better."""
        return self.edges + self.beside + 0.3 * self.range_pct


class LampView:
    """The wall and the bridge as one frame of a move sees them, to cast lamps on."""

    def __init__(self, ready: ReadySet, move: Move, frame: int, sight: SightLines) -> None:
        scene, wall = ready.scene, ready.built.wall
        self._scene: Scene = scene
        self._sight = sight
        self.view: WallView = wall_view(move, frame, wall, sight, (WALL, BRIDGE), delivered_box_px(scene), _ROWS)
        height, width = wall.reflectance.shape[:2]
        k = min(1.0, _NORMALS_PX / max(height, width))
        texels = texel_points(wall, max(round(width * k), 1), max(round(height * k), 1))
        normals = bilinear(texels.normals, self.view.uv)
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-6)
        shape = self.view.on_wall.shape
        points, ways = np.zeros((*shape, 3), np.float32), np.zeros((*shape, 3), np.float32)
        points[self.view.on_wall], ways[self.view.on_wall] = self.view.points, normals
        self._texels = TexelMap(points, ways, self.view.on_wall)
        self._box = box_of(ready.built.bridge.surface.vertices)
        self._cards = card_frames(scene.cards)
        self._see_bridge(ready, move, frame)

    def _see_bridge(self, ready: ReadySet, move: Move, frame: int) -> None:
        camera = move.camera(frame)
        origins, directions = camera.rays(self.view.px.reshape(-1, 2))
        hits = self._sight.first_hits(origins, directions, (WALL, BRIDGE))
        met = hits.surface == self._sight.number(BRIDGE)
        surface = ready.built.bridge.surface
        corners = surface.vertices[surface.faces[hits.face[met]]].astype(np.float64)
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        away = np.einsum("ij,ij->i", normals, directions[met]) > 0.0
        normals[away] *= -1.0
        self._bridge_points = hits.point[met].astype(np.float32)
        self._bridge_normals = normals.astype(np.float32)
        # the wall that the bridge hides: what its paint continues
        behind = self._sight.first_hits(origins[met], directions[met], (WALL,))
        self._behind_uv = behind.uv
        self._behind_reflectance = bilinear(ready.built.wall.reflectance, behind.uv)
        self._nearest = _nearest_seen(self.view, behind.point)
        mask = met.reshape(self.view.on_wall.shape)
        cells = max(1, round((1.0 + WINDOW_OFFSET) * WINDOW_DEG[-1] * self.view.viewer.px_per_deg / self.view.step_px))
        around = binary_dilation(mask, iterations=cells) & self.view.on_wall
        self._beside: NDArray[np.bool_] = around[self.view.on_wall]
        self.outline_cells = max(int((binary_dilation(mask) & ~mask).sum()), 1)

    def cast(self, lamp: Lamp) -> CastLight:
        """The light of a lamp of one lux at its aim, whatever its own lux is."""
        emitter = emitter_of(lamp.model_copy(update={"lux": 1.0}), self._scene.light, 1.0)
        on_wall = self._texels.valid
        free = unshadowed(emitter, self._texels.points[on_wall], self._texels.normals[on_wall], _POINTS)
        seen = seen_points(self._texels, emitter, self._sight, (BRIDGE,), self._cards, self._box)
        past = free * share_seen(seen)[on_wall][:, None]
        return CastLight(free, past, unshadowed(emitter, self._bridge_points, self._bridge_normals, _POINTS))

    def laid(self, free: Picture, past: Picture, bridge: float) -> CastLight:
        """Light over the wall's map, (h, w, 3) without the bridge and with it, as what a lamp gives; the bridge gets
        ``bridge`` all over."""
        level = np.full((len(self._bridge_points), 3), bridge, dtype=np.float32)
        return CastLight(bilinear(free, self.view.uv), bilinear(past, self.view.uv), level)

    def look(self, weighed: Sequence[tuple[CastLight, float]]) -> RoughLook:
        """What shows of the bridge in the light of lamps (shares of white that a lux of each is)."""
        free = sum((light.free * np.float32(weight) for light, weight in weighed), np.zeros_like(weighed[0][0].free))
        past = sum((light.past * np.float32(weight) for light, weight in weighed), np.zeros_like(free))
        none = np.zeros_like(weighed[0][0].bridge)
        bridge = sum((light.bridge * np.float32(weight) for light, weight in weighed), none)
        change = self.view.change(past, free)
        steps = self.view.steps(change)
        over = np.clip((steps / JND_COLOUR - _FROM) / _FROM, 0.0, 1.0)
        changed = np.clip((np.linalg.norm(change[self._beside], axis=1) / JND_COLOUR - _FROM) / _FROM, 0.0, 1.0)
        edges = 100.0 * float(over.sum()) / _STEP_CELLS / self.outline_cells
        beside = 100.0 * float(changed.mean()) if len(changed) else 0.0
        needed = self._behind_reflectance * free[self._nearest]
        dim = np.asarray((needed > 1.03 * BRIGHTEST_PAINT * bridge).any(axis=1))
        return RoughLook(edges, beside, 100.0 * float(dim.mean()) if len(dim) else 0.0)


def _nearest_seen(view: WallView, points: NDArray[np.float64]) -> NDArray[np.intp]:
    """Which of the seen places of a wall (N,) lies nearest to each of ``points`` (M, 3): (M,)."""
    if len(view.points) == 0:
        return np.zeros(len(points), dtype=np.intp)
    return np.asarray(cKDTree(view.points).query(np.nan_to_num(points))[1], dtype=np.intp)
