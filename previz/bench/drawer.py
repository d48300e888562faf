"""The process that draws: it alone holds OpenGL. Coarse pictures first, better ones where there is time for them.

Under a moving hand every order gets a coarse picture at once: smaller, one look a pixel, the paint laid where it is
to be laid, and blurred where it is the focus that is being turned. What time that leaves goes into the break, the
cautions, and the hold: that of one order is found frame by frame over the next pictures, then told.

An order at rest goes through these passes, and is dropped between two of them as soon as a newer one has come:

1. the coarse picture;
2. the break of the frame by the fast judge, its outline, and the cautions;
3. the frame as it is delivered, with and without the bridge;
4. the break along the move, and the hold.

A bridge of another size or paint is shown and judged by a stand-in until the builder has lit it; then comes 3.
"""

from __future__ import annotations

import signal
import threading
import time
import traceback
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from typing import Any

import numpy as np

from previz import colour
from previz.bench.builder import Built
from previz.bench.judging import Judges, Probe, held_film, optics_of
from previz.bench.order import Answer, Order
from previz.bench.standin import SEEN, StandIn
from previz.bench.told import jpeg, score_row
from previz.deliver.shoot.overlay import outline_pieces
from previz.deliver.shoot.pagedata import outline_lines, sight_data
from previz.draw.sideview import sight_lines
from previz.errors import PrevizError
from previz.judge.hold import FrameScore
from previz.judge.tells import TELL_OF_KIND
from previz.look.blur import blur_of
from previz.look.choose import choose_engine
from previz.run.workers import end_with_parent
from previz.scene.derived import derived
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.search.candidates import looked_over
from previz.search.filmhold import FilmHold, with_drift_of
from previz.stage.cautions import left_out, once, scene_cautions
from previz.stage.delivering import at_rest, delivered
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet
from previz.workshop.surface import Picture, Pixels8

# size of the finished picture; coarse ones are as much smaller, the smaller the slower the machine is just now
WIDTH_PX = 640
_COARSER = (0.75, 0.5, 0.375)

# s that a coarse picture may take before the next is smaller, and below which the next is larger again
_SLOW, _QUICK = 0.06, 0.02

# Under a moving hand pictures need not come faster than every so many s: numbers get the rest, and at least this share
# of what the picture took. They may have so many s on store, and be so many in debt: a judge made anew takes longer
# than a picture.
_PICTURE_EVERY, _LEAST_SHARE = 0.07, 0.4
_STORE, _DEBT = 0.08, 0.25

# s at least between breaks, and between cautions, under a moving hand
_BREAK_EVERY = 0.12
_CAUTIONS_EVERY = 2.0

_QUALITY_COARSE, _QUALITY_FINE = 80, 90

# frames judged along a move at most
_MOST_FRAMES = 130


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
        drawer = Drawer(Looker(choice.engine), orders, sets)
        drawer.answer("opened", {"engine": choice.engine.name, "driver": choice.engine.driver, "say": choice.message})
        drawer.run()
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except Exception as error:
        text = str(error) if isinstance(error, PrevizError) else "".join(traceback.format_exception(error))
        with suppress(OSError):
            orders.send(Answer(0, "ended", {"why": text}))


