"""Options that commands have in common, and how what they found is shown; loads nothing heavy."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import click

from previz.errors import OutputError, quoted
from previz.run.job import after

if TYPE_CHECKING:
    from previz.run.progress import Progress
    from previz.run.results import RunResult

Command = Callable[..., None]

FILE = click.Path(path_type=Path)


@dataclass(frozen=True)
class Asked:
    """What was asked of a command besides its own options; ``None`` where nothing was."""

    as_json: bool
    out: Path | None
    engine: str | None = None
    workers: int | None = None
    cluster: str | None = None

    def progress(self) -> Progress:
        """Progress on standard error, quiet where JSON is asked for; use it in a ``with`` block."""
        from previz.run.progress import Progress

        return Progress(quiet=self.as_json)

    def show(self, result: RunResult, rows: Callable[[dict[str, Any], str], Iterable[Sequence[str]]]) -> None:
        """Print a result: as JSON, or as a title, ``rows`` of (values, folder) and cautions."""
        if self.as_json:
            print_json(result.values)
            return
        from previz.run.progress import print_cautions, print_rows

        print_rows(result.values["title"], rows(result.values, result.folder.as_posix()))
        print_cautions(result.values.get("cautions", ()))
        tell_next(result.folder.as_posix())


def _folder(ctx: click.Context, parameter: click.Parameter, value: str | None) -> Path | None:
    # an empty text, from a variable that is not set, would mean the working folder
    if value is not None and not value.strip():
        raise click.BadParameter("it is empty; name a folder", ctx, parameter)
    return None if value is None else Path(value)


def _cluster(ctx: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    try:
        parts = urlsplit(value)
        whole = parts.scheme in ("tcp", "tls") and bool(parts.hostname) and bool(parts.port)
        whole = whole and not (parts.path or parts.query or parts.fragment or parts.username)
    except ValueError:
        whole = False
    if not whole:
        raise click.BadParameter(f"expected tcp://host:port, found {quoted(value)}", ctx, parameter)
    if ctx.params.get("workers") is not None:
        raise click.UsageError("--workers counts processes here, and --cluster has its own; give one of them", ctx)
    return value


json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, nothing else.")
engine_option = click.option(
    "--engine",
    type=click.Choice(["pictures", "sightlines"]),
    help="How frames are drawn; the best there is unless given.",
)
workers_option = click.option(
    "--workers", type=click.IntRange(1, 256), help="Processes at work; as many as processors unless given."
)
cluster_option = click.option(
    "--cluster",
    metavar="tcp://HOST:PORT",
    callback=_cluster,
    help="Work with a cluster's workers (a dask scheduler's address) instead of here. Whoever reaches a scheduler can "
    "run anything on its machines: trusted networks only.",
)
out_option = click.option(
    "--out", metavar="FOLDER", callback=_folder, help="Folder for the results; renders/<scene> unless given."
)
scene_argument = click.argument("scene", type=FILE)


def width_option(least: int, most: int, usual: int, what: str) -> Callable[[Command], Command]:
    """``--width`` in pixels, from ``least`` to ``most``, with the word ``what`` it is the width of."""
    return click.option(
        "--width", type=click.IntRange(least, most), default=usual, show_default=True, help=f"{what}, pixels."
    )


def paper_option(*papers: str) -> Callable[[Command], Command]:
    """``--paper``, one of ``papers``, the first of them unless given."""
    return click.option(
        "--paper", type=click.Choice(papers), default=papers[0], show_default=True, help="What is printed on."
    )


def with_room(scene: Path, width_px: int | None, asked: Asked, solves: bool = False) -> Asked:
    """What was asked, with as many workers as there is memory for; ``solves`` where paint is solved in any case.

    Raises :class:`OutputError` where there is too little for one, :class:`previz.errors.SceneError` for a faulty scene.
    """
    from previz.run.memory import require_addresses

    require_addresses()
    from previz.run.memory import need_of, there_is, workers_with_room
    from previz.run.workers import default_workers
    from previz.scene.reader import read_scene

    # the workers of a cluster have memory of their own; what is done here, one process does
    usual = default_workers() if asked.cluster is None else 1
    wanted = usual if asked.workers is None else asked.workers
    count = workers_with_room(need_of(read_scene(scene), width_px, solves), there_is(), wanted)
    if count == wanted:
        return asked
    with asked.progress() as progress:
        progress.note(f"there is memory for {count} of {wanted} workers")
    return replace(asked, workers=count)


def scene_command(looks: bool = True, solves: bool = False, spreads: bool = False) -> Callable[[Command], Command]:
    """A scene, ``--json`` and ``--out``; where the command ``looks`` at the set also ``--engine`` and ``--workers``.

    ``solves`` says that it solves paint whatever the scene asks for, ``spreads`` that it takes ``--cluster`` as well.
    The command's function is called with ``scene``, its own options, and ``asked``: an :class:`Asked`.
    """

    def decorated(function: Command) -> Command:
        @functools.wraps(function)
        def called(
            as_json: bool,
            out: Path | None,
            engine: str | None = None,
            workers: int | None = None,
            cluster: str | None = None,
            **own: Any,
        ) -> None:
            asked = Asked(as_json, out, engine, workers, cluster)
            if looks:
                asked = with_room(own["scene"], own.get("width"), asked, solves)
            function(asked=asked, **own)

        options = [json_option, out_option]
        if looks:
            options[1:1] = [engine_option, workers_option, *([cluster_option] if spreads else [])]
        command: Command = called
        for option in options:
            command = option(command)
        return scene_argument(command)

    return decorated


def tell_next(folder: str = "", scene: str | None = None) -> None:
    """Say in one line what comes after the command that runs, whose results lie in ``folder``; nothing where the job
    ends. ``scene`` is the file that it names, the command's own unless given."""
    from previz.run.progress import print_next

    ctx = click.get_current_context()
    named = scene if scene is not None else str(ctx.params.get("scene", ""))
    if text := after(str(ctx.info_name), named, folder):
        print_next(text)


def print_json(value: Any, decimals: int = 4) -> None:
    """One JSON value on standard output, and nothing else."""
    from previz.run.output import json_text

    put(json_text(value, decimals=decimals, sort_keys=False))


def put(text: str) -> None:
    """Write to standard output, as UTF-8 whatever the terminal speaks (RFC 8259 asks for it)."""
    # Python's own view of a standard output that was closed before it began
    if sys.stdout is None:
        raise OutputError("cannot write to standard output: it is closed")
    try:
        click.echo(text.encode("utf-8"), nl=False)
    except BrokenPipeError:
        # whoever read our output has seen enough; nothing is wrong, and nothing more is to be written
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        raise OutputError(f"cannot write to standard output: {error.strerror or error}") from error
