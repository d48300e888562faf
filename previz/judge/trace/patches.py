"""Patches: shade and bounce without an edge, as large as a viewer's degree and more.

A soft shadow has no contour, but all that lies in it is darker by one ratio: among rock of light and dark, nothing in
it is as light as the lightest things beside it. What is lightest nearby is what eyes call white (the anchoring rule of
Gilchrist et al., *Psychological Review* 106, 795, 1999, from memory), and so the light that falls on a place is told by
the lightest that lies there, against the lightest around: a mean over a busy wall says far less of it, as the share of
dark rock in it changes from place to place.

As with a step (:mod:`previz.judge.breaks`), a patch is found as far as it can be seen at all, is larger than 95 of 100
places of the clean wall show at all widths together, and is the bridge's doing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, maximum

from previz.colour import XYZ_FROM_RGB
from previz.judge.outline import Outline, contours_of
from previz.judge.steps import stretch_sigma
from previz.judge.viewer import JND_LIGHT, SEATS, STRETCH_DEG, Seat, Viewer
from previz.judge.windows import windowed
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Field = NDArray[np.float32]
Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

# What is lightest nearby is a mean of luminance squared so many times: a highest value that no single speck decides.
_LIGHTEST_SQUARED: Final = 2

# what lies around a place is looked at through a window so many times as wide
_AROUND: Final = 3.0

# windows are looked through on a grid on which they are at least so wide, px
_COARSEST: Final = 2.0

# windows end at so many times their width
_WINDOW_ENDS: Final = 3.0

# less of a window than this on what is looked at says nothing
_LEAST_SEEN: Final = 0.25

# a pixel counts as bridge from this share on
BRIDGE_SHARE: Final = 0.01

# a patch below this share of its limit is found by next to none, once in 185 (``chance_found``), and is none
NEVER_FOUND: Final = 0.25

_BLACK: Final = 0.003
_LUMINANCE: Final = XYZ_FROM_RGB[1].astype(np.float32)


@dataclass(frozen=True, eq=False)
class Shades:
    """How light a picture is from place to place, through one window: ``here`` (h, w), log luminance of the lightest
    there, and ``beyond`` (h, w), how much that is above the lightest around; NaN where too little is seen. A grid's
    places are ``factor`` pixels apart."""

    here: Field
    beyond: Field
    factor: int


@dataclass(frozen=True, eq=False)
class Lit:
    """The light of a picture, to be looked at through any window: ``light`` and ``counted`` (h, w), sums of a power of
    luminance and of what counts over squares of ``factor`` pixels. ``height`` and ``width`` are the picture's own, px.
    """

    light: Field
    counted: Field
    factor: int
    height: int
    width: int

    @classmethod
    def of(cls, linear: Picture, counted: Field, viewer: Viewer) -> Lit:
        """That of a picture, (H, W, 3) linear; ``counted`` (H, W), 0 to 1, is how much each pixel counts."""
        finest = min(seat.degree for seat in SEATS) * stretch_sigma(STRETCH_DEG[0]) * viewer.px_per_deg
        factor = max(int(finest / _COARSEST), 1)
        light = luminance(linear)
        for _ in range(_LIGHTEST_SQUARED):
            light *= light
        light *= counted
        return cls(_summed(light, factor), _summed(counted, factor), factor, *linear.shape[:2])

    def shades(self, seat: Seat, viewer: Viewer) -> Iterator[Shades]:
        """How light it is from place to place for the viewer at a seat, stretch by stretch."""
        for length in STRETCH_DEG:
            sigma = seat.degree * stretch_sigma(length) * viewer.px_per_deg
            more = max(int(sigma / _COARSEST / self.factor), 1)
            factor = more * self.factor
            light, counted = _summed(self.light, more), _summed(self.counted, more)
            means = []
            for width in (sigma / factor, _AROUND * sigma / factor):
                share = windowed(counted, width, _WINDOW_ENDS)
                seen = windowed(light, width, _WINDOW_ENDS)
                seen = np.where(share > _LEAST_SEEN * factor**2, seen, np.float32(np.nan))
                level = np.log(seen / np.maximum(share, np.float32(1e-6))) / np.float32(2**_LIGHTEST_SQUARED)
                means.append(np.asarray(level, dtype=np.float32))
            yield Shades(means[0], means[0] - means[1], factor)


def shade_steps(lit: Lit, seat: Seat, viewer: Viewer) -> Array:
    """How much darker and how much lighter (N, S, 2) than what is around them N places of a clean wall are, through the
    windows of S stretches; there are no places where too little of it is seen."""
    shades = list(lit.shades(seat, viewer))
    apart = max(each.factor for each in shades)
    rows, columns = (np.arange(apart // 2, n, apart) for n in (lit.height, lit.width))
    beyond = np.stack([_at(each.beyond, rows, columns, each.factor) for each in shades], axis=-1)
    known = beyond[np.isfinite(beyond).all(axis=-1)].astype(np.float64)
    return np.stack([np.maximum(-known, 0.0), np.maximum(known, 0.0)], axis=-1)


def log_change(seen: Picture, clean: Picture) -> Field:
    """What the bridge does to the light (H, W), natural log: a ratio stays the same whatever colours it falls on."""
    return np.asarray(np.log(luminance(seen) / luminance(clean)))


@dataclass(frozen=True, eq=False)
class Patches:
    """The patches of a frame. ``lines`` go round them where half of what the bridge changes there is left, and ``size``
    (V, N) is, for each viewer in the order of ``SEATS``, how many times as large as its limit the patch is that a
    piece goes round."""

    lines: Outline
    size: Array


def patches_of(
    seen: Picture,
    clean: Picture,
    cover: Field,
    ordinary: Sequence[Array],
    viewer: Viewer,
    log_light: Field | None = None,
) -> Patches | None:
    """The patches of a frame, (H, W, 3) linear with the bridge and without, ``cover`` (H, W) the share of bridge; None
    where there are none. ``ordinary`` are the limits (S, 2) of each viewer, of how much darker and lighter than what is
    around it a place may be. ``log_light`` is :func:`log_change` of the two, where it is known."""
    off = cover > BRIDGE_SHARE
    change = np.where(off, np.float32(0.0), log_change(seen, clean) if log_light is None else log_light)
    limits = [np.maximum(limit, JND_LIGHT) for limit in ordinary]
    if float(np.abs(change).max(initial=0.0)) < NEVER_FOUND * min(float(limit.min()) for limit in limits):
        return None
    counted = np.where(off, np.float32(0.0), np.float32(1.0))
    part, number, soft = _regions(change, counted, viewer)
    count = int(number.max(initial=0))
    if count == 0:
        return None
    peak = np.append(0.0, maximum(np.abs(soft), number, np.arange(1, count + 1)))
    level = np.where(number > 0, np.abs(soft) - 0.5 * peak[number], -JND_LIGHT)
    lines = contours_of(np.where(off[part], np.nan, level).astype(np.float32), 0.0, viewer)
    if len(lines) == 0:
        return None
    size = _sizes(seen, clean, counted, number, part, limits, viewer)
    size[:, size.max(axis=0) < NEVER_FOUND] = 0.0
    if not size.any():
        return None
    inside = np.clip(np.floor(lines.xy - lines.normal).astype(np.int64), 0, np.array(number.shape[::-1]) - 1)
    of_piece = np.append(np.zeros((len(SEATS), 1)), size, axis=1)[:, number[inside[:, 1], inside[:, 0]]]
    return Patches(replace(lines, xy=lines.xy + [part[1].start, part[0].start]), of_piece)


def _regions(
    change: Field, counted: Field, viewer: Viewer
) -> tuple[tuple[slice, slice], NDArray[np.int32], Field]:
    """The part of a frame where light is changed as seen through the middle viewer's narrowest window, the number
    (h, w) of the patch that each of its pixels belongs to, from 1, none 0, and the change (h, w) seen."""
    width = stretch_sigma(STRETCH_DEG[0]) * viewer.px_per_deg
    rows, columns = np.nonzero(np.abs(change) >= JND_LIGHT)
    if len(rows) == 0:
        return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=np.int32), np.zeros((0, 0), dtype=np.float32)
    reach = int(2.0 * width) + 2
    part = (
        slice(max(int(rows.min()) - reach, 0), int(rows.max()) + reach + 1),
        slice(max(int(columns.min()) - reach, 0), int(columns.max()) + reach + 1),
    )
    share = windowed(counted[part], width, _WINDOW_ENDS)
    mean = windowed(change[part], width, _WINDOW_ENDS) / np.maximum(share, np.float32(1e-3))
    soft: Field = np.where(counted[part] > 0.0, mean, np.float32(0.0)).astype(np.float32)
    number = np.zeros(soft.shape, dtype=np.int32)
    for sign in (-1.0, 1.0):
        of_sign, _ = label(sign * soft >= JND_LIGHT)
        number += np.where(of_sign > 0, of_sign + int(number.max()), 0).astype(np.int32)
    return part, number, soft


def _sizes(
    seen: Picture,
    clean: Picture,
    counted: Field,
    number: NDArray[np.int32],
    part: tuple[slice, slice],
    limits: Sequence[Array],
    viewer: Viewer,
) -> Array:
    """How many times its limit each of the patches (V, P) is that ``number`` (h, w) in a part of the frame tells of,
    for each viewer: at the place on it that is found most easily."""
    # what windows see changes little within the narrowest
    step = max(int(_COARSEST), 1)
    rows, columns = (np.arange(each.start, each.start + n, step) for each, n in zip(part, number.shape, strict=True))
    sizes = np.zeros((len(SEATS), int(number.max(initial=0))))
    # a patch that lies between the places looked at has no size
    number = number[::step, ::step]
    lit = Lit.of(seen, counted, viewer), Lit.of(clean, counted, viewer)
    for row, seat, limit in zip(sizes, SEATS, limits, strict=True):
        pairs = zip(*(each.shades(seat, viewer) for each in lit), strict=True)
        for (with_it, without), least in zip(pairs, limit, strict=True):
            here, beyond = with_it.here - without.here, with_it.beyond - without.beyond
            # as dark or light as it is, as much so by the bridge's doing, and not because what is around it has changed
            of_sign = [
                np.minimum(np.minimum(sign * with_it.beyond, sign * beyond), sign * here) / limit_of_sign
                for sign, limit_of_sign in zip((-1.0, 1.0), least, strict=True)
            ]
            size = _at(np.fmax(np.fmax(*of_sign), 0.0), rows, columns, with_it.factor)
            row[:] = np.maximum(row, maximum(size, number, np.arange(1, len(row) + 1)))
    return sizes


def _summed(field: Field, factor: int) -> Field:
    """A field (H, W) added up over squares of so many pixels, its edge going on beyond it."""
    if factor == 1:
        return field
    h, w = field.shape
    out = np.empty((-(-h // factor), -(-w // factor)), dtype=np.float32)
    _sum_squares(np.ascontiguousarray(field, dtype=np.float32), factor, out)
    return out


@compiled
def _sum_squares(field, factor, out):  # type: ignore[no-untyped-def]
    """Sums (h, w) over squares of a field (H, W) of so many pixels, its edge going on beyond it."""
    height, width = field.shape
    inside = width // factor
    row = np.empty(width, dtype=np.float32)
    for i in range(out.shape[0]):
        row[:] = field[min(i * factor, height - 1)]
        for k in range(i * factor + 1, (i + 1) * factor):
            below = field[min(k, height - 1)]
            for x in range(width):
                row[x] += below[x]
        for j in range(out.shape[1]):
            total = np.float32(0.0)
            if j < inside:
                for x in range(j * factor, (j + 1) * factor):
                    total += row[x]
            else:
                for x in range(j * factor, (j + 1) * factor):
                    total += row[min(x, width - 1)]
            out[i, j] = total


def _at(field: Floats, rows: NDArray[np.int64], columns: NDArray[np.int64], factor: int) -> Floats:
    """Values (R, C) of a field on a coarse grid at rows and columns of pixels."""
    return field[np.minimum(rows // factor, len(field) - 1)][:, np.minimum(columns // factor, field.shape[1] - 1)]


def luminance(linear: Picture) -> Field:
    """Relative luminance (H, W), with what no eye tells from black in it added to all (0.3 %, about 3 L*)."""
    pixels = np.ascontiguousarray(linear, dtype=np.float32).reshape(-1, 3)
    out = np.empty(len(pixels), dtype=np.float32)
    _luminance(pixels, _LUMINANCE, np.float32(_BLACK), out)
    return out.reshape(linear.shape[:2])


@compiled
def _luminance(pixels, weights, black, out):  # type: ignore[no-untyped-def]
    red, green, blue = weights
    for i in range(len(out)):
        out[i] = red * pixels[i, 0] + green * pixels[i, 1] + blue * pixels[i, 2] + black
