"""The layers of the house (the list of rooms in DEVELOPERS.md), held by reading the imports of every file."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "previz"

# top to bottom: a file imports only from layers above its own, or from its own room; rooms on one line do not
# import one another
LAYERS = (
    ("errors",),
    ("units",),
    ("geometry", "colour", "optics", "gloss"),
    ("camera", "rail"),
    ("scene",),
    ("workshop",),
    ("look",),
    ("judge",),
    ("stage",),
    ("search", "paint", "rig", "plate", "lineup"),
    ("run",),
    ("draw",),
    ("deliver",),
    ("command",),
    ("bench",),
    ("cli",),
    ("__main__",),
)
RANK = {room: rank for rank, rooms in enumerate(LAYERS) for room in rooms}

# what the upper rooms may take from outside the standard library
OUTSIDE = {
    "errors": set[str](),
    "units": set[str](),
    "geometry": {"numpy"},
    "colour": {"numpy"},
    "optics": {"numpy"},
    "gloss": {"numpy"},
    "camera": {"numpy"},
    "rail": {"numpy"},
}

# one file owns OpenGL with every shim it needs, one owns Embree
OWNERS = {
    "look/picture.py": {"pyrender", "OpenGL", "pyglet"},
    "look/sight.py": {"embreex"},
    "run/clusterline.py": {"dask", "distributed"},
}


def imported(source: str, module: str, is_package: bool) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of everything that a file imports, wherever in the file it does.

    ``module`` is the file's own dotted name; relative imports are resolved against it.
    """
    package = module if is_package else module.rpartition(".")[0]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = package.split(".")
                kept = ".".join(parents[: len(parents) - node.level + 1])
                base = f"{kept}.{base}" if base else kept
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in ("import_module", "__import__"):
                yield node.lineno, str(node.args[0].value)


def faults(root: Path) -> list[str]:
    """Every import under ``root`` (a folder named previz) that breaks the layers, as ``file:line: what``."""
    found = []
    for path in sorted(root.rglob("*.py")):
        relative = path.relative_to(root)
        parts = ("previz", *relative.with_suffix("").parts)
        is_package = parts[-1] == "__init__"
        module = ".".join(parts[:-1] if is_package else parts)
        room = parts[1]
        for line, name in imported(path.read_text(encoding="utf-8"), module, is_package):
            what = _fault(relative.as_posix(), room, name)
            if what:
                found.append(f"{relative.as_posix()}:{line}: {what}")
    return found


def _fault(file: str, room: str, name: str) -> str:
    top, _, rest = name.partition(".")
    if top != "previz":
        return _outside_fault(file, room, top)
    other = rest.partition(".")[0]
    if room == "__init__":
        return f"the package itself imports {name}"
    if room not in RANK:
        return f"{room} has no layer"
    if other in ("", "__version__"):
        return ""
    if other not in RANK:
        return f"{other} has no layer"
    if other == room or RANK[other] < RANK[room]:
        return ""
    return f"{room} imports {name}, which is not above it"


def _outside_fault(file: str, room: str, top: str) -> str:
    if top in sys.stdlib_module_names or top == "__future__":
        return ""
    if room in OUTSIDE and top not in OUTSIDE[room]:
        return f"{room} imports {top} from outside"
    for owner, owned in OWNERS.items():
        if top in owned and file != owner:
            return f"only {owner} imports {top}"
    return ""


def test_every_file_imports_only_from_above() -> None:
    assert faults(PACKAGE) == []


def test_every_room_has_a_layer() -> None:
    rooms = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert rooms - {"__init__"} <= RANK.keys()
    assert {"errors", "geometry", "camera", "scene", "look", "judge", "stage", "command"} <= rooms


@pytest.mark.parametrize(
    ("file", "source", "expected"),
    [
        ("errors.py", "import numpy\n", "errors imports numpy from outside"),
        ("geometry.py", "from previz.colour import lab\n", "geometry imports previz.colour.lab"),
        ("colour.py", "import scipy.ndimage\n", "colour imports scipy from outside"),
        ("camera.py", "from previz.scene import model\n", "camera imports previz.scene.model"),
        ("judge/breaks.py", "def f():\n    from previz.stage.projected import x\n", "judge/breaks.py:2"),
        ("paint/solved.py", "from previz.search.best import x\n", "paint imports previz.search.best.x"),
        ("workshop/light/bake.py", "from ...look import sight\n", "workshop imports previz.look.sight"),
        ("look/sight.py", "from . import picture\nimport pyrender\n", "look/sight.py:2: only look/picture.py"),
        ("judge/hold.py", "import OpenGL.GL as gl\n", "only look/picture.py imports OpenGL"),
        ("workshop/light/bake.py", "import embreex\n", "only look/sight.py imports embreex"),
        ("workshop/light/bake.py", "import importlib\nimportlib.import_module('previz.cli')\n", "imports previz.cli"),
        ("units.py", "from previz import camera\n", "units imports previz.camera"),
        ("attic/old.py", "from previz.errors import PrevizError\n", "attic has no layer"),
        ("__init__.py", "from previz.units import length\n", "the package itself imports"),
    ],
)
def test_a_wrong_import_is_found(tmp_path: Path, file: str, source: str, expected: str) -> None:
    path = tmp_path / "previz" / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(source, encoding="utf-8")
    found = faults(tmp_path / "previz")
    assert len(found) == 1
    assert expected in found[0]


@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("units.py", "import re\nfrom previz.errors import UnitError\n"),
        ("camera.py", "import numpy\nfrom previz.geometry import unit\n"),
        ("look/view.py", "from previz.workshop.surface import Surface\nfrom .sampling import grid\n"),
        ("look/picture.py", "import pyrender\nimport OpenGL.GL\nfrom previz import __version__\n"),
        ("cli.py", "def main():\n    from previz.command.shoot import shoot\n"),
    ],
)
def test_a_right_import_is_let_through(tmp_path: Path, file: str, source: str) -> None:
    path = tmp_path / "previz" / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(source, encoding="utf-8")
    assert faults(tmp_path / "previz") == []
