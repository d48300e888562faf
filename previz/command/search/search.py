"""The search: station point, lens, rail and bridge within the scene's bounds, for the longest hold that reveals."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from previz.command.search.finalists import DRAWN_PX, draw_finalists
from previz.command.search.findings import rows_of, scene_text, summary_of, write_csv
from previz.command.search.words import best_notes
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.search.tradeplot import TradePlot, trade_plot
from previz.draw.sideview import title_block
from previz.errors import Fault, SceneError
from previz.run.frames import png_bytes
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.run.pool import Pool, pool_of
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.search.freedoms import NAMES, freedoms_of, own_shares, own_values, placed, values_of
from previz.search.ladders import Freedom
from previz.search.ledger import Row, SearchLedger
from previz.search.objective import Outcome, cost_of
from previz.search.optimise import search as search_places
from previz.search.trade import Trade
from previz.search.trials import Trial, reveal_of
from previz.stage.freewall import in_bands
from previz.stage.looking import FrameJob
from previz.stage.prepare import prepare
from previz.workshop.surface import Pixels8

LEDGER = "search.sqlite"

# what a judgement does not depend on: words, the performer, and what is asked rather than looked at
_NOT_LOOKED_AT = {"title", "date", "plate", "knock"}
_ASKED = {*NAMES, "lenses", "lamp", "card", "least_reveal", "budget", "finalists", "seed"}


def search(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    budget: int | None,
    workers: int | None,
    engine: str | None,
    progress: Progress,
    cluster: str | None = None,
) -> RunResult:
    """Search within the scene's bounds and write the table, the best scene and the trade between hold and reveal.

    What is said of the best is found in frames drawn and judged as ``score`` does; of the rest, without a picture.
    A stopped search, or one with a smaller budget, is gone on with.
    """
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    freedoms = freedoms_of(scene)
    if not freedoms or scene.search is None:
        raise _nothing_to_search(scene_path)
    asked = scene.search.budget if budget is None else budget
    size_px = width_px, scaled_height(scene, width_px)
    longest = max(abs(scene.rail.travel), *(scene.search.rail_length or (0.0,)))
    with (
        results_in(results_folder(scene_path, out)) as folder,
        pool_of(workers, engine, cluster, progress.say) as pool,
    ):
        cache = LightCache(folder.path)
        pool.load(prepare(scene, width_px, cache, progress.say))
        progress.note(pool.opened.message)
        run = run_of(scene, sha256, pool.opened, size_px)
        with SearchLedger(folder.place(LEDGER), _looked_at(scene, run), scene.search.least_reveal) as ledger:
            hunt = _Hunt(scene, freedoms, size_px, asked, pool, ledger, progress)
            hunt.run()
            ledger.commit()
            progress.say("building, drawing and judging the best")
            best, finals = draw_finalists(scene, ledger, pool, cache, progress)
            ledger.commit()
            trade = Trade(longest)
            write_csv(folder, rows_of(ledger, scene, trade))
            summary = summary_of(scene, sha256, pool.opened, size_px, ledger, trade, freedoms, best, finals)
            if best is None:
                best = ledger.best()
            if best is None:
                raise RuntimeError("a search ended before its first candidate")
            own = ledger.row(0)
            pictures = _pictures(best, scene, pool, cache) if best.outcome.judged else []
            _write_best(folder, scene_path, scene, best)
            title = title_block(scene, scene_date(scene, scene_path), "hold against reveal")
            plot = TradePlot(
                title=title,
                dots=[(1e3 * hold, reveal) for hold, reveal in trade.points()],
                front=[(1e3 * hold, reveal) for hold, reveal, _ in trade.front],
                least_reveal_pct=100.0 * scene.search.least_reveal,
                tried=ledger.count,
                own=None if own is None else _place(own.outcome),
                best=_place(best.outcome),
                pictures=pictures,
                notes=best_notes(summary),
            )
            folder.write_bytes("trade.png", png_bytes(trade_plot(plot)))
            folder.write_json("search.json", summary, decimals=4, sort_keys=False)
    return RunResult(summary, folder.path)


def _nothing_to_search(scene_path: Path) -> SceneError:
    expected = 'bounds to search within, like height = ["120 mm", "240 mm"]'
    names = ", ".join((*NAMES[:7], "lenses", *NAMES[7:]))
    hint = f"under [search] can stand {names}; lamps and cards under [[search.lamp]] and [[search.card]]"
    return SceneError([Fault(scene_path.as_posix(), 0, 0, "search", expected, "none", hint)])


def _looked_at(scene: Scene, run: Mapping[str, str]) -> dict[str, str]:
    """All that a judgement depends on besides a candidate's values."""
    seen = scene.model_dump_json(exclude={**dict.fromkeys(_NOT_LOOKED_AT, True), "search": _ASKED})
    return {**run, "scene": hashlib.sha256(seen.encode()).hexdigest()}


