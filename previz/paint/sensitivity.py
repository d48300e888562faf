"""Break of one frame, smoothed, and its gradient by the hand-written adjoint: the slope for every pixel.

The same steps as the judge's (:mod:`previz.judge.breaks`), each followed backwards by its derivative (reverse-mode
differentiation, written out by hand). Three things are softened, only here: the largest of a piece's steps is a power
mean, the chance of being found is log-logistic, which agrees with the judge's Weibull curve near the limit and goes on
to fall where that one is flat, and short runs count. Of what runs on, the signed step of colour and sharpness are
followed, over the lengths of all three viewers; what is a piece's own is that of the middle viewer; ratios of light are
judged but not followed, as the step of colour has them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.judge.breaks import Sides, decided
from previz.judge.fields import own_width_px, window_px
from previz.judge.ordinary import Ordinary, in_direction
from previz.judge.outline import Outline, smoothed_along
from previz.judge.planes import look, spread
from previz.judge.steps import JND, KINDS, OWN_KINDS, steps_across, stretch_sigma
from previz.judge.viewer import (
    COLOUR_LINE_DEG,
    GRAIN_FLOOR,
    GRAIN_LINE_DEG,
    GRAIN_OFFSET,
    GRAIN_WINDOW,
    JND_COLOUR,
    JND_GRAIN,
    MIDDLE_SEAT,
    PSYCHOMETRIC_SLOPE,
    RIM_GAIN,
    SEATS,
    STRETCH_DEG,
    WINDOW_ASPECT,
    WINDOW_DEG,
    WINDOW_GAIN,
    WINDOW_OFFSET,
    Viewer,
)
from previz.judge.windows import blurred, window_weights
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# the power mean that stands for the largest of a piece's steps
_LARGEST_POWER: Final = 8.0

# Lengths over which an edge that runs on is followed, as a viewer and which of the viewer's stretches: half a degree of
# the middle viewer's to eight, each about twice the one before.
_NEAR, _MIDDLE, _FAR = SEATS
_FOLLOWED: Final = ((_NEAR, 0), (_MIDDLE, 0), (_MIDDLE, 1), (_MIDDLE, 2), (_FAR, 2))

# steps smaller than this share of their limit have no slope worth following
_LEAST: Final = 1e-3


@dataclass(frozen=True, eq=False)
class BreakGradient:
    """``share`` 0 to 1 of the outline that is found, and its slope (H, W, 3) for the frame's linear light.

    ``slope_clean`` is that for the clean frame's, None where the wall is not in question. ``percent`` 0 to 100 is the
    break that the judge finds there, nothing softened; nan where the judge was not asked.
    """

    share: float
    percent: float
    slope: Picture
    slope_clean: Picture | None


class FrameBreak:
    """The softened break of one frame as a function of its pixels.

    The frame is a crop whose first pixel is ``origin`` (x, y) px of the whole. ``outline`` is the bridge's in the whole
    frame, ``sides`` what the windows see there without the bridge. ``ordinary`` are the clean wall's limits, ``ends``
    (N,) which pieces are the bridge's ends.

    ``limit`` (N, S, K) is what each piece's own steps are measured by for the middle viewer, ``clean`` (3, S, N, 4)
    what the windows see without the bridge.
    """

    def __init__(
        self,
        outline: Outline,
        sides: Sides,
        ordinary: Ordinary,
        viewer: Viewer,
        size_px: tuple[int, int],
        origin: tuple[int, int],
        ends: NDArray[np.int8] | None = None,
    ) -> None:
        self.outline, self._viewer, self._ends = outline, viewer, ends
        self._height, self._width = size_px[1], size_px[0]
        self._ordinary = ordinary
        limits = {
            seat: np.maximum(in_direction(ordinary.of(seat).limit, outline.normal), JND).astype(np.float32)
            for seat in SEATS
        }
        self.limit = limits[MIDDLE_SEAT][..., : len(OWN_KINDS)]
        self._sharpness_limit = limits[MIDDLE_SEAT][:, 0, KINDS.index("sharpness")]
        # (S - 1, N): the widest windows see far from the line, where what runs along it is long gone
        self._edge_limits = [
            np.ascontiguousarray(limits[seat][:, :-1, KINDS.index("edge") + k].T) for seat, k in _FOLLOWED
        ]
        self.clean = sides.clean.astype(np.float32)
        self._sigmas = window_px(viewer)
        steps = np.diff(np.square([own_width_px(self._sigmas), *self._sigmas]))
        self._windows = [window_weights(float(np.sqrt(step))) for step in steps]
        self._grain_windows = [window_weights(GRAIN_WINDOW * sigma) for sigma in self._sigmas]
        # where windows are looked at: colour outside, inside and on the outline (S, 3, N, 2), grain outside and inside
        # (S, 2, N, 2)
        beside = np.multiply.outer(np.array(self._sigmas), outline.normal)
        self._colour_px = (
            outline.xy - origin + np.multiply.outer([WINDOW_OFFSET, -WINDOW_OFFSET, 0.0], beside)
        ).swapaxes(0, 1)
        self._grain_px = (
            outline.xy - origin + np.multiply.outer([1.0, -1.0], GRAIN_OFFSET * GRAIN_WINDOW * beside)
        ).swapaxes(0, 1)

    def at(self, linear: Picture, clean: Picture | None = None, judged: bool = True) -> BreakGradient:
        """Break of the crop (H, W, 3) of the frame, linear light, and its slope.

        ``clean`` (H, W, 3) is the clean frame's crop where the wall's paint is in question too. Unless it is to be
        ``judged`` too, which costs as much again, nothing but the softened share is told.
        """
        seen, back = self._looked(linear)
        if clean is None:
            share, percent, slope, _ = self._decided(seen, self.clean, judged)
            return BreakGradient(share, percent, back(slope), None)
        wanted, back_clean = self._looked(clean)
        share, percent, slope, slope_clean = self._decided(seen, wanted, judged)
        return BreakGradient(share, percent, back(slope), back_clean(slope_clean))

    def _looked(self, linear: Picture) -> tuple[Field, Callable[[Field], Picture]]:
        """What the windows (3, S, N, 4) see of a crop, and the way back from a slope for that to one for the crop.

        Outside the outline too: windows there see the bridge where it bends around them, and its blurred edge.
        """
        height, width, scales = self._height, self._width, len(self._sigmas)
        lab = np.empty((3, height, width), dtype=np.float32)
        roots = np.empty_like(lab)
        _lab(linear, _XYZ, lab, roots)
        grains, residues = [], []
        window = lab
        seen = np.zeros((3, scales, len(self.outline), 4), dtype=np.float32)
        for s in range(scales):
            window = blurred(window, self._windows[s])
            residue = lab[0] - window[0]
            energy = blurred((residue * residue)[None], self._grain_windows[s])[0] + np.float32(GRAIN_FLOOR**2)
            residues.append(residue)
            grains.append(energy)
            for side in range(3):
                for channel in range(3):
                    look(window[channel], self._colour_px[s, side], seen[side, s, :, channel])
            log = np.float32(0.5) * np.log(energy)
            for side in (0, 1):
                look(log, self._grain_px[s, side], seen[side, s, :, 3])

        def back(slope_seen: Field) -> Picture:
            slope_lab = np.zeros_like(lab)
            slope_window = np.zeros_like(lab)
            for s in reversed(range(scales)):
                slope_log = np.zeros((1, height, width), dtype=np.float32)
                for side in range(3):
                    for channel in range(3):
                        spread(slope_seen[side, s, :, channel], self._colour_px[s, side], slope_window[channel])
                for side in (0, 1):
                    spread(slope_seen[side, s, :, 3], self._grain_px[s, side], slope_log[0])
                slope_energy = blurred(np.float32(0.5) * slope_log / grains[s], self._grain_windows[s])[0]
                slope_residue = np.float32(2.0) * residues[s] * slope_energy
                slope_lab[0] += slope_residue
                slope_window[0] -= slope_residue
                slope_window = blurred(slope_window, self._windows[s])
            slope = np.empty(linear.shape, dtype=np.float32)
            _lab_back(slope_lab + slope_window, roots, _XYZ, slope)
            return slope

        return seen, back

    def _decided(self, seen: Field, clean: Field, judged: bool) -> tuple[float, float, Field, Field]:
        """Softened share found, the judge's break, and the share's slopes (3, S, N, 4) for ``seen`` and ``clean``."""
        count = seen.shape[2]
        changed = seen - clean
        # step, change outside, change inside: (3, S, N, 7)
        differences = np.stack(
            [
                steps_across(seen)[..., :7],
                np.concatenate([changed[0], changed[2, ..., :3]], axis=-1),
                np.concatenate([changed[1], changed[2, ..., :3]], axis=-1),
            ]
        )
        # colour and rim: (3, S, N, 2, 3)
        colours = differences[..., [0, 1, 2, 4, 5, 6]].reshape(*differences.shape[:3], 2, 3)
        joined = self._joined(colours)
        squares = self._along_pieces((joined**2).sum(axis=-1).astype(np.float32), COLOUR_LINE_DEG)
        sizes = np.sqrt(np.maximum(squares, 1e-12)) / _GAINS
        signed = self._along_pieces(differences[..., 3], GRAIN_LINE_DEG)
        # kinds in the order of OWN_KINDS: (3, S, N, K)
        sizes = np.stack([sizes[..., 0], np.abs(signed), sizes[..., 1]], axis=-1)
        limit = np.moveaxis(self.limit, 0, 1)
        jnd = JND[: len(OWN_KINDS)].astype(np.float32)
        which = 1 + (sizes[2] > sizes[1])[None]
        change = np.take_along_axis(sizes, which, axis=0)[0] / jnd
        step = sizes[0] / limit
        by_step = step <= change
        size = np.where(by_step, step, change)
        power = np.float32(_LARGEST_POWER)
        running, back_running = self._running(seen, clean)
        powers = (size**power).sum(axis=(0, 2)) + (running**power).sum(axis=0)
        largest = np.maximum(powers, np.float32(1e-30)) ** (np.float32(1.0) / power)
        found = largest**PSYCHOMETRIC_SLOPE
        share = float((found / (1.0 + found)).mean())
        # and backwards
        largest = np.maximum(largest, _LEAST)
        slope_largest = PSYCHOMETRIC_SLOPE * found / largest / (1.0 + found) ** 2 / count
        slope_size = slope_largest[None, :, None] * (size / largest[None, :, None]) ** (power - 1.0)
        slope_sizes = np.zeros_like(sizes)
        slope_sizes[0] = np.where(by_step, slope_size / limit, 0.0)
        np.put_along_axis(slope_sizes, which, np.where(by_step, 0.0, slope_size / jnd)[None], axis=0)
        two = slope_sizes[..., [0, 2]] / (2.0 * _GAINS**2 * np.maximum(sizes[..., [0, 2]], _LEAST))
        two = self._along_pieces(two.astype(np.float32), COLOUR_LINE_DEG)
        slope_colours = self._joined(2.0 * joined * two[..., None])
        slope_grain = self._along_pieces((np.sign(signed) * slope_sizes[..., 1]).astype(np.float32), GRAIN_LINE_DEG)
        across, rim = slope_colours[..., 0, :], slope_colours[..., 1, :]
        of_change = np.zeros(seen.shape, dtype=np.float32)
        of_change[0, ..., :3], of_change[1, ..., :3] = across[1], across[2]
        of_change[2, ..., :3] = rim[1] + rim[2]
        of_change[0, ..., 3], of_change[1, ..., 3] = slope_grain[1], slope_grain[2]
        of_seen = of_change.copy()
        of_seen[0, ..., :3] += across[0] - 0.5 * rim[0]
        of_seen[1, ..., :3] -= across[0] + 0.5 * rim[0]
        of_seen[2, ..., :3] += rim[0]
        of_seen[0, ..., 3] += slope_grain[0]
        of_seen[1, ..., 3] -= slope_grain[0]
        with np.errstate(under="ignore"):
            slope_running = slope_largest[None] * (running / largest[None]) ** (power - 1.0)
        back_running(slope_running, of_seen, of_change)
        percent = float("nan")
        if judged:
            percent = decided(Sides(seen, clean), self.outline, self._ordinary, self._viewer, ends=self._ends).percent
        return share, percent, of_seen, -of_change

    def _running(self, seen: Field, clean: Field) -> tuple[Field, Callable[[Field, Field, Field], None]]:
        """Sizes (M, N) of what runs on, and the way back from a slope for them to slopes (3, S, N, 4): of what is seen,
        to which those of what is changed are added as well."""
        step = (seen[0] - seen[1])[None]
        # as it is, and what of it is the bridge's doing
        steps = step, step - (clean[0] - clean[1])[None]
        gain = np.float32(WINDOW_GAIN)
        sizes: list[Field] = []
        ways: list[tuple[float, _Back]] = []
        for (seat, k), limit in zip(_FOLLOWED, self._edge_limits, strict=True):
            sigma = seat.degree * stretch_sigma(STRETCH_DEG[k])
            pair = [self._along_pieces(each[:, :-1, :, :3], sigma)[0] / gain for each in steps]
            found, way = _lesser(pair, (limit, np.float32(JND_COLOUR)))
            sizes.extend(found)
            ways.append((sigma, way))
        fine = [self._along_pieces((each[:, :1] - each[:, -1:])[..., 3:], GRAIN_LINE_DEG)[0] for each in steps]
        found, of_fine = _lesser(fine, (self._sharpness_limit[None], np.float32(JND_GRAIN)))
        sizes.extend(found)
        rows = len(WINDOW_DEG) - 1

        def back(slope: Field, of_seen: Field, of_change: Field) -> None:
            into = (of_seen,), (of_seen, of_change)
            for i, (sigma, way) in enumerate(ways):
                for part, targets in zip(way(slope[rows * i : rows * (i + 1)]), into, strict=True):
                    down = self._along_pieces(part[None], sigma)[0] / gain
                    for target in targets:
                        target[0, :-1, :, :3] += down
                        target[1, :-1, :, :3] -= down
            for part, targets in zip(of_fine(slope[-1:]), into, strict=True):
                down = self._along_pieces(part[None], GRAIN_LINE_DEG)[0, 0, :, 0]
                for target in targets:
                    for scale, sign in ((0, 1.0), (-1, -1.0)):
                        target[0, scale, :, 3] += np.float32(sign) * down
                        target[1, scale, :, 3] -= np.float32(sign) * down

        return np.stack(sizes), back

    def _along_pieces(self, values: Field, sigma_deg: float) -> Field:
        """Values (3, S, N, ...) averaged along the outline."""
        averaged = smoothed_along(np.moveaxis(values, 2, 0), self.outline, sigma_deg * self._viewer.px_per_deg)
        return np.moveaxis(averaged, 0, 2)

    def _joined(self, values: Field) -> Field:
        """Colours (3, S, N, ...) averaged along the outline with each scale's own window."""
        scales = [
            self._along_pieces(values[:, s : s + 1], WINDOW_ASPECT * width) for s, width in enumerate(WINDOW_DEG)
        ]
        return np.concatenate(scales, axis=1)


