"""``previz shoot`` and ``previz score``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, scene_command, width_option


@click.command()
@width_option(160, 16384, 960, "Width of the frames")
@click.option("--figure/--no-figure", default=False, help="Stand the performer's cut-out on the foot mark.")
@scene_command(spreads=True)
def shoot(scene: Path, width: int, figure: bool, asked: Asked) -> None:
    """The main job: lens view, side view, plan and score along the move."""
    from previz.command.shoot.shoot import shoot as run
    from previz.command.shoot.words import shot_rows

    with asked.progress() as progress:
        shot = run(scene, asked.out, width, figure, asked.workers, asked.engine, progress, asked.cluster)
    asked.show(shot, shot_rows)


@click.command()
@width_option(160, 16384, 960, "Width judged at")
@click.option("--explain", type=int, metavar="FRAME", help="One frame alone: what of it is found, and where.")
@scene_command(spreads=True)
def score(scene: Path, width: int, explain: int | None, asked: Asked) -> None:
    """Numbers only: break, mismatch and slip of every frame, and the hold."""
    if explain is not None:
        from previz.command.shoot.explain import explain as look
        from previz.command.shoot.explain import explained_rows

        with asked.progress() as progress:
            found = look(scene, asked.out, explain, width, asked.engine, progress)
        asked.show(found, explained_rows)
        return
    from previz.command.shoot.shoot import score as run
    from previz.command.shoot.words import shot_rows

    with asked.progress() as progress:
        shot = run(scene, asked.out, width, asked.workers, asked.engine, progress, asked.cluster)
    asked.show(shot, shot_rows)
