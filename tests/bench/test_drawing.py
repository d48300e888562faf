"""What the bench draws and judges under a moving hand, against what it says at rest and against the fast judge."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from PIL import Image

from previz import colour
from previz.bench.builder import Built
from previz.bench.drawer import Drawer, size_px
from previz.bench.order import Answer, Order
from previz.bench.standin import SEEN, StandIn
from previz.look.choose import choose_engine
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import Looker
from previz.stage.prepare import CLEAN, WITH_BRIDGE, ReadySet, prepare
from previz.workshop.surface import BRIDGE
from tests.command.scenes import laid


class _Line:
    """A line to the bench on which nothing waits; keeps what was said."""

    def __init__(self) -> None:
        self.said: list[Answer] = []

    def send(self, answer: Answer) -> None:
        self.said.append(answer)

    def poll(self) -> bool:
        return False


class _Hand:
    """A drawer in this process, and orders for it."""

    def __init__(self, ready: ReadySet) -> None:
        line: Any = _Line()
        self.line = line
        self.scene = ready.scene
        self.looker = Looker(choose_engine("sightlines").engine)
        self.drawer = Drawer(self.looker, line, line)
        self.drawer.take_set(Built("", ready, 0.0, {}))
        self._number = 0

    def at(self, scene: Scene, still: bool, frame: int = 1001, laid_at: Any = None) -> dict[str, Answer]:
        """The newest answers of each kind to an order."""
        self.line.said.clear()
        self._number += 1
        place = scene.camera.position if laid_at is None else laid_at
        self.drawer.passes(Order(self._number, scene, frame, still, laid_at is None, place))
        return {answer.what: answer for answer in self.line.said}


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> ReadySet:
    scene = read_scene(laid(tmp_path_factory.mktemp("hand")))
    return prepare(scene, 640)


@pytest.fixture(scope="module")
def hand(ready: ReadySet) -> _Hand:
    return _Hand(ready)


def _picture(answer: Answer) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.asarray(Image.open(io.BytesIO(answer.picture)), dtype=np.float64)


def test_the_stand_in_looks_like_the_bridge_that_is_built(ready: ReadySet) -> None:
    # the same bridge, laid with other texels: a picture of it differs by what half a texel makes
    looker = Looker(choose_engine("sightlines").engine)
    looker.load(ready)
    stand_in = StandIn(ready, looker.engine, looker.sight)
    stand_in.show(ready.scene, ready.station_point)
    camera = ready.move.camera(1001, 320, 180)
    one, other = (looker.engine.draw(camera, names) for names in (WITH_BRIDGE, SEEN))
    assert np.array_equal(one.layer, other.layer)
    assert np.abs(one.colour - other.colour).mean() < 0.002


@pytest.mark.sweep
def test_a_moving_hand_is_told_break_and_hold_like_one_at_rest(hand: _Hand) -> None:
    hand.at(hand.scene, still=True)
    scene = hand.scene.edited(camera__position=(0.01, 0.17, 1.25))
    told: dict[str, Answer] = {}
    for _ in range(200):
        told |= hand.at(scene, still=False)
        if "hold" in told:
            break
    rest = hand.at(scene, still=True)
    assert told["break"].values["rough"]
    assert not rest["break"].values["rough"]
    assert not rest["hold"].values["rough"]
    # the same judge; only what is ordinary on the wall may be taken at the nearest magnification
    assert told["break"].values["break_pct"] == pytest.approx(rest["break"].values["break_pct"], abs=3.0)
    assert abs(told["hold"].values["frames"] - rest["hold"].values["frames"]) <= 1


@pytest.mark.sweep
def test_the_paint_follows_the_camera_under_the_hand(hand: _Hand) -> None:
    # projected paint melts into the wall from wherever it is laid for; left where it was it does not
    hand.at(hand.scene, still=True)
    scene = hand.scene.edited(camera__position=(0.0, 0.26, 1.25))
    here = _picture(hand.at(scene, still=False)["coarse"])
    left = _picture(hand.at(scene, still=False, laid_at=hand.scene.camera.position)["coarse"])

    def off(picture: np.ndarray[Any, np.dtype[np.float64]]) -> float:
        camera = move_of(scene).camera(1001, picture.shape[1], picture.shape[0])
        clean = colour.encoded8(hand.looker.engine.draw(camera, CLEAN, samples=1).colour)
        bridge = hand.looker.engine.draw(camera, SEEN, samples=1).layer == BRIDGE
        return float(np.abs(picture - clean)[bridge].mean())

    # codes of 255; what is left is JPEG's
    assert off(here) < 6.0
    assert off(left) > 2.0 * off(here)


@pytest.mark.slow
def test_another_bridge_is_shown_and_judged_before_it_is_lit(hand: _Hand) -> None:
    hand.at(hand.scene, still=True)
    wider = hand.scene.edited(bridge__width=1.6 * hand.scene.bridge.width, bridge__paint="bare")
    rest = hand.at(wider, still=True)
    assert rest["coarse"].values["old_light"]
    assert rest["break"].values["rough"]
    assert "fine" not in rest
    assert "rest" not in rest
    # against the fast judge on the set as it is built anew
    looker = Looker(choose_engine("sightlines").engine)
    built = prepare(wider, 640)
    looker.load(built)
    move, size = move_of(wider), size_px(wider)
    camera = move.camera(1001, *size)
    station = move.camera(move.station_frame, *size)
    fast = FastLooker(built, looker.engine, looker.sight, looker.ordinary)
    assert rest["break"].values["break_pct"] == pytest.approx(fast.judged(wider, camera, station).percent, abs=5.0)


def test_turning_the_focus_blurs_the_coarse_picture(hand: _Hand) -> None:
    hand.at(hand.scene.edited(camera__focus=1.2), still=True)
    sharp = _picture(hand.at(hand.scene.edited(camera__focus=1.2), still=False)["coarse"])
    told = hand.at(hand.scene.edited(camera__focus=0.35, camera__stop=2.8), still=False)["coarse"]
    assert told.values["soft"]
    soft = _picture(told)

    def busy(picture: np.ndarray[Any, np.dtype[np.float64]]) -> float:
        return float(np.abs(np.diff(picture.mean(axis=2), axis=1)).mean())

    assert busy(soft) < 0.6 * busy(sharp)
