"""``set.usda``: the set and the moving camera as a Universal Scene Description layer, with its pictures beside it.

OpenUSD, *UsdGeom* and *UsdShade* API documentation. Y up; one unit is a centimetre (``metersPerUnit`` 0.01), because a
camera's focal length and apertures are tenths of a unit: so they are millimetres. Texture coordinates run **up** there.
Time codes are frame numbers. Light is in the pictures, or, where they are reflectance, left to who opens the file:
lamps are not written.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from previz.deliver.export.interchange import CLIP, TexturedSurface, Travel, vertex_normals
from previz.errors import missing
from previz.run.frames import png_bytes
from previz.run.output import OutputFolder

# the layer's unit, m
UNIT: Final = 0.01
_PER_M: Final = 1.0 / UNIT
# focal length and apertures are tenths of a unit
_TENTHS_PER_M: Final = 10.0 / UNIT


def usd_there() -> bool:
    """Whether the library is installed."""
    try:
        import pxr.Usd  # noqa: F401
    except ImportError:
        return False
    return True


def write_usd(
    folder: OutputFolder, title: str, surfaces: Sequence[TexturedSurface], travel: Travel, version: str
) -> list[str]:
    """Write ``set.usda`` and ``textures/NAME.png``; gives their names.

    Raises :class:`previz.errors.OutputError` where the library is not installed.
    """
    try:
        from pxr import Sdf, Usd, UsdGeom
    except ImportError as error:
        raise missing("set.usda", "usd", error) from error
    stage = Usd.Stage.CreateInMemory(".usda")
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y)
    UsdGeom.SetStageMetersPerUnit(stage, UNIT)
    rate = float(travel.rate)
    stage.SetTimeCodesPerSecond(rate)
    stage.SetFramesPerSecond(rate)
    stage.SetStartTimeCode(travel.frames[0])
    stage.SetEndTimeCode(travel.frames[-1])
    root = UsdGeom.Xform.Define(stage, "/Set")
    root.GetPrim().SetMetadata("kind", "assembly")
    stage.SetDefaultPrim(root.GetPrim())
    stage.SetMetadata("comment", f"{title}, miniature at 1:{travel.scale:g}; written by stationpoint {version}")
    files = []
    for painted in surfaces:
        name = f"textures/{painted.name}.png"
        folder.write_bytes(name, png_bytes(painted.code))
        files.append(name)
        _add_surface(stage, painted, Sdf.AssetPath(f"./{name}"))
    _add_camera(stage, travel)
    folder.write_text("set.usda", stage.GetRootLayer().ExportToString())
    return ["set.usda", *files]


def _add_surface(stage: Any, painted: TexturedSurface, picture: Any) -> None:
    from pxr import UsdGeom, UsdShade, Vt

    surface, name = painted.surface, re.sub(r"\W", "_", painted.name)
    mesh = UsdGeom.Mesh.Define(stage, f"/Set/{name}")
    points = (surface.vertices * _PER_M).astype(np.float32)
    mesh.CreatePointsAttr(Vt.Vec3fArray.FromNumpy(points))
    mesh.CreateExtentAttr(Vt.Vec3fArray.FromNumpy(np.stack([points.min(axis=0), points.max(axis=0)])))
    mesh.CreateFaceVertexCountsAttr(Vt.IntArray.FromNumpy(np.full(len(surface.faces), 3, dtype=np.int32)))
    mesh.CreateFaceVertexIndicesAttr(Vt.IntArray.FromNumpy(np.ascontiguousarray(surface.faces.reshape(-1))))
    mesh.CreateSubdivisionSchemeAttr(UsdGeom.Tokens.none)
    mesh.CreateNormalsAttr(Vt.Vec3fArray.FromNumpy(vertex_normals(surface)))
    mesh.SetNormalsInterpolation(UsdGeom.Tokens.vertex)
    place = np.column_stack([surface.uv[:, 0], 1.0 - surface.uv[:, 1]]).astype(np.float32)
    _st(mesh).Set(Vt.Vec2fArray.FromNumpy(place))
    binding = UsdShade.MaterialBindingAPI.Apply(mesh.GetPrim())
    binding.Bind(_material(stage, name, painted.lit, picture))


def _st(mesh: Any) -> Any:
    from pxr import Sdf, UsdGeom

    return UsdGeom.PrimvarsAPI(mesh).CreatePrimvar("st", Sdf.ValueTypeNames.TexCoord2fArray, UsdGeom.Tokens.vertex)


def _material(stage: Any, name: str, lit: bool, picture: Any) -> Any:
    """A UsdPreviewSurface that shows the picture: as light of its own where light is baked in, else as its colour."""
    from pxr import Sdf, UsdShade

    kinds = Sdf.ValueTypeNames
    material = UsdShade.Material.Define(stage, f"/Set/materials/{name}")
    path = material.GetPath()
    reader = UsdShade.Shader.Define(stage, path.AppendChild("places"))
    reader.CreateIdAttr("UsdPrimvarReader_float2")
    reader.CreateInput("varname", kinds.String).Set("st")
    reader.CreateOutput("result", kinds.Float2)
    texture = UsdShade.Shader.Define(stage, path.AppendChild("picture"))
    texture.CreateIdAttr("UsdUVTexture")
    texture.CreateInput("file", kinds.Asset).Set(picture)
    texture.CreateInput("sourceColorSpace", kinds.Token).Set("sRGB")
    texture.CreateInput("wrapS", kinds.Token).Set("clamp")
    texture.CreateInput("wrapT", kinds.Token).Set("clamp")
    texture.CreateInput("st", kinds.Float2).ConnectToSource(reader.ConnectableAPI(), "result")
    texture.CreateOutput("rgb", kinds.Float3)
    shader = UsdShade.Shader.Define(stage, path.AppendChild("surface"))
    shader.CreateIdAttr("UsdPreviewSurface")
    shown, dark = ("emissiveColor", "diffuseColor") if lit else ("diffuseColor", "emissiveColor")
    shader.CreateInput(shown, kinds.Color3f).ConnectToSource(texture.ConnectableAPI(), "rgb")
    shader.CreateInput(dark, kinds.Color3f).Set((0.0, 0.0, 0.0))
    shader.CreateInput("roughness", kinds.Float).Set(1.0)
    shader.CreateInput("metallic", kinds.Float).Set(0.0)
    if lit:
        # no shine over what is already lit
        shader.CreateInput("useSpecularWorkflow", kinds.Int).Set(1)
        shader.CreateInput("specularColor", kinds.Color3f).Set((0.0, 0.0, 0.0))
    shader.CreateOutput("surface", kinds.Token)
    material.CreateSurfaceOutput().ConnectToSource(shader.ConnectableAPI(), "surface")
    return material


def _add_camera(stage: Any, travel: Travel) -> None:
    from pxr import Gf, UsdGeom

    camera = travel.cameras[0]
    wide = travel.sensor_width * _TENTHS_PER_M
    tenths = wide / camera.width_px
    made = UsdGeom.Camera.Define(stage, "/Set/camera")
    made.CreateProjectionAttr(UsdGeom.Tokens.perspective)
    made.CreateFocalLengthAttr(camera.focal_px * tenths)
    made.CreateHorizontalApertureAttr(wide)
    made.CreateVerticalApertureAttr(camera.height_px * tenths)
    # the offset is of the aperture from the axis, right and up
    made.CreateHorizontalApertureOffsetAttr((0.5 * camera.width_px - camera.centre_x_px) * tenths)
    made.CreateVerticalApertureOffsetAttr((camera.centre_y_px - 0.5 * camera.height_px) * tenths)
    made.CreateClippingRangeAttr(Gf.Vec2f(*(each * _PER_M for each in CLIP)))
    made.CreateFStopAttr(travel.stop)
    if travel.focus is not None:
        made.CreateFocusDistanceAttr(travel.focus * _PER_M)
    turn = made.AddTransformOp()
    for frame, each in zip(travel.frames, travel.cameras, strict=True):
        world = each.world_from_cam.copy()
        world[:3, 3] *= _PER_M
        # rows there are columns here
        turn.Set(Gf.Matrix4d(world.T.tolist()), frame)
