"""How many people find the bridge, from break: within a minute, and as a chance a second.

No people looked at this project's frames. The map rests on one published study of other pictures: Guo, Collins, de
Lima, Owens, "GANmouflage", CVPR 2023, tables 1 and 2, in which people who were told that a painted cube is hidden in a
photograph had 60 s to find it. Five of its paints can be made here (``previz/paint/baselines.py``); each was laid on
seeded sets and judged, and the share of people whom the study says found it set against the break that it has here
(``python -m tests.benchmarks.calibration --fit``). It is thus a map for people who look for something on a still, an
upper limit for those who are not told.

**Form.** Found by now with chance 1 - exp(-h t), h being a constant chance a second while the frame stands: the
complementary log-log form of grouped survival times (Prentice and Gloeckler, Biometrics 34, 57, 1978), with h rising
as a power of break: h = HAZARD (break / REFERENCE_PCT)^EXPONENT. At break 0 nothing is there to be found, so h is 0. It
is the straight line by weighted least squares through log h of each paint's share against the log of its mean break; a
share weighs by the plus-minus printed beside it, which is taken for a standard error. It is thus a map of means: the
study tells one share a paint, and nothing of single pictures.

**How wrong.** ``low`` and ``high`` hold 95 % of what the fit could have been: sets drawn anew (bootstrap) and shares
drawn anew within their errors, as a normal distribution of log HAZARD and EXPONENT. What they cannot hold is another
form: four of the five paints lie near one another, and nothing that people were shown and that can be made here has
less break than ``LEAST_SHOWN_PCT``. Below it all is continued by the form. So ``high`` is never less than what the
logistic curve through the same shares says, which does not come to 0 at break 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# how long people of the study looked, s
LOOKED_S: Final = 60.0

# break (percent) at which HAZARD is stated: amid the paints that people were shown
REFERENCE_PCT: Final = 50.0

# ---- printed by ``python -m tests.benchmarks.calibration --fit``
FITTED_SETS: Final = 36
HAZARD: Final = 0.01690
EXPONENT: Final = 1.107
# standard deviations of log HAZARD and of EXPONENT, and their correlation
LOG_HAZARD_SD: Final = 0.092
EXPONENT_SD: Final = 0.222
CORRELATION: Final = -0.69
# the logistic curve: log odds of being found within 60 s at break 0, and their rise a point of break
LOGIT_AT_0: Final = -1.082
LOGIT_SLOPE: Final = 0.0323
# the least mean break of a paint that people were shown, percent
LEAST_SHOWN_PCT: Final = 40.7
# ----

_SIGMAS_OF_95: Final = 1.959964


@dataclass(frozen=True, eq=False)
class Finding:
    """A number or an array of them, ``value``, with what 95 in 100 fits lie between (see the module's text)."""

    value: Array
    low: Array
    high: Array


def hazard(break_pct: ArrayLike) -> Finding:
    """The chance a second (...) that a viewer who looks for it finds the bridge, from break (...) in percent, 0 to 100.

    Rises with break, 0 at break 0 (but for ``high``). Hazards of successive frames add up over time. Raises
    ``ValueError`` for a break below 0 or above 100.
    """
    percent = np.asarray(break_pct, dtype=np.float64)
    if not ((percent >= 0.0) & (percent <= 100.0)).all():
        raise ValueError(f"break is 0 to 100 percent, not {break_pct!r}")
    with np.errstate(divide="ignore"):
        distance = np.log(percent / REFERENCE_PCT)
    # nothing is as good as this at break 0, where the power is 0 whatever the exponent
    known = np.where(percent > 0.0, distance, 0.0)
    variance = (
        LOG_HAZARD_SD**2 + 2.0 * CORRELATION * LOG_HAZARD_SD * EXPONENT_SD * known + (EXPONENT_SD * known) ** 2
    )
    spread = np.exp(_SIGMAS_OF_95 * np.sqrt(variance))
    value = np.where(percent > 0.0, HAZARD * np.exp(EXPONENT * known), 0.0)
    # -ln(1 - share) / 60 of the logistic curve
    other = np.logaddexp(0.0, LOGIT_AT_0 + LOGIT_SLOPE * percent) / LOOKED_S
    return Finding(value, value / spread, np.maximum(value * spread, other))


def share_found(break_pct: ArrayLike, seconds: float = LOOKED_S) -> Finding:
    """The share of viewers (...), 0 to 1, who find the bridge within ``seconds`` of looking at one still of this break
    (...) in percent. 60 s is what the study looked at; other times are continued by a constant chance a second."""
    each = hazard(break_pct)
    return Finding(*(-np.expm1(-seconds * h) for h in (each.value, each.low, each.high)))
