"""The commands for the real camera: words in, words out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from previz.errors import PlateError

if TYPE_CHECKING:
    from previz.run.progress import Progress

_FILE = click.Path(path_type=Path)


def add_lineup(
    group: click.Group,
    common: Callable[[Callable[..., None]], Callable[..., None]],
    progress_of: Callable[[bool], Progress],
    print_json: Callable[[Any], None],
) -> None:
    """Put ``markers`` and ``lineup`` on a group; ``common`` are the options of every command that looks at the set."""

    @group.command()
    @click.argument("scene", type=_FILE)
    @click.option("--paper", type=click.Choice(["a4", "letter"]), help="What is printed on; as the scene says.")
    @click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else.")
    @click.option("--out", metavar="FOLDER", type=_FILE, help="Folder for the results; renders/<scene> unless given.")
    def markers(scene: Path, paper: Any, as_json: bool, out: Path | None) -> None:
        """Marker sheets at true size, and where to fix them, so that a photograph tells where the camera is."""
        from previz.command.lineup.markers import markers as run

        with progress_of(as_json) as progress:
            made = run(scene, paper, out, progress)
        if as_json:
            print_json(made.values)
            return
        from previz.command.lineup.words import marker_rows
        from previz.run.progress import print_cautions, print_rows

        print_rows(made.values["title"], marker_rows(made.values, made.folder.as_posix()))
        print_cautions(made.values["cautions"])

    @group.command()
    @click.argument("scene", type=_FILE)
    @click.argument("photos", nargs=-1, type=_FILE)
    @click.option("--points", type=_FILE, help="Named points, CSV: name, x, y, z in mm, and px, py in the photograph.")
    @click.option("--frame", type=int, help="Frame that the camera should stand at; the station unless given.")
    @click.option("--against", type=_FILE, help="Compare with another photograph instead of the scene.")
    @click.option("--write", is_flag=True, help="Also a scene of the set as built, from where the camera is.")
    @click.option("--no-judge", is_flag=True, help="Leave out what the illusion is from there: quicker.")
    @click.option("--width", type=click.IntRange(160, 4096), default=960, show_default=True, help="Width judged, px.")
    @click.option("--lens-check", is_flag=True, help="Fit focal length and distortion from several photographs.")
    @click.option("--folder", type=_FILE, help="Watch a folder: judge every photograph that appears; Ctrl-C ends it.")
    @click.option("--count", type=click.IntRange(1), help="With --folder: end after so many photographs.")
    @common
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
        out: Path | None,
        workers: int | None,
        engine: str | None,
        as_json: bool,
    ) -> None:
        """Where the real camera is, from a photograph with the markers, and how to bring it back."""
        _refuse_together(
            {"--folder": folder is not None, "--lens-check": lens_check},
            {"--points": points is not None, "--write": write},
        )
        if folder is not None:
            if photos:
                raise PlateError("--folder takes no photographs: it judges those that appear in the folder")
            _watch(scene, folder, against, frame, count, as_json)
            return
        if not photos:
            raise PlateError("no photograph is named; write previz lineup scene.toml photo.jpg, or --folder DIR")
        if not lens_check and len(photos) > 1:
            raise PlateError(f"{len(photos)} photographs are named, and one is looked at; several go with --lens-check")
        from previz.command.lineup import lineup as run
        from previz.command.lineup.lenscheck import lens_check as check_lens
        from previz.command.lineup.words import lens_rows, lineup_rows
        from previz.run.progress import print_cautions, print_rows

        with progress_of(as_json) as progress:
            if lens_check:
                made = check_lens(scene, photos, out, progress)
            else:
                wishes = run.LineupWishes(frame, against, points, not no_judge, width, write)
                made = run.lineup(scene, photos[0], wishes, out, workers, engine, progress)
        if as_json:
            print_json(made.values)
            return
        rows = lens_rows if lens_check else lineup_rows
        print_rows(made.values["title"], rows(made.values, made.folder.as_posix()))
        print_cautions(made.values.get("notes", made.values.get("refused", [])))


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
