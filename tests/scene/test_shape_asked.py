"""Card, check and overlay of a modelled causeway name the near end that its mesh has."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from previz.command.rig.rigfacts import places, rig_facts
from previz.scene.derived import derived
from previz.scene.move import move_of
from previz.scene.rig.focusing import focus_plan
from previz.scene.shape import bridge_shape
from tests.scene.causeway import FLIGHTS, MM, NEAR, causeway, saved
from tests.scene.example import modelled, scene_of


@pytest.mark.parametrize("scale", [1.0, 0.7])
def test_near_end_of_a_modelled_causeway(tmp_path: Path, scale: float) -> None:
    path = saved(tmp_path)
    mesh = causeway()
    mesh.apply_scale(scale)
    mesh.export(path)
    scene = scene_of(tmp_path, *modelled(path.name)).edited(plate__foot_mark=0.2)
    move = move_of(scene)
    # the middle of the last tread's end, as the mesh was made
    near = scale * np.array([0.0, FLIGHTS[-1][2] * MM, NEAR])
    gap_mm = 1e3 * float(np.linalg.norm(np.array(scene.camera.position) - near))
    [card] = [m.metric for m in places(rig_facts(scene)) if m.name == "lens to near end"]
    assert float(card.replace("\u00a0", " ").split()[0]) == pytest.approx(gap_mm, abs=1.0)
    rows = dict(derived(scene))
    assert float(rows["lens to the near end of the bridge"].split()[0]) == pytest.approx(gap_mm, abs=1.0)
    assert f"{1e3 * scale * NEAR:.1f} mm long" in rows["modelled bridge, out of the wall"]
    # what is nearest in focus is what trimesh's corners have in the picture at the nearest frame
    plan = focus_plan(scene, move)
    camera = move.camera(plan.move.near_frame)
    px = camera.project(mesh.vertices)
    shown = (px > 0.0).all(axis=1) & (px < scene.delivery.frame).all(axis=1) & (mesh.vertices[:, 2] >= 0.0)
    if shown[np.argmin(camera.depth(mesh.vertices))]:
        assert plan.move.near == pytest.approx(float(camera.depth(mesh.vertices).min()), abs=1.0 * MM)
    # the overlay's lines reach as far as the mesh
    lines = np.concatenate(bridge_shape(scene).drawn_lines(scene.camera.position))
    low, high = mesh.slice_plane([0.0, 0.0, 0.0], [0.0, 0.0, 1.0]).bounds
    assert lines[:, 2].max() == pytest.approx(high[2], abs=1.0 * MM)
    assert [lines[:, 0].min(), lines[:, 0].max()] == pytest.approx([low[0], high[0]], abs=1.0 * MM)
    assert lines[:, 2].min() >= -1e-9
