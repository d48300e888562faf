"""Every wall made by rule shows a bare bridge of contrasting colour: one that hides everything is of no use as a test.

The score's definition (DEVELOPERS.md, "What the score says") asks for more than 90 %.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from previz.run.workers import WorkerPool
from previz.scene.model import WALL_KINDS
from previz.stage.looking import FrameJob
from previz.stage.prepare import prepare
from previz.workshop import set as sets
from previz.workshop.set import RULES
from tests.search.example import small_scene

WIDTH, HEIGHT = 320, 180
# yellow as of a road sign: on no wall, far from all of them in lightness and in colour
CONTRASTING = "#e8c020"


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1, "sightlines") as held:
        yield held


def bare_break_pct(pool: WorkerPool, folder: Path, kind: str) -> float:
    """Break, percent, of the bare bridge at the station point, under flat light."""
    scene = small_scene(folder, ('kind = "slate"', f'kind = "{kind}"'), ("texture_px = 512", "texture_px = 1024"))
    pool.load(prepare(scene.edited(bridge__paint="bare", bridge__colour=CONTRASTING), WIDTH))
    (result,) = pool.run([FrameJob(1004, WIDTH, HEIGHT, pictures=False)])
    found = result.judged.score.break_pct
    assert found is not None
    return found


@pytest.mark.parametrize("kind", WALL_KINDS)
def test_a_bare_bridge_of_contrasting_colour_breaks(pool: WorkerPool, tmp_path: Path, kind: str) -> None:
    assert bare_break_pct(pool, tmp_path, kind) > 90.0


def test_a_wall_that_hides_everything_is_found(
    pool: WorkerPool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Patches of any colour, as large as the bridge is wide, hide some of a yellow bridge among them."""

    def motley(ground: object, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        rng = np.random.default_rng(3)
        patches = rng.choice([0.03, 0.9], (40, 60, 3)).astype(np.float32)
        rows, columns = ((y.max() - y) / 0.05).astype(int) % 40, ((x - x.min()) / 0.05).astype(int) % 60
        return patches[rows][:, columns]

    carve, _ = RULES["board"]
    monkeypatch.setitem(sets.RULES, "board", (carve, motley))
    assert bare_break_pct(pool, tmp_path, "board") < 90.0
