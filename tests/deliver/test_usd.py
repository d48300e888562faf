"""set.usda: opened, validated and projected by OpenUSD's own library (usd-core)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from previz.deliver.export import usd
from previz.deliver.export.usd import write_usd
from previz.errors import OutputError
from previz.run.output import OutputFolder
from tests.deliver.open_files import POINTS, painted, travel

SIZE_PX = np.array([1920.0, 1080.0])


def opened(folder: Path, shift: tuple[float, float] = (0.0, 0.0), lit: bool = True):  # type: ignore[no-untyped-def]
    pytest.importorskip("pxr")
    from pxr import Usd

    names = write_usd(OutputFolder(folder), "Slate & walk ä", painted(lit), travel(shift), "1.0")
    assert names == ["set.usda", "textures/wall.png", "textures/bridge.png"]
    return Usd.Stage.Open(str(folder / "set.usda"))


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.004, 0.007)])
def test_its_camera_sees_every_point_where_ours_does(tmp_path: Path, shift: tuple[float, float]) -> None:
    stage = opened(tmp_path, shift)
    from pxr import Gf, UsdGeom

    per_m = 1.0 / UsdGeom.GetStageMetersPerUnit(stage)
    camera = UsdGeom.Camera(stage.GetPrimAtPath("/Set/camera"))
    for frame, ours in zip(travel().frames, travel(shift).cameras, strict=True):
        frustum = camera.GetCamera(frame).frustum
        clip = frustum.ComputeViewMatrix() * frustum.ComputeProjectionMatrix()
        seen = np.array([clip.Transform(Gf.Vec3d(*(point * per_m).tolist())) for point in POINTS])
        px = 0.5 * (1.0 + seen[:, :2] * (1.0, -1.0)) * SIZE_PX
        assert np.abs(px - ours.project(POINTS)).max() < 0.01


def test_it_says_its_units_and_times(tmp_path: Path) -> None:
    stage = opened(tmp_path)
    from pxr import UsdGeom

    assert UsdGeom.GetStageMetersPerUnit(stage) == 0.01
    assert UsdGeom.GetStageUpAxis(stage) == "Y"
    assert (stage.GetStartTimeCode(), stage.GetEndTimeCode()) == (1001, 1007)
    assert stage.GetTimeCodesPerSecond() == pytest.approx(24000 / 1001)
    camera = UsdGeom.Camera(stage.GetPrimAtPath("/Set/camera"))
    # tenths of a unit are millimetres
    assert camera.GetFocalLengthAttr().Get() == pytest.approx(35.0)
    assert camera.GetHorizontalApertureAttr().Get() == pytest.approx(35.9)
    assert camera.GetVerticalApertureAttr().Get() == pytest.approx(35.9 * 1080 / 1920)
    # centimetres
    assert camera.GetFocusDistanceAttr().Get() == pytest.approx(70.0)
    assert camera.GetFStopAttr().Get() == 22.0


def test_no_validator_finds_anything_and_a_broken_set_is_found(tmp_path: Path) -> None:
    stage = opened(tmp_path)
    from pxr import UsdValidation

    checks = UsdValidation.ValidationRegistry().GetOrLoadAllValidators()
    assert len(checks) > 10
    context = UsdValidation.ValidationContext(checks)
    assert [error.GetMessage() for error in context.Validate(stage)] == []
    assert [error.GetMessage() for error in context.Validate(opened(tmp_path / "plain", lit=False))] == []
    stage.GetRootLayer().ClearDefaultPrim()
    assert context.Validate(stage)


def test_surfaces_and_pictures_are_ours(tmp_path: Path) -> None:
    stage = opened(tmp_path)
    from pxr import UsdGeom, UsdShade

    for given in painted():
        mesh = UsdGeom.Mesh(stage.GetPrimAtPath(f"/Set/{given.name}"))
        assert np.abs(np.array(mesh.GetPointsAttr().Get()) / 100.0 - given.surface.vertices).max() < 1e-7
        assert np.array(mesh.GetFaceVertexIndicesAttr().Get()).tolist() == given.surface.faces.reshape(-1).tolist()
        places = np.array(UsdGeom.PrimvarsAPI(mesh).GetPrimvar("st").Get())
        # texture coordinates run up there: the first row of the picture lies at 1
        assert places[:, 1] == pytest.approx(1.0 - given.surface.uv[:, 1])
        material, _ = UsdShade.MaterialBindingAPI(mesh).ComputeBoundMaterial()
        shader = UsdShade.Shader(stage.GetPrimAtPath(f"{material.GetPath()}/picture"))
        asset = shader.GetInput("file").Get()
        # relative, so that the folder may be moved; found where the layer is
        assert asset.path == f"./textures/{given.name}.png"
        assert (np.asarray(Image.open(asset.resolvedPath)) == given.code).all()


def test_same_input_same_bytes(tmp_path: Path) -> None:
    opened(tmp_path / "a")
    opened(tmp_path / "b")
    assert (tmp_path / "a" / "set.usda").read_bytes() == (tmp_path / "b" / "set.usda").read_bytes()


def test_names_that_are_no_names_there_are_made_ones(tmp_path: Path) -> None:
    pytest.importorskip("pxr")
    from pxr import Usd

    odd = [replace(painted()[0], name="clean-wall.1")]
    write_usd(OutputFolder(tmp_path), "x", odd, travel(), "1.0")
    assert Usd.Stage.Open(str(tmp_path / "set.usda")).GetPrimAtPath("/Set/clean_wall_1")


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pxr", None)
    assert not usd.usd_there()
    with pytest.raises(OutputError, match=r'pip install "stationpoint\[usd\]"') as caught:
        write_usd(OutputFolder(tmp_path), "x", painted(), travel(), "1.0")
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []
