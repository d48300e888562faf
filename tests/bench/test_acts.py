"""Random acts on a bench: what its fields show is what its text says when it is read anew, and nothing typed is lost.

The larger sibling of this, with a real browser, is ``tests.benchmarks.pageacts``.
"""

import random
from pathlib import Path
from typing import Any

import pytest

from previz.bench.knobs import KNOBS, shown, written
from previz.bench.protocol import RequestError
from previz.bench.session import Session
from previz.bench.store import BenchStore
from previz.scene.reader import scene_of_text
from tests.command.scenes import changed, laid

# values that may be, and texts that may not
VALUES = {
    "up": ("150 mm", "170", "6 in", "190.5"),
    "out": ("1200", "1.3 m", "1260 mm"),
    "lens": ("28", "40 mm", "50"),
    "tilt": ("-7", "-9.25 deg", "-8 deg"),
    "stop": ("8", "f/16", "11"),
    "width": ("45", "2 in"),
    "paint": ("wash", "projected", "bare"),
}
REFUSED = ("bananas", "", "12 parsecs", "1e9 m", "1 2 3")

# what an editor puts into the file
EDITS = (
    (),
    (('lens = "35 mm"', 'lens = "32 mm"'),),
    (('tilt = "-8 deg"', 'tilt = "-10 deg"'), ('width = "50 mm"', 'width = "55 mm"')),
    (('["0 mm", "160 mm", "1250 mm"]', '["0 mm", "165 mm", "1250 mm"]'),),
)


def _fields(session: Session) -> dict[str, str]:
    return {name: knob["shown"] for name, knob in session.state()["knobs"].items()}


def _as_read(session: Session) -> dict[str, str]:
    scene = scene_of_text(session.text, session.path)
    return {name: shown(knob, scene) for name, knob in KNOBS.items()}


def _as_set(path: Path, name: str, typed: str) -> str:
    """How a value that was typed is shown when a bench has it and nothing else."""
    session = Session(path)
    session.turn({name: typed})
    return _fields(session)[name]


class _Acts:
    """A bench under random acts, and every value that it has taken from the hand."""

    def __init__(self, path: Path, folder: Path, seed: int) -> None:
        self.path, self.folder = path, folder
        self.chance = random.Random(seed)
        self.session = Session(path, BenchStore(folder))
        self.refused = self.met = self.undone = 0

    def act(self) -> None:
        kind = self.chance.choices(
            ("type", "refused", "undo", "redo", "edit", "break", "kill", "write", "leave", "choose"),
            (30, 8, 14, 8, 10, 4, 8, 3, 2, 6),
        )[0]
        getattr(self, f"_{kind}")()
        self.session.keep_hand()

    def _type(self) -> None:
        name = self.chance.choice(list(VALUES))
        typed = self.chance.choice(VALUES[name])
        self.session.turn({name: typed})
        assert self.session.state()["knobs"][name]["aside"] is None
        value = written(KNOBS[name], typed)
        changes: Any = self.session._changes
        assert changes.get(name, value) == value

    def _refused(self) -> None:
        name, before = self.chance.choice(("up", "lens", "stop", "width")), self.session.state()
        typed = self.chance.choice(REFUSED)
        with pytest.raises(RequestError) as refused:
            self.session.turn({name: typed})
        assert f'"{written(KNOBS[name], typed)}" is not set' in str(refused.value)
        assert refused.value.knobs == (name,)
        assert self.session.state() == before
        self.refused += 1

    def _undo(self) -> None:
        if self.session.state()["undo"]:
            before = _fields(self.session)
            self.session.undo()
            after = _fields(self.session)
            self.session.redo()
            assert _fields(self.session) == before
            self.session.undo()
            assert _fields(self.session) == after
            self.undone += 1

    def _redo(self) -> None:
        if self.session.state()["redo"]:
            self.session.redo()

    def _edit(self) -> None:
        held = _fields(self.session)
        changed_here = self.session.state()["changed"]
        laid(self.path.parent, *self.chance.choice(EDITS))
        self.session.reread()
        for name in changed_here:
            knob = self.session.state()["knobs"][name]
            if knob["shown"] != held[name]:
                # the hand's is offered beside the file's
                assert knob["aside"] is not None
                assert knob["aside"]["file"] == knob["shown"]
                assert _as_set(self.path, name, knob["aside"]["mine"]) == held[name]
                self.met += 1

    def _break(self) -> None:
        before = self.session.state()
        self.path.write_text(changed().replace('lens = "35 mm"', 'lens = "35 bananas"'), encoding="utf-8")
        assert self.session.reread()
        assert self.session.faulty
        assert _fields(self.session) == {name: knob["shown"] for name, knob in before["knobs"].items()}
        laid(self.path.parent, *self.chance.choice(EDITS))
        assert self.session.reread()

    def _kill(self) -> None:
        self.session.keep_hand()
        other = Session(self.path, BenchStore(self.folder))
        assert other.state() | {"taken_up": None} == self.session.state() | {"taken_up": None}
        self.session = other

    def _write(self) -> None:
        before = _fields(self.session)
        self.session.write()
        assert _fields(self.session) == before == _fields(Session(self.path))

    def _leave(self) -> None:
        self.session.leave()
        assert _fields(self.session) == _fields(Session(self.path))

    def _choose(self) -> None:
        asides = {name: k["aside"] for name, k in self.session.state()["knobs"].items() if k["aside"]}
        if asides:
            name = self.chance.choice(sorted(asides))
            mine = self.chance.random() < 0.5
            self.session.choose(name, mine)
            wanted = _as_set(self.path, name, asides[name]["mine"]) if mine else asides[name]["file"]
            assert _fields(self.session)[name] == wanted


def test_what_is_shown_is_what_is_held_after_random_acts(tmp_path: Path) -> None:
    acts = _Acts(laid(tmp_path), tmp_path / "out", seed=20)
    for _ in range(80):
        acts.act()
        assert _fields(acts.session) == _as_read(acts.session)
    # every kind of act has had something to do
    assert min(acts.refused, acts.met, acts.undone) >= 2
