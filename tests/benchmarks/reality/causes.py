"""What the tool leaves out, priced in points of break: one thing at a time changed in the traced pictures."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.look.choose import choose_engine
from previz.stage.looking import Looker
from tests.benchmarks.reality.frames import faded, judged, looks_of, views_in, whole
from tests.benchmarks.reality.tracer import Tracer, World

Picture = NDArray[np.float32]

# straight light and one bounce: what the tool bakes
_ONE_BOUNCE: Final = 3

BOUNCES, LAMPS = "bounces after the first", "lamps' faces keep the sky off"
MASK, BRIDGE, WALL = "outline by 2 x 2 looks", "bridge by the tool in the traced frame", "wall by the tool"


def priced(folder: Path, variant: str, samples: int, engine: str | None = None) -> dict[str, Any]:
    """Points of break that each cause adds to the tool's frame or takes from it, at the frame that differs most."""
    with (folder / "ready.pickle").open("rb") as file:
        ready, plan, _ = pickle.load(file)
    looker = Looker(choose_engine(engine).engine)
    looker.load(ready)
    frame = plan.frames[-1] if len(plan.frames) == 1 else plan.frames[len(plan.frames) // 2]
    box, size_px = plan.boxes[frame], plan.size_px
    looks, without = looker.delivered(frame, *size_px)[1]
    world, view = World.load(folder / "world.npz"), views_in(folder)[str(frame)]

    def pictures(tracer: Tracer) -> tuple[Picture, Picture]:
        seen, clean = (tracer.draw(view, names, samples, 1) for names in (("wall", "bridge"), ("wall",)))
        return whole(seen, looks.seen, box), whole(clean, looks.clean, box)

    full = Tracer(world, variant)
    seen, clean = pictures(full)
    cover = whole(full.cover(view, "bridge", ("wall",), 256), looks.cover, box)

    def shown(seen: Picture, clean: Picture, cover: Picture) -> float:
        pair = (looks_of(faded(seen, clean, box), clean, cover), {})
        return float(judged(looker, frame, pair, size_px).score.break_pct or 0.0)

    real = shown(seen, clean, cover)
    share = cover[..., None]
    # the bridge and the wall beside it, each by the one and by the other
    over_wall = looks.clean * (1.0 - share) + seen * share
    changes: dict[str, Callable[[], float]] = {
        BOUNCES: lambda: shown(*pictures(Tracer(world, variant, depth=_ONE_BOUNCE)), cover),
        LAMPS: lambda: shown(*pictures(Tracer(world, variant, blocking=False)), cover),
        MASK: lambda: shown(seen, clean, looks.cover),
        BRIDGE: lambda: shown(seen * (1.0 - share) + looks.seen * share, clean, cover),
        WALL: lambda: shown(looks.seen * (1.0 - share) + over_wall * share, looks.clean, cover),
    }
    without_it = {name: change() for name, change in changes.items()}
    own = float(judged(looker, frame, (looks, without), size_px).score.break_pct or 0.0)
    looker.engine.close()
    return {
        "frame": frame, "own": own, "traced": real,
        "causes": {name: real - value for name, value in without_it.items()},
    }  # fmt: skip


