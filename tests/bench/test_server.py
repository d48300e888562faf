"""The server: for pages of its own on this machine, and nobody else; what one page does, all pages are told."""

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from aiohttp import web

from previz.bench import door
from previz.bench.order import Answer, Order
from previz.bench.server import STATIC, Bench
from previz.bench.session import Session
from previz.bench.watch import PERIOD, Watch
from previz.scene.model import Scene
from tests.bench.loops import run
from tests.command.scenes import changed, laid

# s after which something is taken to have come to a standstill; nothing is expected to be quick
PATIENCE = 300.0

ROOT = Path(__file__).parents[2]


class _Asked:
    """Takes orders and draws nothing: what is ordered is what these tests are about."""

    def __init__(self) -> None:
        self.orders: list[Order] = []
        self.built: list[str] = []
        # None where nothing was to be judged
        self.judged: list[Order | None] = []

    def order(self, order: Order) -> None:
        self.orders.append(order)

    def build(self, key: str, scene: Scene) -> None:
        self.built.append(key)

    def judge(self, order: Order) -> None:
        self.judged.append(order)

    def halt(self) -> None:
        self.judged.append(None)

    async def close(self) -> None:
        pass


class _Served:
    """A bench with its address."""

    def __init__(self, bench: Bench, asked: _Asked, port: int, client: aiohttp.ClientSession) -> None:
        self.bench, self.asked, self.port, self.client = bench, asked, port, client
        self.origin = f"http://127.0.0.1:{port}"
        self.page = f"{self.origin}/{bench.token}/"
        self._lines: list[aiohttp.ClientWebSocketResponse] = []

    async def live(self, **headers: str) -> aiohttp.ClientWebSocketResponse:
        line = await self.client.ws_connect(self.page + "live", headers={"Origin": self.origin, **headers})
        self._lines.append(line)
        return line

    async def close_lines(self) -> None:
        """Close what a test left open: a line that the collector finds first warns, in whichever test that is."""
        for line in self._lines:
            await line.close()


def served(path: Path, test: Callable[[_Served], Awaitable[None]]) -> None:
    """Run a test against a bench that is being served."""

    async def whole() -> None:
        bench, asked = Bench(Session(path)), _Asked()
        bench.drawer = asked
        line = socket.socket()
        line.bind(("127.0.0.1", 0))
        port = line.getsockname()[1]
        runner = web.AppRunner(bench.application(port), access_log=None, handle_signals=False)
        await runner.setup()
        entrance = await door.opened_door(runner, line, bench.spoken)
        watch = asyncio.create_task(bench.watch())
        try:
            async with aiohttp.ClientSession() as client:
                at = _Served(bench, asked, port, client)
                try:
                    await asyncio.wait_for(test(at), PATIENCE)
                finally:
                    await at.close_lines()
        finally:
            watch.cancel()
            entrance.close()
            await bench.close_pages()
            await runner.cleanup()

    run(whole())


async def told(live: aiohttp.ClientWebSocketResponse, what: str, until: Callable[[Any], bool] = lambda _: True) -> Any:
    """The next message of a kind that fulfils a condition."""
    while True:
        message = await live.receive()
        assert message.type == aiohttp.WSMsgType.TEXT, message
        news = json.loads(message.data)
        if news["is"] == what and until(news):
            return news


@pytest.fixture
def scene_file(tmp_path: Path) -> Path:
    return laid(tmp_path)


