"""The JSON Schema and the starter: sound by outside validators, and at one with the reader."""

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import regress
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from previz import units
from previz.errors import UnitError
from previz.scene.checks import OVERRIDDEN, cautions
from previz.scene.faults import SEVERAL, tables
from previz.scene.reader import read_scene
from previz.scene.schema import scene_schema, schema_json
from previz.scene.starter import starter_text
from tests.scene.example import EXAMPLE

SCHEMA = scene_schema()


def faults(text: str) -> list[str]:
    """What an outside validator finds wrong with a scene's text."""
    validator = jsonschema.Draft202012Validator(SCHEMA)
    return [error.message for error in validator.iter_errors(tomllib.loads(text))]


def nodes(node: Any) -> Iterator[dict[str, Any]]:
    """Every table of the schema."""
    if isinstance(node, dict):
        yield node
    for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from nodes(child)


def test_an_outside_tool_finds_the_schema_sound(tmp_path: Path) -> None:
    path = tmp_path / "scene.schema.json"
    path.write_text(schema_json(), encoding="utf-8")
    command = [sys.executable, "-m", "check_jsonschema", "--check-metaschema", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_every_pattern_is_one_that_editors_can_read() -> None:
    patterns = {node["pattern"] for node in nodes(SCHEMA) if isinstance(node.get("pattern"), str)}
    assert len(patterns) >= 8
    for pattern in patterns:
        regress.Regex(pattern, "u")  # an ECMA-262 engine: raises for what it does not know


def test_examples_and_defaults_fit_their_own_schema() -> None:
    count = 0
    validator = jsonschema.Draft202012Validator(SCHEMA)
    for node in nodes(SCHEMA):
        if {"type", "anyOf"} & node.keys():
            for value in [*node.get("examples", []), *([node["default"]] if "default" in node else [])]:
                validator.evolve(schema=node).validate(value)
                count += 1
    assert count > 60


def test_nothing_of_python_is_left_in_it() -> None:
    text = schema_json()
    assert "folder" not in SCHEMA["properties"]
    assert '"null"' not in text
    assert "``" not in text
    assert '"lamps"' not in text
    assert text == schema_json()
    assert json.loads(text) == SCHEMA
    assert SCHEMA["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]


def test_what_must_be_there() -> None:
    assert SCHEMA["required"] == ["title", "scale", "wall", "camera", "rail"]
    required = {name: table.get("required") for name, table in SCHEMA["$defs"].items()}
    assert required["Rail"] == ["hold"]
    assert required["CameraBody"] == ["position"]
    assert required["Lamp"] == ["name"]
    assert required["Doorway"] == ["width", "height"]


def test_every_value_is_explained() -> None:
    for name, table in SCHEMA["$defs"].items():
        for key, value in table["properties"].items():
            assert value.get("description", "").endswith("."), f"{name}.{key}"


@pytest.mark.parametrize("text", [EXAMPLE, starter_text("anything")])
def test_sound_scenes_pass(text: str) -> None:
    assert faults(text) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"850 mm"', "850"),
        ('"850 mm"', '"850"'),
        ('"850 mm"', '"-850 mm"'),
        ("length    =", "lenght ="),
        ("hold   = [1001, 1040]", ""),
        ('kind   = "slate"', 'kind = "granite"'),
        ('kind   = "slate"', ""),
        ('kind   = "slate"', 'kind = "slate"\nphoto = "x.jpg"'),
        ("[[lamp]]", "[lamp]"),
        ("[[lamp]]", "[[lamps]]"),
        ("[1, 0, 0]", '"arch"'),
        ("[1920, 1080]", "[1920]"),
        ("[1920, 1080]", "[1920, 8]"),
        ('"f/22"', "22"),
        ('"10%"', "0.1"),
        ('"1:20"', "20"),
        ('title = "Quarry walk"', 'title = "Quarry walk"\nfolder = "x"'),
        ("frames = 100", "frames = 0"),
        ("frames = 100", 'frames = "100"'),
    ],
)
def test_what_the_reader_refuses_an_editor_marks(old: str, new: str) -> None:
    assert EXAMPLE.count(old) == 1
    assert faults(EXAMPLE.replace(old, new))


LENGTH_PATTERN = regress.Regex(SCHEMA["$defs"]["Bridge"]["properties"]["bend"]["pattern"], "u")


