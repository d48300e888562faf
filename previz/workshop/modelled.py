"""Walls and bridges that somebody modelled: given a map of their own on which light and paint can be laid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.foreign import RawMesh, require_closed, same_corners, sampled
from previz.workshop.bridge import BridgeBuild
from previz.workshop.charts import Chart, laid_out, map_of
from previz.workshop.surface import BRIDGE, WALL, Picture, Surface
from previz.workshop.texels import texel_owners

# more charts than this and the mesh is too rough to be cut and painted
_MOST_CHARTS = 400

_SIDES = ("left side", "right side", "underside", "top", "back", "front")
_WORDS = (
    ("towards the camera", "down"),
    ("away from the camera", "down"),
    ("to camera right", "away from the camera"),
    ("to camera right", "towards the camera"),
    ("to camera left", "down"),
    ("to camera right", "down"),
)
# for every side: which axis leads right on its chart, which leads down, and their signs
_AXES = ((2, 1, 1, -1), (2, 1, -1, -1), (0, 2, 1, -1), (0, 2, 1, 1), (0, 1, -1, -1), (0, 1, 1, -1))


def wall(raw: RawMesh, texture_px: int) -> Surface:
    """A wall from a mesh. Its own map and picture are kept where no two places share a texel; otherwise it is
    mapped straight on (x and y) and its colours are laid over: what lies farthest towards the camera counts."""
    if raw.uv is not None and raw.picture is not None and _own_map_serves(raw):
        return Surface("wall", WALL, raw.vertices, raw.faces.astype(np.int32), raw.uv.astype(np.float32), raw.picture)
    low, high = raw.vertices[:, :2].min(axis=0), raw.vertices[:, :2].max(axis=0)
    size = np.maximum(high - low, 1e-4)
    texel = float(size.max()) / texture_px
    w, h = max(1, round(size[0] / texel)), max(1, round(size[1] / texel))
    uv = np.stack([(raw.vertices[:, 0] - low[0]) / size[0], (high[1] - raw.vertices[:, 1]) / size[1]], axis=1)
    faces, uv32 = raw.faces.astype(np.int32), uv.astype(np.float32)
    bare = Surface("wall", WALL, raw.vertices, faces, uv32, np.zeros((1, 1, 3), dtype=np.float32))
    return Surface("wall", WALL, raw.vertices, faces, uv32, _laid_over(raw, bare, w, h))


def _own_map_serves(raw: RawMesh) -> bool:
    uv, picture = raw.uv, raw.picture
    if uv is None or picture is None or uv.min() < -1e-6 or uv.max() > 1.0 + 1e-6:
        return False
    corners = uv[raw.faces]
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = float(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()) * 0.5
    probe = Surface("wall", WALL, raw.vertices, raw.faces.astype(np.int32), uv.astype(np.float32), picture)
    owner = texel_owners(probe, 512, 512, margin=False)
    covered = float((owner >= 0).mean())
    # triangles laid over each other have more area than they cover
    return covered > 0.01 and area < 1.05 * covered + 0.01


def _laid_over(raw: RawMesh, surface: Surface, width_px: int, height_px: int) -> Picture:
    """The colours of a file's mesh as a picture (height_px, width_px, 3) over another map of it."""
    owner = texel_owners(surface, width_px, height_px, margin=True).reshape(-1)
    found = np.flatnonzero(owner >= 0)
    face = raw.faces[owner[found]]
    px = surface.uv.astype(np.float64)[face] * (width_px, height_px)
    centre = np.stack([found % width_px + 0.5, found // width_px + 0.5], axis=1)
    a, b, c = px[:, 0], px[:, 1], px[:, 2]
    whole = _cross(b - a, c - a)
    second = np.clip(_cross(centre - a, c - a) / whole, 0.0, 1.0)
    third = np.clip(_cross(b - a, centre - a) / whole, 0.0, 1.0)
    share = np.stack([1.0 - second - third, second, third], axis=1)
    if raw.uv is not None and raw.picture is not None:
        colours = sampled(raw.picture, np.einsum("ik,ikj->ij", share, raw.uv[face]))
    elif raw.tint is not None:
        colours = np.einsum("ik,ikj->ij", share, raw.tint[face]).astype(np.float32)
    else:
        colours = np.full((len(found), 3), 0.35, dtype=np.float32)
    out = np.empty((height_px * width_px, 3), dtype=np.float32)
    out[:] = colours.mean(axis=0) if len(colours) else 0.35
    out[found] = colours
    return np.clip(out.reshape(height_px, width_px, 3), 0.0, 1.0)


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def bridge(raw: RawMesh, name: str, texel: float, bare: str) -> BridgeBuild:
    """A bridge from a mesh, cut into true-size charts: connected faces that face the same way.

    A chart is the faces' picture along their main axis, so a face turned 45 degrees away is shortened by 30 %.
    A mesh that is not closed, or of hundreds of pieces, raises :class:`BuildError`.
    """
    require_closed(raw, name)
    corners = raw.vertices[raw.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    keep = np.linalg.norm(normals, axis=1) > 0.0
    faces, normals = raw.faces[keep], normals[keep]
    axis = np.abs(normals).argmax(axis=1)
    side = 2 * axis + (np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] > 0.0)
    piece = _pieces(raw.vertices, faces, side)
    count = int(piece.max()) + 1
    if count > _MOST_CHARTS:
        raise BuildError(f"{name}: the bridge falls into {count} patches, too rough to paint; save a smoother mesh")
    flats: list[Array] = []
    rows: list[NDArray[np.intp]] = []
    sizes: list[tuple[float, float]] = []
    for p in range(count):
        rows.append(np.flatnonzero(piece == p))
        right, down, sign_right, sign_down = _AXES[side[rows[-1][0]]]
        flat = np.stack([sign_right * raw.vertices[:, right], sign_down * raw.vertices[:, down]], axis=1)
        used = np.unique(faces[rows[-1]])
        flats.append(flat - flat[used].min(axis=0))
        wide, high = flats[-1][used].max(axis=0)
        sizes.append((float(wide), float(high)))
    layout = laid_out(sizes, texel)
    vertices, uvs, out_faces, charts = [], [], [], []
    first = 0
    for p in range(count):
        used, inverse = np.unique(faces[rows[p]], return_inverse=True)
        vertices.append(raw.vertices[used])
        uvs.append(map_of(layout, p, flats[p][used]))
        out_faces.append(inverse.reshape(-1, 3) + first)
        first += len(used)
        which = int(side[rows[p][0]])
        same = sum(1 for q in range(p) if side[rows[q][0]] == which)
        charts.append(
            Chart(
                name=_SIDES[which] + (f" {same + 1}" if same else ""),
                left_px=layout.left_px[p],
                top_px=layout.top_px[p],
                width_px=layout.sizes_px[p][0],
                height_px=layout.sizes_px[p][1],
                size=sizes[p],
                outline=_outline(inverse.reshape(-1, 3), flats[p][used]),
                rightwards=_WORDS[which][0],
                downwards=_WORDS[which][1],
            )
        )
    picture = np.broadcast_to(colour.hex_linear(bare).astype(np.float32), (layout.height_px, layout.width_px, 3))
    surface = Surface(
        name="bridge",
        layer=BRIDGE,
        vertices=np.concatenate(vertices),
        faces=np.concatenate(out_faces).astype(np.int32),
        uv=np.concatenate(uvs).astype(np.float32),
        reflectance=picture.copy(),
    )
    return BridgeBuild(surface, tuple(charts), layout.texel, _cautions(raw, name))


def _pieces(vertices: Array, faces: NDArray[np.int64], side: NDArray[np.intp]) -> NDArray[np.int64]:
    """A number for every face (F,): connected faces of the same side have the same one, first face first."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    corner = same_corners(vertices)[faces]
    edges = np.sort(corner[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    same = (np.diff(edges[order], axis=0) == 0).all(axis=1)
    one, other = owner[order[:-1][same]], owner[order[1:][same]]
    alike = side[one] == side[other]
    link = coo_matrix((np.ones(int(alike.sum())), (one[alike], other[alike])), shape=(len(faces), len(faces)))
    _, label = connected_components(link, directed=False)
    _, first, inverse = np.unique(label, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return np.asarray(rank[inverse.reshape(-1)], dtype=np.int64)


def _outline(faces: NDArray[np.int64], places: Array) -> Array:
    """The longest rim (K, 2) of a chart."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    have = {(int(a), int(b)) for a, b in edges}
    after = {a: b for a, b in sorted(have) if (b, a) not in have}
    best: list[int] = []
    while after:
        start, at = next(iter(after.items()))
        loop = [start]
        del after[start]
        while at in after:
            loop.append(at)
            at = after.pop(at)
        if len(loop) > len(best):
            best = loop
    return np.asarray(places[best])


def _cautions(raw: RawMesh, name: str) -> tuple[str, ...]:
    if float(raw.vertices[:, 2].min()) > 0.0:
        return (f"{name}: the bridge ends {raw.vertices[:, 2].min() * 1e3:.1f} mm in front of the wall; a gap shows",)
    return ()