def test_the_page_and_its_files(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        for name in STATIC:
            async with at.client.get(at.page + name) as response:
                assert response.status == 200, name
                policy = response.headers["Content-Security-Policy"]
                assert "default-src 'none'" in policy
                assert "unsafe" not in policy
                assert response.headers["X-Content-Type-Options"] == "nosniff"
                assert response.headers["Referrer-Policy"] == "no-referrer"
                # nothing is fetched from elsewhere
                for address in re.findall(r"https?://[^\s\"'`]+", await response.text()):
                    assert address.startswith("http://www.w3.org/"), address

    served(scene_file, test)


def test_other_hosts_origins_sites_and_tokens_are_refused(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        for headers in (
            {"Host": "evil.example"},
            {"Host": f"evil.example:{at.port}"},
            {"Host": f"127.0.0.1.evil.example:{at.port}"},
            {"Host": "127.0.0.1"},
            {"Host": f"127.0.0.1:{at.port + 1}"},
            {"Origin": "http://evil.example"},
            {"Origin": "null"},
            {"Origin": f"https://127.0.0.1:{at.port}"},
            {"Sec-Fetch-Site": "cross-site"},
            {"Sec-Fetch-Site": "same-site"},
        ):
            async with at.client.get(at.page, headers=headers) as response:
                assert response.status == 403, headers
                assert "small.toml" not in await response.text()
        for token in ("x", at.bench.token[:-1], at.bench.token + "a", "%00", "é"):
            async with at.client.get(f"{at.origin}/{token}/") as response:
                assert response.status == 404, token
        async with at.client.get(at.origin + "/") as response:
            assert response.status == 404
        async with at.client.get(at.page, headers={"Host": f"localhost:{at.port}"}) as response:
            assert response.status == 200

    served(scene_file, test)


def test_no_path_leads_to_another_file(scene_file: Path) -> None:
    names = ("../pyproject.toml", "..%2fpyproject.toml", "%2e%2e/server.py", "bench.js/..", "//etc/passwd", "bench.py",
             "kept/1.jpg", "kept/../bench.js", "kept/%2e%2e%2f1.jpg", "small.toml", "bench.js%00.css",
             "vendor/three.min.js")  # fmt: skip

    async def test(at: _Served) -> None:
        for name in names:
            # as it is: a client that tidies addresses up would hide what is tried here
            reader, writer = await asyncio.open_connection("127.0.0.1", at.port)
            first, host = f"GET /{at.bench.token}/{name} HTTP/1.1", f"Host: 127.0.0.1:{at.port}"
            lines = (first, host, "Connection: close", "", "")
            writer.write("\r\n".join(lines).encode())
            answer = await reader.read()
            assert re.match(rb"HTTP/1.1 4\d\d ", answer), (name, answer[:100])
            writer.close()
        for method in ("post", "put", "delete"):
            async with getattr(at.client, method)(at.page) as response:
                assert response.status in (404, 405)

    served(scene_file, test)


def test_a_live_line_of_another_origin_is_refused(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        for headers in ({"Origin": "http://evil.example"}, {"Host": "evil.example"}, {"Origin": "null"}):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await at.live(**headers)
            assert refused.value.status == 403
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await at.client.ws_connect(at.page + "live")
        assert refused.value.status == 403
        async with at.client.get(at.page + "live", headers={"Origin": at.origin}) as response:
            assert response.status == 400

    served(scene_file, test)


def test_malformed_messages_are_answered_by_a_word_and_the_line_stays(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        live = await at.live()
        more = '{"do": "turn", "values": {"up": "x"}, "more": 1}'
        for text in ("", "{", "[]", '{"do": "rm"}', more, '{"do": "take", "number": 9}'):
            await live.send_str(text)
            assert (await told(live, "refused"))["why"]
        await live.send_bytes(b"\x00\xff")
        assert "text" in (await told(live, "refused"))["why"]
        await live.send_str('{"do": "turn", "values": {"up": 0.2}}')
        assert (await told(live, "state", lambda s: s["unwritten"]))["knobs"]["up"]["value"] == 0.2
        # too large a message ends the line, not the bench
        await live.send_str("x" * 100_000)
        while (message := await live.receive()).type == aiohttp.WSMsgType.TEXT:
            pass
        assert message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)
        assert live.close_code == 1009
        other = await at.live()
        assert (await told(other, "state"))["knobs"]["up"]["value"] == 0.2

    served(scene_file, test)


def test_two_pages_agree(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        one, other = await at.live(), await at.live()
        await one.send_str('{"do": "turn", "values": {"up": 0.2}}')
        await other.send_str('{"do": "turn", "values": {"lens": "50 mm"}}')
        states = [await told(page, "state", lambda s: len(s["changed"]) == 2) for page in (one, other)]
        assert states[0] == states[1]
        await one.send_str('{"do": "undo"}')
        assert (await told(other, "state", lambda s: s["changed"] == ["up"]))["redo"] == 1
        await other.send_str('{"do": "write"}')
        assert not (await told(one, "state", lambda s: not s["changed"]))["unwritten"]
        assert scene_file.read_text(encoding="utf-8") == changed(('"160 mm"', '"200 mm"'))
        # a page that comes later is told the same
        assert (await told(await at.live(), "state"))["knobs"] == (await told(one, "state"))["knobs"]

    served(scene_file, test)


def test_pages_at_once_are_limited(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        lines = [await at.live() for _ in range(8)]
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await at.live()
        assert refused.value.status == 503
        await told(lines[1], "state", lambda s: s["pages"] == 8)
        await lines[0].close()
        # once the server has learned of it
        await told(lines[1], "state", lambda s: s["pages"] == 7)
        assert not (await at.live()).closed

    served(scene_file, test)


def test_an_edit_is_told_within_0_3_s_and_a_fault_with_its_line(
    scene_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The time is counted in looks at the file, 0.1 s apart: a machine that does other things as well sees it later.
    (``tests.benchmarks.pagebench`` measures it by the clock.)"""
    looks = 0
    look = Watch.look

    async def counted(watch: Watch) -> None:
        nonlocal looks
        await look(watch)
        looks += 1

    monkeypatch.setattr(Watch, "look", counted)

    async def test(at: _Served) -> None:
        live = await at.live()
        await told(live, "state")
        tell, noticed = at.bench.tell_state, list[int]()
        monkeypatch.setattr(at.bench, "tell_state", lambda: (noticed.append(looks), tell()))
        before = looks
        laid(scene_file.parent, ('lens = "35 mm"', 'lens = "50 mm"'))
        await told(live, "state", lambda s: s["knobs"]["lens"]["shown"] == "50 mm")
        assert (noticed[0] + 1 - before) * PERIOD < 0.3
        drawn = len(at.asked.orders)
        laid(scene_file.parent, ('lens = "35 mm"', 'lens = "35 bananas"'))
        faulty = await told(live, "state", lambda s: s["faults"])
        assert faulty["faults"][0]["source"] == 'lens = "35 bananas"'
        assert len(at.asked.orders) == drawn
        assert faulty["knobs"]["lens"]["shown"] == "50 mm"
        laid(scene_file.parent)
        await told(live, "state", lambda s: not s["faults"] and s["knobs"]["lens"]["shown"] == "35 mm")

    served(scene_file, test)


def test_the_set_is_built_anew_for_the_bridge_alone_and_when_the_hand_rests(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        at.bench.look()
        live = await at.live()
        for k in range(5):
            await live.send_str(json.dumps({"do": "turn", "values": {"up": 0.17 + 0.01 * k}, "still": k == 4}))
        await told(live, "state", lambda s: s["knobs"]["up"]["value"] == pytest.approx(0.21))
        assert len(at.asked.built) == 1
        assert [order.still for order in at.asked.orders[-5:]] == [False] * 4 + [True]
        for k in range(5):
            await live.send_str(json.dumps({"do": "turn", "values": {"width": 0.05 + 0.002 * k}, "still": k == 4}))
        await told(live, "state", lambda s: s["knobs"]["width"]["value"] == pytest.approx(0.058))
        assert len(at.asked.built) == 2

    served(scene_file, test)


def test_keeping_waits_for_the_finished_picture(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        at.bench.look()
        live = await at.live()
        keep = '{"do": "keep", "name": "first"}'
        await live.send_str(keep)
        assert "wait" in (await told(live, "refused"))["why"]
        number = at.asked.orders[-1].number
        at.bench.heard(Answer(number, "break", {"break_pct": 3.0, "frame": 1001}))
        at.bench.heard(Answer(number, "hold", {"rows": [], "hold_mm": 12.0}))
        at.bench.heard(Answer(number, "fine", {"frame": 1001}, b"picture"))
        await live.send_str(keep)
        while (message := await live.receive()).type != aiohttp.WSMsgType.TEXT or "first" not in message.data:
            pass
        async with at.client.get(at.page + "kept/1.jpg") as response:
            assert await response.read() == b"picture"

    served(scene_file, test)


def test_an_answer_has_its_request_s_number_and_a_refusal_says_of_what(scene_file: Path) -> None:
    async def test(at: _Served) -> None:
        live = await at.live()
        await live.send_str('{"do": "turn", "values": {"lens": "40"}, "serial": 7}')
        await live.send_str('{"do": "turn", "values": {"lens": "two mm"}, "serial": 8}')
        await live.send_str('{"do": "here", "serial": 9}')
        assert (await told(live, "done"))["serial"] == 7
        refused = await told(live, "refused")
        assert (refused["serial"], refused["knobs"]) == (8, ["lens"])
        assert '"two mm" is not set' in refused["why"]
        assert (await told(live, "done"))["serial"] == 9
        assert at.bench.session.state()["knobs"]["lens"]["shown"] == "40 mm"

    served(scene_file, test)


def test_connections_that_ask_nothing_are_closed_and_no_more_than_so_many_are_taken(
    scene_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(door, "MOST", 12)
    monkeypatch.setattr(door, "PATIENCE_S", 0.5)

    async def closed(reader: asyncio.StreamReader) -> bytes:
        try:
            return await reader.read()
        except ConnectionError:
            return b""

    async def test(at: _Served) -> None:
        live = await at.live()
        await told(live, "state")
        idle = [await asyncio.open_connection("127.0.0.1", at.port) for _ in range(40)]
        # half a request is none
        idle[0][1].write(b"GET / HTTP/1.1\r\n")
        assert await asyncio.gather(*(closed(reader) for reader, _ in idle)) == [b""] * 40
        for _, writer in idle:
            writer.close()
        # the page that was there goes on, and others come in again
        await live.send_str('{"do": "here", "serial": 1}')
        assert (await told(live, "done"))["serial"] == 1
        while at.bench.spoken.open > 1:
            await asyncio.sleep(0.01)
        async with at.client.get(at.page) as response:
            assert response.status == 200

    served(scene_file, test)


@contextmanager
def _bench(path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    command = [sys.executable, "-m", "previz.cli", "bench", str(path), "--no-open", "--out", str(path.parent / "out")]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=path.parent
    )
    try:
        assert process.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/\S+/", process.stdout.readline())
        assert address is not None
        yield process, address.group()
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to a process of its own there")
def test_ctrl_c_ends_it_in_good_order(scene_file: Path) -> None:
    with _bench(scene_file) as (process, _):
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=PATIENCE)
        assert process.returncode == 0
        assert said == "the bench is closed\n"


@pytest.mark.slow
def test_a_killed_bench_leaves_the_scene_whole_and_no_process_behind(scene_file: Path) -> None:
    texts = {changed(('"160 mm"', f'"{height} mm"')) for height in range(150, 400)} | {changed()}

    async def write_and_kill(process: subprocess.Popen[str], page: str) -> None:
        origin = page.rpartition("/")[0].rpartition("/")[0]
        async with (
            aiohttp.ClientSession() as client,
            client.ws_connect(page + "live", headers={"Origin": origin}) as live,
        ):
            for height in range(161, 221):
                await live.send_str(json.dumps({"do": "turn", "values": {"up": height * 1e-3}}))
                await live.send_str('{"do": "write"}')
                # some of it has been written by the time of the kill, and some not
                while height == 200 and scene_file.read_text(encoding="utf-8") in (changed(), ""):
                    await asyncio.sleep(0.01)
            process.kill()

    with _bench(scene_file) as (process, page):
        children = _children(process.pid)
        run(write_and_kill(process, page))
        process.wait(PATIENCE)
        until = time.monotonic() + PATIENCE
        while any(_alive(child) for child in children) and time.monotonic() < until:
            time.sleep(0.05)
        assert not any(_alive(child) for child in children)
    assert scene_file.read_text(encoding="utf-8") in texts
    assert scene_file.read_text(encoding="utf-8") != changed()


def _children(pid: int) -> list[int]:
    """Processes started by another; none can be told where the system has no such list."""
    place = Path(f"/proc/{pid}/task/{pid}/children")
    found = [int(child) for child in place.read_text().split()] if place.exists() else []
    assert len(found) >= 2 or not place.exists()
    return found


def _alive(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


@pytest.mark.slow
def test_a_port_that_is_taken_is_one_line(scene_file: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = subprocess.run(
            [sys.executable, "-m", "previz.cli", "bench", str(scene_file), "--no-open", "--port", port],
            capture_output=True, text=True, timeout=PATIENCE, cwd=scene_file.parent,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "--port" in done.stderr
