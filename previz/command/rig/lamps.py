"""``previz rig --lamps``: the lamps at hand placed, judged by drawn frames that were not looked at while placing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from previz.command.shoot.shoot import scaled_height
from previz.errors import OutputError
from previz.judge.hold import FrameScore
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.rig.fixtures import Spot, fixtures_of
from previz.rig.lampjob import LampsFound, PlaceLampsJob
from previz.rig.lightadvice import level_of
from previz.rig.placing import Judged
from previz.rig.wayout import WayOut, first_change, way_out_text
from previz.run.lightcache import LightCache
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Lamp, Scene
from previz.scene.rig.exposure import TOLERANCE, load, stops_text
from previz.scene.rig.lampplaces import LampStand
from previz.scene.rig.lightcautions import HOT_DISTANCE
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.looking import FrameJob
from previz.stage.prepare import ReadySet, prepare, sight_of
from previz.units import deg_text, mm_text
from previz.workshop.surface import Pixels8

# places are tried in frames this wide, the narrowest that are judged as score judges
TRIED_PX = 640

# a lamp whose colour is off the balance by more, in mired (a million over kelvin), wants a gel: common practice
COLOUR_OFF_MIRED = 50.0

# frames of the hold that answers are judged by, besides those that were looked at
_UNSEEN = 2


@dataclass(frozen=True, eq=False)
class DrawnLook:
    """What the drawn judge finds over ``frames``: the worst trace and break, percent (None where no frame could be
    judged), the lux at the wall and of what is white, and as ``code`` (H, W, 3) uint8 the frame of which most shows."""

    frames: tuple[int, ...]
    trace_pct: float | None
    break_pct: float | None
    wall_lux: float
    white_lux: float
    out_of_range: float
    worst_frame: int
    code: Pixels8

    @property
    def trace_text(self) -> str:
        """The trace, in words."""
        return "cannot be judged" if self.trace_pct is None else f"traces {self.trace_pct:.1f} %"

    @property
    def text(self) -> str:
        """Trace and outline, in words."""
        return self.trace_text if self.break_pct is None else f"{self.trace_text}, outline {self.break_pct:.1f} %"


@dataclass(frozen=True, eq=False)
class LampAnswer:
    """Lamps in their places: the ``scene`` with them, the setup as it was ``judged`` while placing, what drawn frames
    show ``before`` and ``after``, the lux that are ``needed`` at the wall, and ``ways`` beyond what is at hand."""

    scene: Scene
    judged: Judged
    before: DrawnLook
    after: DrawnLook
    needed: float
    ways: tuple[WayOut, ...]

    @property
    def stops(self) -> float:
        """Stops by which the wall is brighter than mid grey asks for; negative: too dark."""
        return math.log2(max(self.after.wall_lux, 1e-9) / self.needed)

    @property
    def hidden(self) -> bool:
        """Whether no trace shows."""
        return self.after.trace_pct is not None and self.after.trace_pct <= HOLDS_BELOW_PCT

    @property
    def gained(self) -> float:
        """Stops that the wall has gained against the lamps as they stood."""
        return math.log2(max(self.after.wall_lux, 1e-9) / max(self.before.wall_lux, 1e-9))


def unseen_frames(scene: Scene, seen: Sequence[int]) -> tuple[int, ...]:
    """Frames of the hold that were not ``seen``, spread over it; those seen where there are no others."""
    first, last = scene.rail.hold
    left = [frame for frame in range(first, last + 1) if frame not in seen]
    if not left:
        return tuple(seen)
    at = np.linspace(0, len(left) - 1, min(_UNSEEN, len(left))).round().astype(int)
    return tuple(sorted({left[int(k)] for k in at}))


def lamp_answer(
    scene: Scene, engine: str | None, progress: Progress, cache: LightCache | None = None, ways: bool = True
) -> LampAnswer:
    """Place the lamps at hand. Raises :class:`OutputError` where there is none, or none can stand anywhere."""
    if not fixtures_of(scene):
        raise OutputError(
            f"{scene.title}: no lamp to place; expected [[at_hand]] tables, or a [[lamp]]; add the lamps that there "
            "are (name, size, watts)"
        )
    height = scaled_height(scene, TRIED_PX)
    progress.say("building the set to try lamps in")
    tried = prepare(scene, TRIED_PX)
    with WorkerPool(1, engine) as pool:
        progress.note(pool.opened.message)
        pool.load(tried)
        progress.say("placing the lamps")
        (found,) = pool.run([PlaceLampsJob(TRIED_PX, height, ways)])
        if not found.best:
            raise OutputError(
                f"{scene.title}: no lamp at hand can stand anywhere: expected room out of the picture, off foam and "
                "paint and off the lens; bring smaller lamps, or ones that do not burn hot"
            )
        progress.say("judging the answer in frames that were not looked at")
        frames = unseen_frames(scene, found.frames)
        before = _shown(pool, prepare(scene, JUDGED_WIDTH_PX, cache), frames[-1:])
        return _chosen(scene, found, before, pool, frames, cache)


def _chosen(
    scene: Scene,
    found: LampsFound,
    before: DrawnLook,
    pool: WorkerPool,
    frames: tuple[int, ...],
    cache: LightCache | None,
) -> LampAnswer:
    """The first of the best that drawn frames find no trace of, the one that shows least where none is."""
    answers = []
    for judged in found.best:
        lit = with_lamps(scene, judged.lamps)
        after = _shown(pool, prepare(lit, JUDGED_WIDTH_PX, cache), frames)
        answers.append(LampAnswer(lit, judged, before, after, found.needed, found.ways))
        if answers[-1].hidden and abs(answers[-1].stops) <= TOLERANCE:
            return answers[-1]
    return min(answers, key=lambda one: (100.0 if one.after.trace_pct is None else one.after.trace_pct))


def with_lamps(scene: Scene, lamps: Sequence[Lamp]) -> Scene:
    """The scene with other lamps; what a search may change of lamps that are gone is gone as well."""
    names = {lamp.name for lamp in lamps}
    search = scene.search
    if search is not None:
        search = search.model_copy(update={"lamp": tuple(one for one in search.lamp if one.name in names)})
    return scene.model_copy(update={"lamps": tuple(lamps), "search": search})


def _shown(pool: WorkerPool, ready: ReadySet, frames: Sequence[int]) -> DrawnLook:
    pool.load(ready)
    size_px = JUDGED_WIDTH_PX, scaled_height(ready.scene, JUDGED_WIDTH_PX)
    results = list(pool.run(FrameJob(frame, *size_px) for frame in frames))
    scores: list[FrameScore] = [result.judged.score for result in results]
    judged = [score for score in scores if score.break_pct is not None]
    worst = max(range(len(scores)), key=lambda k: (scores[k].trace_pct or -1.0, -k))
    code = results[worst].code
    assert code is not None
    return DrawnLook(
        tuple(frames),
        max((score.trace_pct or 0.0 for score in judged), default=None),
        max((score.break_pct or 0.0 for score in judged), default=None),
        level_of(ready, sight_of(ready.built)).wall if not ready.wall.lighting.flat else 0.0,
        ready.wall.lighting.reference,
        ready.out_of_range,
        scores[worst].frame,
        code,
    )


def share_of_full(spot: Spot, lamp: Lamp) -> float:
    """What share of its full light a placed lamp gives, 0 to 1."""
    return min(lamp.lux / spot.full, 1.0)


def dimming_text(spot: Spot, lamp: Lamp) -> str:
    """How far a lamp is dimmed, or what else takes its light."""
    share = share_of_full(spot, lamp)
    lost = -math.log2(max(share, 1e-6))
    if lost < 0.05:
        return "full"
    how = f"dim to {100.0 * share:.0f} %" if spot.fixture.dims else "nets or grey gel"
    return f"{how}, lose {stops_text(lost)}"


def stand_text(stand: LampStand) -> str:
    """What carries a lamp, in words."""
    foot = f"{1e3 * stand.right:.0f} / {1e3 * stand.out:.0f}"
    if stand.arm:
        return f"arm {mm_text(stand.arm, 0)}, pole at {foot}, {mm_text(stand.height, 0)} high"
    return f"stand at {foot}, {mm_text(stand.height, 0)} high"


def lamp_lines(answer: LampAnswer) -> tuple[str, ...]:
    """What was found, in sentences."""
    before, after, judged = answer.before, answer.after, answer.judged
    frames = ", ".join(str(frame) for frame in after.frames)
    lines = [
        f"As the lamps stood: {before.text}. As placed: {after.text} (at most {HOLDS_BELOW_PCT:g} % holds), judged as "
        f"in score in frames {frames}.",
        f"At the wall behind the bridge {after.wall_lux:.0f} lux of {answer.needed:.0f} that are needed, "
        f"{_signed(answer.stops)} stops; {_signed(answer.gained)} against the lamps as they stood; "
        f"{stops_text(abs(judged.spare))} {'in hand' if judged.spare >= 0.0 else 'missing with the lamps at full'}.",
        f"Light falls off by {stops_text(judged.uneven)} across the picture.",
    ]
    amperes, light = load(answer.scene), answer.scene.light
    if amperes is not None:
        lines.append(f"They take {amperes * light.volts:.0f} W, {amperes:.1f} A of {light.circuit:g} A, at full.")
    if abs(answer.stops) > TOLERANCE:
        lines.append(_exposure_mend(answer))
    if after.break_pct is not None and after.break_pct > HOLDS_BELOW_PCT:
        lines.append(
            "Traces are one thing, the outline another: previz score tells by what that shows; "
            + ("the paint's range is part of it." if after.out_of_range > 0.05 else "previz paint may mend it.")
        )
    return tuple(lines)


def _signed(stops: float) -> str:
    """Stops with their sign, none before nothing."""
    return f"{stops:+.1f}" if round(stops, 1) else "0.0"


def _exposure_mend(answer: LampAnswer) -> str:
    iso = answer.scene.camera.iso
    if answer.stops < 0.0:
        return (
            f"The lamps at hand cannot give it: ISO {iso * 2.0**-answer.stops:.0f} instead of {iso:g} does, or "
            f"{2.0**-answer.stops:.1f} times the light."
        )
    return f"The light from all over is too much already: ISO {iso * 2.0**-answer.stops:.0f} instead of {iso:g}."


def way_lines(answer: LampAnswer) -> tuple[str, ...]:
    """The shadow's way out, where no place hides it: what to change first, then every step."""
    if answer.hidden or not answer.ways:
        return ()
    now = answer.judged.look.trace_pct or 100.0
    volts = answer.scene.light.volts
    return (first_change(list(answer.ways), now), *(way_out_text(way, volts) for way in answer.ways))


