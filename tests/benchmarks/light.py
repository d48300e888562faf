"""Figures of light, focus and exposure: ``python -m tests.benchmarks.light [--quick] [--json]``.

The light that is baked (``lightbake``), the same around a doorway's brink (``lightrim``), the blur of lens and shutter
(``lightblur``); published values of optics and exposure are checks of their own, in ``tests/test_optics.py`` and
``tests/scene/``.
"""

from __future__ import annotations

from tests.benchmarks import lightbake, lightblur, lightlamps, lightrim
from tests.benchmarks.figures import options, report


def main() -> None:
    """Measure and print."""
    asked = options(__doc__ or "")
    parts = (lightbake, lightrim, lightblur, lightlamps)
    figures = [figure for part in parts for figure in part.figures(asked.quick)]
    left_out = [name for part in parts for name in part.left_out(asked.quick)]
    report("light", figures, asked.json, left_out)


if __name__ == "__main__":
    main()
