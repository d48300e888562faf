"""Which engine is opened where: each platform and each way of failing, simulated."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from previz.errors import EngineError
from previz.look import choose, picture
from previz.look.sight import SightEngine
from tests.look.conftest import pictures_or_skip

README = Path(__file__).parents[2] / "README.md"


class Drawn:
    """Stands for a picture engine that opens; remembers how it was asked to."""

    name, driver = "pictures", "a card"

    def __init__(self, way="egl"):
        self.way = way


@pytest.fixture(autouse=True)
def no_wish(monkeypatch):
    monkeypatch.delenv(choose.VARIABLE, raising=False)


@pytest.fixture
def untouched(monkeypatch):
    """As in a new process: nothing opened yet. Whatever is tried here must fail before it opens a context."""
    monkeypatch.setattr(picture, "_shared", None)
    monkeypatch.setenv("PYOPENGL_PLATFORM", os.environ.get("PYOPENGL_PLATFORM", "egl"))


@pytest.mark.parametrize(("platform", "way"), [("linux", "egl"), ("win32", "window"), ("darwin", "window")])
def test_each_platform_opens_opengl_its_own_way(monkeypatch, platform, way):
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setattr(picture, "PictureEngine", Drawn)
    choice = choose.choose_engine()
    assert choice.engine.way == way
    assert (choice.message, choice.reason) == ("", "")
    assert choose.choose_engine().engine.way == way


@pytest.mark.parametrize(
    ("platform", "advice"),
    [
        ("linux", "(Debian, Ubuntu), or your graphics card's driver"),
        ("win32", "graphics card's driver"),
        ("darwin", "macOS"),
        ("freebsd14", "EGL"),
    ],
)
def test_sight_lines_where_opengl_fails_with_advice(monkeypatch, untouched, platform, advice):
    def fails(way):
        raise AssertionError

    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setattr(picture, "_opened", fails)
    choice = choose.choose_engine()
    assert isinstance(choice.engine, SightEngine)
    assert choice.message.startswith("no OpenGL here: frames are drawn by sight lines (slower). For the faster engine")
    assert advice in choice.message
    assert "\n" not in choice.message
    assert "AssertionError" in choice.reason


@pytest.mark.parametrize(
    ("lacking", "named"),
    [
        ((), ["libgl1-mesa-dri"]),
        (("libEGL.so.1",), ["libegl1", "libEGL.so.1"]),
        (("libGL.so.1",), ["libgl1", "libGL.so.1"]),
        (("libEGL.so.1", "libGL.so.1"), ["libegl1", "libgl1"]),
    ],
)
def test_advice_on_linux_names_what_is_missing_and_nothing_else(monkeypatch, lacking, named):
    def load(library):
        if library in lacking:
            raise OSError(library)

    monkeypatch.setattr(sys, "platform", "linux")
    advice = choose._advice(load)
    packages = {word.strip(",") for word in advice.split() if word.startswith("lib")}
    assert packages - {"libraries"} == set(named) | set(lacking)
    # README names the same packages
    asked = re.search(r"^apt-get install .* (libegl1.*)$", README.read_text(encoding="utf-8"), re.MULTILINE)
    assert set(asked[1].split()) == {*choose._LIBRARIES.values(), choose._DRIVER}


@pytest.mark.parametrize("missing", ["pyglet", "pyrender", "OpenGL.plugins"])
def test_sight_lines_where_a_library_is_missing(monkeypatch, untouched, missing):
    monkeypatch.setitem(sys.modules, missing, None)
    choice = choose.choose_engine()
    assert isinstance(choice.engine, SightEngine)
    assert missing in choice.reason


def test_sight_lines_where_the_picture_engine_cannot_be_imported(monkeypatch):
    monkeypatch.setitem(sys.modules, "previz.look.picture", None)
    choice = choose.choose_engine()
    assert isinstance(choice.engine, SightEngine)
    assert "cannot be loaded" in choice.reason


def test_sight_lines_where_egl_gives_no_display(monkeypatch):
    pictures_or_skip()
    monkeypatch.setattr(picture, "_shared", None)
    monkeypatch.delenv("EGL_DEVICE_ID", raising=False)
    from pyrender.platforms import egl

    def no_context(self):
        raise AssertionError

    monkeypatch.setattr(egl, "query_devices", list)
    monkeypatch.setattr(egl.EGLPlatform, "init_context", no_context)
    choice = choose.choose_engine()
    assert isinstance(choice.engine, SightEngine)
    assert "EGL gives no device" in choice.reason


def test_a_card_without_permission_does_not_hide_the_next_device(monkeypatch):
    pictures_or_skip()
    from pyrender.platforms import egl

    tried = []

    def only_the_second(self):
        tried.append(self._egl_device)
        if len(tried) == 1:
            raise AssertionError

    monkeypatch.delenv("EGL_DEVICE_ID", raising=False)
    monkeypatch.setattr(egl, "query_devices", lambda: ["first card", "second card", "third card"])
    monkeypatch.setattr(egl.EGLPlatform, "init_context", only_the_second)
    assert picture._egl()._egl_device == "second card"


def test_the_environment_and_the_caller_can_insist(monkeypatch, untouched):
    monkeypatch.setattr(picture, "PictureEngine", Drawn)
    monkeypatch.setenv(choose.VARIABLE, "sightlines")
    assert isinstance(choose.choose_engine().engine, SightEngine)
    assert isinstance(choose.choose_engine("pictures").engine, Drawn)
    monkeypatch.setenv(choose.VARIABLE, "pictures")
    assert isinstance(choose.choose_engine().engine, Drawn)
    assert isinstance(choose.choose_engine("sightlines").engine, SightEngine)


def test_insisting_on_pictures_fails_loudly(monkeypatch, untouched):
    def fails(way):
        raise OSError("libEGL.so.1 is missing")

    monkeypatch.setattr(picture, "_opened", fails)
    with pytest.raises(EngineError, match=r"libEGL\.so\.1 is missing.*sightlines"):
        choose.choose_engine("pictures")


def test_an_unknown_engine_is_refused(monkeypatch):
    with pytest.raises(EngineError, match='is "paint"; expected "pictures" or "sightlines"'):
        choose.choose_engine("paint")
    monkeypatch.setenv(choose.VARIABLE, "GL")
    with pytest.raises(EngineError, match='PREVIZ_ENGINE is "GL"'):
        choose.choose_engine()


def in_a_new_process(code, **environment):
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=Path(__file__).parents[2],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_nothing_heavy_is_imported_until_an_engine_is_asked_for():
    heavy = "{'OpenGL', 'pyrender', 'pyglet', 'embreex', 'numba', 'trimesh', 'scipy'}"
    code = f"import sys; import previz.look.choose; print(sorted({heavy} & set(sys.modules)))"
    assert in_a_new_process(code) == "[]"


def test_sight_lines_need_no_opengl():
    heavy = "{'OpenGL', 'pyrender', 'pyglet'}"
    code = f"import sys, previz.look.choose as c; c.choose_engine(); print(sorted({heavy} & set(sys.modules)))"
    assert in_a_new_process(code, PREVIZ_ENGINE="sightlines") == "[]"


@pytest.mark.slow
def test_a_hidden_window_draws_too():
    """The way of Windows and macOS, here with a window that needs no screen."""
    pictures_or_skip()
    code = (
        "from previz.look.picture import PictureEngine; from tests.look.sets import box, lens;"
        "e = PictureEngine('window'); e.load([box((-1, -1, -1), (1, 1, 0))]);"
        "print(e._context.platform.__class__.__name__, e.draw(lens(), ['bridge']).layer.min())"
    )
    got = in_a_new_process(code, PYGLET_HEADLESS="1", PYOPENGL_PLATFORM="egl")
    assert got == "PygletPlatform 2"
