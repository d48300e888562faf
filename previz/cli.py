"""The command line: words in, words out. Everything heavy is imported inside the command that needs it."""

from __future__ import annotations

import _thread
import errno
import os
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from previz import __version__
from previz.bench.cli import bench
from previz.command.export.cli import add_export
from previz.command.lineup.cli import add_lineup
from previz.errors import OutputError, PrevizError

if TYPE_CHECKING:
    from previz.command.shoot.shoot import Shot
    from previz.run.progress import Progress

_ENGINES = click.Choice(["pictures", "sightlines"])

_STOPPED = "previz: stopped; whole files are kept, and the same command goes on from here"
_PATIENCE = 0.7  # s that are given to putting things away after Ctrl-C

# what a machine runs out of: disk, disk share, open files (one program, all), memory, processes
_MACHINE = {
    getattr(errno, name, errno.ENOSPC) for name in ("ENOSPC", "EDQUOT", "EMFILE", "ENFILE", "ENOMEM", "EAGAIN")
}


class _Commands(click.Group):
    """Commands in the order of the job, with a guess at a misspelt one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        import difflib

        if args and args[0] not in self.commands and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], self.commands, n=1)
            guess = f' Did you mean "{near[0]}"?' if near else f" There are: {', '.join(self.commands)}."
            ctx.fail(f'No command "{args[0]}".{guess}')
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="previz")
def cli() -> None:
    """Plan, paint and shoot a miniature walkway that cannot be seen until the camera slides."""


def _scene_argument(function: Callable[..., None]) -> Callable[..., None]:
    return click.argument("scene", type=click.Path(path_type=Path))(function)


def _folder(ctx: click.Context, parameter: click.Parameter, value: str | None) -> Path | None:
    # an empty text, from a variable that is not set, would mean the working folder
    if value is not None and not value.strip():
        raise click.BadParameter("it is empty; name a folder", ctx, parameter)
    return None if value is None else Path(value)


def _common(function: Callable[..., None]) -> Callable[..., None]:
    """Options of every command that looks at the set."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else."),
        click.option("--engine", type=_ENGINES, help="How frames are drawn; the best there is unless given."),
        click.option(
            "--workers", type=click.IntRange(1, 256), help="Processes at work; as many as processors unless given."
        ),
        click.option(
            "--out", metavar="FOLDER", callback=_folder, help="Folder for the results; renders/<scene> unless given."
        ),
    ):
        function = option(function)
    return function


@cli.command()
@click.argument("name")
@click.option("--force", is_flag=True, help="Write over a scene of that name.")
def new(name: str, force: bool) -> None:
    """Write a commented starter scene, NAME.toml, to this folder."""
    from previz.command.check.start import new_scene

    click.echo(f"wrote {new_scene(name, force)}")


@cli.command()
@_scene_argument
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else.")
def check(scene: Path, as_json: bool) -> None:
    """Read and judge a scene without rendering: derived numbers and cautions."""
    from previz.command.check.start import check_scene

    checked = check_scene(scene)
    if as_json:
        _print_json(checked)
        return
    from previz.run.progress import print_cautions, print_rows

    print_rows(checked["title"], checked["derived"])
    print_cautions(checked["cautions"])


@cli.command()
def schema() -> None:
    """Print the JSON Schema of scene files, for editors."""
    from previz.scene.schema import schema_json

    _put(schema_json() + "\n")


