"""What would keep a film's bridge hidden for longer: other moves and other bridges, tried without a picture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from pydantic import ValidationError

from previz.judge.hold import FrameScore, summarised
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.checks import impossible
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.search.bridges import bridge_sets, fast_looker
from previz.search.candidates import looked_over
from previz.search.filmhold import told_as_film
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import Looker
from previz.units import inches_text, mm_text

# what helps is tried in frames this wide: it is found at the same time to a tenth of a second, and for a third
TRIED_PX: Final = 480

# from so many times as far, with as much longer a lens
_FARTHER: Final = 1.5

# a bridge of this share of its length, a slide over this share of its way
_SHORTER: Final = 0.75
_SLOWER: Final = 0.5

# what is tried is worth saying where it is found this many times as late or more, and so many seconds later
_WORTH: Final = 1.1
_WORTH_S: Final = 0.1


@dataclass(frozen=True)
class FilmLook:
    """A film in four numbers: ``found_s`` s from its start until the bridge is found, None where it is not by the end;
    the largest ``drift_deg_s`` in the hold asked for; break at the reveal, percent; and how many have found it by the
    end of that hold, percent."""

    found_s: float | None
    drift_deg_s: float
    reveal_pct: float | None
    found_hold_pct: float

    @property
    def until(self) -> str:
        """When it is found, in words."""
        return "not found by the end" if self.found_s is None else f"found at {self.found_s:.1f} s"


def film_look(fast: FastLooker, scene: Scene, size_px: tuple[int, int]) -> FilmLook | None:
    """A scene's film in frames of a size (width, height); None where its station frame cannot be judged."""
    move = move_of(scene)
    scores = looked_over(lambda frame: fast.score(scene, move, frame, *size_px), scene, move)
    if len(scores) == 1:
        return None
    still = summarised(scores, scene.rail.hold, move.station_frame, scene.rail.reveal)

    def drifting(score: FrameScore) -> FrameScore:
        return fast.drifting(scene, move, score, *size_px)

    told = told_as_film(scores, drifting, still, move, scene.rail.hold)
    passed = [k for k, one in enumerate(told.film) if one.found_pct > HOLDS_BELOW_PCT]
    rate = float(scene.delivery.rate)
    film = told.summary.film
    return FilmLook(
        found_s=passed[0] / rate if passed else None,
        drift_deg_s=0.0 if film is None else film.drift_deg_s,
        reveal_pct=told.summary.break_reveal_pct,
        found_hold_pct=0.0 if film is None else film.found_pct,
    )


@dataclass(frozen=True)
class FilmLookJob:
    """Follows the film of the set that is loaded, in the paint that it has."""

    width_px: int
    height_px: int

    def done_by(self, looker: Looker) -> FilmLook | None:
        """Follow it."""
        return film_look(fast_looker(looker, own_paint=True), looker.loaded.scene, (self.width_px, self.height_px))


@dataclass(frozen=True)
class HelpsJob:
    """Tries what might help in frames of ``width_px`` x ``height_px``; a pool's last job, or alone."""

    width_px: int
    height_px: int

    def done_by(self, looker: Looker) -> list[str]:
        """What helps, with numbers, the most first; nothing where the film holds as long as it is to, or nothing that
        was tried helps."""
        scene, sets = looker.loaded.scene, bridge_sets(looker)
        size_px = self.width_px, self.height_px
        own = film_look(sets.with_bridge(scene).fast, scene, size_px)
        ends = (scene.rail.hold[1] - move_of(scene).frames[0]) / float(scene.delivery.rate)
        if own is None or own.found_s is None or own.found_s > ends:
            return []
        told = []
        for words, other in variations(scene):
            found = film_look(sets.with_bridge(other).fast, other, size_px)
            if found is None:
                continue
            later = np.inf if found.found_s is None else found.found_s
            if later < max(_WORTH * own.found_s, own.found_s + _WORTH_S):
                continue
            told.append((-later, f"{words}: {found.until}, not at {own.found_s:.1f}{_more(own, found)}"))
        sets.with_bridge(scene)
        return [words for _, words in sorted(told)]


def variations(scene: Scene) -> Iterator[tuple[str, Scene]]:
    """What is tried, in words, and the scene that it makes; scenes that cannot be are left out."""
    rail, body = scene.rail, scene.camera
    if rail.travel:
        yield from _possible(
            f"slide {_SLOWER:.0%} of the way in the same time", scene, {"rail__travel": _SLOWER * rail.travel}
        )
    move = move_of(scene)
    camera = move.camera(move.station_frame)
    # straight back from where its axis meets the wall, so that it sees the same part of it
    further = (_FARTHER - 1.0) * camera.position[2] / max(-float(camera.forward[2]), 1e-3)
    back = camera.position - further * camera.forward
    changes: dict[str, Any] = {"camera__position": tuple(float(v) for v in back), "camera__lens": _FARTHER * body.lens}
    if body.focus is not None:
        changes["camera__focus"] = body.focus + further
    words = f"from {_both(float(back[2]))} with a {1e3 * _FARTHER * body.lens:.0f} mm lens"
    yield from _possible(words, scene, changes)
    if scene.bridge.mesh is None:
        cut = (1.0 - _SHORTER) * scene.bridge.length
        yield from _possible(
            f"with the bridge {_both(cut)} shorter", scene, {"bridge__length": scene.bridge.length - cut}
        )


def _both(length: float) -> str:
    return f"{mm_text(length, 0)} / {inches_text(length)}"


def _possible(words: str, scene: Scene, changes: dict[str, Any]) -> Iterator[tuple[str, Scene]]:
    try:
        other = scene.edited(**changes)
    except ValidationError:
        return
    if not impossible(other):
        yield words, other


def _more(own: FilmLook, other: FilmLook) -> str:
    """What else changes, in words."""
    out = ""
    if own.drift_deg_s > 0.0:
        out += f"; drift {other.drift_deg_s / own.drift_deg_s:.1f} times as fast"
    if own.reveal_pct is not None and other.reveal_pct is not None:
        out += f"; reveals {other.reveal_pct:.0f} %, not {own.reveal_pct:.0f}"
    return out
