"""``previz sheet``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, print_json, scene_command, tell_next, width_option


@click.command()
@click.option("--height", help='Lens above the bridge\'s top: "120..240 mm x 4".')
@click.option("--tilt", help='Tilt of the camera: "-12..-4 deg x 3".')
@click.option("--distance", help='Lens to the wall: "1.1..1.4 m x 3".')
@click.option("--lens", help='Focal length: "28, 35, 50 mm".')
@click.option("--lateral", help='Lens to the side of the bridge\'s middle: "-40..40 mm x 3".')
@width_option(160, 4096, 480, "Width judged at")
@scene_command()
def sheet(scene: Path, width: int, asked: Asked, **ranges: str | None) -> None:
    """Contact sheet of candidate angles, best first, the performer standing in each."""
    from previz.command.sheet.sheet import sheet as run

    given = {name: text for name, text in ranges.items() if text is not None}
    with asked.progress() as progress:
        made = run(scene, given, asked.out, width, asked.workers, asked.engine, progress)
    if asked.as_json:
        print_json(made.values["rows"])
        return
    from previz.command.sheet.words import print_candidates
    from previz.run.progress import print_cautions

    print_candidates(made)
    print_cautions(made.values["cautions"])
    tell_next(made.folder.as_posix())
