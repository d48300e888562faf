"""``previz markers`` and ``previz lineup``."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import click

from previz.errors import PlateError, missing
from previz.run.options import FILE, Asked, scene_command, width_option


@click.command()
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="What is printed on; as the scene says.")
@scene_command(looks=False)
def markers(scene: Path, paper: Any, asked: Asked) -> None:
    """Marker sheets at true size, and where to fix them, so that a photograph tells where the camera is."""
    _require_opencv("previz markers")
    from previz.command.lineup.markers import markers as run
    from previz.command.lineup.words import marker_rows

    with asked.progress() as progress:
        made = run(scene, paper, asked.out, progress)
    asked.show(made, marker_rows)


@click.command()
@click.option("--points", type=FILE, help="Named points, CSV: name, x, y, z in mm, and px, py in the photograph.")
@click.option("--frame", type=int, help="Frame that the camera should stand at; the station unless given.")
@click.option("--against", type=FILE, help="Compare with another photograph instead of the scene.")
@click.option("--write", is_flag=True, help="Also a scene of the set as built, from where the camera is.")
@click.option("--no-judge", is_flag=True, help="Leave out what the illusion is from there: quicker.")
@width_option(160, 4096, 960, "Width judged at")
@click.option("--lens-check", is_flag=True, help="Fit focal length and distortion from several photographs.")
@click.option("--folder", type=FILE, help="Watch a folder: judge every photograph that appears; Ctrl-C ends it.")
@click.option("--count", type=click.IntRange(1), help="With --folder: end after so many photographs.")
@scene_command()
@click.argument("photos", nargs=-1, type=FILE)
def lineup(
    scene: Path,
    photos: tuple[Path, ...],
    points: Path | None,
    frame: int | None,
    against: Path | None,
    write: bool,
    no_judge: bool,
    width: int,
    lens_check: bool,
    folder: Path | None,
    count: int | None,
    asked: Asked,
) -> None:
    """Where the real camera is, from a photograph with the markers, and how to bring it back."""
    _require_opencv("previz lineup")
    _refuse_together(
        {"--folder": folder is not None, "--lens-check": lens_check},
        {"--points": points is not None, "--write": write},
    )
    if folder is not None:
        if photos:
            raise PlateError("--folder takes no photographs: it judges those that appear in the folder")
        _watch(scene, folder, against, frame, count, asked.as_json)
        return
    if not photos:
        raise PlateError("no photograph is named; write previz lineup scene.toml photo.jpg, or --folder DIR")
    if not lens_check and len(photos) > 1:
        raise PlateError(f"{len(photos)} photographs are named, and one is looked at; several go with --lens-check")
    from previz.command.lineup import lineup as run
    from previz.command.lineup.lenscheck import lens_check as check_lens
    from previz.command.lineup.words import lens_rows, lineup_rows

    with asked.progress() as progress:
        if lens_check:
            made = check_lens(scene, photos, asked.out, progress)
        else:
            wishes = run.LineupWishes(frame, against, points, not no_judge, width, write)
            made = run.lineup(scene, photos[0], wishes, asked.out, asked.workers, asked.engine, progress)
    asked.show(made, lens_rows if lens_check else lineup_rows)


def _require_opencv(what: str) -> None:
    """Raises :class:`OutputError` where the library that draws, finds and solves markers is not installed."""
    if find_spec("cv2") is None:
        raise missing(what, "lineup", ImportError("OpenCV"))


def _refuse_together(first: dict[str, bool], others: dict[str, bool]) -> None:
    """Options that would be passed over in silence are refused."""
    given = [name for name, there in first.items() if there]
    if len(given) > 1:
        raise PlateError(f"{given[0]} and {given[1]} are two jobs; ask for one of them at a time")
    idle = [name for name, there in others.items() if there]
    if given and idle:
        raise PlateError(f"{idle[0]} does nothing with {given[0]}; leave it out, or name one photograph instead")


def _watch(
    scene: Path, folder: Path, against: Path | None, frame: int | None, count: int | None, as_json: bool
) -> None:
    import json

    from previz.command.lineup.watch import watch

    def say(line: str, values: dict[str, Any]) -> None:
        click.echo(json.dumps(values, ensure_ascii=False) if as_json else line)

    click.echo(f"watching {folder.as_posix()}: Ctrl-C ends it", err=True)
    watch(scene, folder, against, frame, count, say)