class Drawer:
    """Draws and judges with ``looker`` what comes in on the line of ``orders``, and answers there."""

    def __init__(self, looker: Looker, orders: Connection, sets: Connection) -> None:
        self._looker = looker
        self._orders = orders
        self._sets = sets
        self._base: ReadySet | None = None
        self._order: Order | None = None
        self._probe: Probe | None = None
        self._told_break = 0.0
        self._told_cautions = 0.0
        # s that numbers may take before the next picture, and that breaks have taken more than the hold
        self._left = self._ahead = 0.0
        self._coarseness = 0

    def answer(self, what: str, values: dict[str, Any], picture: bytes = b"", order: Order | None = None) -> None:
        """Answer the order in hand, or another one."""
        about = self._order if order is None else order
        self._orders.send(Answer(0 if about is None else about.number, what, values, picture))

    def run(self) -> None:
        """Take sets and orders, and draw, until a line is closed."""
        waiting = False
        while True:
            if not waiting:
                wait([self._orders, self._sets])
            if self._sets.poll():
                self.take_set(self._sets.recv())
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
                self.passes(self._order)
            except _NewerOrderError:
                continue
            except PrevizError as error:
                self.answer("unseen", {"why": str(error)})

    def take_set(self, built: Built) -> None:
        """Go on with another set."""
        self._base = built.ready
        self._looker.load(built.ready)
        self._stand_in = StandIn(built.ready, self._looker.engine, self._looker.sight)
        self._judges = Judges(self._looker, built.ready, self._stand_in)
        self._judges.settle(built.ready.scene)
        self._probe = None
        self.answer("set", {"key": built.key, "seconds": built.seconds, **built.drawing})

    def passes(self, order: Order) -> None:
        """Draw and judge an order; :class:`_NewerOrderError` where a newer one has come meanwhile."""
        scene = self._as_shown(order.scene)
        move = move_of(scene)
        frame = min(max(order.frame, move.frames[0]), move.frames[-1])
        if not order.still:
            self._beside_the_hand(order, scene, move, frame)
            return
        self._probe = None
        self._coarse(order, scene, move, frame)
        self._give_way()
        self._judges.settle(scene)
        self._judges.hurry(False)
        self._break(order, scene, move, frame)
        self._give_way()
        self._cautions(order)
        self._give_way()
        built = self._stand_in.fits(scene)
        if built:
            self._fine(order, scene, move, frame)
            self._give_way()
        self._hold(order, scene, move)
        if built:
            self.answer("rest", {})

    def _as_shown(self, wanted: Scene) -> Scene:
        """The scene as far as it can be shown: the set stays as it is built until another comes, but for the bridge."""
        base = self._base
        assert base is not None
        built = base.scene
        own = wanted.bridge
        if (own.mesh, own.image) != (built.bridge.mesh, built.bridge.image):
            own = built.bridge
        return wanted.model_copy(
            update={"bridge": own, "wall": built.wall, "lamps": built.lamps, "cards": built.cards, "light": built.light}
        )

    def _give_way(self) -> None:
        if self._orders.poll() or self._sets.poll():
            raise _NewerOrderError

    # ---- beside a moving hand --------------------------------------------------------------------------------------

    def _beside_the_hand(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        start = time.monotonic()
        self._coarse(order, scene, move, frame)
        now = time.monotonic()
        took = now - start
        self._left = min(self._left + max(_PICTURE_EVERY - took, _LEAST_SHARE * took), _STORE)
        self._judges.hurry(True)
        while self._left > 0.0:
            self._number(order, scene, move, frame)
            now, before = time.monotonic(), now
            self._left -= now - before
        self._left = max(self._left, -_DEBT)

    def _number(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        """Find one number more: the break of this order where it is due, else a frame of the hold.

        Breaks take no more time than the hold does: it would never be told else.
        """
        now = time.monotonic()
        if now - self._told_cautions > _CAUTIONS_EVERY:
            self._cautions(order)
            return
        key = self._judges.key(order, scene)
        if self._probe is None:
            self._probe = Probe(order, scene, move, key)
            self._ahead = 0.0
            self._break(order, scene, move, frame)
        elif key == self._probe.key and self._ahead <= 0.0 and now - self._told_break > _BREAK_EVERY:
            self._break(order, scene, move, frame)
            self._ahead += time.monotonic() - now
        else:
            probe = self._probe
            told = probe.step(self._judges, size_px(scene))
            self._ahead -= time.monotonic() - now
            if told is not None:
                self._probe = None
                self._tell_hold(probe.order, told, probe.scores, probe.move)

    # ---- passes ----------------------------------------------------------------------------------------------------

    def _coarse(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        start = time.monotonic()
        smaller = _COARSER[0 if order.still else self._coarseness]
        width, height = (round(smaller * side) for side in size_px(scene))
        self._stand_in.show(scene, self._place(order, scene))
        turned = optics_of(scene) != self._judges.optics
        picture = self._in_focus_as_set(move, frame, width, height) if turned else None
        soft = picture is not None
        if picture is None:
            picture = self._looker.engine.draw(move.camera(frame, width, height), SEEN, samples=1).colour
        says = {"soft": soft, "old_light": not self._stand_in.fits(scene)}
        self._send_picture("coarse", frame, colour.encoded8(picture), _QUALITY_COARSE, says)
        took = time.monotonic() - start
        if not order.still:
            step = 1 if took > _SLOW else -1 if took < _QUICK else 0
            self._coarseness = min(max(self._coarseness + step, 0), len(_COARSER) - 1)

    def _in_focus_as_set(self, move: Move, frame: int, width: int, height: int) -> Picture | None:
        blur = at_rest(blur_of(move, frame, width, height))
        return None if blur is None else self._stand_in.blurred(blur)

    @staticmethod
    def _place(order: Order, scene: Scene) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Where (3,) m the paint lines up from."""
        return move_of(scene).track.through if order.follows else np.asarray(order.laid_at, dtype=np.float64)

    def _break(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        width, height = size = size_px(scene)
        score, found = self._judges.scored(order, scene, move, frame, size)
        judge = self._judges.judge(order, scene)
        self._told_break = time.monotonic()
        values = {"frame": frame, **score_row(score), "outline": [], "sight": [], "wide": width, "high": height}
        values["rough"] = judge.rough or not order.still
        if found is not None:
            values["outline"] = outline_lines(outline_pieces(found, TELL_OF_KIND[found.kind]))
            values["sight"] = sight_data(*sight_lines(found, move.camera(frame, *size), judge.sight))
        self.answer("break", values)

    def _cautions(self, order: Order) -> None:
        self.answer("cautions", _words(order.scene))
        self._told_cautions = time.monotonic()

    def _fine(self, order: Order, scene: Scene, move: Move, frame: int) -> None:
        width, height = size_px(scene)
        self._judges.lay(scene, self._place(order, scene))
        self._give_way()
        blur = blur_of(move, frame, width, height)
        looker = self._looker
        looks, _ = delivered(looker.engine, looker.ready, move.camera(frame, width, height), blur, looker.shining)
        looker.shining.take_off(looker.engine)
        self._send_picture("fine", frame, colour.encoded8(looks.seen), _QUALITY_FINE)
        self._send_picture("clean", frame, colour.encoded8(looks.clean), _QUALITY_FINE)

    def _hold(self, order: Order, scene: Scene, move: Move) -> None:
        size = size_px(scene)

        def score(frame: int) -> FrameScore:
            self._give_way()
            return self._judges.scored(order, scene, move, frame, size)[0]

        slid: dict[int, FrameScore] = {}

        def drifting(one: FrameScore) -> FrameScore:
            self._give_way()
            if one.frame not in slid:
                slid[one.frame] = self._judges.drifting(order, scene, move, one, size)
            return with_drift_of(one, slid[one.frame])

        scores = {s.frame: s for s in looked_over(score, scene, move)}
        self._tell_hold(order, held_film(scores, drifting, move), scores, move)
        if scores[move.station_frame].break_pct is None:
            return
        step = max(1, -(-len(move.frames) // _MOST_FRAMES))
        for frame in move.frames[::step]:
            if frame not in scores:
                scores[frame] = score(frame)
        self._tell_hold(order, held_film(scores, drifting, move), scores, move)

    def _tell_hold(self, order: Order, told: FilmHold, scores: dict[int, FrameScore], move: Move) -> None:
        rows, summary, scene = [scores[frame] for frame in sorted(scores)], told.summary, move.scene
        rate, film = float(scene.delivery.rate), summary.film
        found = {one.frame: one.found_pct for one in told.film}
        values = {
            "rows": [score_row(s, found.get(s.frame)) for s in rows],
            "first": summary.hold_first,
            "last": summary.hold_last,
            "frames": summary.hold_frames,
            "hold_s": summary.hold_frames / rate,
            "hold_mm": 1e3 * summary.hold,
            "still_mm": 1e3 * (summary.hold if film is None else film.still),
            "still_s": (summary.hold_frames if film is None else film.still_frames) / rate,
            "found_pct": None if film is None else film.found_pct,
            "mean_pct": summary.break_mean_pct,
            "worst_pct": summary.break_worst_pct,
            "station_pct": summary.break_station_pct,
            "reveal_pct": summary.break_reveal_pct,
            "hidden": summary.hidden,
            "rough": self._judges.judge(order, scene).rough or not order.still,
        }
        self.answer("hold", values, order=order)

    def _send_picture(
        self, what: str, frame: int, code: Pixels8, quality: int, says: dict[str, Any] | None = None
    ) -> None:
        values = {"frame": frame, "wide": code.shape[1], "high": code.shape[0], **(says or {})}
        self.answer(what, values, jpeg(code, quality))


def _words(scene: Scene) -> dict[str, Any]:
    """What can be said of a scene without looking at it."""
    return {
        "cautions": once([*scene_cautions(scene), *left_out(scene)]),
        "derived": [list(row) for row in derived(scene)],
    }
