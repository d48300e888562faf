"""The process that draws: it alone holds OpenGL. Coarse pictures first, better ones where there is time for them.

An order goes through these passes, and is dropped between two of them as soon as a newer one has come:

1. a coarse picture: smaller, one sample a pixel, no blur;
2. the break of the frame by the fast judge, its outline, and the cautions;
3. at rest only: the frame as it is delivered, paint laid anew, with and without the bridge;
4. at rest only: the break along the move, and the hold.
"""

from __future__ import annotations

import io
import signal
import threading
import time
import traceback
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, wait
from typing import Any

import numpy as np
from PIL import Image

from previz import colour
from previz.bench.builder import Built
from previz.bench.lines import outline_lines, sight_drawing
from previz.build.surface import Pixels8
from previz.errors import JudgeError, PrevizError
from previz.judge.breaks import Break
from previz.judge.frame import kinds_named
from previz.judge.hold import FrameScore, summarised
from previz.judge.slip import slip_of
from previz.look.blur import blur_of
from previz.look.choose import choose_engine
from previz.pipeline.candidates import looked_over, painter_of
from previz.pipeline.cautions import left_out, once, scene_cautions
from previz.pipeline.delivering import delivered
from previz.pipeline.fastlooking import FastLooker
from previz.pipeline.looking import Looker, end_with_parent
from previz.pipeline.prepare import WITH_BRIDGE, ReadySet, wall_in_view
from previz.scene.derived import derived
from previz.scene.model import Scene
from previz.scene.move import Move, move_of

# size of the finished picture; coarse ones are as much smaller, the smaller the slower the machine is just now
WIDTH_PX = 640
_COARSER = (0.75, 0.5, 0.375)

# s that a coarse picture may take before the next is smaller, and below which the next is larger again
_SLOW, _QUICK = 0.06, 0.02

# A moving hand is told the break after so many s although another picture waits, and after so many times what it took
# (pictures get most of the time), but never later than after the last of these.
_BREAK_EVERY = 0.4
_BREAK_SHARE = 4.0
_BREAK_AT_LAST = 1.0

# s between cautions under a moving hand
_CAUTIONS_EVERY = 2.0

_QUALITY_COARSE, _QUALITY_FINE = 80, 90

# frames judged along a move at most
_MOST_FRAMES = 130


@dataclass(frozen=True, eq=False)
class Order:
    """What is wanted now: a frame of a scene. ``still`` is False while a hand is moving; with ``follows`` the paint is
    laid anew wherever the camera stands, else it stays as it was laid for ``laid_at`` (3,) m."""

    number: int
    scene: Scene
    frame: int
    still: bool
    follows: bool
    laid_at: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Answer:
    """One pass done. ``what`` names it; ``picture`` is a JPEG where the pass made one."""

    number: int
    what: str
    values: dict[str, Any]
    picture: bytes = b""


class _NewerOrderError(Exception):
    """A newer order has come."""


def size_px(scene: Scene) -> tuple[int, int]:
    """Width and height of the finished picture."""
    width, height = scene.delivery.frame
    return WIDTH_PX, max(2, round(WIDTH_PX * height / width))


