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
faces           one view for every flat face, that which shows least on the bridge's outline from all views: boundary
                first
labelling       a view for every texel, those that face it preferred, and seams laid where views look alike, on the
                outline a little: interior first
==============  ===================================================================================================

Means are taken in linear light, as paint that is mixed. The last two follow the published ideas ("boundary" and
"interior" random fields); their weights are this project's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, maximum_filter
from scipy.ndimage import label as pieces_of

from previz import colour
from previz.camera import Camera
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.paint.expansion import LabelField, expanded
from previz.stage.projected import hidden_wall
from previz.workshop.surface import Picture, Pixels8
from previz.workshop.texels import TexelMap

Indices = NDArray[np.integer[Any]]

# greedy paint uses a view only where it sees the surface within this angle of the normal (Owens et al. 2014)
STEEPEST_DEG: Final = 70.0

# texels seen within this share of the frame's width of the bridge's outline lie on it: 4 pixels of 960, about what the
# finest windows of break reach across
OUTLINE_BAND: Final = 1.0 / 240.0

# a face takes a view only where that sees this share of what the view that sees most of the face does
_LEAST_OF_FACE = 0.5

# cost of a label at a texel that its view does not see, where a label seen edge on costs 1
_UNSEEN = 100.0

# most blocks that labels are first chosen for; then come the texels beside the seams by themselves
_BLOCKS = 30_000


@dataclass(frozen=True, eq=False)
class WallViews:
    """What V views see of the clean wall through the bridge's texels.

    ``wall`` (V, H, W, 3) float32 linear light: the wall that each texel hides from each view. ``seen`` (V, H, W) bool:
    the view sees the texel, and there is wall behind it; ``behind`` the latter alone. ``facing`` (V, H, W) float32:
    cosine between the texel's normal and its line to the lens. ``on_outline`` (V, H, W) bool: the view sees the texel
    beside the bridge's outline. ``on_bridge`` (H, W) bool: texels of the bridge's charts, margins included.
    """

    wall: Picture
    behind: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    facing: NDArray[np.float32]
    on_outline: NDArray[np.bool_]
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
    walls, behinds, seens, facings, outlines = [], [], [], [], []
    for camera in cameras:
        behind, found = hidden_wall(texels, camera.position, sight, wall, code)
        facing = np.full(texels.valid.size, -1.0, dtype=np.float32)
        seen = np.zeros(texels.valid.size, dtype=bool)
        cosine, visible = _seen(points, normals, camera, sight, (wall, bridge))
        facing[rows], seen[rows] = cosine, visible
        outline = np.zeros(texels.valid.size, dtype=bool)
        outline[rows[visible]] = _beside_outline(points[visible], camera, sight, (wall, bridge))
        walls.append(behind)
        behinds.append(found)
        seens.append(maximum_filter(seen.reshape(shape), size=3, mode="constant") & texels.valid & found)
        facings.append(facing.reshape(shape))
        outlines.append(outline.reshape(shape) & found)
    if not walls:
        raise ValueError("no views to paint from")
    return WallViews(
        np.stack(walls), np.stack(behinds), np.stack(seens), np.stack(facings), np.stack(outlines), texels.valid
    )


def seen_by(
    texels: TexelMap, cameras: Sequence[Camera], sight: SightLines, wall: str, bridge: str
) -> NDArray[np.bool_]:
    """Texels (H, W) of the bridge's map that any of ``cameras`` sees, as :func:`wall_views` says it."""
    rows = np.flatnonzero(texels.valid)
    points = texels.points.reshape(-1, 3)[rows].astype(np.float64)
    normals = texels.normals.reshape(-1, 3)[rows].astype(np.float64)
    seen = np.zeros(texels.valid.size, dtype=np.bool_)
    for camera in cameras:
        # what one camera has seen the others need not look for
        left = ~seen[rows]
        _, visible = _seen(points[left], normals[left], camera, sight, (wall, bridge))
        seen[rows[left]] = visible
    return seen.reshape(texels.valid.shape)


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


def _beside_outline(
    points: Array, camera: Camera, sight: SightLines, names: tuple[str, str]
) -> NDArray[np.bool_]:
    """Which of the points (N, 3) on the bridge that a camera sees lie beside its outline; ``names`` of wall and bridge.

    The bridge is looked for once in every pixel around them.
    """
    if len(points) == 0:
        return np.zeros(0, dtype=bool)
    band = OUTLINE_BAND * camera.width_px
    px = camera.project(points)
    low = np.floor(px.min(axis=0)).astype(int) - 2
    width, height = np.ceil(px.max(axis=0)).astype(int) + 2 - low
    x, y = np.meshgrid(low[0] + np.arange(width) + 0.5, low[1] + np.arange(height) + 0.5)
    hits = sight.first_hits(*camera.rays(np.stack([x.ravel(), y.ravel()], axis=1)), names=names)
    bridge = (hits.surface == sight.number(names[1])).reshape(height, width)
    if bridge.all():
        return np.zeros(len(points), dtype=bool)
    inwards = distance_transform_edt(bridge)
    column, row = np.floor(px - low).astype(int).T
    return np.asarray(inwards[row, column] <= band)


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


