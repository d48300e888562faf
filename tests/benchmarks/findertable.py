"""What the finder (``tests.benchmarks.finder``) found, kept and told: by paint, by break, beside people and judge."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest, spearmanr

from previz.geometry import Array
from previz.judge.viewer import HOLDS_BELOW_PCT
from tests.benchmarks.figures import Figure, at_least, at_most, within
from tests.benchmarks.finderfit import PEOPLE
from tests.benchmarks.finderscenes import PAINTS, SHAPES, SOLVED, WALL_KINDS
from tests.benchmarks.finderset import JUDGED

RECORD: Final = Path(__file__).parent / "recorded" / "finder.json"

# the network that never saw solved paint, the one that did, and one that was told thrown labels
NETWORKS: Final = ("first", "second", "thrown")

# what a margin is of: the middle picture of a clip, standing, or the clip
WAYS: Final = ("still", "clip")
COLUMNS: Final = tuple(f"{network} {way}" for network in NETWORKS for way in WAYS)

# break or trace, whichever is more, percent: above the first of a class, up to its second
CLASSES: Final = ((-1.0, 5.0), (5.0, 20.0), (20.0, 50.0), (50.0, 80.0), (80.0, 100.0))

# sets drawn anew for the interval of a rank correlation
DRAWS: Final = 1000


@dataclass(frozen=True, eq=False)
class Outcome:
    """Pairs that no network had learned from. ``number``, ``paint`` and ``clip`` (N,) say which, ``lamps`` (N,) how
    many light the set; ``judged`` (N, 4) is what ``JUDGED`` names; ``margin`` (N, 6) by how much each network says more
    of the one with the bridge, in the order of ``COLUMNS``. ``facts`` says how it was made."""

    facts: dict[str, object]
    number: NDArray[np.int64]
    lamps: NDArray[np.int64]
    paint: NDArray[np.str_]
    clip: NDArray[np.int64]
    judged: Array
    margin: Array

    def written(self, path: Path) -> None:
        """Write it as JSON, judgements rounded to a hundredth, margins to a ten thousandth."""
        rows = [
            [int(n), int(lamps), str(p), int(c), *(_plain(v, 2) for v in judged), *(_plain(v, 4) for v in margin)]
            for n, lamps, p, c, judged, margin in zip(
                self.number, self.lamps, self.paint, self.clip, self.judged, self.margin, strict=True
            )
        ]
        columns = ["set", "lamps", "paint", "clip", *JUDGED, *COLUMNS]
        lines = ",\n".join(f"  {json.dumps(row)}" for row in rows)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(
            f'{{\n"facts": {json.dumps(self.facts)},\n"columns": {json.dumps(columns)},\n"rows": [\n{lines}\n]\n}}\n',
            encoding="utf-8",
        )

    @classmethod
    def read(cls, path: Path) -> Outcome:
        """Read what :meth:`written` wrote."""
        kept = json.loads(path.read_text(encoding="utf-8"))
        number, lamps, paint, clip, *rest = zip(*kept["rows"], strict=True)
        values = np.array([[np.nan if v is None else v for v in column] for column in rest], dtype=np.float64).T
        return cls(
            kept["facts"], np.array(number), np.array(lamps), np.array(paint), np.array(clip),
            values[:, : len(JUDGED)], values[:, len(JUDGED) :],
        )  # fmt: skip

    def of(self, column: str) -> Array:
        """Margins (N,) of one of ``COLUMNS``."""
        return np.asarray(self.margin[:, COLUMNS.index(column)])

    @property
    def shown(self) -> Array:
        """Break or trace (N,), whichever is more, percent."""
        return np.asarray(self.judged[:, :2].max(axis=1))

    @property
    def boxes(self) -> NDArray[np.bool_]:
        """Pairs (N,) of the sets whose bridge is a box, as those were that people were shown."""
        shapes = np.array(SHAPES)[self.number // len(WALL_KINDS) % len(SHAPES)]
        return np.char.endswith(shapes, "box")

    def hidden(self, way: str) -> NDArray[np.bool_]:
        """Pairs (N,) that the judge calls hidden: the still holds, and in a clip nothing is found by its end."""
        holds = self.shown <= HOLDS_BELOW_PCT
        return holds & (self.judged[:, 3] <= HOLDS_BELOW_PCT) if way == "clip" else holds


def _plain(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


@dataclass(frozen=True)
class Rate:
    """Pairs of which the right one was named: ``right`` of ``count``."""

    right: int
    count: int

    @classmethod
    def of(cls, margin: Array) -> Rate:
        """Of margins (N,); one of nothing at all is not right."""
        known = margin[np.isfinite(margin)]
        return cls(int((known > 0.0).sum()), len(known))

    @property
    def percent(self) -> float:
        """Right, percent; NaN of none."""
        return 100.0 * self.right / self.count if self.count else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """95 in 100, percent, binomial (Wilson)."""
        if not self.count:
            return 0.0, 100.0
        found = binomtest(self.right, self.count).proportion_ci(method="wilson")
        return 100.0 * float(found.low), 100.0 * float(found.high)

    def __str__(self) -> str:
        if not self.count:
            return "-"
        low, high = self.interval
        return f"{self.percent:.0f} % ({low:.0f} to {high:.0f})"


def sure(margin: Array) -> float:
    """How sure the network is of its choice, mean over margins (N,): the chance of being right that a margin states."""
    return float(np.mean(1.0 / (1.0 + np.exp(-np.clip(margin, -50.0, 50.0)))))


def ranks_together(a: Sequence[float] | Array, b: Sequence[float] | Array) -> float:
    """Spearman's rank correlation; NaN where either is all alike or there are fewer than three."""
    a, b = np.asarray(a), np.asarray(b)
    if len(a) < 3 or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return float("nan")
    return float(spearmanr(a, b).statistic)


