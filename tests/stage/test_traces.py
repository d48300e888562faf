"""A hard lamp from the side throws the bridge's shadow across the wall: it is not hidden, and a large face mends it."""

import pytest

from previz.look.choose import choose_engine
from previz.scene.model import Scene
from previz.stage.looking import FrameJob, FrameResult, Looker
from previz.stage.prepare import prepare

WIDTH, HEIGHT = 480, 270


def scene(size: float) -> Scene:
    """A board with a walkway before it, lit by one lamp from camera left whose face is ``size`` m wide."""
    return Scene.model_validate(
        {
            "title": "side light", "scale": "1:20", "delivery": {"frame": (480, 270), "rate": 25},
            "wall": {"kind": "board", "width": 1.6, "height": 1.2, "top": 0.6, "relief": 0.0, "seed": 4},
            "bridge": {"length": 0.5, "width": 0.05, "thickness": 0.012, "paint": "projected"},
            "camera": {"sensor": (0.0359, 0.0202), "lens": 0.035, "position": (0.0, 0.16, 1.1), "tilt": -0.14},
            "rail": {"along": (1.0, 0.0, 0.0), "travel": 0.05, "frames": 10, "hold": (1001, 1004), "reveal": 1010},
            "lamps": [
                {"name": "side", "position": (-1.3, 0.5, 0.9), "aim": (0.0, -0.1, 0.1), "size": (size, size),
                 "lux": 600.0, "kelvin": 5600.0},
            ],
            "light": {"ambient": 250.0},
        }
    )  # fmt: skip


def judged(size: float) -> FrameResult:
    choice = choose_engine(None)
    looker = Looker(choice.engine)
    try:
        looker.load(prepare(scene(size), WIDTH))
        return looker.look(FrameJob(1001, WIDTH, HEIGHT, pictures=False))
    finally:
        choice.engine.close()


@pytest.mark.slow
def test_a_hard_shadow_across_the_wall_is_not_hidden() -> None:
    score = judged(0.01).judged.score
    assert score.trace_pct is not None
    assert score.trace_pct > 20.0
    assert not score.holds
    assert "shadow" in score.tells


@pytest.mark.slow
def test_a_large_face_mends_it() -> None:
    """As wide as it is far from the wall: common practice for light that throws no edge, no source."""
    score = judged(1.2).judged.score
    assert score.trace_pct == pytest.approx(0.0, abs=2.0)