@settings(max_examples=300)
@given(st.text(alphabet="0123456789./eE+-−'\"′″ mcinft", max_size=16))
def test_an_editor_accepts_every_length_that_the_reader_accepts(text: str) -> None:
    try:
        units.length(text)
    except UnitError:
        return
    assert LENGTH_PATTERN.find(text) is not None


@pytest.mark.parametrize("name", ["quarry", 'A "b" \\ c', "é 岩", "", "\n\0", "x" * 500, "[[lamp]]", "# no"])
def test_the_starter_reads_without_fault_whatever_its_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / "new.toml"
    path.write_text(starter_text(name), encoding="utf-8")
    scene = read_scene(path)
    assert scene.title == ("".join(c for c in name if c.isprintable())[:120] or "Quarry walk")
    assert cautions(scene) == []


def test_the_starter_shows_and_explains_every_key() -> None:
    text = starter_text("x")
    lines = text.split("\n")
    assert lines[0] == "#:schema ./scene.schema.json"
    assert max(len(line) for line in lines) <= 120
    for name, keys in tables().items():
        for key in keys:
            table = f"{name}.{key}" if name else key
            if table in tables():
                opened = (f"[[{table}]]" if table in SEVERAL.values() else f"[{table}]", f"{key} = {{", f"{key} = [{{")
                assert any(piece in text for piece in opened), table
            else:
                # at the start of a line, perhaps as a choice not taken, or in an inline table
                assert re.search(rf"(^(# )?|[{{,] ){key} = ", text, re.MULTILINE), table
    bare = [line for line in lines if " = " in line and "# " not in line]
    # the second lamp and the plate's camera repeat what is explained above them
    assert len(bare) <= 12, bare


def test_what_the_starter_leaves_out_can_be_put_in(tmp_path: Path) -> None:
    for name in ("bridge.png", "figure.png"):
        (tmp_path / name).write_bytes(b"x")
    for name in ("wall.jpg", "a.jpg", "heights.png"):
        Image.new("L", (640, 480), 90).save(tmp_path / name)
    (tmp_path / "heights.csv").write_text("0, 1\n2, 3\n")
    wall = trimesh.creation.box(bounds=[[-0.9, -1.4, -0.04], [0.9, 0.8, 0.0]])
    wall.export(tmp_path / "wall.glb")
    in_mm_z_up = [[1000, 0, 0, 0], [0, 0, -1000, 0], [0, 1000, 0, 0], [0, 0, 0, 1]]
    wall.apply_transform(in_mm_z_up).export(tmp_path / "wall.stl")
    path = tmp_path / "new.toml"
    text = starter_text("x")
    tried = 0
    for line in text.split("\n"):
        key = line[2:].split(" =")[0]
        if not line.startswith("# ") or key not in (
            "bars", "mesh", "photo", "relief", "image", "radius", "pauses", "pan_ease", "tilt_ease", "figure", "date",
        ):
            continue
        edited = text.replace(line, line[2:], 1)
        if key == "photo" and "points" in line:
            # it shows one point of the four that are needed
            point = re.search(r"\{ px = [^}]*\}", line).group()
            places = (("[90, 30]", "0 cm", "12 cm"), ("[99, 200]", "0 cm", "0 cm"), ("[10, 99]", "-35 cm", "0 cm"))
            others = [f'{{ px = {px}, at = ["{right}", "{up}"] }}' for px, right, up in places]
            edited = edited.replace(point, ", ".join([point, *others]))
        if key == "relief":
            edited = edited.replace('relief = "40 mm"', "#").replace('# photo = "wall.jpg"', 'photo = "wall.jpg"')
        if key in ("mesh", "photo", "relief") and 'file = "bridge' not in line and "bridge.glb" not in line:
            edited = edited.replace('kind = "slate"', "#")
        if key == "mesh" and "bridge" in line:
            trimesh.creation.box(bounds=[[-0.03, -0.012, -0.03], [0.03, 0.0, 0.7]]).export(tmp_path / "bridge.glb")
            before, table = edited.split("[bridge]\n")
            slab, rest = table.split("colour = ", 1)
            edited = f"{before}[bridge]\ncolour = {rest}"
            assert [row.split()[0] for row in slab.splitlines()] == list(OVERRIDDEN)
        path.write_text(edited, encoding="utf-8")
        read_scene(path)
        tried += 1
    assert tried == 15
