"""The model in Python: inside units, frozen, edited as a whole."""

import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from previz.errors import SceneError
from previz.scene.model import Bridge, CameraBody, Delivery, Lamp, Rail, Scene, Wall
from tests.scene.example import scene_of


@pytest.fixture
def plain() -> Scene:
    """The least that makes a scene."""
    return Scene(
        title="plain",
        scale=20.0,
        wall=Wall(kind="board"),
        camera=CameraBody(position=(0.0, 0.16, 1.25)),
        rail=Rail(hold=(1001, 1040)),
    )


def test_numbers_are_taken_in_inside_units_and_text_with_its_own(plain: Scene) -> None:
    assert Bridge(length=0.8) == Bridge.model_validate({"length": "800 mm"})
    assert Bridge(length=np.float64(0.8)) == Bridge(length=0.8)
    assert CameraBody(position=(0.0, 0.0, 1.0), sensor=(0.036, 0.024)).sensor == (0.036, 0.024)
    assert plain.edited(camera__tilt="-90 deg").camera.tilt == pytest.approx(-np.pi / 2)


def test_from_a_file_a_bare_length_is_refused() -> None:
    with pytest.raises(ValidationError):
        Bridge.model_validate({"length": 0.8}, context={"file": True})


def test_nothing_is_changed_in_place(plain: Scene) -> None:
    with pytest.raises(ValidationError):
        plain.bridge.length = 1.0  # type: ignore[misc]
    edited = plain.edited(bridge__length=0.7, rail__hold=(1002, 1030), title="other")
    assert (plain.bridge.length, plain.rail.hold, plain.title) == (0.85, (1001, 1040), "plain")
    assert (edited.bridge.length, edited.rail.hold, edited.title) == (0.7, (1002, 1030), "other")
    assert edited.edited(bridge__length=0.85, rail__hold=(1001, 1040), title="plain") == plain


def test_an_edit_keeps_everything_else(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    assert scene.edited() == scene
    assert scene.edited().folder == scene.folder
    assert scene.edited(lamps=[]).lamps == ()
    assert scene.edited(rail__aim=(0.0, 0.0, 0.1)).rail.aim == (0.0, 0.0, 0.1)
    assert scene.edited(plate__camera__lens=0.05).plate.camera.lens == 0.05  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "change",
    [{"bridge__length": -1.0}, {"bridge__lenght": 1.0}, {"camera__tilt": 3.0}, {"rail__frames": 0}, {"wall": None}],
)
def test_a_wrong_edit_is_refused(plain: Scene, change: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        plain.edited(**change)


def test_an_edit_inside_a_table_that_is_not_there_says_so(plain: Scene) -> None:
    with pytest.raises(SceneError, match=r'plate: expected a table to change "foot_mark" in, found no such table'):
        plain.edited(plate__foot_mark=0.3)
    with pytest.raises(SceneError, match=r'wall\.doorway: expected a table to change "width" in.*\[wall\.doorway\]'):
        plain.edited(wall__doorway__width=0.06)
    with pytest.raises(SceneError, match="a plain value"):
        plain.edited(title__length=1)
    with pytest.raises(SceneError, match="no such table"):
        plain.edited(bridg__length=1)
    whole = plain.edited(wall__doorway={"width": 0.06, "height": 0.11})
    assert whole.edited(wall__doorway__width=0.07).wall.doorway.width == 0.07  # type: ignore[union-attr]


def test_exactly_one_way_of_making_the_wall() -> None:
    for given in ({}, {"kind": "slate", "mesh": "a.glb"}, {"mesh": "a.glb", "photo": "a.jpg"}):
        with pytest.raises(ValidationError, match='exactly one of "kind", "mesh" and "photo"'):
            Wall.model_validate(given)
    (photo,) = Wall.model_validate({"photo": "a.jpg"}).photo
    assert photo.file == Path("a.jpg")


# SMPTE's fractional rates are n * 1000/1001 (from memory)
@pytest.mark.parametrize(
    ("written", "wanted"),
    [(25, "25"), (23.976, "24000/1001"), ("23.98", "24000/1001"), (29.97, "30000/1001"), ("24000/1001", "24000/1001"),
     (59.94, "60000/1001"), (24, "24"), (24.0, "24"), ("12.5", "25/2")],
)  # fmt: skip
def test_rates(written: object, wanted: str) -> None:
    assert Delivery.model_validate({"rate": written}).rate == Fraction(wanted)


@pytest.mark.parametrize("value", ["1e9", "24/0", "-25", "", "25 fps", True, None, [25], 10**400, "9" * 5000])
def test_what_is_no_rate(value: object) -> None:
    with pytest.raises(ValidationError):
        Delivery.model_validate({"rate": value})


@pytest.mark.parametrize(
    ("text", "wanted"),
    [("35.9 x 24.0 mm", (0.0359, 0.024)), ("35.9x24mm", (0.0359, 0.024)), ("36 mm x 2.4 cm", (0.036, 0.024)),
     ("1 x 0.5 in", (0.0254, 0.0127)), ("35.9 × 24.0 mm", (0.0359, 0.024)), ('1" x 0.5"', (0.0254, 0.0127))],
)  # fmt: skip
def test_sensor_sizes(text: str, wanted: tuple[float, float]) -> None:
    body = CameraBody.model_validate({"position": ["0 m", "0 m", "1 m"], "sensor": text}, context={"file": True})
    assert body.sensor == pytest.approx(wanted, rel=1e-12)


def test_a_lamp_needs_no_more_than_a_name() -> None:
    lamp = Lamp(name="key")
    assert lamp.position[2] > 0.0
    assert lamp.lux > 0.0


@pytest.mark.parametrize("value", ["2025-03-14", "not", 0, "2025-13-01", True])
def test_dates(plain: Scene, value: object) -> None:
    if value == "2025-03-14":
        assert str(plain.edited(date=value).date) == value
    else:
        with pytest.raises(ValidationError):
            plain.edited(date=value)


def test_the_model_loads_without_the_heavy_libraries() -> None:
    heavy = ("numpy", "scipy", "trimesh", "PIL")
    code = f"import sys, previz.scene.model; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
