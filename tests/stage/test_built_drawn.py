"""Builds that are judged without a picture against the same builds drawn: colours mixed wrong, a bridge hung off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz import colour
from previz.geometry import transform_points
from previz.look.sight import SightEngine
from previz.search.bridges import fast_looker
from previz.stage.hand import MixingError
from previz.stage.looking import FrameJob, Looker
from previz.stage.misbuilt import AsBuilt, Misbuilt, hung_from_meant
from previz.stage.prepare import ReadySet, prepare
from previz.workshop.surface import LitSurface
from previz.workshop.texels import texel_points
from tests.search.example import small_scene

# a set built anew, frames drawn
pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 480, 270
POINTS = 1.0
DEG, MM = np.pi / 180.0, 1e-3


@pytest.fixture(scope="module")
def looker(tmp_path_factory: pytest.TempPathFactory) -> Looker:
    folder = tmp_path_factory.mktemp("drawn")
    scene = small_scene(folder, ("hold = [1001, 1008]", "hold = [1004, 1005]\nstation = 1004"))
    out = Looker(SightEngine())
    out.load(prepare(scene, WIDTH))
    return out


def fast(looker: Looker, built: Misbuilt | None) -> float:
    ready = looker.loaded
    camera = ready.move.camera(ready.move.station_frame, WIDTH, HEIGHT)
    return fast_looker(looker, own_paint=True).judged(ready.scene, camera, camera, built).percent


def drawn(looker: Looker, bridge: LitSurface | None = None) -> float:
    ready = looker.loaded
    looker.repaint(ready.scene, ready.bridge if bridge is None else bridge, ready.station_point)
    found = looker.look(FrameJob(ready.move.station_frame, WIDTH, HEIGHT, False)).judged.score.break_pct
    assert found is not None
    return found


def mixed_wrong(ready: ReadySet, error: MixingError) -> LitSurface:
    """The bridge with every texel of its paint off by the error there."""
    code = ready.bridge.code
    points = texel_points(ready.bridge.surface, code.shape[1], code.shape[0]).points
    wrong = colour.lab(colour.decoded8(code)) + error.at(points)
    linear = colour.xyz_of_lab(wrong) @ np.linalg.inv(colour.XYZ_FROM_RGB).T
    return replace(ready.bridge, code=colour.encoded8(np.clip(linear, 0.0, 1.0)))


def test_what_is_right_is_as_it_was(looker: Looker) -> None:
    assert fast(looker, Misbuilt()) == fast(looker, None)
    assert fast(looker, None) == pytest.approx(drawn(looker), abs=2.0 * POINTS)


@pytest.mark.parametrize(("size", "way"), [(6.0, 1), (20.0, 2)])
def test_colours_mixed_wrong(looker: Looker, size: float, way: int) -> None:
    built = Misbuilt(colour=size, seed=(way,))
    error = MixingError.drawn((way, 0), size, AsBuilt(looker.loaded, looker.sight).surface_points)
    wanted = drawn(looker, mixed_wrong(looker.loaded, error))
    assert fast(looker, built) == pytest.approx(wanted, abs=4.0 * POINTS)
    if size == 20.0:
        assert wanted > 5.0 * POINTS


def test_a_bridge_hung_off(looker: Looker) -> None:
    """Drawn with every vertex where it hangs; nothing throws a shadow here."""
    hung, ready = np.array([0.0, 6 * MM, 0.0, 0.5 * DEG, 0.0, 0.0]), looker.loaded
    found = fast(looker, Misbuilt(hung=hung))
    surface = ready.bridge.surface
    moved = replace(surface, vertices=transform_points(hung_from_meant(hung), surface.vertices))
    built = replace(ready.built, bridge=replace(ready.built.bridge, surface=moved))
    other = Looker(SightEngine())
    other.load(replace(ready, bridge=replace(ready.bridge, surface=moved), built=built))
    wanted = drawn(other)
    assert wanted > 5.0 * POINTS
    assert found == pytest.approx(wanted, abs=4.0 * POINTS)
