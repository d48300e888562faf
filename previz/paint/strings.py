"""Strings: where a thread from the lens through the bridge's edge meets the wall, to check the paint by hand.

A thread stretched from the entrance pupil over an edge of the bridge touches the wall where, from the station point,
the bridge's outline lies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.errors import BuildError
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.workshop.surface import Surface

# distance (m) along an edge from string to string
EVERY = 0.05
# cuts along a modelled bridge from which its edges are taken, at most
_MOST_CUTS = 200
_SAME_CUT = 1e-7
# a hit this much nearer than the edge (share of the way) lies in front of it
_IN_FRONT = 1e-6


@dataclass(frozen=True, eq=False)
class EdgePoint:
    """A place (3,) m on the bridge's edge and what it is called: ``left edge, 200 mm from the sill``."""

    name: str
    point: Array


@dataclass(frozen=True, eq=False)
class StringPoint:
    """A string: ``lens``, ``edge`` and ``wall`` (3,) m. ``wall`` is None where the string meets no wall, or meets it
    before it reaches the edge."""

    name: str
    lens: Array
    edge: Array
    wall: Array | None


def strings(
    camera_position: ArrayLike, edge_points: Sequence[EdgePoint], sight: SightLines, wall_name: str
) -> list[StringPoint]:
    """A string for every edge point, from the entrance pupil ``camera_position`` (3,) m on to the wall.

    Only the surface ``wall_name`` of ``sight`` stops a string. The wall's place is exact for the wall's triangles
    (float64). An unknown name raises ``KeyError``; an edge point at the lens :class:`BuildError`.
    """
    lens = np.asarray(camera_position, dtype=np.float64)
    if not edge_points:
        return []
    edges = np.stack([np.asarray(e.point, dtype=np.float64) for e in edge_points])
    ways = edges - lens
    lengths = np.linalg.norm(ways, axis=1)
    if lengths.min() < 1e-6:
        at = edge_points[int(lengths.argmin())].name
        raise BuildError(f"the lens stands on the bridge ({at}): no string can be drawn; move the camera back")
    directions = ways / lengths[:, None]
    hits = sight.first_hits(np.broadcast_to(lens, edges.shape), directions, [wall_name])
    meets = np.isfinite(hits.distance) & (hits.distance >= lengths * (1.0 - _IN_FRONT))
    return [
        StringPoint(e.name, lens, edges[i], hits.point[i] if meets[i] else None) for i, e in enumerate(edge_points)
    ]


def top_edge_points(bridge: Surface, every: float = EVERY) -> list[EdgePoint]:
    """Places ``every`` m along the left and the right upper edge of a bridge, and their near corners.

    The distance is measured along the edge from the wall's datum plane, as a tape lies. In a cross-section parallel to
    the wall the left upper edge is the corner farthest left and up at 45 degrees, the right one likewise. A bridge that
    does not come out of the wall raises :class:`BuildError`.
    """
    out = []
    for name, right in (("left edge", -1.0), ("right edge", 1.0)):
        line = _upper_edge(bridge, right)
        gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        whole = float(gone[-1])
        stations = [k * every for k in range(1, int(whole / every + 1e-9) + 1) if k * every < whole - 0.1 * every]
        for s in stations:
            at = np.array([np.interp(s, gone, line[:, k]) for k in range(3)])
            out.append(EdgePoint(f"{name}, {s * 1e3:.0f} mm from the sill", at))
        out.append(EdgePoint(f"{name}, near corner, {whole * 1e3:.1f} mm from the sill", line[-1]))
    return out


def _upper_edge(bridge: Surface, right: float) -> Array:
    """The edge (N, 3) m from the datum plane to the near end."""
    faces, vertices = bridge.faces, bridge.vertices
    near = float(vertices[:, 2].max())
    if near <= _SAME_CUT:
        raise BuildError("the bridge does not come out of the wall (z > 0): no string can be drawn; check its place")
    ends = vertices[np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])]
    cuts = np.unique(np.round(vertices[:, 2], 9))
    cuts = np.concatenate([[0.0], cuts[(cuts > _SAME_CUT) & (cuts < near - _SAME_CUT)], [near]])
    if len(cuts) > _MOST_CUTS:
        cuts = np.linspace(0.0, near, _MOST_CUTS)
    line = []
    for z in cuts:
        off = ends[:, :, 2] - z
        on = np.abs(off) < _SAME_CUT
        across = (off[:, 0] * off[:, 1] < 0.0) & ~on.any(axis=1)
        share = off[across, 0] / (off[across, 0] - off[across, 1])
        between = ends[across, 0] + share[:, None] * (ends[across, 1] - ends[across, 0])
        points = np.concatenate([ends[on], between])
        if len(points):
            best = points[np.argmax(np.round(right * points[:, 0] + points[:, 1], 9))]
            line.append([best[0], best[1], z])
    return np.array(line)
