"""From break to people: the map of ``previz/judge/finders.py`` fitted to a published study, and how sure it is.

What people found is quoted from Guo et al., CVPR 2023, tables 1 and 2 (the earlier methods are those of Owens et al.,
CVPR 2014): the share of people who did not find a painted cube within 60 s.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from previz.geometry import Array
from previz.judge.finders import LOOKED_S, REFERENCE_PCT

# share of people who did not find the cube, percent, and the plus-minus printed beside it
PEOPLE = {
    "mean": (16.1, 2.3),
    "random": (39.7, 3.0),
    "greedy": (40.3, 3.0),
    "faces": (41.3, 3.0),
    "labelling": (44.7, 3.0),
}
LEFT_OUT = "learned texture field (51.6 and 54.0 % of people did not find it): it needs the study's trained network"

RECORD = Path(__file__).parent / "recorded" / "calibration.json"

# a mean break below this, percent, counts as this: no power law passes through nothing
_LEAST_BREAK = 0.1

# fits to sets and shares drawn anew
DRAWS = 1000


@dataclass(frozen=True, eq=False)
class Calibration:
    """Break in percent (N,) of every paint on N sets, each the mean over its held-out places.

    ``laid`` (N,) is the mean break of outlines laid on clean frames.
    """

    names: tuple[str, ...]
    found: dict[str, Array]
    laid: Array

    def written(self, path: Path) -> None:
        """Write it as JSON, rounded to a thousandth of a point."""
        columns = {**self.found, "laid": self.laid}
        rows = {name: [round(float(v), 3) for v in values] for name, values in columns.items()}
        lines = ",\n".join(f"  {json.dumps(name)}: {json.dumps(row)}" for name, row in rows.items())
        path.parent.mkdir(exist_ok=True)
        path.write_text(f'{{\n  "sets": {json.dumps(self.names)},\n{lines}\n}}\n', encoding="utf-8")

    @classmethod
    def read(cls, path: Path) -> Calibration:
        """Read what :meth:`written` wrote."""
        rows = json.loads(path.read_text(encoding="utf-8"))
        names = tuple(rows.pop("sets"))
        laid = np.array(rows.pop("laid"))
        return cls(names, {name: np.array(row) for name, row in rows.items()}, laid)


@dataclass(frozen=True)
class Fit:
    """The constants of :mod:`previz.judge.finders`, in its words, and ``residual``, how far each paint's share of
    finders lies from the fitted one, in the study's errors."""

    sets: int
    hazard: float
    exponent: float
    log_hazard_sd: float
    exponent_sd: float
    correlation: float
    logit_at_0: float
    logit_slope: float
    least_shown_pct: float
    residual: dict[str, float]

    def constants(self) -> str:
        """The lines to paste into the module."""
        values = (
            ("FITTED_SETS", f"{self.sets}"),
            ("HAZARD", f"{self.hazard:.5f}"),
            ("EXPONENT", f"{self.exponent:.3f}"),
            ("LOG_HAZARD_SD", f"{self.log_hazard_sd:.3f}"),
            ("EXPONENT_SD", f"{self.exponent_sd:.3f}"),
            ("CORRELATION", f"{self.correlation:.2f}"),
            ("LOGIT_AT_0", f"{self.logit_at_0:.3f}"),
            ("LOGIT_SLOPE", f"{self.logit_slope:.4f}"),
            ("LEAST_SHOWN_PCT", f"{self.least_shown_pct:.1f}"),
        )
        return "\n".join(f"{name}: Final = {value}" for name, value in values)


def fitted(found: Mapping[str, Array], draws: int = DRAWS) -> Fit:
    """Fit the map to break (N,) in percent of the paints of ``PEOPLE`` on N sets.

    Each paint counts by its mean break: the study tells one share a paint, and nothing of single pictures.
    """
    breaks = np.stack([np.asarray(found[paint], dtype=np.float64) for paint in PEOPLE])
    not_found, error = (np.array(column) / 100.0 for column in zip(*PEOPLE.values(), strict=True))
    share = 1.0 - not_found
    # errors of log(-ln(1 - share)), to first order
    log_error = error / ((share - 1.0) * np.log1p(-share))
    best = _power(breaks.mean(axis=1), share, log_error)
    rng = np.random.default_rng(2023)
    drawn = []
    for _ in range(draws):
        # the same sets for every paint: they were judged on the same
        chosen = rng.integers(0, breaks.shape[1], breaks.shape[1])
        shares = np.clip(share + error * rng.standard_normal(len(share)), 0.01, 0.99)
        drawn.append(_power(breaks[:, chosen].mean(axis=1), shares, log_error))
    around = np.cov(np.array(drawn).T)
    sd = np.sqrt(np.diag(around))
    at_0, slope = _logistic(breaks.mean(axis=1), share, error)
    chance = -np.expm1(-LOOKED_S * np.exp(best[0]) * (breaks.mean(axis=1) / REFERENCE_PCT) ** best[1])
    residual = (chance - share) / error
    return Fit(
        breaks.shape[1], float(np.exp(best[0])), float(best[1]), float(sd[0]), float(sd[1]),
        float(around[0, 1] / (sd[0] * sd[1])), at_0, slope, float(breaks.mean(axis=1).min()),
        dict(zip(PEOPLE, residual.tolist(), strict=True)),
    )  # fmt: skip


def _power(breaks: Array, share: Array, log_error: Array) -> tuple[float, float]:
    """Log hazard at the reference and exponent: a straight line through the log hazards -ln(1 - share) / 60."""
    distance = np.log(np.maximum(breaks, _LEAST_BREAK) / REFERENCE_PCT)
    return _line(distance, np.log(-np.log1p(-share) / LOOKED_S), log_error)


def _logistic(breaks: Array, share: Array, error: Array) -> tuple[float, float]:
    """Log odds at break 0 and their rise a point: a straight line through the log odds, weighted likewise."""
    return _line(breaks, np.log(share / (1.0 - share)), error / (share * (1.0 - share)))


def _line(x: Array, y: Array, error: Array) -> tuple[float, float]:
    """Height at 0 and slope of the line through (x, y) that errs least by its squares over ``error``."""
    slope, height = np.polyfit(x, y, 1, w=1.0 / error)
    return float(height), float(slope)
