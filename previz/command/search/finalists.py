"""The best of a search in frames drawn and judged as ``score`` does: what is said of them is the full judge's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from previz.command.shoot.shoot import scaled_height
from previz.judge.film.found import film_of, summary_of_film, with_parallax
from previz.judge.hold import FrameScore, summarised
from previz.run.lightcache import LightCache
from previz.run.pool import Pool
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.search.filmhold import between
from previz.search.freedoms import placed
from previz.search.ledger import Row, SearchLedger
from previz.search.objective import Outcome
from previz.search.trials import outcome_of, reveal_of
from previz.stage.freewall import in_bands
from previz.stage.looking import FrameJob
from previz.stage.prepare import prepare

# frames are drawn as wide as score draws them unless it is told otherwise
DRAWN_PX = 960

# where the drawn frames put others ahead, these are drawn too: at most so many times as many as were asked for
_MOST = 3

# frames drawn at once while a film is followed
_AHEAD = 4


def draw_finalists(
    scene: Scene, ledger: SearchLedger, pool: Pool, cache: LightCache, progress: Progress
) -> tuple[Row | None, list[tuple[Row, Outcome]]]:
    """Draw and judge the scene as it is and the best of a search, until the best so many are drawn ones.

    Gives the best that was drawn, None where nothing can be judged, and every drawn candidate as the fast judge found
    it, with what the drawn frames say, the best first. ``pool`` is left with another set than it had.
    """
    count = 10 if scene.search is None else scene.search.finalists
    fast: dict[int, Row] = {}
    tally = progress.tally(count, "of the best drawn and judged")
    own = ledger.row(0)
    wanted = [own] if own is not None and own.outcome.judged else []
    while len(fast) < _MOST * count + 1:
        best = [row for row in ledger.best_first(count) if row.outcome.judged]
        wanted += [row for row in best if not row.outcome.drawn]
        if not wanted:
            break
        for row in wanted[: _MOST * count + 1 - len(fast)]:
            if row.number not in fast:
                known = ledger.drawn(row.values)
                found = drawn_outcome(placed(scene, row.values), pool, cache) if known is None else known
                fast[row.number] = row
                ledger.add_drawn(row.values, found)
                held = found.hold_frames / float(scene.delivery.rate)
                tally.at(min(len(fast), count), f"number {row.number}: holds {held:.2f} s")
        wanted = []
    tally.at(count, f"{len(fast)} drawn")
    told = [(fast[row.number], row.outcome) for row in ledger.best_first() if row.number in fast]
    first = next((row for row in ledger.best_first() if row.outcome.drawn), None)
    return first, told


def drawn_outcome(scene: Scene, pool: Pool, cache: LightCache) -> Outcome:
    """A candidate's film by its drawn frames. Paint that is to be solved is taken as projected, and a free wall in
    bands, as both are begun with."""
    move = move_of(scene)
    pool.load(in_bands(prepare(scene, None, cache)))
    frames = _DrawnFrames(scene, move, pool)
    last = max(scene.rail.hold)
    rate = float(scene.delivery.rate)
    station = frames.score(move.station_frame)
    if station.break_pct is None:
        return Outcome(reason=station.reason, drawn=True)
    frames.look(f for f in move.frames if f <= last)
    while True:
        followed = frames.followed()
        # frame by frame until one shows the bridge: a frame that does may lie between two that do not
        after = any(s.frame >= move.station_frame and not s.holds for s in followed)
        if (after or len(followed) == len(move.frames)) and followed[-1].frame >= last:
            break
        frames.look(move.frames[len(followed) : len(followed) + _AHEAD])
    film = film_of(followed, rate)
    frames.score(reveal_of(move))
    order = between(frames.known(), move)
    still = summarised(order, scene.rail.hold, move.station_frame, reveal_of(move))
    # nothing is said of what was not followed but that it was found, or shown, before
    rest = [replace(film[-1], frame=score.frame, drift_pct=0.0) for score in order[len(film) :]]
    told = with_parallax(order, [*film, *rest])
    summary = summary_of_film(still, told, [*film, *rest], scene.rail.hold)
    return replace(outcome_of(scene, told, summary, float(summary.hold_frames)), drawn=True)


class _DrawnFrames:
    """Frames of the set that a pool has loaded, each drawn and judged once; where the camera stands, one for all."""

    def __init__(self, scene: Scene, move: Move, pool: Pool) -> None:
        self._move, self._pool = move, pool
        self._size_px = DRAWN_PX, scaled_height(scene, DRAWN_PX)
        self._scores: dict[int, FrameScore] = {}

    def known(self) -> list[FrameScore]:
        """All that were drawn, in order."""
        return [self._scores[frame] for frame in sorted(self._scores)]

    def followed(self) -> list[FrameScore]:
        """Those drawn one after the other from the first on."""
        out = []
        for frame in self._move.frames:
            if frame not in self._scores:
                break
            out.append(self._scores[frame])
        return out

    def score(self, frame: int) -> FrameScore:
        """A frame's score."""
        self.look([frame])
        return self._scores[frame]

    def look(self, frames: Iterable[int]) -> None:
        """Draw and judge what is not known of frames."""
        alike = {frame: self._alike(frame) for frame in frames if frame not in self._scores}
        wanted = sorted({one for one in alike.values() if one not in self._scores})
        jobs = [FrameJob(frame, *self._size_px, pictures=False) for frame in wanted]
        for frame, result in zip(wanted, self._pool.run(jobs), strict=True):
            self._scores[frame] = result.judged.score
        for frame, one in alike.items():
            self._scores[frame] = replace(self._scores[one], frame=frame)

    def _alike(self, frame: int) -> int:
        """The frame that is drawn for a frame: the one before it while the camera stands from before until after."""
        first = frame
        while first > self._move.frames[0] + 1 and self._stands(first) and self._stands(first - 1):
            first -= 1
        return first

    def _stands(self, frame: int) -> bool:
        before, after = self._move.beside(frame)
        poses = [self._move.camera(at).world_from_cam for at in (before, frame, after)]
        return np.array_equal(poses[0], poses[1]) and np.array_equal(poses[1], poses[2])
