"""``previz plate``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, scene_command, width_option


@click.command()
@width_option(160, 16384, 1280, "Width of the animatic")
@click.option("--burn-in", is_flag=True, help="Write frame, rail position and speed into the lower bar.")
@click.option("--split", is_flag=True, help="Also a film of the scene as it is beside the one scaled from the plate.")
@click.option("--wipe", is_flag=True, help="Also a film that wipes from without the bridge to with it.")
@scene_command()
def plate(scene: Path, width: int, burn_in: bool, split: bool, wipe: bool, asked: Asked) -> None:
    """Plate and miniature as one shot: scale, retime, feet, shadow, colour, framing, and an animatic."""
    from previz.command.plate.plate import PlateWishes
    from previz.command.plate.plate import plate as run
    from previz.command.plate.words import plate_rows

    with asked.progress() as progress:
        made = run(scene, asked.out, width, PlateWishes(burn_in, split, wipe), asked.workers, asked.engine, progress)
    asked.show(made, plate_rows)