class _Hunt:
    """The search at work: places are turned into candidates, known ones looked up, the others tried."""

    def __init__(
        self,
        scene: Scene,
        freedoms: list[Freedom],
        size_px: tuple[int, int],
        budget: int,
        pool: Pool,
        ledger: SearchLedger,
        progress: Progress,
    ) -> None:
        if scene.search is None:
            raise ValueError("the scene has no bounds to search within")
        self._scene, self._asked = scene, scene.search
        self._freedoms, self._size_px, self._budget = freedoms, size_px, budget
        self._pool, self._ledger = pool, ledger
        self._tally = progress.tally(budget, "candidates tried", ledger.count)

    def run(self) -> None:
        """Try the scene as it is, then search."""
        own = own_shares(self._scene, self._freedoms)
        nearest, values = values_of(self._freedoms, own), own_values(self._scene)
        # the scene's own values may be written more finely than those of a search, or lie outside its bounds
        among = all(values[name] == nearest[name] for name in nearest)
        self._try([nearest if among else {}])
        search_places(self._costs, own, self._left, self._budget, self._asked.seed)
        self._tally.at(self._budget, self._best_so_far())

    def _left(self) -> int:
        return self._budget - self._ledger.count

    def _costs(self, places: np.ndarray[Any, Any]) -> list[float]:
        wanted = [values_of(self._freedoms, place) for place in places]
        new: list[dict[str, str]] = []
        for number, values in enumerate(wanted):
            if values in new or self._ledger.was_asked(values):
                continue
            if len(new) == self._left():
                wanted = wanted[:number]
                break
            new.append(values)
        known = dict(zip(map(_key, new), self._try(new), strict=True))
        costs = []
        for values in wanted:
            outcome = known.get(_key(values)) or self._ledger.outcome(values)
            if outcome is None:
                raise RuntimeError("a candidate that was asked for is not in the ledger")
            costs.append(cost_of(outcome, self._asked.least_reveal, self._scene.rail.frames))
        self._tally.at(self._ledger.count, self._best_so_far())
        return costs

    def _try(self, candidates: list[dict[str, str]]) -> list[Outcome]:
        """Outcomes of candidates, in order; what the ledger knows is not tried again."""
        known = [self._ledger.outcome(values) for values in candidates]
        # neighbours one after the other: they share what is seen from where they stand
        order = sorted((n for n, outcome in enumerate(known) if outcome is None), key=lambda n: _shelf(candidates[n]))
        jobs = [Trial(candidates[n], self._scene, *self._size_px) for n in order]
        for n, outcome in zip(order, self._pool.run(jobs), strict=True):
            self._ledger.add(candidates[n], outcome)
            known[n] = outcome
        outcomes = [outcome for outcome in known if outcome is not None]
        for values, outcome in zip(candidates, outcomes, strict=True):
            self._ledger.ask(values, outcome)
        return outcomes

    def _best_so_far(self) -> str:
        best = self._ledger.best()
        if best is None or not best.outcome.judged:
            return "none can be judged yet"
        hold, reveal = 1e3 * best.outcome.hold, best.outcome.break_reveal_pct or 0.0
        word = "best" if best.outcome.enough(self._asked.least_reveal) else "none reveals enough yet, nearest"
        held = best.outcome.hold_frames / float(self._scene.delivery.rate)
        return f"{word}: holds {held:.2f} s, {hold:.1f} mm, reveals {reveal:.0f} %"


def _key(values: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(values.items()))


def _shelf(values: Mapping[str, str]) -> tuple[str, ...]:
    # another pattern is another wall, built and lit anew
    names = ("wall_turn", "wall", "bridge_length", "bridge_width", "distance", "height", "lateral")
    return tuple(values.get(name, "") for name in names)


def _place(outcome: Outcome) -> tuple[float, float] | None:
    if not outcome.judged or outcome.break_reveal_pct is None:
        return None
    return 1e3 * outcome.hold, outcome.break_reveal_pct


def _pictures(best: Row, scene: Scene, pool: Pool, cache: LightCache) -> list[tuple[str, Pixels8]]:
    """The best candidate's frames at the station and at the reveal, with what they are."""
    chosen = placed(scene, best.values)
    move = move_of(chosen)
    pool.load(in_bands(prepare(chosen, None, cache)))
    frames = {"station": move.station_frame, "reveal": reveal_of(move)}
    size_px = DRAWN_PX, scaled_height(chosen, DRAWN_PX)
    looks = list(pool.run([FrameJob(frame, *size_px) for frame in frames.values()]))
    named = zip(frames.items(), looks, strict=True)
    return [(f"best, frame {frame}, {name}", look.code) for (name, frame), look in named if look.code is not None]


def _write_best(folder: OutputFolder, scene_path: Path, scene: Scene, best: Row) -> None:
    """The best candidate as a scene that runs: the scene's own text with other values in it."""
    if not best.outcome.judged:
        with suppress(OSError):
            folder.place("best.toml").unlink()
        return
    folder.write_text("best.toml", scene_text(folder.path, scene_path, scene, best))
