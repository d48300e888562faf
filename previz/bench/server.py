"""The bench as a page for this machine alone: loopback, a secret in the address, own host and origin only.

A page holds one WebSocket. It asks by short messages (:mod:`previz.bench.protocol`) and is told the whole state after
every change, so that all pages that are open agree. Of pictures and answers only the newest of a kind wait for a page:
a slow page falls behind in number, never in time.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import os
import secrets
import signal
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from aiohttp import WSCloseCode, WSMsgType, web

from previz.bench.door import PATIENCE_S, Spoken, opened_door
from previz.bench.drawing import Drawing, plain_values
from previz.bench.order import Answer, Order
from previz.bench.protocol import LARGEST, Request, RequestError, picture_message, read_request
from previz.bench.session import Session
from previz.bench.store import BenchStore
from previz.bench.watch import Watch
from previz.command.paint.solvedpaint import SOLVED_RECORD
from previz.draw.statictext import static_text
from previz.errors import OutputError, PrevizError
from previz.scene.model import Scene

LOOPBACK = "127.0.0.1"

# pages open at once
_MOST_PAGES = 8

# answers that wait for a page at most
_MOST_ANSWERS = 200

# the files of the page, by the names under which they are asked for
STATIC = {
    "": ("bench.html", "text/html"),
    "bench.js": ("bench.js", "text/javascript"),
    "benchhand.js": ("benchhand.js", "text/javascript"),
    "benchshelf.js": ("benchshelf.js", "text/javascript"),
    "benchsaid.js": ("benchsaid.js", "text/javascript"),
    "draw.js": ("draw.js", "text/javascript"),
    "keys.js": ("keys.js", "text/javascript"),
    "look.css": ("look.css", "text/css"),
    "mark.svg": ("mark.svg", "image/svg+xml"),
    "bench.css": ("bench.css", "text/css"),
}

# answers that the pages are told; the newest of each is kept for pages that open later
_KEPT = ("coarse", "fine", "clean", "break", "cautions", "hold", "unseen", "rest", "full", "exact", "exact clean")

# those of the judge at rest, who may be behind
_EXACT = ("full", "exact", "exact clean")


class DrawingService(Protocol):
    """What draws for the server."""

    def order(self, order: Order) -> None:
        """Draw this next."""

    def build(self, key: str, scene: Scene) -> None:
        """Build this set."""

    def judge(self, order: Order) -> None:
        """Judge this as ``score`` would, while nothing newer is wanted."""

    def halt(self) -> None:
        """Judge nothing until something is to be judged again."""

    async def close(self) -> None:
        """End."""


class _Page:
    """One open page: messages that wait for it, the newest of each kind."""

    def __init__(self, socket: web.WebSocketResponse) -> None:
        self._socket = socket
        self._waiting: dict[str, str | bytes] = {}
        self._news = asyncio.Event()
        self._said = 0

    def tell(self, kind: str, message: str | bytes) -> None:
        # a picture of the same frame takes the place of the one that waits, at the end of the line
        self._waiting.pop(kind, None)
        self._waiting[kind] = message
        self._news.set()

    def say(self, message: str) -> None:
        """Answer a request: each answer is told, as long as the page reads them."""
        self._said = (self._said + 1) % _MOST_ANSWERS
        self.tell(f"answer {self._said}", message)

    async def send(self) -> None:
        """Send what waits, until cancelled or the page is gone."""
        with contextlib.suppress(ConnectionError, RuntimeError):
            while True:
                await self._news.wait()
                self._news.clear()
                while self._waiting:
                    message = self._waiting.pop(next(iter(self._waiting)))
                    if isinstance(message, bytes):
                        await self._socket.send_bytes(message)
                    else:
                        await self._socket.send_str(message)

    async def close(self) -> None:
        await self._socket.close(code=WSCloseCode.GOING_AWAY, message=b"the bench has been closed")


class Bench:
    """A session, the processes that draw for it and the pages that look at it."""

    def __init__(self, session: Session, token: str | None = None) -> None:
        self.session = session
        self.token = secrets.token_urlsafe(24) if token is None else token
        self.drawer: DrawingService | None = None
        self.ended = asyncio.Event()
        self.trouble = ""
        self._pages: set[_Page] = set()
        self.number = 0
        self._set_key = ""
        self._set: dict[str, Any] = {"state": "building", "why": "", "drawing": None}
        self._opened: dict[str, Any] = {}
        self._last: dict[str, Answer] = {}
        self._hosts: tuple[str, ...] = ()
        # connections on which something has been asked
        self.spoken = Spoken()
        self._watch = Watch(session.path, self._file_changed)
        # what is asked for, and what does it; some have a word to say
        self._doing: dict[str, Callable[[Request], str | None]] = {
            "turn": self._turn,
            "frame": self._frame,
            "paint follows": self._follow,
            "undo": lambda _: self._stepped(self.session.undo),
            "redo": lambda _: self._stepped(self.session.redo),
            "leave": lambda _: self._stepped(self.session.leave),
            "keep": self._keep,
            "drop": lambda r: self.session.drop(r.number),
            "take": lambda r: self._stepped(lambda: self.session.take(r.number)),
            "write": lambda _: self.session.write(),
            "write as": self._write_as,
            "choose": lambda r: self._stepped(lambda: self.session.choose(r.knob, r.on)),
        }

    # ---- requests ------------------------------------------------------------------------------------------------

    def do(self, request: Request) -> str:
        """Do what a page asks; gives a word for it where there is one. Raises :class:`RequestError`."""
        if request.do == "here":
            return ""
        word = self._doing[request.do](request) or ""
        if request.still:
            self.session.keep_hand()
        self.tell_state()
        return word

    def _turn(self, request: Request) -> None:
        self.session.turn(request.values, request.still)
        self.look(request.still)

    def _frame(self, request: Request) -> None:
        self.session.go(request.number)
        self.look(request.still)

    def _follow(self, request: Request) -> None:
        self.session.follows = request.on
        self.session.laid_at = self.session.scene.camera.position
        self.look()

    def _stepped(self, step: Callable[[], None]) -> None:
        step()
        self.look()

    def _keep(self, request: Request) -> str:
        newest = {what: a for what, a in self._last.items() if a.number == self.number and not a.values.get("rough")}
        fine, judged, hold = (newest.get(what) for what in ("fine", "break", "hold"))
        if not (fine and judged and hold):
            raise RequestError("wait until the picture and the hold are finished, then keep it")
        found = {"break": judged.values, "hold": {k: v for k, v in hold.values.items() if k != "rows"}, "full": None}
        full = newest.get("full")
        if full and full.values["summary"]:
            found["full"] = {k: full.values[k] for k in ("wide", "paint", "own", "summary")}
        picture = newest.get("exact", fine).picture
        return f"kept as {self.session.keep(request.name, found, picture).name}"

    def _write_as(self, request: Request) -> str:
        return f"wrote {self.session.write_as(request.name).name}"

    def look(self, still: bool = True) -> None:
        """Order pictures and numbers of the bench as it is now, and its set where that is another one."""
        session = self.session
        # the last good picture and its numbers stay beside a fault
        if self.drawer is None or session.faulty:
            return
        self.number += 1
        key = session.set_key()
        if key != self._set_key and still:
            self._set_key = key
            self._set.update(state="building", why="")
            self.drawer.build(key, session.scene)
        order = Order(self.number, session.scene, session.frame, still, session.follows, session.laid_at)
        self.drawer.order(order)
        if still:
            self.drawer.judge(order)
        else:
            self.drawer.halt()

    async def _file_changed(self) -> None:
        if self.session.reread():
            with contextlib.suppress(OutputError):
                # said when the hand sets something
                self.session.keep_hand()
            self.look()
            self.tell_state()

    async def paint_changed(self) -> None:
        """Look again: another paint has been solved, or none is kept any more."""
        if self.session.scene.wants_solving:
            self.look()
            self.tell_state()

    # ---- what is told --------------------------------------------------------------------------------------------

    def heard(self, answer: Answer) -> None:
        """Take an answer of the processes that draw."""
        if answer.what == "opened":
            self._opened = answer.values
        elif answer.what in ("building", "failed"):
            if answer.values["key"] == self._set_key:
                self._set.update(state=answer.what, why=answer.values["why"])
        elif answer.what == "set":
            values = dict(answer.values)
            if values.pop("key") == self._set_key:
                self._set["state"] = "ready"
            self._set.update(drawing=values, serial=self._set.get("serial", 0) + 1)
        elif answer.what == "ended":
            self.trouble = self.trouble or answer.values["why"].strip().splitlines()[-1]
            self.ended.set()
        elif answer.what in _EXACT and answer.number != self.number:
            return
        elif answer.what == "full":
            # whichever frame is in hand: its rows stand for all of this scene
            self._last["full"] = Answer(answer.number, "full", {**answer.values, "scene": self.session.name()})
            self._tell("full", _message(self._last["full"]))
            return
        elif answer.what in _KEPT:
            self._last[answer.what] = answer
            self._tell(answer.what, _message(answer))
            return
        else:
            return
        self.tell_state()

    def state_message(self) -> str:
        """The whole state, as the pages are told it."""
        state = self.session.state()
        state |= {"is": "state", "order": self.number, "set": self._set, "engine": self._opened}
        state["pages"] = len(self._pages)
        return json.dumps(state, allow_nan=False)

    def tell_state(self) -> None:
        """Tell every page the whole state."""
        if self._pages:
            self._tell("state", self.state_message())

    def _tell(self, kind: str, message: str | bytes) -> None:
        for page in self._pages:
            page.tell(kind, message)

    # ---- http ----------------------------------------------------------------------------------------------------

    def application(self, port: int) -> web.Application:
        """The application, answering to loopback names with ``port`` alone."""
        self._hosts = tuple(f"{name}:{port}" for name in (LOOPBACK, "localhost"))
        application = web.Application(middlewares=[self._guarded], client_max_size=LARGEST)
        for name in STATIC:
            application.router.add_get(f"/{{token}}/{name}", self._static)
        application.router.add_get("/{token}/live", self._live)
        application.router.add_get("/{token}/kept/{number:[0-9]{1,6}}.jpg", self._kept_picture)
        return application

    @web.middleware
    async def _guarded(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        try:
            self.spoken.by(request.transport)
            self._check(request)
            response = await handler(request)
        except web.HTTPException as refused:
            response = web.Response(status=refused.status, text=refused.reason)
        if not response.prepared:
            response.headers.update(self._headers(request.host))
        return response

    def _check(self, request: web.Request) -> None:
        """Refuse what does not come from a page of this bench."""
        if request.host not in self._hosts:
            raise web.HTTPForbidden(reason="another host")
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"http://{request.host}":
            raise web.HTTPForbidden(reason="another origin")
        if request.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            raise web.HTTPForbidden(reason="another site")
        token = request.match_info.get("token", "")
        if not hmac.compare_digest(token.encode("utf-8", "surrogateescape"), self.token.encode()):
            raise web.HTTPNotFound(reason="nothing here")

    @staticmethod
    def _headers(host: str) -> dict[str, str]:
        policy = (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
            f"connect-src 'self' ws://{host}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return {
            "Content-Security-Policy": policy,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cache-Control": "no-store",
            "Server": "previz",
        }

    async def _static(self, request: web.Request) -> web.Response:
        name, kind = STATIC[request.path.rpartition("/")[2]]
        return web.Response(text=static_text(name), content_type=kind, charset="utf-8")

    async def _kept_picture(self, request: web.Request) -> web.Response:
        try:
            candidate = self.session.candidate(int(request.match_info["number"]))
        except RequestError as refused:
            raise web.HTTPNotFound(reason="no such candidate") from refused
        return web.Response(body=candidate.picture, content_type="image/jpeg")

    async def _live(self, request: web.Request) -> web.StreamResponse:
        # a browser always sends an origin here; what sends none is no page of ours
        if request.headers.get("Origin") is None:
            raise web.HTTPForbidden(reason="no origin")
        if len(self._pages) >= _MOST_PAGES:
            raise web.HTTPServiceUnavailable(reason="too many pages are open")
        socket = web.WebSocketResponse(max_msg_size=LARGEST, heartbeat=20.0)
        if not socket.can_prepare(request).ok:
            raise web.HTTPBadRequest(reason="a live line is wanted here")
        await socket.prepare(request)
        page = _Page(socket)
        self._pages.add(page)
        sender = asyncio.create_task(page.send())
        self.tell_state()
        for answer in self._last.values():
            page.tell(answer.what, _message(answer))
        try:
            async for message in socket:
                if message.type in (WSMsgType.TEXT, WSMsgType.BINARY):
                    self._answer(page, message.data)
        finally:
            self._pages.discard(page)
            sender.cancel()
            self.tell_state()
        return socket

    def _answer(self, page: _Page, data: str | bytes) -> None:
        serial = 0
        try:
            request = read_request(data)
            serial = request.serial
            said: dict[str, Any] = {"is": "done", "word": self.do(request)}
        except PrevizError as refused:
            knobs = list(refused.knobs) if isinstance(refused, RequestError) else []
            said = {"is": "refused", "why": str(refused), "knobs": knobs}
            self.tell_state()
        if serial or said["is"] == "refused" or said["word"]:
            page.say(json.dumps({**said, "serial": serial}))

    async def close_pages(self) -> None:
        """Say goodbye to every page."""
        await asyncio.gather(*(page.close() for page in list(self._pages)))

    async def watch(self) -> None:
        """Watch the scene file until cancelled."""
        await self._watch.run()


def _message(answer: Answer) -> str | bytes:
    if answer.picture:
        return picture_message(plain_values(answer), answer.picture)
    return json.dumps(plain_values(answer), allow_nan=False)


async def serve(
    scene_path: Path,
    port: int,
    engine: str | None,
    cache: Path | None,
    opened: Callable[[str], None],
    token: str | None = None,
) -> None:
    """Serve the bench of a scene until interrupted; ``opened`` is told the address. ``port`` 0 takes a free one.

    Raises :class:`SceneError` for a scene with faults, :class:`OutputError` where the port is taken, and
    :class:`PrevizError` where the processes that draw have ended.
    """
    bench = Bench(Session(scene_path, None if cache is None else BenchStore(cache)), token)
    loop = asyncio.get_running_loop()
    line = _listening(port)
    port = line.getsockname()[1]
    runner = web.AppRunner(
        bench.application(port), access_log=None, handle_signals=False, keepalive_timeout=PATIENCE_S
    )
    await runner.setup()
    door = await opened_door(runner, line, bench.spoken)
    with _ended_by_signals(loop, bench.ended):
        drawing = Drawing(engine, cache, bench.heard)
        bench.drawer = drawing
        bench.look()
        watches = [asyncio.create_task(bench.watch())]
        if cache is not None:
            # paint that is solved meanwhile is looked at as soon as it is there
            watches.append(asyncio.create_task(Watch(cache / SOLVED_RECORD, bench.paint_changed).run()))
        try:
            opened(f"http://{LOOPBACK}:{port}/{bench.token}/")
            await bench.ended.wait()
        finally:
            for watch in watches:
                watch.cancel()
            door.close()
            await bench.close_pages()
            await runner.cleanup()
            await drawing.close()
    if bench.trouble:
        raise PrevizError(f"the bench had to close: {bench.trouble}")


def _listening(port: int) -> socket.socket:
    """A socket bound to a port of loopback; 0 takes a free one."""
    line = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":
        # a bench that was killed leaves its port behind for a minute otherwise
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        line.bind((LOOPBACK, port))
    except OSError as error:
        line.close()
        why = error.strerror or str(error)
        raise OutputError(f"port {port} cannot be used: {why}; choose another one with --port") from error
    return line


@contextlib.contextmanager
def _ended_by_signals(loop: asyncio.AbstractEventLoop, ended: asyncio.Event) -> Iterator[None]:
    """Ctrl-C and a polite request to end set ``ended`` meanwhile."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [signal.SIGINT, signal.SIGTERM]
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(ended.set))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
