"""What helps a film: the same set looked at with another move, lens or bridge."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from previz.run.workers import WorkerPool
from previz.scene.move import move_of
from previz.search.helps import HelpsJob, variations
from previz.stage.prepare import prepare
from tests.search.example import small_scene


def test_farther_away_the_lens_sees_the_same_part_of_the_wall(tmp_path: Path) -> None:
    """Straight back with as much longer a lens: a frame is as wide on the wall as it was (similar triangles)."""
    scene = small_scene(tmp_path)
    others = dict(variations(scene))
    assert list(others) == [
        "slide 50% of the way in the same time",
        "from 2400 mm / 7'-10 1/2\" with a 60 mm lens",
        "with the bridge 175 mm / 6 7/8\" shorter",
    ]
    spans = []
    for each in (scene, list(others.values())[1]):
        camera = move_of(each).camera(move_of(each).station_frame)
        origins, directions = camera.rays(np.array([[0.0, 540.0], [960.0, 540.0], [1920.0, 540.0]]))
        spans.append((origins - origins[:, 2:] / directions[:, 2:] * directions)[:, :2])
    assert spans[0][1] == pytest.approx(spans[1][1], abs=2e-3)
    assert np.ptp(spans[0][:, 0]) == pytest.approx(np.ptp(spans[1][:, 0]), rel=0.01)
    # focused on the same place
    far = list(others.values())[1].camera
    assert far.focus is not None
    assert scene.camera.focus is not None
    assert far.focus - scene.camera.focus == pytest.approx(0.5 * 1.6 / np.cos(np.radians(12.0)), rel=1e-3)


def test_what_stands_or_was_modelled_is_not_changed(tmp_path: Path) -> None:
    panned = small_scene(tmp_path).edited(rail__travel=0.0, rail__pan=0.1)
    assert not any("slide" in words for words, _ in variations(panned))


@pytest.mark.slow
def test_what_helps_is_said_with_numbers_the_most_first(tmp_path: Path) -> None:
    scene = small_scene(tmp_path).edited(rail__frames=120, rail__hold=(1001, 1040), rail__reveal=1110)
    with WorkerPool(1) as pool:
        pool.load(prepare(scene, 480))
        told = next(iter(pool.run([HelpsJob(480, 270)])))
    assert told
    later = []
    for words in told:
        found = re.fullmatch(
            r".*: (?:found at ([\d.]+) s|not found by the end), not at ([\d.]+); drift ([\d.]+) times as fast; "
            r"reveals (\d+) %, not (\d+)",
            words,
        )
        assert found, words
        now = float(found[2])
        later.append(float(found[1]) if found[1] else np.inf)
        # parallax is as large as the way, and smaller from afar or of less bridge (check_values.md, "Rail parallax")
        assert 0.3 < float(found[3]) < 0.9
        assert later[-1] > now
    assert later == sorted(later, reverse=True)
