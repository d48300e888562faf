"""How the edges of markers scatter: each on its own, all of a marker together, all of a marker outwards.

The four edges of a marker are printed on one piece of paper, photographed in one place of the picture and coded in the
same blocks: they share errors, and forty-eight edges of twelve markers know less than forty-eight independent ones. The
three variances are estimated from the residuals by restricted maximum likelihood (Patterson and Thompson, "Recovery of
inter-block information when block sizes are unequal", Biometrika 58, 1971; as Harville, J. Am. Stat. Assoc. 72, 1977,
writes it for linear models), and the unknowns by generalised least squares with them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.optimize import minimize

from previz.geometry import Array

# a scatter smaller than this, px, is luck
LEAST_SCATTER_PX: Final = 0.003

# Beforehand a shared variance is about as large as an edge's own, give or take this much of its logarithm (one standard
# deviation, a factor of 20): vague, and enough to decide where three markers cannot.
_VAGUE: Final = 3.0

# logarithms of a shared variance against an edge's own that are tried, and one step to differentiate by
_LIMITS: Final = (-9.0, 12.0)
_STEP: Final = 0.1

EDGES: Final = 8


@dataclass(frozen=True, eq=False)
class Scatter:
    """Standard deviations, px: ``edge`` of one edge's middle, ``shift`` of a whole marker right and down, ``growth`` of
    a marker's four edges outwards. ``normals`` (T, 4, 2) are the edges' outward normals."""

    normals: Array
    edge: float
    shift: float = 0.0
    growth: float = 0.0

    @cached_property
    def covariance(self) -> Array:
        """(T, 8, 8) px^2 of a marker's residuals: four edges' middles, then their four slopes."""
        middles = self.shift**2 * np.einsum("tei,tfi->tef", self.normals, self.normals) + self.growth**2
        out = np.tile(self.edge**2 * np.eye(EDGES), (len(self.normals), 1, 1))
        out[:, :4, :4] += middles
        return out

    @cached_property
    def whitening(self) -> Array:
        """(T, 8, 8): times a marker's residuals gives independent ones of variance 1."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.covariance)))

    def whitened(self, rows: Array) -> Array:
        """Residuals, or their slopes, (8 T, ...) made independent."""
        return _times(self.whitening, rows)

    def raw(self, rows: Array) -> Array:
        """The inverse of :meth:`whitened`."""
        return _times(np.asarray(np.linalg.cholesky(self.covariance)), rows)


def _times(blocks: Array, rows: Array) -> Array:
    flat = rows.reshape(len(blocks), EDGES, -1)
    return np.asarray((blocks @ flat).reshape(rows.shape))


@dataclass(frozen=True, eq=False)
class Linear:
    """A fit about its answer: residuals ``off`` (8 T,) px of the edges and their ``slope`` (8 T, U); those of what is
    known beforehand, in standard deviations, ``known_off`` (K,) and ``known_slope`` (K, U)."""

    normals: Array
    off: Array
    slope: Array
    known_off: Array
    known_slope: Array

    def scatter(self, x: Array) -> Scatter:
        """That of the logarithms (3,): an edge's variance, then the shared ones against it."""
        edge = math.exp(0.5 * float(x[0]))
        shift, growth = (edge * math.exp(0.5 * float(v)) for v in x[1:])
        return Scatter(self.normals, edge, shift, growth)

    def _normal(self, scatter: Scatter) -> tuple[Array, Array, float]:
        slope = np.concatenate([scatter.whitened(self.slope), self.known_slope])
        off = np.concatenate([scatter.whitened(self.off), self.known_off])
        return slope.T @ slope, slope.T @ off, float(off @ off)

    def unlikely(self, x: Array) -> float:
        """Minus the restricted log likelihood (Harville's equation 5.1), and what is thought beforehand."""
        scatter = self.scatter(x)
        square, mixed, whole = self._normal(scatter)
        sizes = -np.log(np.diagonal(scatter.whitening, axis1=1, axis2=2)).sum()
        left = whole - mixed @ np.linalg.lstsq(square, mixed, rcond=None)[0]
        vague = 0.5 * float(np.sum((x[1:] / _VAGUE) ** 2))
        return float(sizes + 0.5 * np.linalg.slogdet(square)[1] + 0.5 * left + vague)

    def variances(self, x: Array, count: int) -> Array:
        """Variances (count,) of the first unknowns."""
        return np.asarray(np.diag(np.linalg.pinv(self._normal(self.scatter(x))[0]))[:count])

    def likeliest(self) -> Array:
        """Logarithms (3,) of the likeliest variances."""
        least = 2.0 * math.log(LEAST_SCATTER_PX)
        start = np.array([max(math.log(float(np.mean(self.off**2)) + 1e-12), least), -2.0, -2.0])
        found = minimize(self.unlikely, start, method="L-BFGS-B", bounds=[(least, None), _LIMITS, _LIMITS])
        return np.asarray(found.x)

    def freedom(self, x: Array, count: int) -> float:
        """Degrees of freedom of the worst known variance of the first ``count`` unknowns.

        Satterthwaite's, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2,
        1946: 2 V^2 / var(V), with var(V) from the slope of V and the curvature of the likelihood.
        """
        each = np.eye(len(x)) * _STEP
        curved = np.array([[_curvature(self.unlikely, x, a, b) for b in each] for a in each])
        values, axes = np.linalg.eigh(curved)
        spread = axes @ np.diag(1.0 / np.maximum(values, 1.0 / _VAGUE**2)) @ axes.T
        slope = np.stack(
            [(self.variances(x + a, count) - self.variances(x - a, count)) / (2.0 * _STEP) for a in each], axis=1
        )
        doubt = np.einsum("ki,ij,kj->k", slope, spread, slope)
        least = float(np.min(2.0 * self.variances(x, count) ** 2 / np.maximum(doubt, 1e-300)))
        return float(np.clip(least, 2.0, max(len(self.off) - self.slope.shape[1], 2)))


def _curvature(value: Callable[[Array], float], x: Array, a: Array, b: Array) -> float:
    total = value(x + a + b) - value(x + a - b) - value(x - a + b) + value(x - a - b)
    return total / (4.0 * _STEP**2)
