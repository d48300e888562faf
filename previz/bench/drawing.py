"""The two processes behind the bench, one that draws and one that builds and judges, from the server's side.

Only the newest order counts: while the drawer is busy later ones replace each other here. A thread listens to both
processes and hands what they say to the event loop.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from previz.bench.builder import BuildOrder, Halt, build_until_closed
from previz.bench.drawer import WIDTH_PX, draw_until_closed
from previz.bench.order import Answer, Order
from previz.run.workers import unheard_interrupts
from previz.scene.model import Scene

Heard = Callable[[Answer], None]


class Drawing:
    """Draws what it is ordered to; ``heard`` is called in the event loop with every answer.

    Answers of the builder come as ``building``, ``built`` and ``failed`` with ``values["key"]``; a process that has
    ended unasked as ``ended``.
    """

    def __init__(self, engine: str | None, cache: Path | None, heard: Heard) -> None:
        self._heard = heard
        self._latest: Order | None = None
        self._taken = True
        self._closing = self._halted = False
        self._loop = asyncio.get_running_loop()
        context = multiprocessing.get_context("spawn")
        self._orders, orders_there = context.Pipe()
        self._wants, wants_there = context.Pipe()
        sets_here, sets_there = context.Pipe()
        self._processes: list[BaseProcess] = [
            context.Process(target=draw_until_closed, args=(orders_there, sets_here, engine), daemon=True),
            context.Process(target=build_until_closed, args=(wants_there, sets_there, cache, engine), daemon=True),
        ]
        with unheard_interrupts():
            for process in self._processes:
                process.start()
        # the far ends live on in the processes alone, so that their death is noticed here
        for far in (orders_there, wants_there, sets_here, sets_there):
            far.close()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def order(self, order: Order) -> None:
        """Draw this as soon as may be, in place of whatever was ordered before."""
        self._latest = order
        self._send()

    def build(self, key: str, scene: Scene) -> None:
        """Build the scene's set in the background; the old one stays in use until it is done."""
        with suppress(OSError):
            self._wants.send(BuildOrder(key, scene, WIDTH_PX))

    def judge(self, order: Order) -> None:
        """Judge this to its end as ``score`` would, in place of whatever was to be judged before."""
        self._halted = False
        with suppress(OSError):
            self._wants.send(order)

    def halt(self) -> None:
        """Judge nothing until the hand rests."""
        if not self._halted:
            self._halted = True
            with suppress(OSError):
                self._wants.send(Halt())

    async def close(self) -> None:
        """End both processes."""
        self._closing = True
        for process in self._processes:
            process.terminate()
        await asyncio.to_thread(self._joined)

    def _joined(self) -> None:
        for process in self._processes:
            process.join(timeout=3.0)
            if process.is_alive():
                process.kill()
                process.join(timeout=3.0)
        self._listener.join(timeout=3.0)
        for line in (self._orders, self._wants):
            line.close()

    def _send(self) -> None:
        if not self._taken or self._latest is None:
            return
        order, self._latest = self._latest, None
        self._taken = False
        with suppress(OSError):
            self._orders.send(order)

    def _listen(self) -> None:
        lines: list[Connection] = [self._orders, self._wants]
        while lines:
            for line in wait(lines):
                assert isinstance(line, Connection)
                try:
                    said = line.recv()
                except (EOFError, OSError):
                    lines.remove(line)
                    said = Answer(0, "ended", {"why": "a process that draws has ended"})
                if not isinstance(said, Answer):
                    what, key, why = said
                    said = Answer(0, what, {"key": key, "why": why})
                with suppress(RuntimeError):
                    # the loop may have been closed meanwhile
                    self._loop.call_soon_threadsafe(self._said, said)

    def _said(self, answer: Answer) -> None:
        if self._closing:
            return
        if answer.what == "taken":
            self._taken = True
            self._send()
            return
        self._heard(answer)


def plain_values(answer: Answer) -> dict[str, Any]:
    """An answer as values for the page, without its picture."""
    return {"is": answer.what, "order": answer.number, **answer.values}
