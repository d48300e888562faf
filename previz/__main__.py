"""The program's beginning: Ctrl-C is heard before libraries are loaded, which takes a second on a busy machine."""

from __future__ import annotations

import os
import signal
from typing import NoReturn


def _stopped(number: int, frame: object) -> NoReturn:
    # nothing has been begun yet, so nothing has to be put away
    os.write(2, b"previz: stopped before it began\n")
    os._exit(130)


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGINT, _stopped)
    from previz.cli import main as run

    run()


if __name__ == "__main__":
    main()
