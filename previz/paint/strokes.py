"""What a round brush can lay: regions none of which is thinner than the brush.

The rule, for every connected region of equal label on a chart: each of its texels lies within ``CORNER`` brush
diameters of the region's opening with a disc of the brush's diameter (mathematical morphology: the union of all such
discs that fit in the region; Serra, *Image Analysis and Mathematical Morphology*, 1982, from memory). Where only two
regions meet the opening itself leaves them whole; where three meet, no round brush fills all three corners, and
``CORNER`` is what the tip of a brush reaches: a disc of diameter 1 leaves 0.21 of a right angle's corner bare and 0.08
of one of 120 degrees.

A disc may run over the edge of its chart (a brush does), as long as its centre stays on the chart. A disc is the texels
whose centres lie within half its diameter of a texel's centre: the brush is true to a texel.

The union of two regions that keep the rule keeps it, so a whole region may be given any label afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, find_objects
from scipy.ndimage import label as find_spots

from previz.workshop.compiled import compiled

Labels = NDArray[np.int32]
Mask = NDArray[np.bool_]

# how much of a corner a brush's tip fills, in brush diameters; never less than a texel's own diagonal
CORNER: Final = 0.25
_DIAGONAL: Final = 2.0**0.5

# rounds of handing over what is too thin
_HANDOVERS: Final = 5


def charts(wanted: Mask, owner: NDArray[Any] | None) -> Iterator[tuple[tuple[slice, slice], Mask]]:
    """The window of each chart and its wanted texels in that window; ``owner`` (H, W) tells charts apart by number.

    Without ``owner`` everything is one chart.
    """
    if owner is None:
        number = wanted.astype(np.int32)
    else:
        values = np.unique(owner[wanted])
        number = np.where(wanted, np.searchsorted(values, owner) + 1, 0).astype(np.int32)
    for k, window in enumerate(find_objects(number), 1):
        if window is not None:
            yield window, number[window] == k


def disc(diameter: float) -> Labels:
    """Half widths (R,) of the rows of a digital disc, top to bottom: row i reaches that many texels either way."""
    half = int(np.floor(0.5 * diameter))
    rows = np.arange(-half, half + 1)
    return np.asarray(np.floor(np.sqrt((0.5 * diameter) ** 2 - rows**2)), dtype=np.int32)


def too_thin(label: Labels, on: Mask, brush_texels: float) -> Mask:
    """Texels (H, W) of a chart that break the rule above.

    ``label`` (H, W) names the regions, any integers; ``on`` (H, W) is the chart, whose rest does not matter.
    ``brush_texels`` is the brush's diameter; below two texels nothing is too thin.
    """
    number, _ = regions(label, on)
    solid = np.zeros(label.shape, dtype=np.bool_)
    _solid(number, on, disc(brush_texels), solid)
    bad = np.zeros(label.shape, dtype=np.bool_)
    _beyond(number, on, solid, disc(2.0 * max(CORNER * brush_texels, _DIAGONAL)), bad)
    return bad


def opened(label: Labels, on: Mask, brush_texels: float) -> Mask:
    """Texels (H, W) of a chart that the openings of their own regions with the brush's disc hold."""
    solid = np.zeros(label.shape, dtype=np.bool_)
    _solid(label, on, disc(brush_texels), solid)
    return solid


def thickened(label: Labels, on: Mask, brush_texels: float, lab: NDArray[np.floating[Any]]) -> Labels:
    """Labels (H, W) int32 that keep the rule, as near to ``label`` as handing over goes.

    ``label`` names rows of the colours ``lab`` (K, 3), CIELAB; off the chart the result is -1. What the openings do not
    hold goes to the nearest opening: those only grow by it, so each round leaves less too thin. What is left is bridged
    by dabs of the brush, and where no dab helps a small region is painted over like the neighbour that it differs
    least from.
    """
    out = np.where(on, label, -1).astype(np.int32)
    if brush_texels < 2.0 or not on.any():
        return out
    before = -1
    for _ in range(_HANDOVERS):
        count = int(too_thin(out, on, brush_texels).sum())
        if count in (0, before):
            break
        before = count
        solid = opened(out, on, brush_texels)
        if not solid.any():
            break
        near = distance_transform_edt(~solid, return_distances=False, return_indices=True)
        out = np.where(on, out[near[0], near[1]], -1).astype(np.int32)
    while (bad := too_thin(out, on, brush_texels)).any():
        if bad[on].all():
            out[on] = _least_odd(out[on], lab)
        elif not _dabbed(out, on, bad, brush_texels, lab) and not _painted_over(out, on, bad, brush_texels, lab):
            # islands of a chart that lie closer to each other than a brush: one paint for all
            out[on] = _least_odd(out[on], lab)
    return out


