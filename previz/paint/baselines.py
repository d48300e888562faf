"""Paints that others have published for hiding a thing from many places, to measure the judge and our own paint by.

They begin with pictures of the clean wall from several places of the lens: through every texel of the bridge each of
them sees some of the wall. Owens, Barnes, Flint, Singh, Freeman, "Camouflaging an Object from Many Viewpoints", CVPR
2014, name them and had people look for the painted thing; Guo, Collins, de Lima, Owens, "GANmouflage: 3D Object
Nondetection with Texture Fields", CVPR 2023, did so again.

==============  ===================================================================================================
uniform         one colour for everything: the mean of all that is seen of the wall through the bridge
mean            every texel the mean over the views that see it
random          views in random order, each filling what is still empty
greedy          always the view that fills most of what is empty, seen within 70 degrees of the surface's normal
single          the one view that sees most of the bridge, and nothing else
labelling       a view for every texel, those that face it preferred, and seams laid where views look alike
==============  ===================================================================================================

Means are taken in linear light, as paint that is mixed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from previz import colour
from previz.camera import Camera
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.stage.projected import hidden_wall
from previz.workshop.surface import Picture, Pixels8
from previz.workshop.texels import TexelMap

# greedy paint uses a view only where it sees the surface within this angle of the normal (Owens et al. 2014)
STEEPEST_DEG: Final = 70.0


@dataclass(frozen=True, eq=False)
class WallViews:
    """What V views see of the clean wall through the bridge's texels.

    ``wall`` (V, H, W, 3) float32 linear light: the wall that each texel hides from each view. ``seen`` (V, H, W) bool:
    the view sees the texel, and there is wall behind it; ``behind`` the latter alone. ``facing`` (V, H, W) float32:
    cosine between the texel's normal and its line to the lens. ``on_bridge`` (H, W) bool: texels of the bridge's
    charts, margins included.
    """

    wall: Picture
    behind: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    facing: NDArray[np.float32]
    on_bridge: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.wall)


@dataclass(frozen=True, eq=False)
class ManyViewPaint:
    """A paint made from many views, for :func:`previz.stage.projected.painted`.

    ``target`` (H, W, 3) float32 linear light is what the bridge should send to the lens where ``wanted`` (H, W) is
    set. ``view`` (H, W) int16 is the view that a texel was painted from, -1 where it is none or a mixture.
    """

    target: Picture
    wanted: NDArray[np.bool_]
    view: NDArray[np.int16]


def wall_views(
    texels: TexelMap, cameras: Sequence[Camera], sight: SightLines, wall: str, bridge: str, code: Pixels8
) -> WallViews:
    """What ``cameras`` see of the clean wall through the texels of the bridge.

    A camera sees a texel that faces the lens, lies in its frame and is hidden neither by the bridge nor by the wall;
    ``sight`` knows both by their names. What is seen goes on for one texel, as ``texels.valid`` does, so that no
    bilinear look at its border finds bare wood. ``code`` (h, w, 3) is the clean wall's picture as it is lit.
    """
    shape = texels.valid.shape
    rows = np.flatnonzero(texels.valid)
    points = texels.points.reshape(-1, 3)[rows].astype(np.float64)
    normals = texels.normals.reshape(-1, 3)[rows].astype(np.float64)
    walls, behinds, seens, facings = [], [], [], []
    for camera in cameras:
        behind, found = hidden_wall(texels, camera.position, sight, wall, code)
        facing = np.full(texels.valid.size, -1.0, dtype=np.float32)
        seen = np.zeros(texels.valid.size, dtype=bool)
        cosine, visible = _seen(points, normals, camera, sight, (wall, bridge))
        facing[rows], seen[rows] = cosine, visible
        walls.append(behind)
        behinds.append(found)
        seens.append(maximum_filter(seen.reshape(shape), size=3, mode="constant") & texels.valid & found)
        facings.append(facing.reshape(shape))
    if not walls:
        raise ValueError("no views to paint from")
    return WallViews(np.stack(walls), np.stack(behinds), np.stack(seens), np.stack(facings), texels.valid)


def _seen(
    points: Array, normals: Array, camera: Camera, sight: SightLines, names: tuple[str, ...]
) -> tuple[Array, NDArray[np.bool_]]:
    """Cosine (N,) between normals and the lines to the lens, and whether the camera sees the points (N,)."""
    towards = camera.position - points
    distance = np.linalg.norm(towards, axis=1)
    towards /= distance[:, None]
    cosine = np.einsum("ij,ij->i", towards, normals)
    px = camera.project(points)
    with np.errstate(invalid="ignore"):
        visible = (cosine > 0.0) & (px >= 0.0).all(axis=1) & (px <= (camera.width_px, camera.height_px)).all(axis=1)
    at = np.flatnonzero(visible)
    visible[at] = ~sight.blocked(points[at], towards[at], distance[at], names, normals[at])
    return cosine, visible


def unseen(views: WallViews) -> NDArray[np.bool_]:
    """Texels (H, W) of the bridge that no view sees: no paint below says anything of them."""
    return np.asarray(views.on_bridge & ~views.seen.any(axis=0))


def uniform(views: WallViews) -> ManyViewPaint:
    """One colour: the mean of the wall over all texels and views that see them."""
    weight = views.seen.sum(axis=(1, 2))
    sums = [views.wall[v][views.seen[v]].sum(axis=0, dtype=np.float64) for v in range(len(views))]
    colour = np.sum(sums, axis=0) / max(int(weight.sum()), 1)
    target = np.broadcast_to(colour.astype(np.float32), views.wall.shape[1:]).copy()
    return ManyViewPaint(target, views.on_bridge.copy(), _no_view(views))


def mean(views: WallViews) -> ManyViewPaint:
    """Every texel the mean over the views that see it."""
    total = np.zeros(views.wall.shape[1:], dtype=np.float64)
    for wall, seen in zip(views.wall, views.seen, strict=True):
        total += np.where(seen[..., None], wall, 0.0)
    count = views.seen.sum(axis=0)
    target = (total / np.maximum(count, 1)[..., None]).astype(np.float32)
    return ManyViewPaint(target, count > 0, _no_view(views))


def random(views: WallViews, seed: int = 0) -> ManyViewPaint:
    """Views in an order drawn by ``seed``, each filling what is still empty."""
    return _filled(views, [int(v) for v in np.random.default_rng(seed).permutation(len(views))])


def greedy(views: WallViews, steepest_deg: float = STEEPEST_DEG) -> ManyViewPaint:
    """Always the view that fills most of what is empty, seen within ``steepest_deg`` of the normal.

    When no view has any more of that to give, what is left is filled in the same way at any angle.
    """
    source = _no_view(views)
    for least in (float(np.cos(np.radians(steepest_deg))), -1.0):
        can = views.seen & (views.facing >= least)
        while True:
            gain = (can & (source < 0)).sum(axis=(1, 2))
            best = int(gain.argmax())
            if gain[best] == 0:
                break
            source[can[best] & (source < 0)] = best
    return _from_views(views, source)


def single(views: WallViews) -> ManyViewPaint:
    """The one view that sees most of the bridge. What it cannot see gets the wall behind it all the same."""
    best = int(views.seen.sum(axis=(1, 2)).argmax())
    source = np.where(views.behind[best], best, -1).astype(np.int16)
    return _from_views(views, source)


def labelling(views: WallViews, sweeps: int = 6, seams: float = 4.0) -> ManyViewPaint:
    """A view for every texel: facing views preferred, and seams between views where they show least.

    The energy of a label per texel with smoothed seams (Owens et al. 2014): one minus the cosine to the view, and
    ``seams`` times the difference of the two views' encoded colours at every pair of neighbours of unlike labels. It is
    made small by iterated conditional modes on alternate texels (Besag, Journal of the Royal Statistical Society B 48,
    259, 1986), ``sweeps`` of them from the best-facing view.
    """
    own = np.where(views.seen, np.float32(1.0) - views.facing, np.float32(1e3))
    shown = colour.encoded(np.clip(views.wall, 0.0, 1.0))
    label = own.argmin(axis=0)
    row, column = np.mgrid[: label.shape[0], : label.shape[1]]
    for sweep in range(2 * sweeps):
        cost = own.copy()
        for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
            beside = np.roll(label, (-down, -right), (0, 1))
            met = np.roll(views.on_bridge, (-down, -right), (0, 1)) & views.on_bridge
            wanted = shown[beside, row, column]
            for v in range(len(views)):
                cost[v] += seams * met * np.abs(shown[v] - wanted).mean(axis=-1)
        turn = (row + column) % 2 == sweep % 2
        label = np.where(turn, cost.argmin(axis=0), label)
    source = np.where(views.seen.any(axis=0), label, -1).astype(np.int16)
    return _from_views(views, source)


def _filled(views: WallViews, order: Sequence[int]) -> ManyViewPaint:
    source = _no_view(views)
    for v in order:
        source[views.seen[v] & (source < 0)] = v
    return _from_views(views, source)


def _from_views(views: WallViews, source: NDArray[np.int16]) -> ManyViewPaint:
    """The paint whose texels come from the views that ``source`` (H, W) names, -1 for none."""
    row, column = np.ogrid[: source.shape[0], : source.shape[1]]
    target = views.wall[np.maximum(source, 0), row, column]
    wanted = source >= 0
    target[~wanted] = 0.0
    return ManyViewPaint(np.asarray(target, dtype=np.float32), wanted, source)


def _no_view(views: WallViews) -> NDArray[np.int16]:
    return np.full(views.on_bridge.shape, -1, dtype=np.int16)


BASELINES: Final[dict[str, Callable[[WallViews], ManyViewPaint]]] = {
    "uniform": uniform,
    "mean": mean,
    "random": random,
    "greedy": greedy,
    "single": single,
    "labelling": labelling,
}