def faces(views: WallViews) -> ManyViewPaint:
    """One view for every flat face, that which shows least on the outline: boundary first (Owens et al. 2014).

    A face is a chart of the bridge's map. Its cost under a view is the mean difference, over the texels beside the
    outline of every view, between what the face would show and what it should. Faces do not share texels, so the least
    is found by trying every view on every face. A face that is on nobody's outline takes the view that it faces most.
    """
    cost = _outline_cost(views)
    source = _no_view(views)
    chart, count = pieces_of(views.on_bridge, np.ones((3, 3)))
    for number in range(1, count + 1):
        on = chart == number
        seen = views.seen[:, on].sum(axis=1)
        if seen.max() == 0:
            continue
        edge = on & views.on_outline.any(axis=0)
        texels = max(int(views.on_outline[:, on].sum()), 1)
        # a face's texels are seen at nearly one angle: it decides between views that cost the same
        turned = 1.0 - np.where(views.seen[:, on], views.facing[:, on], 0.0).sum(axis=1) / np.maximum(seen, 1)
        total = cost[:, edge].sum(axis=1, dtype=np.float64) / texels + 1e-6 * turned
        best = int(np.where(seen >= _LEAST_OF_FACE * seen.max(), total, np.inf).argmin())
        source[on & views.behind[best]] = best
    return _from_views(views, source)


def labelling(views: WallViews, seams: float = 4.0, outline: float = 0.5) -> ManyViewPaint:
    """A view for every texel: facing views preferred, and seams between views where they show least; interior first.

    The energy of a label per texel with smoothed seams (Owens et al. 2014): one minus the cosine to the view, seams
    between unlike labels weighed by ``seams``, and what shows on the outline of the views weighed by ``outline``. It is
    made small by alpha expansion (:mod:`previz.paint.expansion`), first for blocks of texels, then for single texels
    beside the seams. On its charts' borders the bridge has no neighbours.
    """
    on = views.seen.any(axis=0)
    if not on.any():
        return _from_views(views, _no_view(views))
    beside = _outline_cost(views)
    own = np.where(views.seen, 1.0 - views.facing + outline * beside, np.float32(_UNSEEN))[:, on]
    texel = np.full(on.shape, -1, dtype=np.intp)
    texel[on] = np.arange(int(on.sum()))
    beside_and_below = (texel[:, :-1], texel[:, 1:]), (texel[:-1], texel[1:])
    pairs = np.concatenate([np.stack([a.ravel(), b.ravel()], axis=1) for a, b in beside_and_below])
    links = pairs[(pairs >= 0).all(axis=1)]
    field = LabelField(own, colour.encoded(np.clip(views.wall[:, on], 0.0, 1.0)), links, seams)
    side = int(np.ceil(np.sqrt(on.sum() / _BLOCKS)))
    row, column = np.nonzero(on)
    _, block = np.unique((row // side) * on.shape[1] + column // side, return_inverse=True)
    block = block.reshape(-1)
    together = np.stack([np.bincount(block, cost) for cost in own])
    label = expanded(field, together.argmin(axis=0)[block], block)
    if side > 1:
        label = _by_texels(field, label, row, column, on.shape, side)
    source = _no_view(views)
    source[on] = label
    return _from_views(views, source)


def _by_texels(
    field: LabelField, label: NDArray[np.int16], row: Indices, column: Indices, shape: tuple[int, ...], reach: int
) -> NDArray[np.int16]:
    """Labels (N,) of the texels at ``row`` and ``column`` (N,), those within ``reach`` of a seam, and those whose view
    does not see them, chosen one by one."""
    own = field.own[label, np.arange(len(label))]
    loose = own >= _UNSEEN
    loose[field.links[label[field.links[:, 0]] != label[field.links[:, 1]]].ravel()] = True
    near = np.zeros(shape, dtype=bool)
    near[row, column] = loose
    free = maximum_filter(near, size=2 * reach + 1)[row, column]
    node = np.full(len(label), -1, dtype=np.intp)
    node[free] = np.arange(int(free.sum()))
    return expanded(field, label, node, rounds=1)


def _outline_cost(views: WallViews) -> NDArray[np.float32]:
    """How much a texel in a view's paint shows on the outlines that it lies on, (V, H, W).

    Summed over the views on whose outline it lies: mean difference of encoded colours, 1 where there is no wall.
    """
    cost = np.zeros(views.seen.shape, dtype=np.float32)
    edge = views.on_outline.any(axis=0)
    shown = colour.encoded(np.clip(views.wall[:, edge], 0.0, 1.0))
    on, behind = views.on_outline[:, edge], views.behind[:, edge]
    for v in range(len(views)):
        found = np.abs(shown[v] - shown).mean(axis=-1)
        cost[v, edge] = np.where(on, np.where(behind[v], found, 1.0), 0.0).sum(axis=0)
    return cost


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
    "faces": faces,
    "labelling": labelling,
}
