"""``previz rig`` and ``previz optics``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from previz.run.options import (
    Asked,
    engine_option,
    json_option,
    paper_option,
    print_json,
    scene_command,
    with_room,
)


@click.command()
@click.option("--lamps", is_flag=True, help="Place the lamps at hand so that no trace shows; the card is of them then.")
@paper_option("a4", "letter")
@engine_option
@scene_command(looks=False)
def rig(scene: Path, paper: Any, lamps: bool, asked: Asked) -> None:
    """Shot card and drawings to scale for the day: optics, light, rail marks, support."""
    with_room(scene, None, replace(asked, workers=1))
    from previz.command.rig.rig import rig as run
    from previz.command.rig.words import rig_rows

    with asked.progress() as progress:
        made = run(scene, paper, asked.out, progress, asked.engine, lamps)
    asked.show(made, rig_rows)


@click.command()
@click.option("--lens", required=True, help='Focal length: "35 mm".')
@click.option("--stop", required=True, help='Stop: "f/22".')
@click.option("--focus", required=True, help='Distance in focus, from the entrance pupil: "0.7 m".')
@click.option("--sensor", help='Width x height; "35.9 x 24.0 mm" unless given.')
@click.option("--blur-limit", help='Largest circle of confusion that counts as sharp; "0.025 mm" unless given.')
@click.option("--iso", help="Sensitivity; 800 unless given.")
@click.option("--shutter", help='Exposure of a frame, "1/50 s"; half of its time unless given.')
@click.option("--rate", help="Frames a second; 25 unless given.")
@click.option("--light", help="Lux that there are.")
@click.option("--scale", help='Scale of the set, "1:20".')
@click.option("--pupil-ratio", help="Exit pupil / entrance pupil; 1 unless given.")
@click.option("--near", help='A nearer distance to judge, "400 mm".')
@click.option("--far", help='A farther distance to judge, "1.25 m".')
@json_option
def optics(as_json: bool, **options: str | None) -> None:
    """What a lens, a stop and a light give: field, focus, blur, exposure, flicker. Needs no scene."""
    from previz.command.rig.optics import answers, asked

    values, rows = answers(asked({name: text for name, text in options.items() if text is not None}))
    if as_json:
        print_json(values, decimals=6)
        return
    from previz.run.progress import print_rows

    print_rows("Optics", rows)
