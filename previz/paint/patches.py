"""Patches of one paint that are smaller than a dab of the brush, given to their neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.paint.strokes import Mask, charts, regions


def merged(
    label: NDArray[np.int16], wanted: Mask, brush_texels: float, owner: NDArray[Any] | None = None
) -> NDArray[np.int16]:
    """Labels (H, W) without patches smaller than a dab, the disc of a brush of ``brush_texels`` diameter.

    A patch is a connected region of one label where ``wanted`` (H, W) is set; ``owner`` (H, W) tells charts apart, and
    no patch reaches from one to another. Smallest first, each takes the label of the neighbour with which it shares the
    most sides of texels; a patch that is all there is stays.
    """
    out = label.copy()
    least = 0.25 * np.pi * brush_texels**2
    for window, on in charts(wanted, owner):
        part = np.where(on, out[window], -1).astype(np.int32)
        number, count = regions(part, on)
        size = np.bincount(number[on], minlength=count).astype(np.float64)
        if count < 2 or size.min() >= least:
            continue
        name = np.zeros(count, dtype=np.int32)
        name[number[on]] = part[on]
        _join(_sides(number, count), size, name, least)
        out[window][on] = name[number[on]].astype(np.int16)
    return out


def _sides(number: NDArray[np.int32], count: int) -> list[dict[int, int]]:
    """For every region, how many sides of texels it shares with each of its neighbours."""
    beside = ((number[1:], number[:-1]), (number[:, 1:], number[:, :-1]))
    pairs = np.concatenate([np.stack([a.ravel(), b.ravel()], axis=1) for a, b in beside])
    pairs = pairs[(pairs >= 0).all(axis=1) & (pairs[:, 0] != pairs[:, 1])]
    found, shared = np.unique(np.sort(pairs, axis=1), axis=0, return_counts=True)
    sides: list[dict[int, int]] = [{} for _ in range(count)]
    for (a, b), n in zip(found.tolist(), shared.tolist(), strict=True):
        sides[a][b] = sides[b][a] = n
    return sides


def _join(sides: list[dict[int, int]], size: NDArray[np.float64], name: NDArray[np.int32], least: float) -> None:
    """Rename regions too small to be painted, smallest first; neighbours that come to one name are one region."""
    head = list(range(len(sides)))
    small = set(np.flatnonzero(size < least).tolist())
    while small:
        one = min(small, key=lambda k: (size[k], k))
        small.discard(one)
        if size[one] >= least or not sides[one]:
            continue
        other = max(sides[one], key=lambda k: (sides[one][k], size[k], -k))
        # it joins that neighbour, and with it all others of that neighbour's paint that it touches
        for gone in [one, *(k for k in sides[one] if k != other and name[k] == name[other])]:
            size[other] += size[gone]
            for k, n in sides[gone].items():
                del sides[k][gone]
                if k != other:
                    sides[k][other] = sides[other][k] = sides[other].get(k, 0) + n
            sides[gone] = {}
            head[gone] = other
            small.discard(gone)
        if size[other] < least:
            small.add(other)
    for k in range(len(head)):
        at = k
        while head[at] != at:
            at = head[at]
        name[k] = name[at]
