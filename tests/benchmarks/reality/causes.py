"""What the tool leaves out, priced in points of break: one thing at a time changed in the traced pictures."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.judge.hold import FrameScore
from previz.look.choose import choose_engine
from previz.scene.move import Move
from previz.stage.looking import Looker
from tests.benchmarks.reality.choice import loss_frames
from tests.benchmarks.reality.frames import box_around, faded, judged, looks_of, whole
from tests.benchmarks.reality.tracer import Tracer, World
from tests.benchmarks.reality.world import view_of

Picture = NDArray[np.float32]

# straight light and one bounce: less than what the tool bakes
_ONE_BOUNCE: Final = 3

# Lens flare: a lens's veiling glare, the share of the picture's mean light that lies over all of it. ISO 9358 says how
# it is measured; good lenses have one to three percent (from memory).
GLARE: Final = 0.02

BOUNCES, LAMPS, FLARE = "bounces after the first", "lamps' faces keep the sky off", "lens flare, 2 % veiling glare"
MASK, BRIDGE, WALL = "outline by the tool's looks", "bridge by the tool in the traced frame", "wall by the tool"


def priced(folder: Path, variant: str, samples: int, engine: str | None = None) -> dict[str, Any]:
    """Points of break that each cause adds, at some frames: ``frames`` has them with the break of both and
    ``causes``."""
    with (folder / "ready.pickle").open("rb") as file:
        ready, plan, scores = pickle.load(file)
    looker = Looker(choose_engine(engine).engine)
    looker.load(ready)
    world = World.load(folder / "world.npz")
    tracers = {
        "": Tracer(world, variant),
        BOUNCES: Tracer(world, variant, depth=_ONE_BOUNCE),
        LAMPS: Tracer(world, variant, blocking=False),
    }
    found = [
        _priced(looker, tracers, frame, plan.size_px, samples) for frame in priced_frames(ready.move, scores)
    ]
    looker.engine.close()
    return {"frames": found}


def priced_frames(move: Move, scores: Mapping[int, FrameScore]) -> list[int]:
    """The last frame of the hold asked for, that at which the tool loses the still hold, and one six after it."""
    still = loss_frames(scores, move)[0]
    return sorted({f for f in (move.scene.rail.hold[1], still, still + 6) if f in scores})


def glared(picture: Picture) -> Picture:
    """A whole picture (H, W, 3), linear, with a veil of its mean light over it."""
    return np.asarray((1.0 - GLARE) * picture + GLARE * picture.mean(axis=(0, 1)), dtype=np.float32)


def _priced(
    looker: Looker, tracers: Mapping[str, Tracer], frame: int, size_px: tuple[int, int], samples: int
) -> dict[str, Any]:
    looks, without = looker.delivered(frame, *size_px)[1]
    box = box_around(looks.cover)
    view = view_of(looker.ready.move, frame, size_px, box)

    def pictures(tracer: Tracer) -> tuple[Picture, Picture]:
        seen, clean = (tracer.draw(view, names, samples, 1) for names in (("wall", "bridge"), ("wall",)))
        return whole(seen, looks.seen, box), whole(clean, looks.clean, box)

    def shown(seen: Picture, clean: Picture, cover: Picture) -> float:
        pair = (looks_of(faded(seen, clean, box), clean, cover), {})
        return float(judged(looker, frame, pair, size_px).score.break_pct or 0.0)

    full = tracers[""]
    seen, clean = pictures(full)
    cover = whole(full.cover(view, "bridge", ("wall",), 256), looks.cover, box)
    real = shown(seen, clean, cover)
    share = cover[..., None]
    # the bridge and the wall beside it, each by the one and by the other
    over_wall = looks.clean * (1.0 - share) + seen * share
    without_it: dict[str, Callable[[], float]] = {
        BOUNCES: lambda: shown(*pictures(tracers[BOUNCES]), cover),
        LAMPS: lambda: shown(*pictures(tracers[LAMPS]), cover),
        MASK: lambda: shown(seen, clean, looks.cover),
        BRIDGE: lambda: shown(seen * (1.0 - share) + looks.seen * share, clean, cover),
        WALL: lambda: shown(looks.seen * (1.0 - share) + over_wall * share, looks.clean, cover),
    }
    causes = {name: real - change() for name, change in without_it.items()}
    # this one the tracer leaves out, too: it is laid on
    causes[FLARE] = shown(glared(seen), glared(clean), cover) - real
    own = float(judged(looker, frame, (looks, without), size_px).score.break_pct or 0.0)
    return {"frame": frame, "own": own, "traced": real, "causes": causes}
