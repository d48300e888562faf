"""Steps across a line: what the eye's windows show on either side of it, and how it is added up along the line.

Three kinds are a piece's own: mean colour, grain, and the rim, the line itself against both its sides. They are added
up over about what the fovea takes in at once. Sharpness is how fine the grain is on one side against the other: paint
laid with a brush is softer than rock. And an edge that runs on is a step of its own: the same small step on the same
side, averaged with its sign over one, two and four degrees, as colour, as a ratio of light, and as such a ratio against
its own scatter. A straight edge of shadow across upright columns keeps one ratio whatever it crosses, and eyes follow
it although each piece of it is ordinary there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.judge.fields import Fields
from previz.judge.viewer import (
    COLOUR_LINE_DEG,
    GRAIN_LINE_DEG,
    GRAIN_OFFSET,
    GRAIN_WINDOW,
    JND_COLOUR,
    JND_GRAIN,
    JND_LIGHT,
    RIM_GAIN,
    STRETCH_DEG,
    WINDOW_ASPECT,
    WINDOW_DEG,
    WINDOW_GAIN,
    WINDOW_OFFSET,
    Seat,
)
from previz.workshop.compiled import compiled

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]
Along = Callable[[Floats, float], Floats]

# kinds of step, in the order in which arrays hold them: a piece's own, then what runs on
OWN_KINDS: Final = ("colour", "grain", "rim")
RUNNING_KINDS: Final = ("sharpness", *(kind for kind in ("edge", "light", "ratio") for _ in STRETCH_DEG))
KINDS: Final = (*OWN_KINDS, *RUNNING_KINDS)

# what is just noticeable of each kind; a ratio is just noticeable where it is as large as its scatter and as that of
# light
_JND_OF: Final = {"colour": JND_COLOUR, "grain": JND_GRAIN, "rim": JND_COLOUR, "sharpness": JND_GRAIN}
JND: Final = np.array([{**_JND_OF, "edge": JND_COLOUR, "light": JND_LIGHT, "ratio": 1.0}[kind] for kind in KINDS])


def across(fields: Fields, scale: int, places: Array, normals: Array, sigma: float) -> Floats:
    """Field values (3, ..., 4) outside, inside and on ``places`` (..., 2) px.

    Beside them colour is looked at one window away, grain one of its own; on them there is no grain to look at (0).
    """
    sides = []
    for away in (sigma * normals, -sigma * normals):
        values = fields.at(scale, places + WINDOW_OFFSET * away)
        values[..., 3] = fields.at(scale, places + GRAIN_OFFSET * GRAIN_WINDOW * away)[..., 3]
        sides.append(values)
    on = fields.at(scale, places)
    on[..., 3] = 0.0
    return np.stack([*sides, on])


def log_light(lightness: Floats) -> Floats:
    """Natural log of relative luminance for L* (CIE 15, 8.2.1): equal steps are equal ratios of light."""
    curved = np.maximum(lightness, 1.0)
    luminance = np.where(curved > 8.0, ((curved + 16.0) / 116.0) ** 3, curved / 903.2963)
    return np.log(luminance).astype(lightness.dtype)


def steps_across(seen: Floats) -> Floats:
    """Differences (..., 8) that windows (3, ..., 4) show: colour (3), grain (1), the rim's colour (3), light (1)."""
    rim = seen[2, ..., :3] - 0.5 * (seen[0, ..., :3] + seen[1, ..., :3])
    light = log_light(seen[0, ..., :1]) - log_light(seen[1, ..., :1])
    return np.concatenate([seen[0] - seen[1], rim, light], axis=-1)


def changes_beside(side: int, seen: Floats, clean: Floats) -> Floats:
    """What the bridge changes (..., 7) on one side of the line and, for a rim, on it: in the order of the steps."""
    return np.concatenate([seen[side] - clean[side], (seen[2] - clean[2])[..., :3]], axis=-1)


def joined(differences: Floats, along: Along) -> Floats:
    """Squares (N, ..., S, 2) of steps of colour and rim, of differences (S, N, ..., 7 or more), through windows longer
    along the line than across.

    ``along`` averages values (N, ...) along the line with a Gaussian window of so many degrees.
    """
    colours = differences[..., [0, 1, 2, 4, 5, 6]]
    seen = [along(d, WINDOW_ASPECT * width) ** 2 for d, width in zip(colours, WINDOW_DEG, strict=True)]
    return np.stack([np.stack([_sum3(j[..., :3]), _sum3(j[..., 3:])], axis=-1) for j in seen], axis=-2)


def _sum3(values: Floats) -> Floats:
    """Sum (...) of three values (..., 3): numpy adds up along so short an axis many times slower."""
    return np.asarray(values[..., 0] + values[..., 1] + values[..., 2])


