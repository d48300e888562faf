"""The command that writes the set and the move for other software: words in, words out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from previz.run.progress import Progress


def add_export(
    group: click.Group,
    common: Callable[[Callable[..., None]], Callable[..., None]],
    progress_of: Callable[[bool], Progress],
    print_json: Callable[[Any], None],
) -> None:
    """Put the command on a group; ``common`` are the options of every command that looks at the set."""

    @group.command()
    @click.argument("scene", type=click.Path(path_type=Path))
    @click.option("--gltf", is_flag=True, help="set.glb: wall, bridge, lamps and the moving camera.")
    @click.option("--usd", is_flag=True, help='set.usda, with its pictures; needs the extra "usd".')
    @click.option("--exr", is_flag=True, help='exr/: frames in linear light with depth and ids; needs the extra "exr".')
    @click.option("--svg", is_flag=True, help="plan.svg, elevation.svg, cut.svg: drawings at true size.")
    @click.option("--dxf", is_flag=True, help="The same drawings as DXF.")
    @click.option("--all", "everything", is_flag=True, help="All of these; says what is left out for want of an extra.")
    @click.option("--plain", is_flag=True, help="Pictures of paint without light on wall and bridge.")
    @click.option(
        "--width", type=click.IntRange(160, 16384), default=960, show_default=True, help="Width of exr/, pixels."
    )
    @common
    def export(
        scene: Path,
        gltf: bool,
        usd: bool,
        exr: bool,
        svg: bool,
        dxf: bool,
        everything: bool,
        plain: bool,
        width: int,
        out: Path | None,
        workers: int | None,
        engine: str | None,
        as_json: bool,
    ) -> None:
        """The set and the move for other software, in open formats; the camera as CSV and OpenTrackIO always."""
        from previz.command.export.export import Wanted
        from previz.command.export.export import export as run

        wanted = Wanted(gltf, usd, exr, svg, dxf, everything, plain)
        with progress_of(as_json) as progress:
            made = run(scene, wanted, out, width, workers, engine, progress)
        if as_json:
            print_json(made.values)
            return
        from previz.run.progress import print_cautions, print_rows

        values = made.values
        rows = [("frames", str(values["frames"]))]
        rows += [("", text) for text in (*values["notes"], *values["left_out"])]
        rows.append(("written to", f"{made.folder.as_posix()}: {', '.join(values['files'])}"))
        print_rows(values["title"], rows)
        print_cautions(values["cautions"])
