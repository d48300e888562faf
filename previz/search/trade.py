"""The trade between hold and reveal: what can be had of the one for the other, out of any number of candidates."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field

from previz.search.ledger import Row

# candidates closer than this to one another are one dot of the plot: share of the longest hold, percent of break
_HOLD_STEP, _REVEAL_STEP = 1.0 / 250.0, 0.5


@dataclass
class Trade:
    """Dots (hold m, break at the reveal in percent) of the candidates that were judged, and the front among them.

    Fed one by one; what is kept does not grow with the number of candidates. ``longest`` m is the longest hold that
    there can be.
    """

    longest: float
    dots: dict[tuple[int, int], tuple[float, float]] = field(default_factory=dict)
    # by falling hold and rising reveal: no candidate has more of both
    front: list[tuple[float, float, int]] = field(default_factory=list)

    def add(self, row: Row) -> None:
        """Take in a candidate."""
        outcome = row.outcome
        if not outcome.judged or outcome.break_reveal_pct is None:
            return
        hold, reveal = outcome.hold, outcome.break_reveal_pct
        cell = int(hold / (self.longest * _HOLD_STEP)), int(reveal / _REVEAL_STEP)
        self.dots.setdefault(cell, (hold, reveal))
        at = bisect_left(self.front, (-hold, -reveal), key=lambda kept: (-kept[0], -kept[1]))
        if any(kept[1] >= reveal for kept in self.front[max(at - 1, 0) : at]):
            return
        if at < len(self.front) and self.front[at][:2] == (hold, reveal):
            return
        later = at
        while later < len(self.front) and self.front[later][1] <= reveal:
            later += 1
        self.front[at:later] = [(hold, reveal, row.number)]

    def points(self) -> Iterator[tuple[float, float]]:
        """The dots, in order."""
        for cell in sorted(self.dots):
            yield self.dots[cell]