def _least_odd(label: Labels, lab: NDArray[Any]) -> int:
    """Of the labels given to texels (N,) the one nearest to their mean colour."""
    present = np.unique(label)
    mean = lab[label].mean(axis=0)
    return int(present[((lab[present] - mean) ** 2).sum(axis=1).argmin()])


def regions(label: Labels, on: Mask) -> tuple[Labels, int]:
    """Connected regions (H, W) of equal label, numbered from 0 in reading order, -1 off the chart, and their number.

    Texels that share a side are connected.
    """
    number = np.full(label.shape, -1, dtype=np.int32)
    stack = np.empty(max(int(on.sum()), 1), dtype=np.int64)
    return number, int(_flooded(label, on, number, stack))


def _dabbed(label: Labels, on: Mask, bad: Mask, brush: float, lab: NDArray[Any]) -> bool:
    """Set a dab of a neighbour's paint on each too thin place where that leaves less too thin. Whether any was."""
    spots, _ = find_spots(bad, structure=np.ones((3, 3)))
    changed = False
    for k, (rows, columns) in enumerate(find_objects(spots), 1):
        y, x = 0.5 * (rows.start + rows.stop - 1), 0.5 * (columns.start + columns.stop - 1)
        size = max(rows.stop - rows.start, columns.stop - columns.start)
        # a dab of 2 brushes, 0.3 aside, changes what is too thin within 2.6 brushes; that depends on 1.25 more
        inner, outer = (_window(y, x, 0.5 * size + reach * brush + 3.0, label.shape) for reach in (2.6, 3.9))
        cut = tuple(slice(i.start - o.start, i.stop - o.start) for i, o in zip(inner, outer, strict=True))
        here, chart = label[outer], on[outer]
        before = int(too_thin(here, chart, brush)[cut].sum())
        spot = spots[outer] == k
        best, enough = here, before - int(spot.sum())
        for dab in _dabs(spot, y - outer[0].start, x - outer[1].start, brush):
            under = lab[here[dab & chart]]
            paints = np.unique(here[dab & chart])
            unlike = ((under[:, None] - lab[paints][None]) ** 2).sum(axis=(0, 2))
            for paint in paints[np.argsort(unlike, kind="stable")]:
                trial = np.where(dab & chart, paint, here)
                after = int(too_thin(trial, chart, brush)[cut].sum())
                if after < before:
                    before, best = after, trial
            if before <= enough:
                break
        if best is not here:
            label[outer] = best
            changed = True
    return changed


def _window(y: float, x: float, reach: float, shape: tuple[int, ...]) -> tuple[slice, slice]:
    low_y, low_x = max(int(y - reach), 0), max(int(x - reach), 0)
    return slice(low_y, min(int(y + reach) + 1, shape[0])), slice(low_x, min(int(x + reach) + 1, shape[1]))


def _dabs(spot: Mask, y: float, x: float, brush: float) -> Iterator[Mask]:
    """The spot itself, then discs at its middle and around that, ever larger."""
    yield spot
    yy, xx = np.ogrid[: spot.shape[0], : spot.shape[1]]
    for size, aside in ((1.05, 0.0), (1.05, 0.3), (1.4, 0.0), (1.4, 0.3), (2.0, 0.0)):
        for turn in range(6 if aside else 1):
            angle = turn * np.pi / 3.0
            cy, cx = y + aside * brush * np.sin(angle), x + aside * brush * np.cos(angle)
            yield np.asarray((yy - cy) ** 2 + (xx - cx) ** 2 <= (0.5 * size * brush) ** 2)


