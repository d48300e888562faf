"""The live bench under random acts in Chromium: what its fields show is what the bench holds, and nothing typed is lost
without a word. ``python -m tests.benchmarks.pageacts [--quick] [--json]``.

Values are typed and set by Enter or Tab or put back by Escape, refused, undone, turned by a slider's keys; the file is
edited, broken and mended beside the page; the line is dropped, the server stopped for a while, killed and begun again.
After every act the fields are held against what a second line is told by the server.
"""

from __future__ import annotations

import collections
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from previz.bench.session import Session
from tests.benchmarks.figures import Figure, at_most, options, report
from tests.command.scenes import changed, laid
from tests.page.driver import browser

ROOT = Path(__file__).resolve().parents[2]
TOKEN = "acts"

# what may be typed, and what may not
VALUES = {
    "up": ("150 mm", "170", "6 in", "190.5"), "out": ("1200", "1.3 m", "1260 mm"), "right": ("12", "-8 mm", "0"),
    "lens": ("28", "40 mm", "50"), "tilt": ("-7", "-9.25 deg", "-8 deg"), "stop": ("8", "f/16", "11"),
    "width": ("45", "2 in"), "travel": ("50", "70 mm"), "hold_last": ("1003", "1002"),
}  # fmt: skip
REFUSED = ("bananas", "12 parsecs", "1e9 m", "99 99")
EDITS = (
    (),
    (('lens = "35 mm"', 'lens = "32 mm"'),),
    (('tilt = "-8 deg"', 'tilt = "-10 deg"'), ('width = "50 mm"', 'width = "55 mm"')),
    (('["0 mm", "160 mm", "1250 mm"]', '["0 mm", "165 mm", "1240 mm"]'),),
    (("hold = [1001, 1002]", "hold = [1001, 1003]"), ('travel = "60 mm"', 'travel = "66 mm"')),
)
KINDS = {"enter": 30, "tab": 12, "escape": 6, "refused": 10, "undo": 12, "redo": 6, "slider": 8, "edit": 10,
         "break": 3, "drop": 3, "stop": 1, "kill": 2, "choose": 6}  # fmt: skip

# s that a page may take to agree with its bench again
PATIENCE = 60.0

_FIELDS = """[Object.fromEntries([...document.querySelectorAll("[id^='knob-']")].map((f) => [f.id.slice(5), f.value])),
  document.body.dataset.line === 'up' && +(document.body.dataset.waiting || 0) === 0,
  document.querySelectorAll('[data-typing]').length]"""
_TYPED = "[...document.querySelectorAll('[data-typing]')].map((node) => node.dataset.knob)"
_HELD = """() => new Promise((done, failed) => {
  const line = new WebSocket(location.href.replace(/^http/, 'ws') + 'live');
  line.onerror = failed; line.onmessage = (e) => { if (typeof e.data !== 'string') return; line.close();
    const { knobs } = JSON.parse(e.data);
    done(Object.fromEntries(Object.keys(knobs).map((name) => [name, knobs[name].shown]))); }; })"""