_Back = Callable[[Field], tuple[Field, Field]]


def _lesser(pair: Sequence[Field], limits: tuple[Field | np.float32, Field | np.float32]) -> tuple[Field, _Back]:
    """The lesser (S, N) of two vectors' lengths (S, N, C) against their limits (S, N), and the way back from a slope
    for it to slopes (S, N, C) for both."""
    lengths = [np.sqrt(np.maximum((each**2).sum(axis=-1), _LEAST**2)).astype(np.float32) for each in pair]
    ratios = [length / limit for length, limit in zip(lengths, limits, strict=True)]
    first = ratios[0] <= ratios[1]

    def back(slope: Field) -> tuple[Field, Field]:
        parts = []
        for vector, length, limit, chosen in zip(pair, lengths, limits, (first, ~first), strict=True):
            parts.append((np.where(chosen, slope / (length * limit), 0.0)[..., None] * vector).astype(np.float32))
        return parts[0], parts[1]

    return np.where(first, *ratios).astype(np.float32), back


# what the judge divides sizes of colour and rim by
_GAINS = np.array([WINDOW_GAIN, RIM_GAIN], dtype=np.float32)

_XYZ = (colour.XYZ_FROM_RGB / colour.WHITE_XYZ[:, None]).astype(np.float32)


@compiled
def _lab(linear, matrix, lab, roots):  # type: ignore[no-untyped-def]
    """CIELAB planes (3, H, W) of linear light (H, W, 3), and the cube roots (3, H, W) of X, Y, Z on the way."""
    height, width, _ = linear.shape
    for y in range(height):
        for x in range(width):
            r = min(max(linear[y, x, 0], np.float32(0.0)), np.float32(1.0))
            g = min(max(linear[y, x, 1], np.float32(0.0)), np.float32(1.0))
            b = min(max(linear[y, x, 2], np.float32(0.0)), np.float32(1.0))
            for k in range(3):
                t = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b
                # the straight part below (6/29)^3 of CIE 15, section 8.2.1
                if t > 0.008856452:
                    roots[k, y, x] = np.cbrt(t)
                else:
                    roots[k, y, x] = t * 7.787037 + 0.13793103
            lab[0, y, x] = 116.0 * roots[1, y, x] - 16.0
            lab[1, y, x] = 500.0 * (roots[0, y, x] - roots[1, y, x])
            lab[2, y, x] = 200.0 * (roots[1, y, x] - roots[2, y, x])


@compiled
def _lab_back(slope, roots, matrix, out):  # type: ignore[no-untyped-def]
    """Slope (H, W, 3) for linear light from the slope (3, H, W) for L*, a*, b*."""
    _, height, width = slope.shape
    for y in range(height):
        for x in range(width):
            down = (
                500.0 * slope[1, y, x],
                116.0 * slope[0, y, x] - 500.0 * slope[1, y, x] + 200.0 * slope[2, y, x],
                -200.0 * slope[2, y, x],
            )
            r, g, b = 0.0, 0.0, 0.0
            for k in range(3):
                root = roots[k, y, x]
                part = down[k] / (3.0 * root * root) if root > 0.20689655 else down[k] * 7.787037
                r += matrix[k, 0] * part
                g += matrix[k, 1] * part
                b += matrix[k, 2] * part
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = r, g, b