def lamp_values(answer: LampAnswer) -> dict[str, Any]:
    """The numbers of the answer, for ``rig.json``."""
    amperes = load(answer.scene)
    rows = []
    for spot, lamp in zip(answer.judged.setup.spots, answer.scene.lamps, strict=True):
        share = share_of_full(spot, lamp)
        rows.append(
            {
                "name": lamp.name,
                "position_mm": [1e3 * v for v in lamp.position],
                "aim_mm": [1e3 * v for v in lamp.aim],
                "round_deg": spot.direction.round_deg,
                "up_deg": spot.direction.up_deg,
                "lux_at_aim": lamp.lux,
                "full_lux_at_aim": spot.full,
                "share_of_full": share,
                "stops_to_lose": -math.log2(max(share, 1e-6)),
                "watts": lamp.watts,
                "stand": {
                    "right_mm": 1e3 * spot.stand.right, "out_mm": 1e3 * spot.stand.out,
                    "height_mm": 1e3 * spot.stand.height, "arm_mm": 1e3 * spot.stand.arm,
                },
            }
        )  # fmt: skip
    return {
        "scene": "lamps.toml",
        "hidden": answer.hidden,
        "frames": list(answer.after.frames),
        "before": _shown_values(answer.before),
        "after": _shown_values(answer.after),
        "needed_lux": answer.needed,
        "wall_stops": answer.stops,
        "stops_against_before": answer.gained,
        "spare_stops": answer.judged.spare,
        "uneven_stops": answer.judged.uneven,
        "amperes": amperes,
        "circuit": answer.scene.light.circuit,
        "lamps": rows,
        "ways": [
            {
                "kind": way.kind, "what": way.what, "trace_pct": way.trace_pct, "break_pct": way.break_pct,
                "spare_stops": way.spare, "reason": way.reason,
                "amperes": None if way.watts is None else way.watts / answer.scene.light.volts,
            }
            for way in answer.ways
        ],
        "lines": [*lamp_lines(answer), *way_lines(answer)],
    }  # fmt: skip