def draw_until_closed(orders: Connection, sets: Connection, engine: str | None) -> None:
    """The process's life: take sets from the builder and orders from the bench, and answer the bench."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    try:
        choice = choose_engine(engine)
        drawer = _Drawer(Looker(choice.engine), orders, sets)
        drawer.answer("opened", {"engine": choice.engine.name, "driver": choice.engine.driver, "say": choice.message})
        drawer.run()
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except Exception as error:
        text = str(error) if isinstance(error, PrevizError) else "".join(traceback.format_exception(error))
        with suppress(OSError):
            orders.send(Answer(0, "ended", {"why": text}))


class _Drawer:
    def __init__(self, looker: Looker, orders: Connection, sets: Connection) -> None:
        self._looker = looker
        self._orders = orders
        self._sets = sets
        self._base: ReadySet | None = None
        self._fast: dict[tuple[float, ...], FastLooker] = {}
        self._order: Order | None = None
        self._told_break = 0.0
        self._break_took = 0.0
        self._told_cautions = 0.0
        self._coarseness = 0
        self._optics: tuple[Any, ...] = ()
        # for what camera and where the paint in the engine was laid
        self._laid: tuple[Any, ...] = ()

    def answer(self, what: str, values: dict[str, Any], picture: bytes = b"") -> None:
        number = 0 if self._order is None else self._order.number
        self._orders.send(Answer(number, what, values, picture))

    def run(self) -> None:
        waiting = False
        while True:
            if not waiting:
                wait([self._orders, self._sets])
            if self._sets.poll():
                self._take_set(self._sets.recv())
                waiting = self._order is not None
            while self._orders.poll():
                self._order = self._orders.recv()
                waiting = True
                self.answer("taken", {})
            if not waiting or self._order is None or self._base is None:
                waiting = False
                continue
            waiting = False
            try:
                self._passes(self._order)
            except _NewerOrderError:
                continue
            except PrevizError as error:
                self.answer("unseen", {"why": str(error)})

    def _take_set(self, built: Built) -> None:
        self._base = built.ready
        self._optics = self._laid = ()
        self._fast = {}
        self._load(built.ready)
        self.answer("set", {"key": built.key, "seconds": built.seconds, **built.drawing})

    def _load(self, ready: ReadySet) -> None:
        self._looker.load(ready)
        self._fast = {}

    def _passes(self, order: Order) -> None:
        base = self._base
        assert base is not None
        # the set stays as it is built until another one comes: its bridge, wall and light, seen by the order's camera
        built = base.scene
        scene = order.scene.model_copy(
            update={"bridge": built.bridge, "wall": built.wall, "lamps": built.lamps, "cards": built.cards,
                    "light": built.light}
        )  # fmt: skip
        move = move_of(scene)
        frame = min(max(order.frame, move.frames[0]), move.frames[-1])
        self._coarse(scene, move, frame, order.still)
        now = time.monotonic()
        if order.still:
            self._give_way()
        elif now - self._told_break < min(max(_BREAK_EVERY, _BREAK_SHARE * self._break_took), _BREAK_AT_LAST):
            return
        # once it is due under a moving hand, the break does not give way: another order is always there
        if self._set_optics(scene, order.still):
            self._break(order, scene, move, frame)
        if order.still:
            self._give_way()
        if order.still or now - self._told_cautions > _CAUTIONS_EVERY:
            self.answer("cautions", _words(order.scene))
            self._told_cautions = time.monotonic()
        if not order.still:
            return
        self._give_way()
        self._fine(order, scene, move, frame)
        self._give_way()
        self._hold(order, scene, move)
        self.answer("rest", {})

    def _give_way(self) -> None:
        if self._orders.poll() or self._sets.poll():
            raise _NewerOrderError

    def _coarse(self, scene: Scene, move: Move, frame: int, still: bool) -> None:
        start = time.monotonic()
        smaller = _COARSER[0 if still else self._coarseness]
        width, height = (round(smaller * side) for side in size_px(scene))
        view = self._looker.engine.draw(move.camera(frame, width, height), WITH_BRIDGE, samples=1)
        self._send_picture("coarse", frame, colour.encoded8(view.colour), _QUALITY_COARSE)
        took = time.monotonic() - start
        if not still:
            step = 1 if took > _SLOW else -1 if took < _QUICK else 0
            self._coarseness = min(max(self._coarseness + step, 0), len(_COARSER) - 1)

    def _set_optics(self, scene: Scene, still: bool) -> bool:
        """Judge with the scene's lens from now on; False where that has to wait until the hand rests."""
        body = scene.camera
        wanted = (body.lens, body.stop, body.focus, body.sensor, body.shutter, body.rate, scene.delivery)
        if wanted != self._optics:
            if not still and self._optics:
                return False
            base = self._base
            assert base is not None
            move = move_of(scene)
            self._load(replace(base, scene=scene, wall_in_view=wall_in_view(move, base.built.wall)))
            self._optics, self._laid = wanted, ()
        return True

    def _judge(self, order: Order) -> FastLooker:
        own = not order.follows
        ready = self._looker.ready if own else self._looker.loaded
        # paint that stays is judged as it lies: another place, another paint
        key = order.laid_at if own else ()
        if key not in self._fast:
            self._fast = {}
            if own:
                # as it was laid: painted once for that place, and looked at from wherever the camera goes
                self._lay(order, ready.scene)
                ready = self._looker.ready
            self._fast[key] = FastLooker(
                ready, self._looker.engine, self._looker.sight, self._looker.ordinary, own_paint=own
            )
        return self._fast[key]

    def _break(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        width, height = size_px(scene)
        start = time.monotonic()
        score, found = self._scored(order, scene, move, frame, width, height)
        self._told_break = time.monotonic()
        self._break_took = self._told_break - start
        values = {"frame": frame, **_score(score), "outline": [], "sight": [], "wide": width, "high": height}
        if found is not None:
            values["outline"] = outline_lines(found)
            values["sight"] = sight_drawing(found, move, frame, (width, height), self._looker.sight)
        self.answer("break", values)

    def _scored(
        self, order: Order, scene: Scene, move: Move, frame: int, width: int, height: int
    ) -> tuple[FrameScore, Break | None]:
        camera = move.camera(frame, width, height)
        station = move.camera(move.station_frame, width, height)
        if not order.follows:
            pose = station.world_from_cam.copy()
            pose[:3, 3] = order.laid_at
            station = replace(station, world_from_cam=pose)
        rail = move.rail_at(frame)
        try:
            found = self._judge(order).judged(scene, camera, station)
        except JudgeError as error:
            return FrameScore(frame, rail, None, None, 0.0, (), str(error)), None
        slip = slip_of(
            found.outline, camera, np.asarray(station.position), self._looker.sight, scene.delivery.frame[0]
        )
        return FrameScore(frame, rail, found.percent, None, slip, kinds_named(found)), found

    def _lay(self, order: Order, scene: Scene) -> None:
        """Let the engine show the bridge painted for where the paint is to line up."""
        place = move_of(scene).track.through if order.follows else np.asarray(order.laid_at)
        wanted = (tuple(float(v) for v in place), scene.bridge.paint)
        if wanted == self._laid and self._looker.ready.scene == scene:
            return
        bridge, _ = painter_of(self._looker).painted(scene, place)
        self._looker.repaint(scene, bridge, place)
        self._laid = wanted

    def _fine(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        width, height = size_px(scene)
        self._lay(order, scene)
        self._give_way()
        blur = blur_of(move, frame, width, height)
        looks, _ = delivered(
            self._looker.engine, self._looker.ready, move.camera(frame, width, height), blur, self._looker.shining
        )
        self._send_picture("fine", frame, colour.encoded8(looks.seen), _QUALITY_FINE)
        self._send_picture("clean", frame, colour.encoded8(looks.clean), _QUALITY_FINE)

    def _hold(self, order: Order, scene: Scene, move: Move) -> None:
        width, height = size_px(scene)

        def score(frame: int) -> FrameScore:
            self._give_way()
            return self._scored(order, scene, move, frame, width, height)[0]

        scores = {s.frame: s for s in looked_over(score, scene, move)}
        self._tell_hold(scores, scene, move)
        if scores[move.station_frame].break_pct is None:
            return
        step = max(1, -(-len(move.frames) // _MOST_FRAMES))
        for frame in move.frames[::step]:
            if frame not in scores:
                scores[frame] = score(frame)
        self._tell_hold(scores, scene, move)

    def _tell_hold(self, scores: dict[int, FrameScore], scene: Scene, move: Move) -> None:
        order = [scores[frame] for frame in sorted(scores)]
        summary = summarised(order, scene.rail.hold, move.station_frame, scene.rail.reveal)
        self.answer(
            "hold",
            {
                "rows": [_score(s) for s in order],
                "first": summary.hold_first,
                "last": summary.hold_last,
                "frames": summary.hold_frames,
                "hold_mm": 1e3 * summary.hold,
                "mean_pct": summary.break_mean_pct,
                "worst_pct": summary.break_worst_pct,
                "station_pct": summary.break_station_pct,
                "reveal_pct": summary.break_reveal_pct,
            },
        )

    def _send_picture(self, what: str, frame: int, code: Pixels8, quality: int) -> None:
        whole = io.BytesIO()
        Image.fromarray(code).save(whole, "JPEG", quality=quality)
        self.answer(what, {"frame": frame, "wide": code.shape[1], "high": code.shape[0]}, whole.getvalue())


def _words(scene: Scene) -> dict[str, Any]:
    """What can be said of a scene without looking at it."""
    return {
        "cautions": once([*scene_cautions(scene), *left_out(scene)]),
        "derived": [list(row) for row in derived(scene)],
    }


def _score(score: FrameScore) -> dict[str, Any]:
    return {
        "frame": score.frame,
        "rail_mm": 1e3 * score.rail,
        "break_pct": score.break_pct,
        "slip_px": score.slip_px,
        "tells": list(score.tells),
        "why": score.reason,
    }
