"""Candidates: other cameras tried against the same set, each with its own paint, its hold and its reveal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from previz import colour
from previz.judge.hold import FrameScore, HoldSummary, summarised
from previz.scene.checks import impossible
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.search.bridges import fast_looker
from previz.search.filmhold import told_as_film
from previz.stage.looking import Looker
from previz.stage.prepare import Painter
from previz.workshop.surface import Pixels8

# frames looked at over the whole move before the ends of the hold are closed in on
_FIRST_LOOKS = 7


@dataclass(frozen=True)
class CameraSetting:
    """A camera to try: height above the bridge's top, tilt, distance from the wall, focal length, lateral place."""

    height: float
    tilt: float
    distance: float
    lens: float
    lateral: float

    @staticmethod
    def of(scene: Scene) -> CameraSetting:
        """The scene's own camera."""
        body = scene.camera
        return CameraSetting(body.position[1], body.tilt, body.position[2], body.lens, body.position[0])

    def put_into(self, scene: Scene) -> Scene:
        """The scene with this camera. Raises ``pydantic.ValidationError`` where it is no camera."""
        return scene.edited(
            camera__position=(self.lateral, self.height, self.distance), camera__tilt=self.tilt, camera__lens=self.lens
        )


@dataclass(frozen=True, eq=False)
class CandidateResult:
    """A candidate, judged. Where it cannot be, ``reason`` says why and there is no summary; ``code`` is the lens view
    at the station frame, None where the camera cannot stand there."""

    number: int
    setting: CameraSetting
    scene: Scene | None
    summary: HoldSummary | None
    slip_px: float
    code: Pixels8 | None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class CandidateJob:
    """A candidate to judge in frames of ``width_px`` x ``height_px``."""

    number: int
    setting: CameraSetting
    base: Scene
    width_px: int
    height_px: int

    def done_by(self, looker: Looker) -> CandidateResult:
        """Judge the move, find the ends of the hold, and paint and draw the station frame."""
        blank = CandidateResult(self.number, self.setting, None, None, 0.0, None)
        try:
            scene = self.setting.put_into(self.base)
        except ValidationError as error:
            return replace(blank, reason=error.errors()[0]["msg"])
        faults = impossible(scene)
        if faults:
            first = faults[0]
            return replace(blank, scene=scene, reason=f"{first.key}: expected {first.expected}, found {first.found}")
        move = move_of(scene)
        fast = fast_looker(looker)
        scores = looked_over(lambda f: fast.score(scene, move, f, self.width_px, self.height_px), scene, move)
        code = self._picture(looker, scene, move)
        if len(scores) == 1:
            return replace(blank, scene=scene, code=code, reason=scores[0].reason)
        still = summarised(scores, scene.rail.hold, move.station_frame, scene.rail.reveal)
        summary = told_as_film(
            scores, lambda s: fast.drifting(scene, move, s, self.width_px, self.height_px), still, move, scene.rail.hold
        ).summary
        return replace(blank, scene=scene, summary=summary, slip_px=slip_in_hold(scores, scene), code=code)

    def _picture(self, looker: Looker, scene: Scene, move: Move) -> Pixels8:
        """The station frame with the bridge painted for it."""
        camera = move.camera(move.station_frame, self.width_px, self.height_px)
        station_point = np.asarray(camera.position)
        bridge, _ = painter_of(looker).painted(scene, station_point)
        looker.repaint(scene, bridge, station_point)
        _, (looks, _) = looker.delivered(move.station_frame, self.width_px, self.height_px)
        return colour.encoded8(looks.seen)


def looked_over(score: Callable[[int], FrameScore], scene: Scene, move: Move) -> list[FrameScore]:
    """Scores of as many frames as are needed to know the move, in order: spread over it, and around the hold's ends.

    The station frame alone where it cannot be judged.
    """
    looked: dict[int, FrameScore] = {}

    def look(frame: int) -> FrameScore:
        if frame not in looked:
            looked[frame] = score(frame)
        return looked[frame]

    station = look(move.station_frame)
    if station.break_pct is None:
        return [station]
    for frame in first_looks(scene, move):
        look(frame)
    for side in (-1, 1):
        _close_in(look, sorted(looked), move.station_frame, side)
    return [looked[f] for f in sorted(looked)]


