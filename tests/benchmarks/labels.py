"""Labels struck through by lines or lying on one another, over all drawings of seeded sets.

    python -m tests.benchmarks.labels [--quick] [--json]
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Final

from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.draw.seeded import struck_of_set

SETS: Final = 20
QUICK_SETS: Final = 3


def main() -> None:
    asked = options(__doc__ or "")
    count = QUICK_SETS if asked.quick else SETS
    kinds: Counter[str] = Counter()
    found = []
    for number in range(count):
        with tempfile.TemporaryDirectory() as folder:
            drawn = struck_of_set(number, Path(folder))
        kinds.update(drawn.keys())
        found += [each for struck in drawn.values() for each in struck]
        print(f"set {number}: {sum(map(len, drawn.values()))} struck", file=sys.stderr)
    for each in found:
        print(each, file=sys.stderr)
    figures: list[Figure] = [
        at_least("seeded sets drawn", count, "sets", QUICK_SETS if asked.quick else SETS),
        at_least("drawings read back", sum(kinds.values()), "files", 10 * count),
        at_most("labels struck through or under another", len(found), "labels", 0),
    ]
    report("labels", figures, asked.json, [f"sets {QUICK_SETS} to {SETS - 1}"] if asked.quick else [])


if __name__ == "__main__":
    main()
