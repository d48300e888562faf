"""The one place that decides how frames are drawn on this machine."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from previz.errors import EngineError
from previz.look.view import Engine

VARIABLE: Final = "PREVIZ_ENGINE"
PICTURES: Final = "pictures"
SIGHT_LINES: Final = "sightlines"

# what OpenGL on Linux is loaded from, and the packages of Debian and Ubuntu that it is in; the driver lies behind those
_LIBRARIES: Final = {"libEGL.so.1": "libegl1", "libGL.so.1": "libgl1"}
_DRIVER: Final = "libgl1-mesa-dri"

# what to do where OpenGL is missing, by the start of ``sys.platform``
_ADVICE: Final = {
    "win32": "install your graphics card's driver and log in at the machine's own screen",
    "darwin": "log in at the machine's own screen and update macOS, which carries the graphics driver",
}


@dataclass(frozen=True, eq=False)
class Choice:
    """The engine that was opened. ``message`` is one line for the user, empty where there is nothing to say;
    ``reason`` says why OpenGL was not to be had, empty where it was not tried or works."""

    engine: Engine
    message: str = ""
    reason: str = ""


def choose_engine(want: str | None = None) -> Choice:
    """Open the best engine there is: OpenGL without a screen (Linux), by a hidden window (elsewhere), else rays.

    ``want`` is "pictures" or "sightlines"; unless given, the environment variable ``PREVIZ_ENGINE`` decides,
    and without either the machine does. A wanted engine that cannot be opened raises ``EngineError``.
    """
    source = "the engine asked for" if want else VARIABLE
    wanted = want or os.environ.get(VARIABLE, "")
    if wanted not in ("", PICTURES, SIGHT_LINES):
        raise EngineError(f'{source} is "{wanted}"; expected "{PICTURES}" or "{SIGHT_LINES}"')
    if wanted == SIGHT_LINES:
        return Choice(_open_sight_lines())
    try:
        return Choice(_open_pictures())
    except EngineError as error:
        reason = str(error)
        if wanted == PICTURES:
            raise EngineError(f'{reason}; {_advice()}, or ask for "{SIGHT_LINES}"') from error
    message = (
        "no OpenGL here: frames are drawn by sight lines (slower). "
        f"For the faster engine {_advice()}. Reason: {reason}"
    )
    return Choice(_open_sight_lines(), message, reason)


def _advice(load: Callable[[str], object] = ctypes.CDLL) -> str:
    if sys.platform.startswith("linux"):
        return _advice_on_linux(load)
    for platform, advice in _ADVICE.items():
        if sys.platform.startswith(platform):
            return advice
    return "install an OpenGL driver with EGL"


def _advice_on_linux(load: Callable[[str], object]) -> str:
    """Names what is missing: libraries that do not load, or else the driver behind them."""
    missing = []
    for library, package in _LIBRARIES.items():
        try:
            load(library)
        except OSError:
            missing.append(f"{package}, for {library} is missing")
    found = " and ".join(missing) or f"{_DRIVER}, for the libraries are there and no driver answers"
    return f"install {found} (Debian, Ubuntu), or your graphics card's driver"


def _open_pictures() -> Engine:
    try:
        from previz.look.picture import PictureEngine
    except (ImportError, OSError) as error:
        raise EngineError(f"the picture engine cannot be loaded ({error})") from error
    # Windows and macOS have no EGL of their own; a Linux machine has it with or without a screen
    return PictureEngine("window" if sys.platform in ("win32", "darwin") else "egl")


def _open_sight_lines() -> Engine:
    try:
        from previz.look.sight import SightEngine
    except (ImportError, OSError) as error:
        raise EngineError(
            f"neither OpenGL nor Embree can be loaded ({error}); install embreex again: pip install embreex"
        ) from error
    return SightEngine()
