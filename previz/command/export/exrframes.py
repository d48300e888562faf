"""The frames of ``exr/``: drawn by as many workers as there are, written by each, taken up again after a stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from previz.camera import Camera
from previz.deliver.export.exr import DeepFrame, write_exr
from previz.look.view import Engine
from previz.run.ledger import Ledger, ledger_name
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.stage.looking import Looker
from previz.stage.prepare import WITH_BRIDGE
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER

# samples a pixel and axis of the colour
_SAMPLES: Final = 2


@dataclass(frozen=True)
class ExrFile:
    """What a frame has left: the ``name`` of its file."""

    name: str


@dataclass(frozen=True)
class ExrJob:
    """A frame to draw with its layers, ``size_px`` (width, height), and to write to ``folder``; gives its name.

    ``about`` stands in the file's comments. Whoever draws a frame writes it: it is larger than all else that workers
    send.
    """

    frame: int
    size_px: tuple[int, int]
    folder: Path
    rate: Fraction
    about: str

    def done_by(self, looker: Looker) -> tuple[int, ExrFile]:
        """Draw and write it."""
        camera = looker.ready.move.camera(self.frame).resized(*self.size_px)
        made = deep_frame(looker.engine, camera)
        return self.frame, ExrFile(write_exr(OutputFolder(self.folder), self.frame, made, self.rate, self.about))


def deep_frame(engine: Engine, camera: Camera) -> DeepFrame:
    """A frame with its layers, by an engine that has the set loaded."""
    whole = engine.draw(camera, WITH_BRIDGE, _SAMPLES)
    alone = engine.draw(camera, WITH_BRIDGE, _SAMPLES, keep=BRIDGE_LAYER)
    centre = engine.draw(camera, WITH_BRIDGE, 1, depth=True)
    assert centre.depth is not None
    return DeepFrame(whole.colour, alone.colour, whole.cover(BRIDGE_LAYER), centre.depth, centre.layer)


def about_frames(scale: float) -> str:
    """What a file's comments say of its channels."""
    return (
        f"{scale:g} times smaller than life; RGB linear Rec.709, 1 is what paints white in the scene's light; "
        "Z metres along the optical axis, infinity where nothing is; id 0 nothing, 1 wall, 2 bridge; "
        "bridge.RGBA premultiplied"
    )


def write_frames(
    folder: OutputFolder,
    pool: WorkerPool,
    frames: tuple[int, ...],
    size_px: tuple[int, int],
    rate: Fraction,
    about: str,
    run: Mapping[str, str],
    progress: Progress,
) -> None:
    """Write ``exr/NUMBER.exr`` of all ``frames`` of the set that is loaded in ``pool``.

    Those that a stopped run of the same ``run`` (in texts, all that they depend on) has left are not made again.
    """
    ledger = Ledger(folder, ledger_name("export"), {**run, "about": about}, ExrFile)
    try:
        wanted = [f for f in frames if f not in ledger.done or not folder.has(ledger.done[f].name)]
        progress.going_on(len(frames) - len(wanted), len(frames), "frames")
        jobs = [ExrJob(frame, size_px, folder.path, rate, about) for frame in wanted]
        for frame, file in progress.over(pool.run(jobs), len(jobs), "frames written to exr/"):
            ledger.add(frame, file)
        ledger.close(finished=True)
    finally:
        ledger.close(finished=False)
