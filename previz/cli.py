"""The command line: the list of commands, and how a run of one ends."""

from __future__ import annotations

import _thread
import errno
import io
import os
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, NoReturn

import click

from previz import __version__
from previz.bench.cli import bench
from previz.command.check.cli import check, new, schema
from previz.command.export.cli import export
from previz.command.lineup.cli import lineup, markers
from previz.command.paint.cli import paint
from previz.command.plate.cli import plate
from previz.command.rig.cli import optics, rig
from previz.command.search.cli import knock, search
from previz.command.sheet.cli import sheet
from previz.command.shoot.cli import score, shoot
from previz.errors import PrevizError, printable
from previz.run.job import JOB, example_of

_STOPPED = "previz: stopped; whole files are kept, and the same command goes on from here"
_TOO_LITTLE = "not enough memory for this scene; ask for smaller frames with --width or fewer wall.triangles"
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

# in the order of the job
for _command in (
    new,
    check,
    schema,
    shoot,
    score,
    sheet,
    search,
    knock,
    paint,
    rig,
    plate,
    optics,
    markers,
    lineup,
    export,
    bench,
):
    _name = str(_command.name)
    if _name in JOB:
        _command.short_help, _command.epilog = JOB[_name].line, example_of(_name)
    cli.add_command(_command)


def _fail(message: str) -> NoReturn:
    _say(f"previz: {message}")
    sys.exit(2)


def _say(text: str) -> None:
    """A line on standard error; where nobody reads that any more, nothing, and the exit code alone tells."""
    try:
        click.echo(printable(text), err=True)
        if sys.stderr is not None:
            sys.stderr.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


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


def _usage(error: click.ClickException) -> str:
    """What click says of a command line that cannot be read, and how the command is called."""
    told = io.StringIO()
    error.show(told)
    return told.getvalue().rstrip("\n")


def _later(seconds: float, what: Callable[[], None]) -> None:
    timer = threading.Timer(seconds, what)
    timer.daemon = True
    timer.start()


def _leave() -> NoReturn:
    if sys.stderr.isatty():
        # a progress bar hides the cursor, and may have had no time to show it again
        sys.stderr.write("\x1b[?25h")
    _say(_STOPPED)
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
        _say(_usage(error))
        sys.exit(2)
    except PrevizError as error:
        _fail(str(error))
    except MemoryError:
        _fail(_TOO_LITTLE)
    except ImportError as error:
        # what a library says of it that finds no room; anything else is a faulty installation
        if "failed to map" not in str(error) and "annot allocate memory" not in str(error):
            raise
        _fail(_TOO_LITTLE)
    except OSError as error:
        if error.errno not in _MACHINE:
            raise
        where = f" ({error.filename})" if error.filename else ""
        _fail(f"the machine refuses: {error.strerror}{where}; free some of it, or ask for fewer --workers")


if __name__ == "__main__":
    main()
