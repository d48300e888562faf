"""``previz export``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, scene_command, width_option


@click.command()
@click.option("--gltf", is_flag=True, help="set.glb: wall, bridge, lamps and the moving camera.")
@click.option("--usd", is_flag=True, help='set.usda, with its pictures; needs the extra "usd".')
@click.option("--exr", is_flag=True, help='exr/: frames in linear light with depth and ids; needs the extra "exr".')
@click.option("--svg", is_flag=True, help="plan.svg, elevation.svg, cut.svg: drawings at true size.")
@click.option("--dxf", is_flag=True, help="The same drawings as DXF.")
@click.option("--all", "everything", is_flag=True, help="All of these; says what is left out for want of an extra.")
@click.option("--plain", is_flag=True, help="Pictures of paint without light on wall and bridge.")
@width_option(160, 16384, 960, "Width of exr/")
@scene_command()
def export(scene: Path, width: int, everything: bool, asked: Asked, **kinds: bool) -> None:
    """The set and the move for other software, in open formats; the camera as CSV and OpenTrackIO always."""
    from previz.command.export.export import Wanted, export_rows
    from previz.command.export.export import export as run

    wanted = Wanted(everything=everything, **kinds)
    with asked.progress() as progress:
        made = run(scene, wanted, asked.out, width, asked.workers, asked.engine, progress)
    asked.show(made, export_rows)
