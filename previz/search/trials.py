"""A candidate of a search, tried: does it fit the studio, how long does it hold, how much does it reveal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import ValidationError

from previz.judge.hold import FrameScore, HoldSummary, summarised
from previz.scene.checks import impossible
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.shape import bridge_shape
from previz.search.bridges import BridgeSet, sets_before_wall
from previz.search.candidates import looked_over, slip_in_hold
from previz.search.filmhold import told_as_film
from previz.search.freedoms import placed
from previz.search.objective import Outcome, fine_frames, out_of_frame
from previz.search.studio import misfits
from previz.stage.looking import Looker

# what a set that cannot be is off by (m), beyond what can be measured of it
_IMPOSSIBLE = 0.5


@dataclass(frozen=True, eq=False)
class Trial:
    """A candidate to try in frames of ``width_px`` x ``height_px``: ``values`` put into the scene ``base``."""

    values: Mapping[str, str]
    base: Scene
    width_px: int
    height_px: int

    def done_by(self, looker: Looker) -> Outcome:
        """Try it. What cannot be judged has a reason."""
        try:
            scene = placed(self.base, self.values)
        except ValidationError as error:
            return Outcome(reason=f"cannot be: {error.errors()[0]['msg']}", fits=False, by=1.0)
        faults = impossible(scene)
        if faults:
            first = faults[0]
            reason = f"cannot be: {first.key}: expected {first.expected}, found {first.found}"
            return Outcome(reason=reason, fits=False, by=_IMPOSSIBLE + _inside(scene))
        move = move_of(scene)
        one = sets_before_wall(looker, scene, self.width_px).with_bridge(scene)
        unfit = misfits(scene, move, one.around)
        if unfit:
            worst = max(unfit, key=lambda misfit: misfit.by)
            return Outcome(reason=f"does not fit: {worst.what}", fits=False, by=sum(misfit.by for misfit in unfit))
        return self._judged(one, scene, move)

    def _judged(self, one: BridgeSet, scene: Scene, move: Move) -> Outcome:
        def score(frame: int) -> FrameScore:
            return one.fast.score(scene, move, frame, self.width_px, self.height_px)

        station = score(move.station_frame)
        if station.break_pct is None:
            camera = move.camera(move.station_frame)
            off = out_of_frame(camera, one.ready.built.bridge.surface.vertices)
            return Outcome(reason=station.reason, by=off)
        reveal = reveal_of(move)
        if station.holds:
            scores = looked_over(score, scene, move)
        else:
            # it holds nothing: how many have found it by the end of the hold asked for is still to be known
            frames = sorted({move.frames[0], *scene.rail.hold, move.station_frame, reveal, move.frames[-1]})
            scores = [station if frame == move.station_frame else score(frame) for frame in frames]
        still = summarised(scores, scene.rail.hold, move.station_frame, reveal)

        def drifting(score: FrameScore) -> FrameScore:
            return one.fast.drifting(scene, move, score, self.width_px, self.height_px)

        film = told_as_film(scores, drifting, still, move, scene.rail.hold)
        return outcome_of(scene, scores, film.summary, fine_frames(scores, still, film.end))


def outcome_of(scene: Scene, scores: list[FrameScore], summary: HoldSummary, fine: float) -> Outcome:
    """What was found of a candidate's film, ``fine`` frames of it held."""
    film = summary.film
    return Outcome(
        hold=summary.hold,
        fine_frames=fine,
        hold_frames=summary.hold_frames,
        hold_first=summary.hold_first,
        hold_last=summary.hold_last,
        break_station_pct=summary.break_station_pct,
        break_mean_pct=summary.break_mean_pct,
        break_worst_pct=summary.break_worst_pct,
        break_reveal_pct=summary.break_reveal_pct,
        slip_px=slip_in_hold(scores, scene),
        hold_still=summary.hold if film is None else film.still,
        still_frames=summary.hold_frames if film is None else film.still_frames,
        found_hold_pct=None if film is None else film.found_pct,
        drift_worst_deg_s=None if film is None else film.drift_deg_s,
    )


def reveal_of(move: Move) -> int:
    """The frame by which the bridge must be seen: the move's last where the scene names none."""
    wanted = move.scene.rail.reveal
    return move.frames[-1] if wanted is None else wanted


def _inside(scene: Scene) -> float:
    """How far (m) the lens is from standing free before the wall and the bridge's near end."""
    return max(bridge_shape(scene).near + 0.1 - scene.camera.position[2], 0.0)