def own_steps(squares: Floats, differences: Floats, along: Along, seat: Seat) -> Floats:
    """Size (N, ..., S, 3) of a piece's own steps, in the order of ``OWN_KINDS``, as an eye at ``seat`` adds them up.

    ``squares`` are :func:`joined` of the ``differences`` (S, N, ..., 7 or more). Colour and rim add up by their
    squares, whatever their direction, grain with its sign.
    """
    gains = np.array([WINDOW_GAIN, RIM_GAIN], np.float32)
    sizes = np.sqrt(np.maximum(along(squares, seat.degree * COLOUR_LINE_DEG), 0.0)) / gains
    grain = np.abs(along(np.moveaxis(differences[..., 3], 0, -1), seat.degree * GRAIN_LINE_DEG))
    return np.stack([sizes[..., 0], grain, sizes[..., 1]], axis=-1)


def stretch_sigma(length: float) -> float:
    """Standard deviation of the Gaussian window that stands for a box of a ``length``, in the same unit."""
    return length / math.sqrt(12.0)


def running_steps(differences: Floats, along: Along, seat: Seat, scatter_of: Floats | None = None) -> Floats:
    """Size (N, ..., S, 10) of what runs on in differences (S, N, ..., 8), in the order of ``RUNNING_KINDS``, as an eye
    at ``seat`` adds it up, with its sign.

    A ratio of light is weighed by how much it scatters along the stretch: the edge of a shadow is the same wherever it
    is looked at. Where the ``differences`` are changes, ``scatter_of`` (S, N, ..., 8) are the steps that they are
    changes of.
    """
    grain = np.moveaxis(differences[..., 3], 0, -1)
    # the widest windows see far from the line, where what runs along it is long gone: they are left out
    differences = differences[:-1]
    scatter_of = None if scatter_of is None else scatter_of[:-1]
    # how much more of the grain is fine: log contrast of the narrowest windows' less the widest's, at all scales alike
    fineness = along(grain[..., :1] - grain[..., -1:], seat.degree * GRAIN_LINE_DEG)
    sharpness = np.broadcast_to(np.abs(fineness), grain.shape)
    # each with its own row of scatter, or all with one
    scales, count = differences.shape[:2]
    changes = np.ascontiguousarray(differences).reshape(scales, count, -1, differences.shape[-1])
    lights = changes if scatter_of is None else np.ascontiguousarray(scatter_of).reshape(scales, count, -1, 8)
    together = np.empty((count, changes.shape[2], scales, 6), dtype=differences.dtype)
    _gathered(changes, lights, together)
    sizes = np.zeros((count, changes.shape[2], grain.shape[-1], len(RUNNING_KINDS)), dtype=differences.dtype)
    sizes[..., 0] = sharpness.reshape(count, changes.shape[2], -1)
    sizes[..., -1, 0] = 0.0
    for number, length in enumerate(STRETCH_DEG):
        stretch = along(together, seat.degree * stretch_sigma(length))
        _stretched(stretch, WINDOW_GAIN, JND_LIGHT, number, len(STRETCH_DEG), sizes)
    return sizes.reshape(*grain.shape, len(RUNNING_KINDS))


@compiled
def _gathered(changes, lights, out):  # type: ignore[no-untyped-def]
    """Colour, light and, of what it scatters with, light and its square (N, M, S, 6) from (S, N, M, 8)."""
    shared = lights.shape[2] == 1
    for n in range(out.shape[0]):
        for m in range(out.shape[1]):
            for s in range(out.shape[2]):
                for c in range(3):
                    out[n, m, s, c] = changes[s, n, m, c]
                out[n, m, s, 3] = changes[s, n, m, 7]
                light = lights[s, n, 0 if shared else m, 7]
                out[n, m, s, 4], out[n, m, s, 5] = light, light * light


@compiled
def _stretched(stretch, gain, least, number, count, sizes):  # type: ignore[no-untyped-def]
    """Edge, light and ratio of a stretch (N, M, S, 6) into their places of ``sizes`` (N, M, S + 1, kinds)."""
    for n in range(stretch.shape[0]):
        for m in range(stretch.shape[1]):
            for s in range(stretch.shape[2]):
                red, green, blue = stretch[n, m, s, 0], stretch[n, m, s, 1], stretch[n, m, s, 2]
                light = abs(stretch[n, m, s, 3]) / gain
                mean, square = stretch[n, m, s, 4] / gain, stretch[n, m, s, 5] / (gain * gain)
                scatter = np.sqrt(max(square - mean * mean, 0.0) + least * least)
                sizes[n, m, s, 1 + number] = np.sqrt(red * red + green * green + blue * blue) / gain
                sizes[n, m, s, 1 + count + number] = light
                sizes[n, m, s, 1 + 2 * count + number] = light / scatter
