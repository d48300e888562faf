"""OpenTrackIO samples: names, units and ranges as published, axes by SciPy's rotations and by projecting again.

``PUBLISHED`` holds, written anew, what the format's published schema (github.com/SMPTE/ris-osvp-metadata-camdkit,
opentrackio/schema.json at its last release before 1.0.0, and CHANGELOG.md, opentrackio/examples/*.json and
src/test/resources/model/*.json of 1.0.0, which renamed ``focalLength`` and closed some ranges) says of the fields that
are written here: name, type, range, and that no other name is allowed beside them.
"""

import json
import math
from fractions import Fraction

import jsonschema
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from previz.camera import Camera, camera_for
from previz.deliver.export.cameratrack import Body, pose, sample_text, samples, write_track
from previz.run.output import OutputFolder

BODY = Body(0.0359, 0.040, 22.0, Fraction(24000, 1001), focus=1.25, iso=5000.0, shutter_angle=math.pi)
FRAMES = (1001, 1002, 1003)

WORDS = {"type": "string", "minLength": 1, "maxLength": 1023}
NUMBER = {"type": "number"}
LEAST_0 = {"type": "number", "minimum": 0.0}
PIXELS = {"type": "integer", "minimum": 0, "maximum": 2147483647}
COUNT = {"type": "integer", "minimum": 0, "maximum": 4294967295}
URN = {"type": "string", "pattern": "^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"}


def table(required: tuple[str, ...] = (), **fields: object) -> dict[str, object]:
    return {"type": "object", "additionalProperties": False, "properties": fields, "required": list(required)}


RATIO = table(
    ("num", "denom"),
    num={"type": "integer", "minimum": 1, "maximum": 2147483647},
    denom={"type": "integer", "minimum": 1, "maximum": 4294967295},
)
XYZ = table(("x", "y", "z"), x=NUMBER, y=NUMBER, z=NUMBER)
PUBLISHED = table(
    # the schema asks for none; these make it a sample of use
    ("static", "protocol", "sampleId", "timing", "lens", "transforms"),
    static=table(
        ("camera",),
        duration=RATIO,
        camera=table(
            ("activeSensorPhysicalDimensions", "activeSensorResolution", "captureFrameRate"),
            activeSensorPhysicalDimensions=table(("height", "width"), height=LEAST_0, width=LEAST_0),
            activeSensorResolution=table(("height", "width"), height=PIXELS, width=PIXELS),
            anamorphicSqueeze=RATIO,
            captureFrameRate=RATIO,
            isoSpeed={"type": "integer", "minimum": 1, "maximum": 4294967295},
            shutterAngle={"type": "number", "minimum": 0.0, "maximum": 360.0},
            label=WORDS,
        ),
        lens=table(nominalFocalLength={"type": "number", "exclusiveMinimum": 0.0}),
    ),
    tracker=table(notes=WORDS),
    timing=table(
        ("sampleRate", "sampleTimestamp", "sequenceNumber"),
        mode={"enum": ["internal", "external"]},
        sampleRate=RATIO,
        sampleTimestamp=table(
            ("seconds", "nanoseconds"),
            seconds={"type": "integer", "minimum": 0, "maximum": 2**48 - 1},
            nanoseconds=COUNT,
        ),
        sequenceNumber=COUNT,
    ),
    lens=table(
        ("pinholeFocalLength", "projectionOffset", "fStop"),
        pinholeFocalLength={"type": "number", "exclusiveMinimum": 0.0},
        fStop={"type": "number", "exclusiveMinimum": 0.0},
        focusDistance={"type": "number", "exclusiveMinimum": 0.0},
        entrancePupilOffset=NUMBER,
        projectionOffset=table(("x", "y"), x=NUMBER, y=NUMBER),
    ),
    protocol=table(
        ("name", "version"),
        name=WORDS,
        version={
            "type": "array",
            "items": {"type": "integer", "minimum": 0, "maximum": 9},
            "minItems": 3,
            "maxItems": 3,
        },
    ),
    sampleId=URN,
    sourceId=URN,
    sourceNumber=COUNT,
    transforms={
        "type": "array",
        "minItems": 1,
        "items": table(
            ("translation", "rotation"),
            id=WORDS,
            translation=XYZ,
            rotation=table(("pan", "tilt", "roll"), pan=NUMBER, tilt=NUMBER, roll=NUMBER),
        ),
    },
)


def camera(pan: float = 0.3, tilt: float = -0.26, roll: float = 0.05) -> Camera:
    return camera_for([-0.03, 0.43, 1.75], pan, tilt, roll, 0.040, 0.0359, 1920, 1080, 0.002, 0.004)


def made(count: int = 3) -> list[dict[str, object]]:
    return samples("Quarry walk", FRAMES[:count], [camera(0.3 - 0.1 * i) for i in range(count)], BODY)


def test_every_sample_is_as_published() -> None:
    jsonschema.Draft202012Validator.check_schema(PUBLISHED)
    check = jsonschema.Draft202012Validator(PUBLISHED)
    for sample in made():
        assert list(check.iter_errors(json.loads(sample_text(sample)))) == []
    for place, name, value in [
        # the name before 1.0.0, a range, a text that is no name, a count that is none
        ("lens", "focalLength", 40.0), ("lens", "fStop", 0.0), (None, "sampleId", "1001"),
        ("timing", "sequenceNumber", 1001.5), ("static", "notes", "x"),
    ]:  # fmt: skip
        wrong = json.loads(sample_text(made()[0]))
        (wrong if place is None else wrong[place])[name] = value
        assert list(check.iter_errors(wrong)), name


