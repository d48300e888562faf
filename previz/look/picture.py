"""Pictures: frames drawn by OpenGL. The only file that imports ``pyrender`` or ``OpenGL``, with every shim.

pyrender opens the context and fills the vertex buffers; its forward pass is not used, because it always draws
with four mixed samples a pixel, filters textures through mipmaps, and gets the depth of a parallel view wrong.
Here one single-sample raster carries the colour code and, in alpha, the layer number; the distance along the
axis goes to a second float target where it is asked for. The picture is drawn upside down, so that OpenGL's
bottom row is the first row of the array.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from previz.camera import AnyCamera
from previz.errors import EngineError
from previz.geometry import Array, inverse_rigid
from previz.look.blocks import boxes_of, runs_in_view
from previz.look.clip import clip_from_cam
from previz.look.sampling import averaged, hide, kept
from previz.look.view import View
from previz.workshop.surface import LitSurface, Picture, Pixels8

Way = Literal["egl", "window"]

# a frame larger than this, in samples, is drawn in tiles; a driver that takes less is asked for less
TILE_PX: Final = 8192
TILE_SAMPLES: Final = 1 << 24

_VERTEX: Final = """
#version 330 core
layout(location = 0) in vec3 position;
layout(location = 1) in vec2 texture_place;
uniform mat4 clip_from_world;
uniform vec4 axis;
out vec2 place;
out float along;
void main() {
    gl_Position = clip_from_world * vec4(position, 1.0);
    place = texture_place;
    along = dot(axis, vec4(position, 1.0));
}
"""

_FRAGMENT: Final = """
#version 330 core
in vec2 place;
in float along;
uniform sampler2D picture;
uniform float layer;
layout(location = 0) out vec4 code;
layout(location = 1) out float depth;
#ifdef TWICE
uniform sampler2D other;
layout(location = 2) out vec4 second;
#endif
// linear filtering with the edge clamped, in full precision: the texture units of some drivers weigh texels with
// eight bits, which shows in the darks
vec3 filtered(sampler2D picture, vec2 uv) {
    ivec2 last = textureSize(picture, 0) - 1;
    vec2 at = uv * vec2(last + 1) - 0.5;
    vec2 low = floor(at), part = at - low;
    ivec2 a = clamp(ivec2(low), ivec2(0), last), b = clamp(ivec2(low) + 1, ivec2(0), last);
    vec3 upper = mix(texelFetch(picture, a, 0).rgb, texelFetch(picture, ivec2(b.x, a.y), 0).rgb, part.x);
    vec3 lower = mix(texelFetch(picture, ivec2(a.x, b.y), 0).rgb, texelFetch(picture, b, 0).rgb, part.x);
    return mix(upper, lower, part.y);
}
void main() {
    code = vec4(filtered(picture, place), layer);
    depth = along;
#ifdef TWICE
    second = vec4(filtered(other, place), layer);
#endif
}
"""


@dataclass(frozen=True, eq=False)
class _Program:
    """Shaders that draw surfaces with one picture, or with two at once, and the places of their uniforms."""

    number: int
    uniforms: dict[str, int]


@dataclass(frozen=True, eq=False)
class _Context:
    """The one OpenGL context of this process, and what is drawn with in it."""

    gl: Any
    primitive: Any
    platform: Any
    driver: str
    programs: tuple[_Program, _Program]
    target: _Target
    largest_px: int


class _Target:
    """The off-screen buffers; they grow when a larger frame is asked for and never shrink."""

    def __init__(self, gl: Any) -> None:
        self._gl = gl
        self._width, self._height = 0, 0
        self._frame = gl.glGenFramebuffers(1)
        self._buffers: list[int] = []

    def bind(self, width: int, height: int) -> None:
        gl = self._gl
        gl.glBindFramebuffer(gl.GL_FRAMEBUFFER, self._frame)
        if width <= self._width and height <= self._height:
            return
        self._width, self._height = max(width, self._width), max(height, self._height)
        if self._buffers:
            gl.glDeleteRenderbuffers(len(self._buffers), self._buffers)
        self._buffers = []
        for place, storage in (
            (gl.GL_COLOR_ATTACHMENT0, gl.GL_RGBA8),
            (gl.GL_COLOR_ATTACHMENT1, gl.GL_R32F),
            (gl.GL_COLOR_ATTACHMENT2, gl.GL_RGBA8),
            (gl.GL_DEPTH_ATTACHMENT, gl.GL_DEPTH_COMPONENT24),
        ):
            buffer = gl.glGenRenderbuffers(1)
            gl.glBindRenderbuffer(gl.GL_RENDERBUFFER, buffer)
            gl.glRenderbufferStorage(gl.GL_RENDERBUFFER, storage, self._width, self._height)
            gl.glFramebufferRenderbuffer(gl.GL_FRAMEBUFFER, place, gl.GL_RENDERBUFFER, buffer)
            self._buffers.append(int(buffer))
        if gl.glCheckFramebufferStatus(gl.GL_FRAMEBUFFER) != gl.GL_FRAMEBUFFER_COMPLETE:
            raise EngineError(
                f"the OpenGL driver refuses a {self._width} x {self._height} frame; ask for a smaller one"
            )


_shared: _Context | None = None


def _context(way: Way) -> _Context:
    """This process's context, opened on first use; a second one would take over the first one's calls."""
    global _shared
    if _shared is None:
        try:
            with warnings.catch_warnings():
                # these libraries are older than the Python and numpy that they run on
                warnings.simplefilter("ignore")
                _shared = _opened(way)
        except EngineError:
            raise
        except Exception as error:  # missing libraries, displays and drivers fail in every possible way
            reason = " ".join(str(error).split()) or type(error).__name__
            raise EngineError(f"OpenGL cannot be opened here ({reason})") from error
    _shared.platform.make_current()
    return _shared


def _opened(way: Way) -> _Context:
    # pyrender 0.1.45 uses a name that numpy 2 has dropped
    if not hasattr(np, "infty"):
        np.infty = np.inf  # type: ignore[attr-defined]
    if way == "egl":
        os.environ["PYOPENGL_PLATFORM"] = "egl"
    # Mesa keeps compiled shaders in the user's home; ours are two, and nothing is written but results
    os.environ.setdefault("MESA_SHADER_CACHE_DISABLE", "true")
    # PyOpenGL 3.1.0, which pyrender pins, knows this type by the module that it had before Python 3.12
    from OpenGL.plugins import FormatHandler

    for handler in FormatHandler.all():
        if handler.name == "ctypesparameter" and "_ctypes.CArgObject" not in handler.check:
            handler.check.append("_ctypes.CArgObject")
    # pyrender imports its viewer and with it pyglet, which must neither look for a screen nor open a context
    import pyglet

    if way == "egl":
        pyglet.options["headless"] = True
    pyglet.options["shadow_window"] = False
    import pyrender
    from OpenGL import GL

    gl: Any = GL
    platform = _egl() if way == "egl" else _window()
    platform.make_current()
    return _Context(
        gl=gl,
        primitive=pyrender.Primitive,
        platform=platform,
        driver=gl.glGetString(gl.GL_RENDERER).decode("ascii", "replace"),
        programs=(_program(gl, twice=False), _program(gl, twice=True)),
        target=_Target(gl),
        largest_px=min(
            int(gl.glGetIntegerv(gl.GL_MAX_RENDERBUFFER_SIZE)),
            *(int(side) for side in gl.glGetIntegerv(gl.GL_MAX_VIEWPORT_DIMS)),
        ),
    )


def _egl() -> Any:
    """The first EGL device that gives a context; ``EGL_DEVICE_ID`` picks one, as it does for pyrender."""
    from pyrender.platforms import egl

    wanted = os.environ.get("EGL_DEVICE_ID")
    if wanted is not None:
        devices = [egl.get_device_by_index(int(wanted))]
    else:
        try:
            devices = egl.query_devices()
        except RuntimeError:  # an EGL without the device extension still has a default display
            devices = []
        devices.append(egl.EGLDevice(None))
    reason: Exception | None = None
    for device in devices:
        platform = egl.EGLPlatform(1, 1, device=device)
        try:
            platform.init_context()
        except Exception as error:  # a card without permission must not hide the software driver behind it
            reason = error
            continue
        return platform
    raise EngineError("EGL gives no device with OpenGL 4.1") from reason


def _window() -> Any:
    from pyrender.platforms.pyglet_platform import PygletPlatform

    platform = PygletPlatform(1, 1)
    platform.init_context()
    return platform


def _program(gl: Any, twice: bool) -> _Program:
    program = gl.glCreateProgram()
    for kind, text in ((gl.GL_VERTEX_SHADER, _VERTEX), (gl.GL_FRAGMENT_SHADER, _FRAGMENT)):
        shader = gl.glCreateShader(kind)
        version, _, rest = text.lstrip().partition("\n")
        gl.glShaderSource(shader, f"{version}\n#define TWICE\n{rest}" if twice else text.lstrip())
        gl.glCompileShader(shader)
        if not gl.glGetShaderiv(shader, gl.GL_COMPILE_STATUS):
            raise EngineError(f"the OpenGL driver refuses a shader: {gl.glGetShaderInfoLog(shader)!r}")
        gl.glAttachShader(program, shader)
    gl.glLinkProgram(program)
    if not gl.glGetProgramiv(program, gl.GL_LINK_STATUS):
        raise EngineError(f"the OpenGL driver refuses the shaders: {gl.glGetProgramInfoLog(program)!r}")
    names = ("clip_from_world", "axis", "picture", "other", "layer")
    return _Program(int(program), {name: gl.glGetUniformLocation(program, name) for name in names})


@dataclass(frozen=True, eq=False)
class _Loaded:
    """A surface on the graphics card. ``corners`` (8, 3) m are those of its bounding box, ``boxes`` (B, 8, 3) m those
    of its triangles in blocks."""

    lit: LitSurface
    primitive: Any
    texture: int
    corners: Array
    boxes: Array


class PictureEngine:
    """Draws frames with OpenGL (an ``Engine``). All of a process share one context; use one thread only.

    ``way`` is how the context is opened the first time: "egl" without a screen, "window" by a hidden window.
    Raises ``EngineError`` where that is not to be had.
    """

    name = "pictures"

    def __init__(self, way: Way = "egl") -> None:
        self._context = _context(way)
        self.driver = self._context.driver
        self.tile_px = min(TILE_PX, self._context.largest_px)
        self._loaded: dict[str, _Loaded] = {}

    def load(self, surfaces: Sequence[LitSurface]) -> None:
        """Take over the surfaces that will be drawn; replaces what was loaded before."""
        self.close()
        primitives: dict[int, tuple[Any, Array]] = {}
        for lit in surfaces:
            if lit.name in self._loaded:
                raise ValueError(f"two surfaces have the name {lit.name}")
            self._take(lit, primitives)

    def add(self, surface: LitSurface) -> None:
        """Take over one more surface, or another one in the place of that of its name."""
        old = self._loaded.pop(surface.name, None)
        if old is not None:
            self._current().glDeleteTextures([old.texture])
            if all(other.primitive is not old.primitive for other in self._loaded.values()):
                old.primitive.delete()
        known = {id(other.lit.surface): (other.primitive, other.boxes) for other in self._loaded.values()}
        self._take(surface, known)

    def _take(self, lit: LitSurface, primitives: dict[int, tuple[Any, Array]]) -> None:
        """Load a surface; ``primitives`` are those of the meshes that are loaded already, with their boxes."""
        mesh = lit.surface
        texture = self._new_texture(lit.name, lit.code)
        if id(mesh) not in primitives:
            primitive = self._context.primitive(mesh.vertices, texcoord_0=mesh.uv, indices=mesh.faces)
            primitive._add_to_context()
            primitives[id(mesh)] = primitive, boxes_of(mesh.vertices, mesh.faces)
        low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        corners = np.stack(np.meshgrid(*zip(low, high, strict=True)), axis=-1).reshape(-1, 3)
        self._loaded[lit.name] = _Loaded(lit, primitives[id(mesh)][0], texture, corners, primitives[id(mesh)][1])

    def repaint(self, name: str, code: Pixels8) -> None:
        """Give a loaded surface another picture of the same size; another size raises ``ValueError``."""
        loaded = self._loaded[name]
        if code.shape != loaded.lit.code.shape:
            raise ValueError(f"{name} is painted {loaded.lit.code.shape}, not {code.shape}")
        gl = self._current()
        gl.glBindTexture(gl.GL_TEXTURE_2D, loaded.texture)
        gl.glPixelStorei(gl.GL_UNPACK_ALIGNMENT, 1)
        height, width = code.shape[:2]
        data = np.ascontiguousarray(code)
        gl.glTexSubImage2D(gl.GL_TEXTURE_2D, 0, 0, 0, width, height, gl.GL_RGB, gl.GL_UNSIGNED_BYTE, data)

    def draw(
        self,
        camera: AnyCamera,
        names: Sequence[str],
        samples: int = 2,
        depth: bool = False,
        background: tuple[float, float, float] = (0.0, 0.0, 0.0),
        keep: int | None = None,
        other: str | None = None,
        nearest: NDArray[np.float32] | None = None,
    ) -> View:
        """Look through ``camera`` at the named surfaces (:meth:`previz.look.view.Engine.draw`)."""
        chosen = [self._loaded[name] for name in names]
        twin = None if other is None else self._loaded[other]
        if twin is not None and (len(chosen) != 1 or chosen[0].primitive is not twin.primitive):
            raise ValueError(f"{other} has not the mesh of {', '.join(names)}")
        height, width = camera.height_px, camera.width_px
        colour: Picture = np.empty((height, width, 3), dtype=np.float32)
        also: Picture | None = None if twin is None else np.empty_like(colour)
        layer = np.empty((height * samples, width * samples), dtype=np.uint8)
        distance = np.empty(layer.shape, dtype=np.float32) if depth else None
        step_x = min(width, max(1, self.tile_px // samples))
        step_y = min(height, max(1, min(self.tile_px, TILE_SAMPLES // (step_x * samples)) // samples))
        for y in range(0, height, step_y):
            for x in range(0, width, step_x):
                w, h = min(step_x, width - x), min(step_y, height - y)
                code, along, second = self._tile(camera, chosen, (x, y, w, h), samples, depth, twin)
                block = np.s_[y * samples : (y + h) * samples, x * samples : (x + w) * samples]
                layer[block] = code[..., 3] if keep is None else kept(code[..., 3], keep, along)
                if nearest is not None and along is not None:
                    hide(layer[block], along, nearest[block])
                colour[y : y + h, x : x + w] = averaged(code, layer[block], samples, background)
                if also is not None and second is not None:
                    also[y : y + h, x : x + w] = averaged(second, layer[block], samples, background)
                if distance is not None:
                    distance[block] = along
        return View(colour, layer, distance, samples, other=also)

    def close(self) -> None:
        """Let go of the surfaces; the context stays for the next engine of this process."""
        if not self._loaded:
            return
        gl = self._current()
        gl.glDeleteTextures([loaded.texture for loaded in self._loaded.values()])
        for primitive in {id(x.primitive): x.primitive for x in self._loaded.values()}.values():
            primitive.delete()
        self._loaded = {}

    def _current(self) -> Any:
        self._context.platform.make_current()
        return self._context.gl

    def _new_texture(self, name: str, code: Pixels8) -> int:
        gl = self._current()
        height, width = code.shape[:2]
        most = int(gl.glGetIntegerv(gl.GL_MAX_TEXTURE_SIZE))
        if max(width, height) > most:
            raise EngineError(
                f"the picture of {name} is {width} x {height} px, {self.driver} takes {most}; make it smaller"
            )
        texture = int(gl.glGenTextures(1))
        gl.glBindTexture(gl.GL_TEXTURE_2D, texture)
        gl.glPixelStorei(gl.GL_UNPACK_ALIGNMENT, 1)
        data = np.ascontiguousarray(code)
        gl.glTexImage2D(
            gl.GL_TEXTURE_2D, 0, gl.GL_RGBA8, width, height, 0, gl.GL_RGB, gl.GL_UNSIGNED_BYTE, data
        )
        for key, value in (
            (gl.GL_TEXTURE_MIN_FILTER, gl.GL_LINEAR),
            (gl.GL_TEXTURE_MAG_FILTER, gl.GL_LINEAR),
            (gl.GL_TEXTURE_WRAP_S, gl.GL_CLAMP_TO_EDGE),
            (gl.GL_TEXTURE_WRAP_T, gl.GL_CLAMP_TO_EDGE),
        ):
            gl.glTexParameteri(gl.GL_TEXTURE_2D, key, value)
        return texture

    def _tile(
        self,
        camera: AnyCamera,
        chosen: Sequence[_Loaded],
        tile: tuple[int, int, int, int],
        samples: int,
        depth: bool,
        twin: _Loaded | None = None,
    ) -> tuple[Pixels8, NDArray[np.float32] | None, Pixels8 | None]:
        """Codes with the layer in alpha (h, w, 4) and distances (h, w), sample by sample, of one tile; and the codes
        with the picture of the only surface's ``twin``."""
        gl = self._current()
        program = self._context.programs[twin is not None]
        uniform = program.uniforms
        width, height = tile[2] * samples, tile[3] * samples
        self._context.target.bind(width, height)
        targets = [gl.GL_COLOR_ATTACHMENT0, gl.GL_COLOR_ATTACHMENT1 if depth else gl.GL_NONE]
        targets += [] if twin is None else [gl.GL_COLOR_ATTACHMENT2]
        gl.glDrawBuffers(len(targets), targets)
        gl.glViewport(0, 0, width, height)
        for switch in (gl.GL_BLEND, gl.GL_CULL_FACE, gl.GL_DITHER, gl.GL_MULTISAMPLE, gl.GL_FRAMEBUFFER_SRGB):
            gl.glDisable(switch)
        gl.glEnable(gl.GL_SCISSOR_TEST)
        gl.glScissor(0, 0, width, height)
        gl.glEnable(gl.GL_DEPTH_TEST)
        gl.glDepthFunc(gl.GL_LESS)
        gl.glDepthMask(gl.GL_TRUE)
        gl.glColorMask(gl.GL_TRUE, gl.GL_TRUE, gl.GL_TRUE, gl.GL_TRUE)
        gl.glPolygonMode(gl.GL_FRONT_AND_BACK, gl.GL_FILL)
        gl.glClearColor(0.0, 0.0, 0.0, 0.0)
        gl.glClear(gl.GL_COLOR_BUFFER_BIT | gl.GL_DEPTH_BUFFER_BIT)
        cam_from_world = inverse_rigid(camera.world_from_cam)
        depths = np.concatenate([camera.depth(x.corners) for x in chosen]) if chosen else np.zeros(1)
        if depths.max() > 0.0:
            clip_from_world = clip_from_cam(camera, tile, depths) @ cam_from_world
            gl.glUseProgram(program.number)
            gl.glUniformMatrix4fv(uniform["clip_from_world"], 1, gl.GL_TRUE, clip_from_world.astype(np.float32))
            gl.glUniform4fv(uniform["axis"], 1, (-cam_from_world[2]).astype(np.float32))
            gl.glUniform1i(uniform["picture"], 0)
            if twin is not None:
                gl.glUniform1i(uniform["other"], 1)
                gl.glActiveTexture(gl.GL_TEXTURE1)
                gl.glBindTexture(gl.GL_TEXTURE_2D, twin.texture)
            gl.glActiveTexture(gl.GL_TEXTURE0)
            for surface in chosen:
                gl.glUniform1f(uniform["layer"], surface.lit.surface.layer / 255.0)
                gl.glBindTexture(gl.GL_TEXTURE_2D, surface.texture)
                surface.primitive._bind()
                first, count = runs_in_view(surface.boxes, len(surface.lit.surface.faces), clip_from_world)
                # (counts and places of what is drawn, in vertices and in bytes of their 32-bit numbers)
                vertices, places = (3 * count).astype(np.int32), (12 * first).astype(np.uintp)
                gl.glMultiDrawElements(gl.GL_TRIANGLES, vertices, gl.GL_UNSIGNED_INT, places, len(count))
            gl.glBindVertexArray(0)
        gl.glPixelStorei(gl.GL_PACK_ALIGNMENT, 1)
        code = self._codes(gl.GL_COLOR_ATTACHMENT0, width, height)
        second = None if twin is None else self._codes(gl.GL_COLOR_ATTACHMENT2, width, height)
        if not depth:
            return code, None, second
        along = np.empty((height, width), dtype=np.float32)
        gl.glReadBuffer(gl.GL_COLOR_ATTACHMENT1)
        gl.glReadPixels(0, 0, width, height, gl.GL_RED, gl.GL_FLOAT, along)
        return code, along, second

    def _codes(self, target: Any, width: int, height: int) -> Pixels8:
        """What was drawn to a target of codes."""
        gl = self._context.gl
        code = np.empty((height, width, 4), dtype=np.uint8)
        gl.glReadBuffer(target)
        gl.glReadPixels(0, 0, width, height, gl.GL_RGBA, gl.GL_UNSIGNED_BYTE, code)
        return code
