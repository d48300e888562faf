"""Pictures of a set by mitsuba, a general path tracer: full light transport, thin lens, shutter. Imports no ``previz``.

A world holds meshes with their reflectances and the lamps of a scene in lux; a view is what a camera sees while its
shutter is open. Pictures are linear light as a share of white: radiance times pi over the lux for which a white card is
exposed to come out white. Diffraction is laid on afterwards: the modulation transfer of a perfect round pupil (Goodman,
*Introduction to Fourier Optics*, section 6.4: from memory), one wavelength a channel.
"""

from __future__ import annotations

import importlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

# straight light and five bounces
DEPTH: Final = 6

# wavelengths (m) that stand for red, green and blue light in diffraction: middles of usual sensor bands, from memory
WAVELENGTHS: Final = (600e-9, 540e-9, 460e-9)

# index of paint's binder: textbook value, from memory
PAINT_INDEX: Final = 1.5

# light paths in one go: what fits into the memory of a small machine, and of a graphics card
_AT_ONCE: Final = {"scalar": 1 << 40, "llvm": 1 << 22, "cuda": 1 << 27}

# spots that stand for the face of one that has a face
_SPOTS: Final = 24


@dataclass(frozen=True, eq=False)
class Mesh:
    """Corners (V, 3) m, faces (F, 3), places (V, 2) on ``reflectance`` (H, W, 3), whose first row is v = 0; normals
    (V, 3), or none for flat faces. ``alpha`` is the roughness of a glossy coat, 0 for matt paint."""

    corners: NDArray[np.float32]
    faces: NDArray[np.uint32]
    uv: NDArray[np.float32]
    normals: NDArray[np.float32] | None
    reflectance: Picture
    alpha: float = 0.0


@dataclass(frozen=True)
class LampFace:
    """A lamp: ``size`` () for a point, (diameter,) or (width, height) m; ``lux`` face on at ``aim``; its ``tint`` (3,);
    ``cone`` and ``edge`` of a spot, 0 for none."""

    position: tuple[float, ...]
    aim: tuple[float, ...]
    size: tuple[float, ...]
    lux: float
    tint: tuple[float, ...]
    cone: float = 0.0
    edge: float = 0.0


@dataclass(frozen=True)
class Board:
    """A card on a stand, ``size`` (width, height) m, turned to ``aim``; its lit side has ``reflectance`` (3,)."""

    position: tuple[float, ...]
    aim: tuple[float, ...]
    size: tuple[float, ...]
    reflectance: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class World:
    """All that the tracer is told: meshes by name, lamps, cards, lux from everywhere, lux for which white is white."""

    meshes: dict[str, Mesh]
    lamps: tuple[LampFace, ...]
    boards: tuple[Board, ...]
    ambient: float
    white_lux: float

    def save(self, path: Path) -> None:
        """Write it as one compressed NumPy file."""
        arrays: dict[str, Any] = {}
        about: dict[str, Any] = {
            "lamps": [asdict(lamp) for lamp in self.lamps], "boards": [asdict(board) for board in self.boards],
            "ambient": self.ambient, "white_lux": self.white_lux, "alpha": {},
        }  # fmt: skip
        for name, mesh in self.meshes.items():
            about["alpha"][name] = mesh.alpha
            for part in ("corners", "faces", "uv", "normals", "reflectance"):
                values = getattr(mesh, part)
                if values is not None:
                    arrays[f"{name}/{part}"] = values.astype(np.float16) if part == "reflectance" else values
        np.savez_compressed(path, about=np.frombuffer(json.dumps(about).encode(), dtype=np.uint8), **arrays)

    @classmethod
    def load(cls, path: Path) -> World:
        """Read what :meth:`save` wrote."""
        with np.load(path) as kept:
            about = json.loads(bytes(kept["about"]))
            meshes = {
                name: Mesh(
                    kept[f"{name}/corners"], kept[f"{name}/faces"], kept[f"{name}/uv"],
                    kept.get(f"{name}/normals"),
                    kept[f"{name}/reflectance"].astype(np.float32), alpha,
                )
                for name, alpha in about["alpha"].items()
            }  # fmt: skip
        lamps = tuple(LampFace(**{k: _tupled(v) for k, v in lamp.items()}) for lamp in about["lamps"])
        boards = tuple(Board(**{k: _tupled(v) for k, v in board.items()}) for board in about["boards"])
        return cls(meshes, lamps, boards, about["ambient"], about["white_lux"])