class _Acts:
    """A page, its server and its scene file."""

    def __init__(self, page: Any, folder: Path, seed: int) -> None:
        self.page, self.folder = page, folder
        self.path = laid(folder)
        self.chance = random.Random(seed)
        self.differs: list[str] = []
        self.lost: list[str] = []
        self.done: collections.Counter[str] = collections.Counter()
        # how each text is shown by a bench that has it and nothing else
        self.shown = {(name, text): _shown(self.path, name, text) for name, texts in VALUES.items() for text in texts}
        with socket.socket() as line:
            line.bind(("127.0.0.1", 0))
            self.port = line.getsockname()[1]
        self.start()
        page.goto(f"http://127.0.0.1:{self.port}/{TOKEN}/")

    def start(self) -> None:
        """Start the server."""
        command = [sys.executable, "-m", "tests.benchmarks.benchserver", str(self.path), str(self.folder / "out")]
        self.server = subprocess.Popen(
            [*command, str(self.port), TOKEN], cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.server.stdout is not None
        if not self.server.stdout.readline():
            raise RuntimeError("the bench did not start")

    def kill(self) -> None:
        """Kill the server, and start it again."""
        self.server.kill()
        self.server.communicate()
        self.start()

    def act(self) -> None:
        """One act, and a look at all fields."""
        kind = self.chance.choices(list(KINDS), list(KINDS.values()))[0]
        self.done[kind] += 1
        name = self.chance.choice(list(VALUES))
        text = self.chance.choice(VALUES[name])
        typed = getattr(self, f"_{kind}")(name, text)
        self._agreed(kind)
        if typed is not None:
            self._not_lost(kind, *typed)

    # ---- what is done; gives the value and the text that was typed and must not be lost ----------------------------

    def _type(self, name: str, text: str, key: str) -> None:
        field = self.page.locator(f"#knob-{name}")
        field.fill(text)
        field.press(key)

    def _enter(self, name: str, text: str) -> tuple[str, str]:
        self._type(name, text, "Enter")
        return name, text

    def _tab(self, name: str, text: str) -> tuple[str, str]:
        self._type(name, text, "Tab")
        return name, text

    def _escape(self, name: str, text: str) -> None:
        before = self.page.input_value(f"#knob-{name}")
        self._type(name, text, "Escape")
        if self.page.input_value(f"#knob-{name}") != before:
            self.differs.append(f"escape: {name}")

    def _refused(self, name: str, _: str) -> tuple[str, str]:
        text = self.chance.choice(REFUSED)
        self._type(name, text, self.chance.choice(("Enter", "Tab")))
        return name, text

    def _undo(self, name: str, _: str) -> None:
        # wherever the focus is: in a field as well, whose own undoing must not come between
        self.page.focus(f"#knob-{name}")
        self.page.keyboard.press("Control+z")

    def _redo(self, name: str, _: str) -> None:
        self.page.focus(f"#knob-{name}")
        self.page.keyboard.press("Control+Shift+Z")

    def _slider(self, _: str, __: str) -> None:
        name = self.chance.choice(("up", "out", "stop", "tilt"))
        self.page.press(f"[data-knob={name}] input[type=range]", self.chance.choice(("ArrowLeft", "ArrowUp")))

    def _edit(self, _: str, __: str) -> None:
        laid(self.folder, *self.chance.choice(EDITS))
        self.page.wait_for_timeout(250)

    def _break(self, name: str, text: str) -> tuple[str, str] | None:
        # what the file says already is the editor's to change
        same = self.page.input_value(f"#knob-{name}") == self.shown[name, text]
        self.path.write_text(changed().replace('lens = "35 mm"', 'lens = "35 bananas"'), encoding="utf-8")
        self._until("!document.querySelector('#faults').hidden")
        self._type(name, text, "Enter")
        self._agreed("break")
        self._not_lost("break", name, text)
        laid(self.folder, *self.chance.choice(EDITS))
        self._until("document.querySelector('#faults').hidden")
        return None if same else (name, text)

    def _drop(self, name: str, text: str) -> tuple[str, str]:
        # while something is being typed
        self.page.locator(f"#knob-{name}").fill(text)
        self.server.send_signal(signal.SIGUSR1)
        self._until("document.body.dataset.line === 'down' || !document.querySelector('[data-typing]')")
        return name, text

    def _stop(self, name: str, text: str) -> tuple[str, str]:
        # a line that hangs is down after six seconds, whatever the system says of it
        self.server.send_signal(signal.SIGSTOP)
        self._type(name, text, "Enter")
        self._until("document.body.dataset.line === 'down'")
        if not self.page.is_disabled("#knob-up"):
            self.differs.append("stop: a field can be set")
        self.server.send_signal(signal.SIGCONT)
        return name, text

    def _kill(self, name: str, text: str) -> tuple[str, str]:
        # with a value just set, or while it is typed
        self.page.locator(f"#knob-{name}").fill(text)
        if self.chance.random() < 0.5:
            self.page.locator(f"#knob-{name}").press("Enter")
        self.kill()
        return name, text

    def _choose(self, _: str, __: str) -> None:
        buttons = self.page.locator(".two:not([hidden]) button")
        if buttons.count():
            buttons.nth(self.chance.randrange(buttons.count())).click()

    # ---- what must be so -----------------------------------------------------------------------------------------

    def _until(self, so: str) -> None:
        end = time.monotonic() + PATIENCE
        while not self.page.evaluate(so):
            if time.monotonic() > end:
                raise TimeoutError(so)
            self.page.wait_for_timeout(20)

    def _agreed(self, kind: str) -> None:
        """Once nothing is under way every field shows what the server holds."""
        end, shown, held = time.monotonic() + PATIENCE, {}, {}
        while True:
            if time.monotonic() > end:
                self.differs.append(f"{kind}: no rest, typed into are {self.page.evaluate(_TYPED)}")
                return
            shown, idle, typing = self.page.evaluate(_FIELDS)
            if idle and not typing:
                held = self.page.evaluate(_HELD)
                # what came between the two looks is looked at again
                again, idle, _ = self.page.evaluate(_FIELDS)
                if idle and again == shown and held == self.page.evaluate(_HELD):
                    break
            self.page.wait_for_timeout(20)
        if shown != held:
            other = {name: (shown.get(name), held.get(name)) for name in held if shown.get(name) != held[name]}
            self.differs.append(f"{kind}: {other}")

    def _not_lost(self, kind: str, name: str, text: str) -> None:
        """What was typed is held, or there is a word of it beside its field."""
        shown = self.shown.get((name, text))
        said = self.page.inner_text(f"[data-knob={name}]")
        if self.page.input_value(f"#knob-{name}") != shown and text not in said and (shown or text) not in said:
            self.lost.append(f"{kind}: {name} {text!r}: {said!r}")


def _shown(path: Path, name: str, text: str) -> str:
    session = Session(path)
    session.turn({name: text})
    return str(session.state()["knobs"][name]["shown"])


def figures(quick: bool, count: int = 1000, seed: int = 20) -> list[Figure]:
    """60 acts where it is to be quick, ``count`` otherwise."""
    count = 60 if quick else count
    with tempfile.TemporaryDirectory() as place, browser() as found:
        page = found.new_page(viewport={"width": 1280, "height": 1000})
        said: list[str] = []
        page.on("pageerror", lambda error: said.append(str(error)))
        acts = _Acts(page, Path(place), seed)
        start = time.monotonic()
        try:
            for number in range(count):
                acts.act()
                if number % 100 == 99:
                    print(f"{number + 1} acts: {len(acts.differs)} differ, {len(acts.lost)} lost", file=sys.stderr)
        finally:
            acts.server.send_signal(signal.SIGCONT)
            acts.server.kill()
            acts.server.communicate()
        took = time.monotonic() - start
    for word in (*acts.differs, *acts.lost, *said):
        print(word, file=sys.stderr)
    print(json.dumps(acts.done), file=sys.stderr)
    return [
        Figure("acts on the bench (typing, undo, refusal, outside edits, drops, stops, kills)", count, ""),
        at_most(f"after {count} acts: fields that showed what the bench did not hold", len(acts.differs), "", 0),
        at_most(f"after {count} acts: values typed and lost without a word", len(acts.lost), "", 0),
        at_most(f"after {count} acts: errors of the page", len(said), "", 0),
        Figure("mean time of an act", 1e3 * took / count, "ms"),
    ]


if __name__ == "__main__":
    wanted = options(__doc__ or "")
    report("page", figures(wanted.quick), json=wanted.json)