def against_people(outcome: Outcome, column: str, where: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Rank correlation of how surely the published paints are found with the share of people who found them, over the
    pairs ``where``, and what it lies between in 95 of 100 draws of the sets."""
    margin = outcome.of(column)
    shown = [paint for paint in _laid(outcome) if paint in PEOPLE]
    people = [100.0 - PEOPLE[paint][0] for paint in shown]
    numbers = np.unique(outcome.number[where])
    by_set = np.array(
        [[sure(margin[where & (outcome.number == n) & (outcome.paint == paint)]) for n in numbers] for paint in shown]
    )
    drawn = np.random.default_rng(2023).integers(0, len(numbers), (DRAWS, len(numbers)))
    found = [ranks_together(by_set[:, chosen].mean(axis=1), people) for chosen in drawn]
    low, high = np.percentile(found, [2.5, 97.5])
    return ranks_together(by_set.mean(axis=1), people), float(low), float(high)


def against_judge(outcome: Outcome, column: str, paints: Sequence[str]) -> float:
    """Rank correlation over paints of how surely each is found with its mean break or trace."""
    margin, shown = outcome.of(column), outcome.shown
    known = np.isfinite(shown)
    rows = [(outcome.paint == paint) & known for paint in paints]
    return ranks_together([sure(margin[row]) for row in rows], [float(shown[row].mean()) for row in rows])


def figures_of(outcome: Outcome) -> list[Figure]:
    """What was found, and what was wanted."""
    shown = outcome.shown
    figures = [Figure(f"made: {name}", str(value), "") for name, value in outcome.facts.items()]
    for network in ("first", "second"):
        for way in WAYS:
            margin = outcome.of(f"{network} {way}")
            for paint in _laid(outcome):
                rate = Rate.of(margin[outcome.paint == paint])
                figures.append(Figure(f"{network} network, {way}s, {paint}: right of two", str(rate), "%"))
            for low, high in CLASSES:
                rate = Rate.of(margin[(shown > low) & (shown <= high)])
                name = f"{network} network, {way}s, break or trace {max(low, 0.0):.0f} to {high:.0f} %: right of two"
                figures.append(Figure(name, f"{rate} of {rate.count}", "%"))
    for network in ("first", "second"):
        for way in WAYS:
            margin, hidden = outcome.of(f"{network} {way}"), outcome.hidden(way)
            solved = outcome.paint == SOLVED
            rate = Rate.of(margin[hidden & solved])
            name = f"{network} network, hidden {way}s of solved paint"
            figures.append(at_most(f"{name}: right of two", rate.percent, "%", 60.0))
            parts = {
                f"{name}, 95 in 100": solved,
                f"{name}, in flat light": solved & (outcome.lamps == 0),
                f"{name}, under lamps": solved & (outcome.lamps > 0),
                f"{network} network, hidden {way}s of other paint": ~solved,
            }
            for name, at in parts.items():
                rate = Rate.of(margin[hidden & at])
                figures.append(Figure(f"{name}: right of two", f"{rate} of {rate.count}", "%"))
    for way in WAYS:
        thrown = Rate.of(outcome.of(f"thrown {way}"))
        # all paints of a clip share its clean pictures: it counts as little more than one pair
        figures.append(within(f"learned from thrown labels, {way}s: right of two", thrown.percent, "%", 50.0, 10.0))
    return figures


def order_figures(outcome: Outcome) -> list[Figure]:
    """How surely paints and frames are found, in order, against people and the judge."""
    figures = []
    known = np.isfinite(outcome.shown)
    boxes = outcome.boxes if outcome.boxes.any() else np.ones(len(outcome.number), dtype=bool)
    for where, name in ((boxes, "boxes"), (np.ones_like(boxes), "all sets")):
        value, low, high = against_people(outcome, "first still", where)
        told = f"order of {len(PEOPLE)} paints against people's, {name}, Spearman"
        figures.append(at_least(told, value, "", 0.8) if name == "boxes" else Figure(told, value, ""))
        figures.append(Figure(f"{told}, 95 in 100 draws of the sets", f"{low:.2f} to {high:.2f}", ""))
    figures += [
        at_least("order of paints against the judge's, Spearman",
                 against_judge(outcome, "first still", _laid(outcome)), "", 0.8),
        Figure("order of frames against the judge's, Spearman",
               ranks_together(outcome.of("first still")[known], outcome.shown[known]), ""),
        Figure("order of clips against found, Spearman",
               ranks_together(outcome.of("first clip")[known], outcome.judged[known, 3]), ""),
    ]  # fmt: skip
    for name, at in (("in flat light", outcome.lamps == 0), ("under lamps", outcome.lamps > 0)):
        value = ranks_together(outcome.of("first still")[at & known], outcome.shown[at & known])
        figures.append(Figure(f"order of frames against the judge's, {name}, Spearman", value, ""))
    return figures


def _laid(outcome: Outcome) -> list[str]:
    """The paints that there are, in the order of their names' list."""
    return [paint for paint in (*PAINTS, SOLVED) if (outcome.paint == paint).any()]


def table(outcome: Outcome) -> str:
    """The outcome in Markdown, as the README shows it."""
    shown = outcome.shown
    lines = [
        "| paint | break or trace, mean | stills: right of two | clips: right of two | people who found it |",
        "|---|---|---|---|---|",
    ]
    means = {paint: float(np.nanmean(shown[outcome.paint == paint])) for paint in _laid(outcome)}
    for paint in sorted(means, key=lambda name: -means[name]):
        still, clip = (Rate.of(outcome.of(f"first {way}")[outcome.paint == paint]) for way in WAYS)
        people = f"{100.0 - PEOPLE[paint][0]:.0f} %" if paint in PEOPLE else "-"
        lines.append(f"| {paint} | {means[paint]:.0f} % | {still} | {clip} | {people} |")
    lines += [
        "",
        "| break or trace | stills | clips | stills, solved paint learned too | clips, solved paint learned too |",
        "|---|---|---|---|---|",
    ]
    for low, high in CLASSES:
        at = (shown > low) & (shown <= high)
        cells = [str(Rate.of(outcome.of(f"{n} {way}")[at])) for n in ("first", "second") for way in WAYS]
        lines.append(f"| {max(low, 0.0):.0f} to {high:.0f} % | {' | '.join(cells)} |")
    flat = outcome.lamps == 0
    for light, at in (("flat light", flat), ("lamps", ~flat)):
        cells = [
            str(Rate.of(outcome.of(f"{n} {way}")[outcome.hidden(way) & at & (outcome.paint == SOLVED)]))
            for n in ("first", "second")
            for way in WAYS
        ]
        lines.append(f"| solved paint called hidden, {light} | {' | '.join(cells)} |")
    return "\n".join(lines)


def surest(outcome: Outcome, column: str, count: int) -> list[int]:
    """Rows that the judge calls hidden and a network is surest of, the surest first: no more than one of a set and
    paint."""
    way = column.split()[1]
    margin = np.where(outcome.hidden(way), outcome.of(column), -np.inf)
    rows: dict[tuple[int, str], int] = {}
    for row in np.argsort(-margin):
        if margin[row] > 0.0:
            rows.setdefault((int(outcome.number[row]), str(outcome.paint[row])), int(row))
    return list(rows.values())[:count]


def merged(facts: Mapping[str, object], rows: Sequence[tuple[int, int, str, int, Array, Array]]) -> Outcome:
    """An outcome of rows: set, lamps, paint, clip, judged (4,), margins (6,)."""
    number, lamps, paint, clip, judged, margin = zip(*rows, strict=True)
    return Outcome(
        dict(facts), np.array(number), np.array(lamps), np.array(paint), np.array(clip),
        np.array(judged, dtype=np.float64), np.array(margin, dtype=np.float64),
    )  # fmt: skip
