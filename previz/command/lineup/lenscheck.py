"""The lens behind several photographs of the marker sheets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from previz.command.lineup.lineup import located_in
from previz.errors import PlateError
from previz.lineup.lenscheck import Lens, agree, lens_of
from previz.lineup.locate import Located
from previz.lineup.markers import board_of
from previz.lineup.solve import Priors
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene


def lens_check(scene_path: Path, photos: Sequence[Path], out: Path | None, progress: Progress) -> RunResult:
    """Fit focal length and distortion of a lens from several photographs of the sheets; write ``lens.json``."""
    scene = read_scene(scene_path)
    move, board = move_of(scene), board_of(scene)
    priors = Priors(scene.markers.placed, None)
    taken, refused = [], []
    for photo in progress.over(photos, len(photos), "photographs read"):
        try:
            taken.append(located_in(scene, move, move.station_frame, photo, board, None, priors))
        except PlateError as error:
            refused.append(str(error))
    if len(taken) < len(photos):
        for reason in refused:
            progress.note(reason)
    with results_in(results_folder(scene_path, out)) as folder:
        lens = lens_of(taken, [sheet.world_from_sheet for sheet in board.sheets], scene.markers.placed)
        values = _lens_values(scene, lens, taken, refused)
        folder.write_json("lens.json", values, decimals=6, sort_keys=False)
        return RunResult(values, folder.path)


def _lens_values(scene: Scene, lens: Lens, taken: Sequence[Located], refused: Sequence[str]) -> dict[str, Any]:
    per_px = scene.camera.sensor[0] / taken[0].photograph.size_px[0]
    doubted = [one.photograph.name for one in taken if not agree(lens, one.solved)]
    return {
        "title": scene.title,
        "photographs": lens.photographs,
        "refused": list(refused),
        "lens_mm": lens.focal_px * per_px * 1e3,
        "lens_sd_mm": float(lens.spread[0]) * per_px * 1e3,
        "k1": lens.k1,
        "k1_sd": float(lens.spread[1]),
        "axis_off_px": [float(v) for v in lens.centre_px - 0.5 * np.array(taken[0].photograph.size_px)],
        "rms_px": lens.rms_px,
        "disagreeing": doubted,
        "write": {"camera.lens": f"{lens.focal_px * per_px * 1e3:.3f} mm", "markers.distortion": round(lens.k1, 5)},
    }
