"""Hand-pushed takes made up for the tests: even, uneven, pausing, pulled back, with the true position known."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from previz.geometry import Array

KINDS = ("even", "uneven", "pausing", "pulled back")


def pushed(kind: str, seed: int, count: int = 200, start: float = -4e-3, end: float = 126e-3) -> Array:
    """True positions (count,) m of a push from ``start`` to ``end`` m that rests at both ends."""
    rng = np.random.default_rng(seed)
    speed = np.ones(count)
    if kind != "even":
        sway = gaussian_filter1d(rng.normal(size=count), 6.0)
        speed = np.clip(1.0 + 0.35 * sway / sway.std(), 0.3, 2.0)
    if kind == "pausing":
        for at in rng.integers(count // 5, 3 * count // 4, size=2):
            speed[at : at + 18] = 0.0
    if kind == "pulled back":
        at = int(rng.integers(count // 4, 2 * count // 3))
        speed[at : at + 9] = -0.7
    speed[:12] = 0.0
    speed[-12:] = 0.0
    # a hand and a sledge have mass
    speed = gaussian_filter1d(speed, 2.0)
    way = np.concatenate([[0.0], np.cumsum(speed)[:-1]])
    return np.asarray(start + (end - start) * way / way[-1])
