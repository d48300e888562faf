"""How little break any paint could leave, as long as the wall stays as it is: slip against the wall's own pattern.

A place of the bridge's edge shows one paint in all frames, and beside it the wall drifts by. Whatever is painted
there, its mean colour has to be near to all that passes. The bound lets every place and every scale choose its own best
colour, and asks nothing of grain and rim: no paint does so well. What it leaves out is that steps are added up along
the outline, which can make single frames a little better or worse.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from previz.judge.viewer import WINDOW_GAIN, chance_found
from previz.paint.solver import HeldFrame

# places of the edge nearer to each other than this (m) are one
_CELL = 0.006


def least_break(frames: Sequence[HeldFrame]) -> float:
    """Least share of the outline, 0 to 1, that is found on the mean over ``frames``, whatever the paint."""
    place = np.concatenate([frame.place for frame in frames])
    # what lies outside the edge there, (N, S, 3), and how large a step of colour may be
    beside = np.concatenate([np.moveaxis(frame.judged.clean[0, ..., :3], 0, 1) for frame in frames])
    limit = np.concatenate([frame.judged.limit[..., 0] for frame in frames])
    known = np.isfinite(place).all(axis=1)
    beside, limit = beside[known], limit[known]
    if not known.any():
        return 0.0
    _, cell = np.unique(np.rint(place[known] / _CELL).astype(np.int64), axis=0, return_inverse=True)
    order = np.argsort(cell.reshape(-1), kind="stable")
    ends = np.flatnonzero(np.diff(cell.reshape(-1)[order], append=-1)) + 1
    total, start = 0.0, 0
    for end in ends:
        rows = order[start:end]
        start = int(end)
        colours, limits = beside[rows], limit[rows]
        # the best of the colours that pass and their mean, for each scale by itself
        tried = np.concatenate([colours, colours.mean(axis=0, keepdims=True)])
        away = np.linalg.norm(tried[:, None] - colours[None], axis=-1) / WINDOW_GAIN / limits[None]
        total += float(chance_found(away).sum(axis=1).min(axis=0).max())
    return total / int(known.sum())