@cli.command()
@_scene_argument
@click.option(
    "--width", type=click.IntRange(160, 16384), default=960, show_default=True, help="Width of the frames, pixels."
)
@click.option("--figure/--no-figure", default=False, help="Stand the performer's cut-out on the foot mark.")
@_common
def shoot(
    scene: Path,
    width: int,
    figure: bool,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """The main job: lens view, side view, plan and score along the move."""
    from previz.command.shoot.shoot import shoot as run

    with _progress(as_json) as progress:
        shot = run(scene, out, width, figure, workers, engine, progress)
    _print_shot(shot, as_json)


@cli.command()
@_scene_argument
@click.option(
    "--width", type=click.IntRange(160, 16384), default=960, show_default=True, help="Width judged at, pixels."
)
@_common
def score(
    scene: Path, width: int, out: Path | None, workers: int | None, engine: str | None, as_json: bool
) -> None:
    """Numbers only: break, mismatch and slip of every frame, and the hold."""
    from previz.command.shoot.shoot import score as run

    with _progress(as_json) as progress:
        shot = run(scene, out, width, workers, engine, progress)
    _print_shot(shot, as_json)


@cli.command()
@_scene_argument
@click.option("--height", help='Lens above the bridge\'s top: "120..240 mm x 4".')
@click.option("--tilt", help='Tilt of the camera: "-12..-4 deg x 3".')
@click.option("--distance", help='Lens to the wall: "1.1..1.4 m x 3".')
@click.option("--lens", help='Focal length: "28, 35, 50 mm".')
@click.option("--lateral", help='Lens to the side of the bridge\'s middle: "-40..40 mm x 3".')
@click.option(
    "--width", type=click.IntRange(160, 4096), default=480, show_default=True, help="Width judged at, pixels."
)
@_common
def sheet(
    scene: Path,
    height: str | None,
    tilt: str | None,
    distance: str | None,
    lens: str | None,
    lateral: str | None,
    width: int,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """Contact sheet of candidate angles, best first, the performer standing in each."""
    from previz.command.sheet.sheet import sheet as run

    asked = {"height": height, "tilt": tilt, "distance": distance, "lens": lens, "lateral": lateral}
    ranges = {name: text for name, text in asked.items() if text is not None}
    with _progress(as_json) as progress:
        made = run(scene, ranges, out, width, workers, engine, progress)
    if as_json:
        _print_json(made.rows)
        return
    from previz.run.progress import print_candidates, print_cautions

    print_candidates(made.title, made.rows, made.varied, made.folder.as_posix())
    print_cautions(made.cautions)


@cli.command()
@_scene_argument
@click.option(
    "--width", type=click.IntRange(400, 4096), default=480, show_default=True, help="Width judged at, pixels."
)
@click.option("--budget", type=click.IntRange(10, 10_000_000), help="Candidates to try; as in the scene unless given.")
@_common
def search(
    scene: Path,
    width: int,
    budget: int | None,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """Look for the station point, lens, rail and bridge that hold longest, within the scene's bounds."""
    from previz.command.search.search import search as run

    with _progress(as_json) as progress:
        found = run(scene, out, width, budget, workers, engine, progress)
    if as_json:
        _print_json(found.summary)
        return
    from previz.command.search.words import search_rows
    from previz.run.progress import print_rows

    print_rows(found.summary["title"], search_rows(found.summary, found.folder.as_posix()))


@cli.command()
@_scene_argument
@click.option(
    "--width", type=click.IntRange(400, 4096), default=960, show_default=True, help="Width judged at, pixels."
)
@click.option("--samples", type=click.IntRange(10, 1_000_000), help="Builds to try; as the scene says unless given.")
@_common
def knock(
    scene: Path,
    width: int,
    samples: int | None,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """How far the camera may drift before the bridge shows, per freedom and all together."""
    from previz.command.search.knock import knock as run

    with _progress(as_json) as progress:
        made = run(scene, samples, out, width, workers, engine, progress)
    if as_json:
        _print_json(made.summary)
        return
    from previz.command.search.words import knock_rows
    from previz.run.progress import print_rows

    print_rows(made.summary["title"], knock_rows(made.summary, made.folder.as_posix()))


@cli.command()
@_scene_argument
@click.option("--compare", is_flag=True, help="Also judge the paints that others would have made, and picture them.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter", "roll"]), default="a4", show_default=True, help="What is printed on."
)
@click.option("--steps", type=click.IntRange(0, 1000), help="Steps of solving; fewer are sooner done and less good.")
@_common
def paint(
    scene: Path,
    compare: bool,
    paper: Any,
    steps: int | None,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """Solve the paint for the whole hold; true-size painting guide, cut pattern and strings."""
    from previz.command.paint.paint import paint as run

    with _progress(as_json) as progress:
        made = run(scene, compare, paper, steps, out, workers, engine, progress)
    if as_json:
        _print_json(made.values)
        return
    from previz.command.search.words import paint_rows
    from previz.run.progress import print_cautions, print_rows

    print_rows(made.values["title"], paint_rows(made.values, made.folder.as_posix()))
    print_cautions(made.values["cautions"])


@cli.command()
@_scene_argument
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="What is printed on."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else.")
@click.option(
    "--out", metavar="FOLDER", callback=_folder, help="Folder for the results; renders/<scene> unless given."
)
def rig(scene: Path, paper: Any, as_json: bool, out: Path | None) -> None:
    """Shot card and drawings to scale for the day: optics, light, rail marks, support."""
    from previz.command.rig.rig import rig as run

    with _progress(as_json) as progress:
        made = run(scene, paper, out, progress)
    if as_json:
        _print_json(made.values)
        return
    from previz.command.rig.words import rig_rows
    from previz.run.progress import print_cautions, print_rows

    print_rows(made.values["title"], rig_rows(made.values, made.folder.as_posix()))
    print_cautions(made.values["cautions"])


@cli.command()
@_scene_argument
@click.option(
    "--width", type=click.IntRange(160, 16384), default=1280, show_default=True, help="Width of the animatic, pixels."
)
@click.option("--burn-in", is_flag=True, help="Write frame, rail position and speed into the lower bar.")
@click.option("--split", is_flag=True, help="Also a film of the scene as it is beside the one scaled from the plate.")
@click.option("--wipe", is_flag=True, help="Also a film that wipes from without the bridge to with it.")
@_common
def plate(
    scene: Path,
    width: int,
    burn_in: bool,
    split: bool,
    wipe: bool,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """Plate and miniature as one shot: scale, retime, feet, shadow, colour, framing, and an animatic."""
    from previz.command.plate.plate import Wishes
    from previz.command.plate.plate import plate as run

    with _progress(as_json) as progress:
        made = run(scene, out, width, Wishes(burn_in, split, wipe), workers, engine, progress)
    if as_json:
        _print_json(made.values)
        return
    from previz.command.plate.words import plate_rows
    from previz.run.progress import print_cautions, print_rows

    print_rows(made.values["title"], plate_rows(made.values, made.folder.as_posix()))
    print_cautions(made.values["cautions"])


@cli.command()
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
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else.")
def optics(as_json: bool, **options: str | None) -> None:
    """What a lens, a stop and a light give: field, focus, blur, exposure, flicker. Needs no scene."""
    from previz.command.rig.optics import answers, asked

    values, rows = answers(asked({name: text for name, text in options.items() if text is not None}))
    if as_json:
        _print_json(values, decimals=6)
        return
    from previz.run.progress import print_rows

    print_rows("Optics", rows)


def _progress(as_json: bool) -> Progress:
    from previz.run.progress import Progress

    return Progress(quiet=as_json)


def _print_json(value: Any, decimals: int = 4) -> None:
    from previz.run.output import json_text

    _put(json_text(value, decimals=decimals, sort_keys=False))


def _put(text: str) -> None:
    """Write to standard output, as UTF-8 whatever the terminal speaks (RFC 8259 asks for it)."""
    try:
        click.echo(text.encode("utf-8"), nl=False)
    except BrokenPipeError:
        # whoever read our output has seen enough; nothing is wrong, and nothing more is to be written
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        raise OutputError(f"cannot write to standard output: {error.strerror or error}") from error


def _print_shot(shot: Shot, as_json: bool) -> None:
    if as_json:
        _print_json(shot.summary)
        return
    from previz.run.progress import print_cautions, print_summary

    print_summary(shot.summary, shot.folder.as_posix())
    print_cautions(shot.summary["cautions"])


add_lineup(cli, _common, _progress, _print_json)
add_export(cli, _common, _progress, _print_json)
cli.add_command(bench)


def _fail(message: str) -> NoReturn:
    click.echo(f"previz: {message}", err=True)
    sys.exit(2)


class _Stop:
    """Ctrl-C: stops once, in good order; where something takes too long to be put away, stops all the same."""

    def __init__(self) -> None:
        self._stopping = False
        signal.signal(signal.SIGINT, self._heard)
        self._unraisable = sys.unraisablehook
        sys.unraisablehook = self._lost

    def _heard(self, number: int, frame: object) -> None:
        if self._stopping:
            return
        self._stopping = True
        _later(_PATIENCE, _leave)
        raise KeyboardInterrupt

    def _lost(self, unraisable: Any) -> None:
        """An exception that Python could not hand on, out of a library's call back: an interruption comes again."""
        if unraisable.exc_type is KeyboardInterrupt and self._stopping:
            _later(0.02, self._again)
        else:
            self._unraisable(unraisable)

    def _again(self) -> None:
        self._stopping = False
        _thread.interrupt_main()


def _later(seconds: float, what: Callable[[], None]) -> None:
    timer = threading.Timer(seconds, what)
    timer.daemon = True
    timer.start()


def _leave() -> NoReturn:
    if sys.stderr.isatty():
        # a progress bar hides the cursor, and may have had no time to show it again
        sys.stderr.write("\x1b[?25h")
    click.echo(_STOPPED, err=True)
    # not by way of SystemExit, after which Python may yet end itself by a signal
    os._exit(130)


def main() -> None:
    """Run the command line; a user's mistake is one message and exit code 2."""
    _Stop()
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _leave()
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except PrevizError as error:
        _fail(str(error))
    except MemoryError:
        _fail("not enough memory for this scene; ask for smaller frames with --width or fewer wall.triangles")
    except OSError as error:
        if error.errno not in _MACHINE:
            raise
        where = f" ({error.filename})" if error.filename else ""
        _fail(f"the machine refuses: {error.strerror}{where}; free some of it, or ask for fewer --workers")


if __name__ == "__main__":
    main()
