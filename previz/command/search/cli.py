"""``previz search`` and ``previz knock``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, scene_command, width_option


@click.command()
@width_option(400, 4096, 480, "Width judged at")
@click.option("--budget", type=click.IntRange(10, 10_000_000), help="Candidates to try; as in the scene unless given.")
@scene_command(spreads=True)
def search(scene: Path, width: int, budget: int | None, asked: Asked) -> None:
    """Look for the station point, lens, rail and bridge that hold longest, within the scene's bounds."""
    from previz.command.search.search import search as run
    from previz.command.search.words import search_rows

    with asked.progress() as progress:
        found = run(scene, asked.out, width, budget, asked.workers, asked.engine, progress, asked.cluster)
    asked.show(found, search_rows)


@click.command()
@width_option(400, 4096, 960, "Width judged at")
@click.option("--samples", type=click.IntRange(10, 1_000_000), help="Builds to try; as the scene says unless given.")
@scene_command(spreads=True)
def knock(scene: Path, width: int, samples: int | None, asked: Asked) -> None:
    """How far camera, paint, bridge, colours, brush and lamps may be off before the bridge shows.

    Each alone, and all together as builds of the whole set, with the chance that the film holds. [knock] says how true
    each of them is."""
    from previz.command.search.knock import knock as run
    from previz.command.search.knockwords import knock_rows

    with asked.progress() as progress:
        made = run(scene, samples, asked.out, width, asked.workers, asked.engine, progress, asked.cluster)
    asked.show(made, knock_rows)