def slip_in_hold(scores: list[FrameScore], scene: Scene) -> float:
    """The largest slip, delivered px, inside the hold that the scene asks for."""
    first, last = scene.rail.hold
    return max((s.slip_px for s in scores if first <= s.frame <= last), default=0.0)


def first_looks(scene: Scene, move: Move) -> tuple[int, ...]:
    """Frames spread evenly over the move, with the hold's ends and the reveal."""
    spread = np.linspace(move.frames[0], move.frames[-1], _FIRST_LOOKS).round().astype(int)
    marks = [*scene.rail.hold, *([scene.rail.reveal] if scene.rail.reveal is not None else [])]
    return tuple(sorted({*(int(f) for f in spread), *marks}))


def _close_in(look: Callable[[int], FrameScore], looked: list[int], station: int, side: int) -> None:
    """Halve the gap between the last frame that holds and the first that breaks, on one side of the station."""
    held, broken = station, None
    for frame in sorted((f for f in looked if (f - station) * side > 0), key=lambda f: (f - station) * side):
        if not look(frame).holds:
            broken = frame
            break
        held = frame
    while broken is not None and abs(broken - held) > 1:
        middle = (held + broken) // 2
        if look(middle).holds:
            held = middle
        else:
            broken = middle


def painter_of(looker: Looker) -> Painter:
    """The painter of the looker's set, kept with it."""
    if looker.painter is None:
        looker.painter = Painter(looker.ready.built, looker.ready.wall)
    return looker.painter


def as_row(result: CandidateResult) -> dict[str, Any]:
    """A candidate as a row of the table, in the units of its names."""
    s, summary = result.setting, result.summary
    film = None if summary is None else summary.film
    return {
        "height_mm": round(1e3 * s.height, 3),
        "tilt_deg": round(float(np.degrees(s.tilt)), 4),
        "distance_mm": round(1e3 * s.distance, 3),
        "lens_mm": round(1e3 * s.lens, 3),
        "lateral_mm": round(1e3 * s.lateral, 3),
        "hold_mm": None if summary is None else round(1e3 * summary.hold, 3),
        "hold_frames": None if summary is None else summary.hold_frames,
        "hold_s": None if summary is None or result.scene is None else _seconds(summary, result.scene),
        "hold_still_mm": None if film is None else round(1e3 * film.still, 3),
        "found_hold_pct": _rounded(film.found_pct if film else None),
        "drift_worst_deg_s": None if film is None else round(film.drift_deg_s, 4),
        "break_station_pct": _rounded(summary.break_station_pct if summary else None),
        "break_mean_pct": _rounded(summary.break_mean_pct if summary else None),
        "break_worst_pct": _rounded(summary.break_worst_pct if summary else None),
        "break_reveal_pct": _rounded(summary.break_reveal_pct if summary else None),
        "slip_px": _rounded(result.slip_px if summary else None),
        "reason": result.reason,
    }


def _seconds(summary: HoldSummary, scene: Scene) -> float:
    return round(summary.hold_frames / float(scene.delivery.rate), 3)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def better(result: CandidateResult) -> tuple[float, ...]:
    """Key that sorts the best first: the longest hold of the film, on the rail and then in time, then the fewest who
    have found the bridge by the end of the hold asked for, the least break inside it, the clearest reveal."""
    summary = result.summary
    if summary is None:
        return (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, float(result.number))
    mean = summary.break_mean_pct if summary.break_mean_pct is not None else 100.0
    reveal = summary.break_reveal_pct or 0.0
    found = 0.0 if summary.film is None else summary.film.found_pct
    longest = -round(summary.hold, 6), -float(summary.hold_frames)
    return (0.0, *longest, round(found, 3), round(mean, 3), -round(reveal, 3), float(result.number))