def _tupled(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


@dataclass(frozen=True)
class View:
    """What a lens sees: ``moments`` are (4, 4) places of the camera, which looks along its own -Z, at even parts of the
    exposure. ``centre_px`` is the principal point, ``size_px`` (width, height) the frame, ``box`` (left, top, width,
    height) the part of it that is drawn. ``pupil`` (m) is the entrance pupil's diameter and ``focus`` (m) the distance
    in focus, both 0 for a pinhole; ``stop_per_m`` (1/m) is the working stop over the pixel's pitch, 0 for no
    diffraction.
    """

    moments: tuple[tuple[tuple[float, ...], ...], ...]
    focal_px: float
    centre_px: tuple[float, float]
    size_px: tuple[int, int]
    box: tuple[int, int, int, int]
    pupil: float = 0.0
    focus: float = 0.0
    stop_per_m: float = 0.0


@dataclass
class Tracer:
    """Draws one world. ``blocking`` is whether lamps' faces keep the light from everywhere off, as real ones do."""

    world: World
    variant: str = "llvm_ad_rgb"
    depth: int = DEPTH
    blocking: bool = True
    _scenes: dict[tuple[str, ...], list[Any]] = field(default_factory=dict)
    _shapes: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._mi = library(self.variant)

    def draw(self, view: View, names: Sequence[str], samples: int, seed: int = 0) -> Picture:
        """The part of the frame that ``view`` asks for, (height, width, 3), with the meshes of ``names`` in it."""
        total = sum(self._drawn(scene, view, samples, seed, self.depth) for scene in self._scenes_of(tuple(names)))
        return diffracted(np.asarray(total) * np.float32(np.pi / self.world.white_lux), view.stop_per_m)

    def cover(self, view: View, name: str, before: Sequence[str], samples: int, seed: int = 0) -> Picture:
        """The share (height, width) of each pixel that shows a mesh standing ``before`` others."""
        key = ("cover", name, *before)
        if key not in self._scenes:
            shapes = {other: self._shape(other, glows=False) for other in before}
            shapes[name] = self._shape(name, glows=True)
            self._scenes[key] = [self._mi.load_dict({"type": "scene", **shapes})]
        # what shines counts, nothing is thrown on
        drawn = self._drawn(self._scenes[key][0], view, samples, seed, 1)
        return np.asarray(diffracted(drawn, view.stop_per_m)[..., 1])

    def _drawn(self, scene: Any, view: View, samples: int, seed: int, depth: int) -> Picture:
        integrator = self._mi.load_dict(
            {"type": "path", "max_depth": depth, "rr_depth": 100, "hide_emitters": depth > 1}
        )
        most = _AT_ONCE[self.variant.split("_")[0]] // (view.box[2] * view.box[3])
        each = -(-samples // len(view.moments))
        total = np.zeros((view.box[3], view.box[2], 3), dtype=np.float64)
        for number, moment in enumerate(view.moments):
            sensor = self._sensor(view, moment)
            left = each
            while left > 0:
                now = min(left, max(most, 1))
                key = (seed * 1009 + number) * 4093 + left
                drawn = np.array(self._mi.render(scene, sensor=sensor, integrator=integrator, spp=now, seed=key))
                total += drawn[..., :3] * (now / (each * len(view.moments)))
                left -= now
        return total.astype(np.float32)

    def _sensor(self, view: View, moment: tuple[tuple[float, ...], ...]) -> Any:
        # mitsuba's cameras look along +Z with X to the left
        turned = np.array(moment) @ np.diag([-1.0, 1.0, -1.0, 1.0])
        (width, height), (x, y) = view.size_px, view.centre_px
        # a film so large that the principal point is its middle
        wide, high = 2.0 * max(x, width - x), 2.0 * max(y, height - y)
        film_px = round(wide), round(high)
        left, top, box_width, box_height = view.box
        sensor: dict[str, Any] = {
            "type": "thinlens" if view.pupil else "perspective",
            "fov": float(np.degrees(2.0 * np.arctan(0.5 * film_px[0] / view.focal_px))), "fov_axis": "x",
            "near_clip": 1e-3, "far_clip": 1e3,
            "to_world": self._mi.ScalarTransform4f(turned.tolist()),
            "film": {
                "type": "hdrfilm", "width": film_px[0], "height": film_px[1], "rfilter": {"type": "box"},
                "crop_offset_x": left + round(0.5 * wide - x), "crop_offset_y": top + round(0.5 * high - y),
                "crop_width": box_width, "crop_height": box_height,
            },
            "sampler": {"type": "independent"},
        }  # fmt: skip
        if view.pupil:
            sensor |= {"aperture_radius": 0.5 * view.pupil, "focus_distance": view.focus}
        return self._mi.load_dict(sensor)

    def _scenes_of(self, names: tuple[str, ...]) -> list[Any]:
        if names not in self._scenes:
            mi, world = self._mi, self.world
            shapes = {name: self._shape(name) for name in names}
            shapes |= {f"board{k}": _board(mi, board) for k, board in enumerate(world.boards)}
            lamps: dict[str, Any] = {}
            for k, lamp in enumerate(world.lamps):
                lamps |= {f"lamp{k}-{m}": one for m, one in enumerate(_lamp(mi, lamp))}
            sky = {"sky": {"type": "constant", "radiance": _rgb(np.full(3, world.ambient / np.pi))}}
            groups = [lamps | sky] if self.blocking else [lamps, sky]
            if not world.ambient:
                groups = [lamps]
            self._scenes[names] = [mi.load_dict({"type": "scene"} | shapes | group) for group in groups if group]
        return self._scenes[names]

    def _shape(self, name: str, glows: bool | None = None) -> Any:
        """A mesh; with ``glows`` said, black and shining, or black."""
        key = name if glows is None else f"{name} {glows}"
        if key not in self._shapes:
            self._shapes[key] = _mesh(self._mi, name, self.world.meshes[name], glows)
        return self._shapes[key]


def library(variant: str) -> Any:
    """Mitsuba with a variant set."""
    mi = importlib.import_module("mitsuba")
    mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    return mi


def best_variant() -> str:
    """The fastest way to draw that there is here: a graphics card, compiled for the processor, or neither."""
    mi = importlib.import_module("mitsuba")
    for variant in ("cuda_ad_rgb", "llvm_ad_rgb"):
        try:
            mi.set_variant(variant)
            mi.load_dict({"type": "scene", "ball": {"type": "sphere"}})
            return variant
        except (ImportError, RuntimeError):
            continue
    return "scalar_rgb"


def threads(count: int) -> None:
    """Draw with so many threads: for processes side by side. To be called before the first picture."""
    os.environ["DRJIT_LLVM_THREADS"] = str(count)
    importlib.import_module("drjit").set_thread_count(count)


def _rgb(values: Any) -> dict[str, Any]:
    return {"type": "rgb", "value": [float(v) for v in np.asarray(values)]}


def _mesh(mi: Any, name: str, mesh: Mesh, glows: bool | None) -> Any:
    properties = mi.Properties()
    if glows is None:
        paint_on = mesh.reflectance * _under_its_coat(mi, mesh.alpha) if mesh.alpha else mesh.reflectance
        bitmap = mi.Bitmap(np.ascontiguousarray(paint_on, dtype=np.float32))
        paint = {"type": "bitmap", "bitmap": bitmap, "wrap_mode": "clamp", "raw": True}
        if mesh.alpha:
            bsdf = _coat(mesh.alpha, paint)
        else:
            bsdf = {"type": "diffuse", "reflectance": paint}
        properties["bsdf"] = mi.load_dict(bsdf)
    else:
        properties["bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": _rgb(np.zeros(3))})
        if glows:
            properties["emitter"] = mi.load_dict({"type": "area", "radiance": _rgb(np.ones(3))})
    made = mi.Mesh(name, len(mesh.corners), len(mesh.faces), has_vertex_texcoords=True,
                   has_vertex_normals=mesh.normals is not None, props=properties)  # fmt: skip
    values = mi.traverse(made)
    values["vertex_positions"] = np.ascontiguousarray(mesh.corners, dtype=np.float32).ravel()
    values["faces"] = np.ascontiguousarray(mesh.faces, dtype=np.uint32).ravel()
    values["vertex_texcoords"] = np.ascontiguousarray(mesh.uv, dtype=np.float32).ravel()
    if mesh.normals is not None:
        values["vertex_normals"] = np.ascontiguousarray(mesh.normals, dtype=np.float32).ravel()
    values.update()
    return made


def _coat(alpha: float, paint: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "roughplastic", "distribution": "ggx", "alpha": alpha, "int_ior": PAINT_INDEX, "ext_ior": 1.0,
        "nonlinear": False, "diffuse_reflectance": paint,
    }  # fmt: skip


def _under_its_coat(mi: Any, alpha: float) -> float:
    """How much brighter than told the paint under a coat is: a paint's colour is told as it looks square on in light
    from 45 degrees (CIE 15, geometry 45:0), and what the library's coat lets in and out is read off it the same way."""
    import drjit as dr

    at = dr.zeros(mi.SurfaceInteraction3f)
    at.wi, at.sh_frame = mi.Vector3f(0.0, 0.0, 1.0), mi.Frame3f(mi.Vector3f(0.0, 0.0, 1.0))
    way = mi.Vector3f(0.5**0.5, 0.0, 0.5**0.5)

    def sent(level: float) -> float:
        bsdf = mi.load_dict(_coat(alpha, _rgb(np.full(3, level))))
        return float(np.asarray(bsdf.eval(mi.BSDFContext(), at, way)).ravel()[1]) * np.pi / 0.5**0.5

    return float(0.5 / (sent(0.5) - sent(0.0)))


def _turned(position: Sequence[float], aim: Sequence[float]) -> Floats:
    """(4, 4) of a face that stands at ``position`` and looks along its own +Z to ``aim``."""
    centre = np.asarray(position, dtype=np.float64)
    ahead = np.asarray(aim, dtype=np.float64) - centre
    ahead /= np.linalg.norm(ahead)
    side = np.cross(ahead, [0.0, 1.0, 0.0] if abs(ahead[1]) < 0.999 else [0.0, 0.0, -1.0])
    side /= np.linalg.norm(side)
    out = np.eye(4)
    out[:3] = np.column_stack([-side, np.cross(side, ahead), ahead, centre])
    return out


def radiance(lamp: LampFace) -> float:
    """Radiance of a lamp's face that gives its lux at the aim, face on; intensity (cd) of one without a face.

    A disc's illuminance on its axis is pi L R^2 / (R^2 + d^2), a rectangle's is that of four corners (both from memory:
    any table of configuration factors has them).
    """
    far = float(np.linalg.norm(np.subtract(lamp.aim, lamp.position)))
    if len(lamp.size) == 1:
        radius = 0.5 * lamp.size[0]
        return lamp.lux * (radius**2 + far**2) / (np.pi * radius**2)
    if len(lamp.size) == 2:
        a, b = (0.5 * side / far for side in lamp.size)
        p, q = np.sqrt(1.0 + a * a), np.sqrt(1.0 + b * b)
        return float(lamp.lux / (2.0 * (a / p * np.arctan(b / p) + b / q * np.arctan(a / q))))
    return lamp.lux * far**2


def _lamp(mi: Any, lamp: LampFace) -> list[dict[str, Any]]:
    frame = _turned(lamp.position, lamp.aim)
    sends = radiance(lamp) * np.asarray(lamp.tint)
    if lamp.cone:
        return _spots(mi, lamp, frame, sends)
    if not lamp.size:
        return [{"type": "point", "position": [float(v) for v in lamp.position], "intensity": _rgb(sends)}]
    half = 0.5 * np.array([lamp.size[0], lamp.size[-1], 2.0, 2.0])
    return [
        {
            "type": "disk" if len(lamp.size) == 1 else "rectangle",
            "to_world": mi.ScalarTransform4f((frame @ np.diag(half)).tolist()),
            "bsdf": {"type": "diffuse", "reflectance": _rgb(np.zeros(3))},
            "emitter": {"type": "area", "radiance": _rgb(sends)},
        }
    ]


def _spots(mi: Any, lamp: LampFace, frame: Floats, sends: Floats) -> list[dict[str, Any]]:
    """A spot, or several for one with a face: a beam that fades as a picture of it says, over the scene's angles."""
    half = 0.5 * lamp.cone
    inner, outer = half * (1.0 - lamp.edge), min(half * (1.0 + lamp.edge), 0.49 * np.pi)
    side = np.tan(outer) * (2.0 * (np.arange(512) + 0.5) / 512.0 - 1.0)
    angle = np.arctan(np.hypot(side[:, None], side[None]))
    s = np.clip((outer - angle) / (outer - inner), 0.0, 1.0)
    beam = s * s * (3.0 - 2.0 * s)
    places, area = np.zeros((1, 2)), 1.0
    if lamp.size:
        # a Lambert face: its light goes with the cosine, whatever stands for it
        beam = beam * np.cos(angle)
        wide, high = lamp.size[0], lamp.size[-1]
        k = np.arange(_SPOTS) + 0.5
        if len(lamp.size) == 1:
            radius, turn = 0.5 * np.sqrt(k / _SPOTS), k * np.pi * (3.0 - np.sqrt(5.0))
            places, area = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]), 0.25 * np.pi * wide * high
        else:
            places, area = np.column_stack([k / _SPOTS - 0.5, (k * 0.6180339887) % 1.0 - 0.5]), wide * high
        places = places * [wide, high]
    picture = np.repeat(beam[..., None], 3, axis=2).astype(np.float32)
    out = []
    for place in places:
        moved = frame.copy()
        moved[:3, 3] += frame[:3, :2] @ place
        out.append(
            {
                "type": "spot", "to_world": mi.ScalarTransform4f(moved.tolist()),
                "intensity": _rgb(sends * area / len(places)), "cutoff_angle": float(np.degrees(outer)),
                "beam_width": float(np.degrees(outer) * 0.999),
                "texture": {"type": "bitmap", "bitmap": mi.Bitmap(picture), "raw": True, "wrap_mode": "clamp"},
            }
        )  # fmt: skip
    return out