def _shown_values(shown: DrawnLook) -> dict[str, Any]:
    return {
        "trace_pct": shown.trace_pct,
        "break_pct": shown.break_pct,
        "wall_lux": shown.wall_lux,
        "out_of_range_pct": 100.0 * shown.out_of_range,
        "worst_frame": shown.worst_frame,
    }


def note_of(spot: Spot, lamp: Lamp) -> str:
    """One line about a placed lamp for the scene's text."""
    turned, up = (deg_text(math.radians(angle)) for angle in (spot.direction.round_deg, spot.direction.up_deg))
    hot = f"; {mm_text(HOT_DISTANCE, 0)} and more off foam and paint" if spot.fixture.hot else ""
    return f"{stand_text(spot.stand)}; {dimming_text(spot, lamp)}; {turned} round, {up} up{hot}"


def arm_lines(answer: LampAnswer) -> tuple[str, ...]:
    """Usual practice for lamps on arms, and for those whose colour is not the camera's; local rules come first."""
    spots, scene = answer.judged.setup.spots, answer.scene
    lines = []
    over = [lamp.name for spot, lamp in zip(spots, scene.lamps, strict=True) if spot.stand.arm]
    if over:
        lines.append(
            f"On an arm: {', '.join(over)}. Weigh the stand down, use rated fixings and a safety cable, and nobody "
            "stands under it."
        )
    off = [
        f"{lamp.name} {lamp.kelvin:g} K"
        for lamp in scene.lamps
        if abs(1e6 / lamp.kelvin - 1e6 / scene.light.white_balance) > COLOUR_OFF_MIRED
    ]
    if off:
        lines.append(
            f"Of another colour than the balance of {scene.light.white_balance:g} K: {', '.join(off)}. A gel mends it, "
            "and takes up to two stops, which are not counted here."
        )
    return tuple(lines)