@pytest.mark.parametrize(
    ("pan", "tilt", "roll"),
    [(0.0, 0.0, 0.0), (0.4, 0.0, 0.0), (0.0, -0.3, 0.0), (0.0, 0.0, 0.2), (-0.7, 0.5, -0.3), (2.8, -1.2, 1.0)],
)
def test_turns_are_zxy_about_axes_with_z_up(pan: float, tilt: float, roll: float) -> None:
    """SciPy builds the rotation from the written angles, intrinsic Z, X, Y; it must turn +Y to where the lens looks."""
    view = camera(pan, tilt, roll)
    turned = pose(view)["rotation"]
    rotation = Rotation.from_euler("ZXY", [turned["pan"], turned["tilt"], turned["roll"]], degrees=True)
    # the same three vectors in ours, as (right, out of the wall, up) -> (x, -y, z)
    def theirs(v: np.ndarray) -> np.ndarray:
        return np.array([v[0], -v[2], v[1]])

    right, up = view.world_from_cam[:3, 0], view.world_from_cam[:3, 1]
    np.testing.assert_allclose(rotation.apply([0.0, 1.0, 0.0]), theirs(view.forward), atol=1e-9)
    np.testing.assert_allclose(rotation.apply([1.0, 0.0, 0.0]), theirs(right), atol=1e-9)
    np.testing.assert_allclose(rotation.apply([0.0, 0.0, 1.0]), theirs(up), atol=1e-9)


def test_signs_by_hand() -> None:
    """A pan to the right is negative about an upward axis; up and clockwise are positive in both."""
    turned = pose(camera(0.2, 0.0, 0.0))["rotation"]
    assert turned["pan"] == pytest.approx(-math.degrees(0.2))
    turned = pose(camera(0.0, 0.1, 0.3))["rotation"]
    assert turned["tilt"] == pytest.approx(math.degrees(0.1))
    assert turned["roll"] == pytest.approx(math.degrees(0.3))
    assert pose(camera())["translation"] == pytest.approx({"x": -0.03, "y": -1.75, "z": 0.43})


def test_straight_down_still_gives_the_same_rotation() -> None:
    view = camera(0.6, -math.pi / 2, 0.2)
    turned = pose(view)["rotation"]
    rotation = Rotation.from_euler("ZXY", [turned["pan"], turned["tilt"], turned["roll"]], degrees=True)
    right = view.world_from_cam[:3, 0]
    np.testing.assert_allclose(rotation.apply([1.0, 0.0, 0.0]), [right[0], -right[2], right[1]], atol=1e-7)


def test_a_sample_projects_as_the_camera_does() -> None:
    """From the text alone: place, turns, pinhole length, sensor and offset give the same pixels within 0.001 px."""
    view = camera()
    sample = json.loads(sample_text(samples("x", [1001], [view], BODY)[0]))
    rng = np.random.default_rng(1)
    points = rng.uniform([-0.6, -0.3, -0.1], [0.6, 0.5, 0.8], (40, 3))
    move, turned = (sample["transforms"][0][key] for key in ("translation", "rotation"))
    rotation = Rotation.from_euler("ZXY", [turned["pan"], turned["tilt"], turned["roll"]], degrees=True)
    theirs = np.stack([points[:, 0], -points[:, 2], points[:, 1]], axis=1)
    seen = rotation.inv().apply(theirs - [move["x"], move["y"], move["z"]])
    lens, about = sample["lens"], sample["static"]["camera"]
    px_per_mm = about["activeSensorResolution"]["width"] / about["activeSensorPhysicalDimensions"]["width"]
    focal, offset = lens["pinholeFocalLength"], lens["projectionOffset"]
    x = (focal * seen[:, 0] / seen[:, 1] + offset["x"]) * px_per_mm + 960.0
    y = (-focal * seen[:, 2] / seen[:, 1] + offset["y"]) * px_per_mm + 540.0
    np.testing.assert_allclose(np.stack([x, y], axis=1), view.project(points), atol=1e-3)
    assert focal == pytest.approx(40.0)
    assert offset == pytest.approx({"x": -2.0, "y": 4.0})


def test_times_and_names() -> None:
    """Frame 1003 at 24000/1001 is 2 x 1001/24000 s after the first: 83 416 667 ns."""
    all_samples = made()
    timing = all_samples[2]["timing"]
    assert timing["sampleTimestamp"] == {"seconds": 0, "nanoseconds": 83_416_667}
    assert timing["sampleRate"] == {"num": 24000, "denom": 1001}
    assert [sample["timing"]["sequenceNumber"] for sample in all_samples] == list(FRAMES)
    assert all_samples[0]["static"]["duration"] == {"num": 1001, "denom": 8000}
    assert len({sample["sampleId"] for sample in all_samples}) == 3
    assert len({sample["sourceId"] for sample in all_samples}) == 1
    assert [sample_text(s) for s in made()] == [sample_text(s) for s in all_samples]


def test_a_file_a_frame(tmp_path) -> None:
    places = write_track(OutputFolder(tmp_path), made(), FRAMES)
    assert [place.relative_to(tmp_path).as_posix() for place in places] == [f"track/{n}.json" for n in FRAMES]
    assert json.loads(places[1].read_text(encoding="utf-8"))["timing"]["sequenceNumber"] == 1002
    with pytest.raises(ValueError, match="3 frames need as many cameras"):
        samples("x", FRAMES, [camera()], BODY)
