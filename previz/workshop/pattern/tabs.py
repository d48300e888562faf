"""Tabs on cut edges: trapezoids that never lie on a face or on another tab."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from shapely import Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from previz.geometry import Array
from previz.workshop.pattern.facets import Facets, Whole
from previz.workshop.pattern.layout import Flats, extent
from previz.workshop.pattern.pieces import Joint, PatternPiece, Tab, panel_area

_DEEPEST = 0.008  # m
_SHALLOWEST = 0.0012  # m; less cannot be glued
# depths tried, against the wished one, and slopes of the ends (how far in, against the depth)
_DEPTHS = (1.0, 0.75, 0.5, 0.3)
_SLOPES = (1.0, 1.8)
# one tab serves a curved edge as far as the edge leaves its chord by less than this (m)
_CURVED = 0.0001
# room on one side of a joint, against the other's, that is too little
_MUCH_LESS = 0.8
# room (m2) that rounding may seem to take away
_NO_OVERLAP = 1e-9


@dataclass(frozen=True, eq=False)
class _Side:
    """One side of a joint: its ``piece`` and ``panel``, its half ``edges`` (K,) and their ``points`` (K+1, 2) m, walked
    with the piece on the left."""

    piece: int
    panel: int
    edges: Whole
    points: Array


def with_tabs(
    pieces: list[PatternPiece], facets: Facets, flats: Flats, joints: list[Joint], letters: list[str]
) -> tuple[list[PatternPiece], list[str]]:
    """The pieces with a tab for every joint, and the letters of joints that have no room for any.

    A tab is 8 mm deep, or a third of the narrower face beside the joint where that is less, or what there is room for.
    The less important of the two faces has it (a side, not the top), unless the other has much more room.
    """
    panels = sorted({int(p) for p in flats.panel})
    narrow = {p: _narrow(panel_area(facets, flats, p)) for p in panels}
    taken = [_Taken(flats.areas(facets, np.flatnonzero(flats.piece == p))) for p in range(flats.count)]
    tabs: list[list[Tab]] = [[] for _ in pieces]
    tabbed: set[tuple[int, int]] = set()
    without = []
    for joint, letter in zip(joints, letters, strict=True):
        sides = _sides(facets, flats, joint)
        depth = min(_DEEPEST, narrow[sides[0].panel] / 3.0, narrow[sides[1].panel] / 3.0)
        runs = _runs(sides)
        room = [sum(_deep(_fitting(side, run, depth, taken[side.piece], k)) for run in runs)
                for k, side in enumerate(sides)]  # fmt: skip
        # the more important face keeps its edge clean unless the other has much less room
        order = [0, 1] if flats.rank[sides[0].panel] > flats.rank[sides[1].panel] else [1, 0]
        if room[order[0]] < _MUCH_LESS * room[order[1]]:
            order.reverse()
        placed = 0
        for run in runs:
            for k in order:
                side, other = sides[k], sides[1 - k]
                found = _fitting(side, run, depth, taken[side.piece], k)
                if found is None:
                    continue
                outline, base = found
                tabs[side.piece].append(Tab(outline, base, letter, flats.name[other.panel]))
                tabbed.update((int(h), side.piece) for h in side.edges[slice(*_own(side, run, k))])
                taken[side.piece].add(Polygon(outline))
                placed += 1
                break
        if not placed:
            without.append(letter)
    scored = {(int(facets.given[facets.start[h]]), int(facets.given[facets.end[h]]), n) for h, n in tabbed}
    out = []
    for n, (piece, own) in enumerate(zip(pieces, tabs, strict=True)):
        cuts = tuple(replace(c, tabbed=(*c.corners, n) in scored) for c in piece.cuts)
        out.append(replace(piece, cuts=cuts, tabs=tuple(own)))
    return out, without


def _narrow(area: BaseGeometry) -> float:
    """Mean width (m) of a face across its longer side: a curved strip is as wide as it is, not as it reaches."""
    long, narrow = extent([area])
    return min(narrow, float(area.area) / long)


class _Taken:
    """What lies on a sheet already."""

    def __init__(self, areas: list[Polygon]) -> None:
        self._areas = areas
        self._tree = STRtree(areas)
        self._tabs: list[BaseGeometry] = []

    def add(self, area: BaseGeometry) -> None:
        self._tabs.append(area)

    def free(self, area: BaseGeometry) -> bool:
        """Whether nothing lies there yet."""
        near = [self._areas[i] for i in self._tree.query(area)]
        near += [t for t in self._tabs if box(*t.bounds).intersects(area)]
        return bool(sum(area.intersection(other).area for other in near) <= _NO_OVERLAP)


def _sides(facets: Facets, flats: Flats, joint: Joint) -> tuple[_Side, _Side]:
    out = []
    for edges in (joint.edges, facets.twin[joint.edges][::-1]):
        start, end = flats.placed(facets, edges)
        face = int(facets.facet[int(edges[0]) // 3])
        out.append(_Side(int(flats.piece[face]), int(flats.panel[face]), edges, np.concatenate([start, end[-1:]])))
    return out[0], out[1]


def _runs(sides: tuple[_Side, _Side]) -> list[tuple[int, int]]:
    """Parts (first, last point) of a joint, counted along its first side, that are nearly straight on both sides."""
    lines = sides[0].points, sides[1].points[::-1]
    last = len(lines[0]) - 1
    runs, first = [], 0
    while first < last:
        end = first + 1
        while end < last and all(_sagitta(line[first : end + 2]) <= _CURVED for line in lines):
            end += 1
        runs.append((first, end))
        first = end
    # parts of one length, so that the last is no crumb
    count = len(runs)
    even = np.unique(np.round(np.linspace(0, last, count + 1)).astype(int))
    tidy = [(int(a), int(b)) for a, b in pairwise(even)]
    fine = all(_sagitta(line[a : b + 1]) <= 1.5 * _CURVED for a, b in tidy for line in lines)
    return tidy if fine else runs


def _sagitta(points: Array) -> float:
    way = points[-1] - points[0]
    length = float(np.linalg.norm(way))
    if length == 0.0:
        return float("inf")
    off = points - points[0]
    return float(np.abs(off[:, 0] * way[1] - off[:, 1] * way[0]).max() / length)


def _fitting(
    side: _Side, run: tuple[int, int], depth: float, taken: _Taken, which: int
) -> tuple[Array, Array] | None:
    """The deepest tab (outline, base) on a part of one side that finds room; None where there is none."""
    first, last = _own(side, run, which)
    line = side.points[first : last + 1]
    start, end = line[0], line[-1]
    length = float(np.linalg.norm(end - start))
    if length < 2.0 * _SHALLOWEST:
        return None
    way = (end - start) / length
    outwards = np.array([way[1], -way[0]])
    for share in _DEPTHS:
        for slope in _SLOPES:
            # the outer edge keeps a third of the inner one
            deep = min(depth * share, length / (3.0 * slope))
            if deep < _SHALLOWEST:
                continue
            near, far = start + deep * (slope * way + outwards), end + deep * (outwards - slope * way)
            outline = np.concatenate([line, [far, near]])
            shape = Polygon(outline)
            if shape.is_valid and taken.free(shape):
                return outline, np.stack([start, end])
    return None


def _own(side: _Side, run: tuple[int, int], which: int) -> tuple[int, int]:
    """A part of a joint, counted along side number ``which``: the second is walked the other way."""
    count = len(side.points) - 1
    return (count - run[1], count - run[0]) if which else run


def _deep(found: tuple[Array, Array] | None) -> float:
    """Glued area (m2)."""
    return 0.0 if found is None else float(Polygon(found[0]).area)
