"""``previz paint``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from previz.run.options import Asked, paper_option, scene_command


@click.command()
@click.option("--compare", is_flag=True, help="Also judge the paints that others would have made, and picture them.")
@paper_option("a4", "letter", "roll")
@click.option("--steps", type=click.IntRange(0, 1000), help="Steps of solving; fewer are sooner done and less good.")
@click.option(
    "--every-sheet",
    is_flag=True,
    help="Guide of all faces, seen or not, each in colour, by numbers and as lines; and the wall.",
)
@scene_command(solves=True, spreads=True)
def paint(scene: Path, compare: bool, paper: Any, steps: int | None, every_sheet: bool, asked: Asked) -> None:
    """Solve the paint for the whole hold; true-size painting guide, cut pattern and strings."""
    from previz.command.paint.paint import paint as run
    from previz.command.paint.words import paint_rows

    with asked.progress() as progress:
        how = (asked.out, asked.workers, asked.engine, progress, asked.cluster)
        made = run(scene, compare, paper, steps, every_sheet, *how)
    asked.show(made, paint_rows)
