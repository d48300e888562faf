"""Builds among the frames that paint is solved for: against what `knock` says of them, and against drawn frames."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from previz import colour
from previz.command.paint.choosing import in_paint
from previz.command.paint.solving import SolvedPaint, codes_of, held_surfaces, solved_size_px
from previz.look.blur import blur_of
from previz.paint.holdframes import HeldView, held_frames
from previz.paint.solver import HeldFrame
from previz.scene.model import Scene
from previz.scene.reader import read_scene
from previz.search.bridges import fast_looker
from previz.search.knock import SLACKS, knocked, misbuilt
from previz.stage.hand import MixingError
from previz.stage.looking import FrameJob, Looker
from previz.stage.misbuilt import Misbuilt
from previz.stage.prepare import BRIDGE, prepare
from previz.workshop.texels import texel_points
from tests.engine import open_engine
from tests.search.example import small_scene

ROOT = Path(__file__).parents[2]


class Set:
    """A set in projected paint, looked at in its station frame."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.ready = prepare(scene, None)
        self.looker = Looker(open_engine())
        self.looker.load(self.ready)
        self.size_px = solved_size_px(scene)
        self.frame = self.ready.move.station_frame
        self.code = self.ready.bridge.code

    def view(self, built: Misbuilt | None = None) -> HeldView:
        move = self.ready.move
        camera, blur = move.camera(self.frame, *self.size_px), blur_of(move, self.frame, *self.size_px)
        return HeldView(self.frame, camera, blur, built)

    def held(self, view: HeldView) -> HeldFrame:
        (held,) = held_frames(
            [view], self.looker.engine, self.looker.sight, lambda blur: self.looker.ordinary(self.size_px[1], blur),
            held_surfaces(self.ready),
        )  # fmt: skip
        self.looker.engine.repaint(BRIDGE, self.code)
        return held

    def percent(self, built: Misbuilt | None) -> float:
        """The judge's break of a build in the set's own paint."""
        return self.held(self.view(built)).at(codes_of(self.code)).percent


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Set:
    return Set(small_scene(tmp_path_factory.mktemp("small")).edited(delivery__frame=(960, 540)))


@pytest.fixture(scope="module")
def quarry() -> Set:
    return Set(read_scene(ROOT / "scenes" / "quarry.toml").edited(bridge__paint="projected", bridge__image=None))


# numbers of the errors among those of a knock
@pytest.mark.parametrize(
    ("index", "size"), [(8, 0.012), (10, 0.006), (11, 0.006), (14, 0.012)],
    ids=["paint along", "hung sideways", "hung higher", "hung pitched"],
)  # fmt: skip
def test_a_build_shows_as_knock_says(quarry: Set, index: int, size: float) -> None:
    """Two ways to work it out: drawn and blurred here, without a picture there."""
    errors = np.zeros(len(SLACKS))
    errors[index] = size
    camera = quarry.view().camera
    fast = fast_looker(quarry.looker, own_paint=True)
    told = fast.judged(quarry.scene, knocked(camera, errors), camera, misbuilt(errors, (1, 2))).percent
    found = quarry.percent(misbuilt(errors, (1, 2)))
    assert quarry.percent(None) < 2.0
    assert found > 8.0
    assert found == pytest.approx(told, abs=5.0)


@pytest.mark.sweep
def test_wrong_colours_show_as_in_frames_that_are_drawn_with_them(quarry: Set) -> None:
    built = Misbuilt(colour=5.0, seed=(1, 2))
    surface = quarry.ready.built.bridge.surface
    height, width = quarry.code.shape[:2]
    points = texel_points(surface, width, height).points.reshape(-1, 3)
    error = MixingError.drawn((*built.seed, 0), 5.0, surface.vertices).at(points).reshape(height, width, 3)
    lab = colour.lab(colour.decoded8(quarry.code).astype(np.float64)) + error
    wrong = colour.encoded8(np.clip(colour.xyz_of_lab(lab) @ colour.RGB_FROM_XYZ.T, 0.0, 1.0))
    with in_paint(quarry.looker, SolvedPaint(wrong, None)):
        drawn = quarry.looker.look(FrameJob(quarry.frame, *quarry.size_px, pictures=False)).judged.score.break_pct
    assert drawn is not None
    assert drawn > 20.0
    assert quarry.percent(built) == pytest.approx(drawn, abs=5.0)


def test_mixing_errors_are_as_large_as_stated(small: Set) -> None:
    """Largest dE*ab between a frame with and without, where bridge is seen: at most what was stated, and near it."""
    built = Misbuilt(colour=4.0, seed=(1, 2))
    pictures = []
    for view in (small.view(), small.view(built)):
        pictures.append(small.held(replace(view, blur=None)).model.picture(codes_of(small.code)))
    off = colour.de76(colour.lab(pictures[0]), colour.lab(pictures[1]))
    assert 2.0 < float(np.quantile(off[off > 0.05], 0.98)) < 5.0


def test_errors_are_those_of_this_place_and_no_other(small: Set) -> None:
    """A bridge hung 5 mm to the right is as one that stands there: its outline moves by as many pixels."""
    right = Misbuilt(hung=np.array([0.005, 0.0, 0.0, 0.0, 0.0, 0.0]))
    outlines = []
    for view in (small.view(), small.view(right)):
        held = small.held(view)
        # where the windows on the outline itself are, in the whole frame
        outlines.append(held.judged._colour_px[0, 2] + held.model.origin)
    camera = small.view().camera
    near = np.array([[0.0, 0.0, small.ready.built.bridge.surface.vertices[:, 2].max()]])
    shifted = camera.project(near + [0.005, 0.0, 0.0]) - camera.project(near)
    # the near end is the lowest of the outline
    low = [xy[xy[:, 1] > xy[:, 1].max() - 3.0, 0].mean() for xy in outlines]
    assert low[1] - low[0] == pytest.approx(float(shifted[0, 0]), abs=0.7)
