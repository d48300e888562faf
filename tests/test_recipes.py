"""The recipes of DEVELOPERS.md, "Adding things", followed to the letter in a copy of the package.

Nothing but the files that a recipe names is touched; the tests of the layers hold for the copy as well.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import previz
from tests.search.example import small
from tests.test_house import public_classes
from tests.test_layers import faults

KIND = '''"""Chalk: pale, with flints in rows."""

import numpy as np


def carve(ground, x, y):
    return np.sin(40.0 * y).astype(np.float32)[:, None] * np.ones_like(x, np.float32)[None, :]


def painted(ground, x, y):
    rows = 0.5 + 0.2 * np.sin(40.0 * y).astype(np.float32)
    return np.repeat(np.repeat(rows[:, None, None], len(x), 1), 3, 2)
'''

# the whole of a command: the walls' kinds of a scene, as a result
COMMAND = {
    "__init__.py": '"""The command ``kind``."""\n',
    "kind.py": '''"""The command that says what a scene's wall is."""

from pathlib import Path

from previz.run.results import RunResult
from previz.scene.reader import read_scene


def kind(scene_path: Path, out: Path | None) -> RunResult:
    """The kind of the wall."""
    scene = read_scene(scene_path)
    return RunResult({"title": scene.title, "kind": scene.wall.kind}, out or Path())
''',
    "words.py": '''"""Rows for people."""


def kind_rows(values, folder):
    yield "wall", values["kind"]
''',
    "cli.py": '''"""``previz kind``."""

from pathlib import Path

import click

from previz.run.options import Asked, scene_command


@click.command()
@scene_command(looks=False)
def kind(scene: Path, asked: Asked) -> None:
    """What the wall is."""
    from previz.command.kind.kind import kind as run
    from previz.command.kind.words import kind_rows

    asked.show(run(scene, asked.out), kind_rows)
''',
}

# each imports the package anew, most of it
pytestmark = pytest.mark.slow


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The package in a folder of its own."""
    made = tmp_path / "previz"
    shutil.copytree(Path(previz.__file__).parent, made, ignore=shutil.ignore_patterns("__pycache__", "vendor"))
    return made


def edited(file: Path, old: str, new: str) -> None:
    """Replace the one place of ``old`` in a file."""
    text = file.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file.name}"
    file.write_text(text.replace(old, new), encoding="utf-8")


def ran(copy: Path, *arguments: str) -> str:
    """Standard output of Python run beside the copy, which is the package it finds first."""
    done = subprocess.run(
        [sys.executable, *arguments], cwd=copy.parent, capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def is_in_order(copy: Path) -> None:
    """The copy keeps the layers and the names of the house."""
    assert faults(copy) == []
    assert all(len(files) == 1 for files in public_classes(copy).values())


def test_a_kind_of_wall(copy: Path) -> None:
    (copy / "workshop" / "walls" / "chalk.py").write_text(KIND, encoding="utf-8")
    edited(copy / "scene" / "model.py", '"ice", "board"]', '"ice", "board", "chalk"]')
    edited(copy / "workshop" / "set.py", "import basalt, board, ice", "import basalt, board, chalk, ice")
    line = '    "board": (board.carve, board.painted),\n'
    edited(copy / "workshop" / "set.py", line, f'{line}    "chalk": (chalk.carve, chalk.painted),\n')
    is_in_order(copy)
    path = small(copy.parent, ('kind = "slate"', 'kind = "chalk"'))
    asked = (
        "import json, sys; from pathlib import Path; from previz.scene.reader import read_scene\n"
        "from previz.workshop.set import RULES, build_set; from previz.scene.model import WALL_KINDS\n"
        "from previz.scene.schema import schema_json\n"
        f"wall = build_set(read_scene(Path({path.name!r}))).wall\n"
        "print(json.dumps([tuple(RULES) == WALL_KINDS, float(wall.reflectance.mean()), 'chalk' in schema_json()]))"
    )
    same, mean, listed = json.loads(ran(copy, "-c", asked))
    assert same
    assert listed
    # rows of 0.3 to 0.7, in equal parts
    assert mean == pytest.approx(0.5, abs=0.1)


def test_a_command(copy: Path) -> None:
    room = copy / "command" / "kind"
    room.mkdir()
    for name, text in COMMAND.items():
        (room / name).write_text(text, encoding="utf-8")
    line = "from previz.command.lineup.cli import lineup, markers\n"
    edited(copy / "cli.py", line, f"from previz.command.kind.cli import kind\n{line}")
    edited(copy / "cli.py", "    check,\n    schema,\n", "    check,\n    kind,\n    schema,\n")
    is_in_order(copy)
    small(copy.parent)
    main = ("-c", "from previz.cli import main; main()")
    assert "What the wall is." in ran(copy, *main, "--help")
    assert json.loads(ran(copy, *main, "kind", "small.toml", "--json"))["kind"] == "slate"
