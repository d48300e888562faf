"""``previz new``, ``check`` and ``schema``."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import json_option, print_json, put, scene_argument, tell_next


@click.command()
@click.argument("name")
@click.option("--force", is_flag=True, help="Write over a scene of that name.")
def new(name: str, force: bool) -> None:
    """Write a commented starter scene, NAME.toml, to this folder."""
    from previz.command.check.start import new_scene

    written = new_scene(name, force)
    click.echo(f"wrote {written}")
    tell_next(scene=str(written))


@click.command()
@scene_argument
@json_option
def check(scene: Path, as_json: bool) -> None:
    """Read and judge a scene without rendering: derived numbers and cautions."""
    from previz.command.check.start import check_scene

    checked = check_scene(scene)
    if as_json:
        print_json(checked)
        return
    from previz.run.progress import print_cautions, print_rows

    print_rows(checked["title"], checked["derived"])
    print_cautions(checked["cautions"])
    tell_next()


@click.command()
def schema() -> None:
    """Print the JSON Schema of scene files, for editors."""
    from previz.scene.schema import schema_json

    put(schema_json() + "\n")
