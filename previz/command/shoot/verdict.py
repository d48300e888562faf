"""A whole move judged: from its frames' scores to its film, its hold and all that ``summary.json`` says.

``shoot``, ``score`` and the bench at rest tell the same numbers because they ask for them here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from previz import __version__
from previz.colour import JND_DE00
from previz.judge.film.found import FilmFrame, film_of, summary_of_film, with_parallax
from previz.judge.hold import FilmSummary, FrameScore, HoldSummary, summarised
from previz.judge.viewer import Viewer
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.stage.cautions import once, scene_cautions
from previz.stage.prepare import ReadySet
from previz.stage.rangewhere import TOLD_FROM, out_of_range_on, out_of_range_words

# width, px, of the frames that are judged unless another one is asked for
USUAL_WIDTH: Final = 960


@dataclass(frozen=True, eq=False)
class JudgedMove:
    """A move judged: every frame's score in order, parallax among its tells, the film they make, and the summary."""

    order: list[FrameScore]
    film: list[FilmFrame]
    summary: HoldSummary


def judged_move(scene: Scene, move: Move, scores: Mapping[int, FrameScore]) -> JudgedMove:
    """The move from the ``scores`` of all of its frames, by their numbers."""
    order = [scores[frame] for frame in move.frames]
    film = film_of(order, float(scene.delivery.rate))
    order = with_parallax(order, film)
    still = summarised(order, scene.rail.hold, move.station_frame, scene.rail.reveal)
    return JudgedMove(order, film, summary_of_film(still, order, film, scene.rail.hold))


def move_cautions(scene: Scene, ready: ReadySet, order: Sequence[FrameScore]) -> list[str]:
    """Everything to look out for: what the scene says, what the set is built of, and frames that cannot be judged."""
    warnings = [*scene_cautions(scene), *ready.built.cautions]
    if ready.out_of_range > TOLD_FROM:
        warnings.append(out_of_range_words(ready.out_of_range, out_of_range_on(ready)))
    unjudged = [s for s in order if s.break_pct is None]
    if unjudged:
        many = "1 frame" if len(unjudged) == 1 else f"{len(unjudged)} frames"
        warnings.append(f"{many} cannot be judged, the first is {unjudged[0].frame}: {unjudged[0].reason}.")
    return once(warnings)


def summary_values(
    scene: Scene,
    told: JudgedMove,
    run: Mapping[str, str],
    size_px: tuple[int, int],
    ready: ReadySet,
    helps: list[str],
) -> dict[str, Any]:
    """All that ``summary.json`` says of a move judged in frames of ``size_px`` (width, height); ``run`` names the
    scene's ``scene`` hash, the ``engine`` and the ``driver``."""
    order, summary = told.order, told.summary
    judged = [s for s in order if s.break_pct is not None]
    certified = [s.frame for s in judged if s.mismatch_de is not None and s.mismatch_de < JND_DE00]
    return {
        "title": scene.title,
        "scene_sha256": run["scene"],
        "version": __version__,
        "engine": run["engine"],
        "driver": run["driver"],
        "frames": len(order),
        "size_px": list(size_px),
        "px_per_deg": round(Viewer(size_px[1]).px_per_deg, 3),
        "station_frame": summary.station_frame,
        "certified_frames": len(certified),
        "hold_wanted": list(scene.rail.hold),
        "hold_mm": round(1e3 * summary.hold, 3),
        "hold_frames": summary.hold_frames,
        "hold_s": round(summary.hold_frames / float(scene.delivery.rate), 3),
        "hold_first": summary.hold_first,
        "hold_last": summary.hold_last,
        "break_mean_pct": _rounded(summary.break_mean_pct),
        "break_worst_pct": _rounded(summary.break_worst_pct),
        "break_station_pct": _rounded(summary.break_station_pct),
        "break_reveal_pct": _rounded(summary.break_reveal_pct),
        "trace_worst_pct": _rounded(summary.trace_worst_pct),
        **_film_values(summary.film),
        "helps": helps,
        "hidden": summary.hidden,
        "viewers": {
            name: {"break_worst_pct": _rounded(worst), "trace_worst_pct": _rounded(trace)}
            for name, (worst, trace) in summary.viewers.items()
        },
        "reveal_frame": scene.rail.reveal,
        "worst_frame": summary.worst_frame,
        "worst_tells": list(summary.worst_tells),
        "cautions": move_cautions(scene, ready, order),
    }


def _film_values(film: FilmSummary | None) -> dict[str, Any]:
    if film is None:
        return {}
    return {
        "hold_still_mm": round(1e3 * film.still, 3),
        "hold_still_frames": film.still_frames,
        "found_hold_pct": _rounded(film.found_pct),
        "found_hold_low_pct": _rounded(film.found_low_pct),
        "found_hold_high_pct": _rounded(film.found_high_pct),
        "drift_worst_deg_s": _rounded(film.drift_deg_s),
        "parallax_from": film.parallax_from,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