def _board(mi: Any, board: Board) -> dict[str, Any]:
    half = 0.5 * np.array([*board.size, 2.0, 2.0])
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f((_turned(board.position, board.aim) @ np.diag(half)).tolist()),
        "bsdf": {"type": "diffuse", "reflectance": _rgb(board.reflectance)},
    }


def transfer(cycles_per_px: Any, stop_per_m: float, wavelength: float) -> Any:
    """What a perfect round pupil leaves of a pattern's contrast, 0 to 1: 2/pi (acos s - s sqrt(1 - s^2)), with s the
    frequency over the cut-off 1 / (wavelength N)."""
    s = np.clip(np.asarray(cycles_per_px) * wavelength * stop_per_m, 0.0, 1.0)
    return 2.0 / np.pi * (np.arccos(s) - s * np.sqrt(1.0 - s * s))


def diffracted(picture: Picture, stop_per_m: float) -> Picture:
    """A picture (H, W, 3) through a perfect lens; its rim goes on as it ends."""
    if not stop_per_m:
        return picture
    rim = 16
    wide = np.pad(picture.astype(np.float64), ((rim, rim), (rim, rim), (0, 0)), mode="symmetric")
    h, w = wide.shape[:2]
    cycles = np.hypot(np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None])
    out = np.empty_like(wide)
    for k, wavelength in enumerate(WAVELENGTHS):
        left = np.fft.rfft2(wide[..., k]) * transfer(cycles, stop_per_m, wavelength)
        out[..., k] = np.fft.irfft2(left, s=(h, w))
    return out[rim:-rim, rim:-rim].astype(np.float32)
