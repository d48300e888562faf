"""A bench that draws nothing, for what a page shows of its state: ``python -m tests.benchmarks.benchserver SCENE FOLDER
PORT TOKEN``. It says its address, and closes the lines of its pages on the first user signal."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from previz.bench import server
from previz.bench.order import Answer, Order
from previz.scene.model import Scene


class _Nothing:
    """Draws nothing; knows the bench by whom it would tell."""

    def __init__(self, engine: str | None, cache: Path | None, heard: Callable[[Answer], None]) -> None:
        bench: Any = getattr(heard, "__self__")  # noqa: B009
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGUSR1, lambda: asyncio.ensure_future(bench.close_pages()))

    def order(self, order: Order) -> None:
        """Nothing."""

    def build(self, key: str, scene: Scene) -> None:
        """Nothing."""

    def judge(self, order: Order) -> None:
        """Nothing."""

    def halt(self) -> None:
        """Nothing."""

    async def close(self) -> None:
        """Nothing."""


def main() -> None:
    """Serve until ended."""
    scene, folder, port, token = sys.argv[1:]
    found: Any = server
    found.Drawing = _Nothing
    asyncio.run(
        server.serve(Path(scene), int(port), None, Path(folder), lambda a: print(a, flush=True), token=token)
    )


if __name__ == "__main__":
    main()
