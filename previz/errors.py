"""Every error this package raises on purpose.

    PrevizError              something a user can put right; its text is one plain message
    ├── UnitError            a length, angle, stop or time that cannot be read
    ├── SceneError           a scene file that cannot be used; carries every fault found
    ├── BuildError           a set that cannot be built (broken mesh, broken picture)
    ├── EngineError          no way of drawing on this machine
    ├── JudgeError           a frame that cannot be judged
    ├── PlateError           a plate, a take or marks that cannot be matched to the miniature
    └── OutputError          results that cannot be written

The command line turns a ``PrevizError`` into its message and exit code 2; anything else is a bug.
"""

from __future__ import annotations

from dataclasses import dataclass


class PrevizError(Exception):
    """Something a user can put right. ``str(error)`` says what was found, where, and what to do."""


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


class PlateError(PrevizError):
    """A plate, a take of the slide or marks in a picture that cannot be matched to the miniature."""


class OutputError(PrevizError):
    """Results that cannot be written."""
