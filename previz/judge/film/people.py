"""How sure a count of real viewers is: intervals of a share (binomial), and how many viewers a claim needs."""

from __future__ import annotations

from typing import Final

from scipy.special import betaincinv

from previz.judge.interval import wilson

# two-sided, as intervals are usually told
CONFIDENCE: Final = 0.95


def share_interval(found: int, viewers: int) -> tuple[float, float]:
    """What share of all viewers would find it, when ``found`` of ``viewers`` did: low and high, 0 to 1, at 95 %.

    Wilson's score interval (*JASA* 22, 209, 1927), which Brown, Cai and DasGupta (*Statistical Science* 16, 101, 2001)
    advise for few viewers. Raises ``ValueError`` where more found it than there are, or there is no viewer.
    """
    if not 0 <= found <= viewers or viewers < 1:
        raise ValueError(f"{found} of {viewers} viewers is no count")
    return wilson(found, viewers)


def at_most(found: int, viewers: int, confidence: float = CONFIDENCE) -> float:
    """The largest share that ``found`` of ``viewers`` still allows, 0 to 1: one-sided, and true at least that often.

    Clopper and Pearson (*Biometrika* 26, 404, 1934), equation by the beta distribution.
    """
    if not 0 <= found <= viewers or viewers < 1:
        raise ValueError(f"{found} of {viewers} viewers is no count")
    return 1.0 if found == viewers else float(betaincinv(found + 1, viewers - found, confidence))


def viewers_needed(found: int, share: float, confidence: float = CONFIDENCE) -> int:
    """How many viewers it takes to claim that at most ``share`` (0 to 1) of all find it, when ``found`` of them do."""
    if not 0.0 < share < 1.0:
        raise ValueError(f"a share lies between 0 and 1, not at {share}")
    low, high = found, max(found + 1, 1)
    while at_most(found, high, confidence) > share:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if at_most(found, middle, confidence) <= share else (middle, high)
    return high