def _painted_over(label: Labels, on: Mask, bad: Mask, brush: float, lab: NDArray[Any]) -> bool:
    """Give a region near each too thin place the label of a neighbour; the change that is seen least. Whether any was.

    Every change joins two regions, so there are fewer after each call.
    """
    number, count = regions(label, on)
    size = np.bincount(number[on], minlength=count)
    name = np.zeros(count, dtype=np.int32)
    name[number[on]] = label[on]
    beside = _neighbours(number, count)
    new = name.copy()
    taken = np.zeros(count, dtype=np.bool_)
    for y, x in zip(*np.nonzero(bad), strict=True):
        around = np.unique(number[_window(float(y), float(x), brush, label.shape)])
        around = around[around >= 0]
        if taken[around].any():
            continue
        choices = [
            (float(size[region] * ((lab[name[region]] - lab[name[other]]) ** 2).sum()), int(region), int(other))
            for region in around
            for other in beside[region]
            if not taken[other]
        ]
        if choices:
            _, region, other = min(choices)
            new[region] = name[other]
            taken[around] = taken[beside[region]] = True
    label[on] = new[number[on]]
    return bool((new != name).any())


def _neighbours(number: Labels, count: int) -> list[NDArray[np.intp]]:
    """For each region the regions that share a texel's side with it."""
    pairs = [
        np.stack([one[touch], other[touch]])
        for one, other in ((number[:, 1:], number[:, :-1]), (number[1:], number[:-1]))
        for touch in [(one != other) & (one >= 0) & (other >= 0)]
    ]
    both = np.unique(np.concatenate([*pairs, *(p[::-1] for p in pairs)], axis=1), axis=1)
    return np.split(both[1].astype(np.intp), np.searchsorted(both[0], np.arange(1, count)))


def _solid_loop(label: Any, on: Any, rows: Any, solid: Any) -> None:
    height, width = label.shape
    half = len(rows) // 2
    step = max(half // 2, 1)
    for y in range(height):
        before = False
        for x in range(width):
            if not on[y, x]:
                before = False
                continue
            k = label[y, x]
            fits = True
            # most that do not fit are told by the rim
            for i in range(0, len(rows), step):
                yy = y + i - half
                for xx in (x - rows[i], x + rows[i]):
                    if 0 <= yy < height and 0 <= xx < width and on[yy, xx] and label[yy, xx] != k:
                        fits = False
                if not fits:
                    break
            if not fits:
                before = False
                continue
            for i in range(len(rows)):
                yy = y + i - half
                if yy < 0 or yy >= height:
                    continue
                reach = rows[i]
                # the disc one texel to the left fitted: only the right ends are new
                first = x + reach if before and half > 0 else x - reach
                for xx in range(max(first, 0), min(x + reach, width - 1) + 1):
                    if on[yy, xx] and label[yy, xx] != k:
                        fits = False
                        break
                if not fits:
                    break
            if fits:
                for i in range(len(rows)):
                    yy = y + i - half
                    if yy < 0 or yy >= height:
                        continue
                    reach = rows[i]
                    first = x + reach if before and half > 0 else x - reach
                    for xx in range(max(first, 0), min(x + reach, width - 1) + 1):
                        if on[yy, xx]:
                            solid[yy, xx] = True
            before = fits


def _beyond_loop(label: Any, on: Any, solid: Any, rows: Any, bad: Any) -> None:
    height, width = label.shape
    half = len(rows) // 2
    for y in range(height):
        for x in range(width):
            if not on[y, x] or solid[y, x]:
                continue
            k = label[y, x]
            found = False
            for i in range(len(rows)):
                yy = y + i - half
                if yy < 0 or yy >= height:
                    continue
                for xx in range(max(x - rows[i], 0), min(x + rows[i], width - 1) + 1):
                    if solid[yy, xx] and label[yy, xx] == k:
                        found = True
                        break
                if found:
                    break
            bad[y, x] = not found


def _flooded_loop(label: Any, on: Any, number: Any, stack: Any) -> int:
    height, width = label.shape
    count = 0
    for y0 in range(height):
        for x0 in range(width):
            if not on[y0, x0] or number[y0, x0] >= 0:
                continue
            k = label[y0, x0]
            number[y0, x0] = count
            stack[0] = y0 * width + x0
            top = 1
            while top > 0:
                top -= 1
                y, x = stack[top] // width, stack[top] % width
                for d in range(4):
                    yy = y + (1 if d == 0 else -1 if d == 1 else 0)
                    xx = x + (1 if d == 2 else -1 if d == 3 else 0)
                    if yy < 0 or xx < 0 or yy >= height or xx >= width:
                        continue
                    if on[yy, xx] and number[yy, xx] < 0 and label[yy, xx] == k:
                        number[yy, xx] = count
                        stack[top] = yy * width + xx
                        top += 1
            count += 1
    return count


_solid = compiled(_solid_loop)
_beyond = compiled(_beyond_loop)
_flooded = compiled(_flooded_loop)
