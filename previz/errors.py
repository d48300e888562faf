"""Every error this package raises on purpose.

    PrevizError              something a user can put right; its text is one plain message
    ├── UnitError            a length, angle, stop or time that cannot be read
    ├── SceneError           a scene file that cannot be used; carries every fault found
    ├── BuildError           a set that cannot be built (broken mesh, broken picture)
    ├── EngineError          no way of drawing on this machine
    ├── JudgeError           a frame that cannot be judged
    ├── ClusterError         a cluster of machines that cannot be used, or went away
    ├── PlateError           a plate, a take or marks that cannot be matched to the miniature
    └── OutputError          results that cannot be written

The command line turns a ``PrevizError`` into its message and exit code 2; anything else is a bug.
"""

from __future__ import annotations

from dataclasses import dataclass


def printable(text: str, longest: int | None = None) -> str:
    """Text from elsewhere as it may stand in a message, line ends kept: nothing in it that a terminal would obey.

    Escapes, other controls, marks that turn the direction of writing, and halves of surrogate pairs are shown as a
    replacement character (Unicode's categories Cc, Cf, Cs, Co, Cn, Zl and Zp, and blanks that are not plain ones); from
    ``longest`` characters on it is cut short.
    """
    cut = text if longest is None or len(text) <= longest else f"{text[:longest]}..."
    if cut.isprintable():
        return cut
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in cut)


def quoted(text: str, longest: int = 50) -> str:
    """Text from elsewhere in quotes, on one line, as a message shows it: short, and :func:`printable`."""
    return f'"{printable(text.replace(chr(10), chr(0)), longest)}"'


class PrevizError(Exception):
    """Something a user can put right. ``str(error)`` says what was found, where, and what to do.

    Whatever the message quotes, it is :func:`printable`.
    """

    def __init__(self, message: str = "") -> None:
        super().__init__(printable(message))


class UnitError(PrevizError):
    """A quantity written in text that cannot be read."""


@dataclass(frozen=True)
class Fault:
    """One fault of a scene file.

    ``line`` and ``column`` count from 1; 0 where the place is not known (a scene built in Python).
    ``key`` is the path of the value, such as ``bridge.length``.
    """

    file: str
    line: int
    column: int
    key: str
    expected: str
    found: str
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        key = f"{self.key}: " if self.key else ""
        hint = f" ({self.hint})" if self.hint else ""
        return f"{place}: {key}expected {self.expected}, found {self.found}{hint}"


class SceneError(PrevizError):
    """A scene file that cannot be used; ``faults`` holds every fault of the file, in file order."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in faults))

    def __reduce__(self) -> tuple[type[SceneError], tuple[list[Fault]]]:
        # between processes it travels by its faults, not by its text
        return SceneError, (list(self.faults),)


class BuildError(PrevizError):
    """A set that cannot be built from what the scene names."""


class EngineError(PrevizError):
    """No engine on this machine can draw the frames."""


class JudgeError(PrevizError):
    """A frame that cannot be judged; the text is the reason shown in the table."""


class ClusterError(PrevizError):
    """A cluster of machines that cannot be asked for help, or that went away in the middle of it."""


class PlateError(PrevizError):
    """A plate, a take of the slide or marks in a picture that cannot be matched to the miniature."""


class OutputError(PrevizError):
    """Results that cannot be written."""


def missing(what: str, extra: str, error: ImportError) -> OutputError:
    """The one-line message where an optional library is not there."""
    return OutputError(
        f'{what} needs a library that is not installed ({error}); install it: pip install "stationpoint[{extra}]"'
    )
