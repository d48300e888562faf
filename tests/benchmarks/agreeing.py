"""How well the fast judge agrees with drawn frames on the demonstration sets, their cameras as a search draws them.

Every candidate has its own camera within bounds, paint that lines up from there, and a frame out of each fifth of its
move. ``crew.both`` beside it asks the same of one set's paint as it is laid.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

import numpy as np

from previz.errors import JudgeError
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.search.candidates import painter_of
from previz.search.freedoms import freedoms_of, placed, values_of
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import FrameJob
from tests.benchmarks.crew import FRAME_PX, FRAMES_OF_CANDIDATE, Crew, Scorer
from tests.benchmarks.figures import Figure, at_least

SCENES: Final = Path(__file__).resolve().parents[2] / "scenes"

# what a search may change of each set's camera; the quarry has its own
BOUNDS: Final = {
    "quarry": "",
    "seastack": '\n[search]\nheight = ["360 mm", "500 mm"]\nlateral = ["-420 mm", "-300 mm"]\n',
    "crevasse": '\n[search]\nheight = ["380 mm", "480 mm"]\ndistance_with_lens = ["2 m", "2.3 m"]\n',
}


def bounded_scene(name: str, folder: Path) -> Scene:
    """A demonstration set with bounds to search within; paint that would be solved is projected."""
    shutil.copytree(SCENES, folder / name, dirs_exist_ok=True)
    path = folder / name / f"{name}.toml"
    text = path.read_text(encoding="utf-8").replace('paint = "solved"', 'paint = "projected"')
    path.write_text(text + BOUNDS[name], encoding="utf-8")
    return read_scene(path)


def random_candidates(base: Scene, count: int, seed: int) -> list[tuple[Scene, list[int]]]:
    """Random candidates of a search, each with a random frame of every fifth of its move."""
    rng = np.random.default_rng(seed)
    freedoms = freedoms_of(base)
    drawn = []
    for _ in range(count):
        scene = placed(base, values_of(freedoms, rng.random(len(freedoms))))
        parts = np.array_split(np.array(move_of(scene).frames), FRAMES_OF_CANDIDATE)
        drawn.append((scene, [int(rng.choice(part)) for part in parts]))
    return drawn


def fast_and_drawn(scorer: Scorer, asked: list[tuple[Scene, list[int]]]) -> list[tuple[float, float]]:
    """Break, percent, of every frame asked for, by the fast judge and drawn; NaN where it cannot be judged."""
    looker = scorer.looker
    fast = FastLooker(
        scorer.ready, looker.engine, looker.sight, looker.ordinary, through=looker.ordinary_as_drawn
    )
    found = []
    for scene, frames in asked:
        move = move_of(scene)
        quick = []
        for frame in frames:
            try:
                quick.append(fast.score(scene, move, frame, *FRAME_PX).break_pct)
            except JudgeError:
                quick.append(None)
        point = np.asarray(move.camera(move.station_frame).position)
        bridge, _ = painter_of(looker).painted(scene, point)
        looker.repaint(scene, bridge, point)
        for frame, one in zip(frames, quick, strict=True):
            drawn = looker.look(FrameJob(frame, *FRAME_PX, pictures=False)).judged.score.break_pct
            found.append((np.nan if one is None else one, np.nan if drawn is None else drawn))
    return found


def agreement_as_searched(team: Crew, name: str, asked: list[tuple[Scene, list[int]]]) -> list[Figure]:
    """What two workers that hold a set find of its candidates."""
    halves = team.ask(fast_and_drawn, (asked[::2],), (asked[1::2],))
    rows = np.array([row for half in halves for row in half])
    off = np.abs(rows[:, 0] - rows[:, 1])
    judged = np.isfinite(rows).all(axis=1)
    what = f"{name}, {len(rows)} frames of cameras as search draws them"
    return [
        at_least(f"{what}: within 1 point of the drawn frame", 100.0 * float((off[judged] <= 1.0).mean()), "%", 95.0),
        Figure(f"{what}: within 3 points", 100.0 * float((off[judged] <= 3.0).mean()), "%"),
        Figure(f"{what}: mean difference", float((rows[:, 0] - rows[:, 1])[judged].mean()), "points"),
        Figure(f"{what}: largest difference", float(off[judged].max()), "points"),
        Figure(f"{what}: one says that it holds, the other not", _torn(rows[judged]), "frames"),
    ]


def _torn(rows: np.ndarray) -> int:
    return int(((rows[:, 0] <= 5.0) != (rows[:, 1] <= 5.0)).sum())
