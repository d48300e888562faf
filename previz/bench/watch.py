"""A file watched for changes, by looking at it ten times a second: that works on every disk, networked ones too."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

# s between looks
PERIOD = 0.1

# looks in a row on which a file may be missing: editors take it away and put it back
_PATIENCE = 2

Stamp = tuple[int, int, int] | None


def stamp(path: Path) -> Stamp:
    """What changes when a file does: its time (ns), size and number on the disk; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


class Watch:
    """Looks at ``path`` and calls ``changed`` when it is another one than before."""

    def __init__(self, path: Path, changed: Callable[[], Awaitable[None]]) -> None:
        self._path = path
        self._changed = changed
        self._seen = stamp(path)
        self._missing = 0

    async def look(self) -> None:
        """Look once."""
        now = stamp(self._path)
        if now is None and self._seen is not None:
            self._missing += 1
            if self._missing <= _PATIENCE:
                return
        self._missing = 0
        if now != self._seen:
            self._seen = now
            await self._changed()

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            await asyncio.sleep(PERIOD)
            await self.look()
