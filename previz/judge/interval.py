"""How sure a share is that was counted: Wilson's interval of a binomial probability."""

from __future__ import annotations

import math
from typing import Final

# two-sided 95 % of a normal distribution
_Z95: Final = 1.959963984540054


def wilson(successes: int, trials: int) -> tuple[float, float]:
    """95 % confidence interval of a probability, 0 to 1, from ``successes`` in ``trials``.

    Wilson, Journal of the American Statistical Association 22, 209-212, 1927. Without trials nothing is known: 0 to 1.
    """
    if trials == 0:
        return 0.0, 1.0
    share, z2 = successes / trials, _Z95**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = _Z95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2))
    low = 0.0 if successes == 0 else middle - half
    return low, 1.0 if successes == trials else middle + half
