"""The painter's hand: colours that are mixed a little wrong, and what the strokes of a brush leave.

Both are laid over what a paint shows without drawing it anew: a field on the bridge's surface is added to the colours
that are looked up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.fast import Near, Paint
from previz.judge.fields import window_px
from previz.judge.layerfields import Field, Shown
from previz.judge.viewer import Viewer

# How far a wrong mixture reaches, m: a palm's width, about what is painted from one mixing (hand breadth of adults, 75
# to 95 mm in tables of body measures, from memory). Two errors so far apart correlate by 1 / e.
PALM: Final = 0.08

# waves that a random field is summed of
_WAVES: Final = 64

# What strokes leave, as a share of the contrast that a window averages away: _LEFT (d / s)^_RISES for a brush of
# diameter d and a window of standard deviation s, up to _MOST_LEFT. Fitted by eye to the strokes of
# previz/paint/brush.py on slate, basalt and ice: 0.03 to 0.04 at 0.66, 0.08 to 0.14 at 1.06, 0.16 to 0.20 at 1.33, 0.38
# to 0.55 at 2.1, 0.9 to 1.4 at 4.2. In a* and b* it is about a third of that in L*. Log grain changes by 0.4 at most,
# up on some walls and down on others: it is left as it is.
_LEFT, _RISES, _MOST_LEFT = 0.12, 1.7, 3.0
_CHROMA: Final = 0.33

# how far strokes' errors reach, in diameters of the brush: there they correlate by 1 / e
STROKE_REACH: Final = 0.55


@dataclass(frozen=True, eq=False)
class RandomField:
    """A smooth random field in space, of several components, each of mean 0 and variance 1 at every point.

    A sum of waves (random Fourier features: Rahimi and Recht, NIPS 2007): two points ``r`` m apart correlate by
    exp(-(r / reach)^2). ``waves`` (K, M, 3) 1/m and ``phases`` (K, M) rad are those of K components.
    """

    waves: Array
    phases: Array

    @classmethod
    def drawn(cls, rng: np.random.Generator, reach: float, components: int) -> RandomField:
        """One drawn at random, whose correlation falls to 1 / e within ``reach`` m."""
        waves = rng.normal(0.0, np.sqrt(2.0) / reach, (components, _WAVES, 3))
        return cls(waves, rng.uniform(0.0, 2.0 * np.pi, (components, _WAVES)))

    def at(self, points: Array) -> Array:
        """The field (..., K) at points (..., 3) m."""
        flat = points.reshape(-1, 3)
        each = [
            np.cos(flat @ waves.T + phases).sum(axis=1) for waves, phases in zip(self.waves, self.phases, strict=True)
        ]
        values = np.sqrt(2.0 / _WAVES) * np.stack(each, axis=-1)
        return np.asarray(values.reshape(*points.shape[:-1], len(self.waves)))


@dataclass(frozen=True, eq=False)
class MixingError:
    """How far off the colours of the bridge are mixed: ``field`` (L*, a*, b*) times ``size`` is the error."""

    field: RandomField
    size: float

    @classmethod
    def drawn(cls, seed: tuple[int, ...], most: float, surface: Array) -> MixingError:
        """One drawn by a seed whose largest error at points (N, 3) m of the bridge is ``most`` dE*ab.

        L*, a* and b* err alike and independently (no source).
        """
        field = RandomField.drawn(np.random.default_rng(list(seed)), PALM, 3)
        largest = float(np.linalg.norm(field.at(surface), axis=-1).max())
        return cls(field, most / largest)

    def at(self, points: Array) -> Array:
        """The error (..., 3) at points (..., 3) m, L*, a*, b*."""
        return np.asarray(self.size * self.field.at(points))


@dataclass(frozen=True, eq=False)
class _Over:
    """What ``under`` shows with ``error`` (S, N, 3), L*, a*, b*, added at every place, and so beside it."""

    under: Shown
    error: Field

    def colour(self, aside_px: Array | None = None, finer: bool = False) -> Field:
        """L*, a*, b* (S, N, 3)."""
        return np.asarray(self.under.colour(aside_px, finer) + self.error)

    def pattern(self) -> Array:
        """What movement shows, which so smooth an error does not change."""
        return self.under.pattern()

    def grain(self, aside_px: Array | None = None) -> Field:
        """Log grain (S, N), likewise."""
        return self.under.grain(aside_px)


@dataclass(frozen=True, eq=False)
class Mixed:
    """``paint`` with its colours mixed wrong by ``error``. Within a window the error is even."""

    paint: Paint
    error: MixingError

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Shown:
        """As a ``Paint`` shows."""
        error = self.error.at(points[0]).astype(np.float32)
        return _Over(self.paint.at(points, camera, depth, near), np.broadcast_to(error, points.shape))


@dataclass(frozen=True, eq=False)
class Stroked:
    """``paint`` laid with a brush of ``diameter`` m, whose strokes err by ``field`` (one component).

    A stroke is one colour: what a window sees of strokes differs from what it would see of the picture by a part of the
    contrast that it averages away. Left out: the strokes' own edges, and that a contour is followed with care.
    """

    paint: Paint
    diameter: float
    field: RandomField

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Shown:
        """As a ``Paint`` shows."""
        under = self.paint.at(points, camera, depth, near)
        windows = np.array(window_px(Viewer(camera.height_px)))[:, None]
        share = left_by_strokes(self.diameter * camera.focal_px / depth / windows)
        error = share * np.exp(under.grain()) * self.field.at(points)[..., 0]
        return _Over(under, (error[..., None] * np.array([1.0, _CHROMA, _CHROMA])).astype(np.float32))


def left_by_strokes(brush: Array) -> Array:
    """The error (...) that strokes of a ``brush`` (...), in standard deviations of a window, leave in it, root mean
    square, as a share of the contrast that the window averages away."""
    return np.asarray(np.minimum(_LEFT * np.power(brush, _RISES), _MOST_LEFT))
