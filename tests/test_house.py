"""House rules that no single file can keep: quick help, a tidy top level, nothing of the writer's machine."""

import ast
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import previz

ROOT = Path(__file__).parent.parent

# what the commands need and the words of the commands do not
HEAVY = ("numpy", "scipy", "numba", "trimesh", "pyrender", "embreex", "cv2", "imageio", "PIL", "pydantic", "av")

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "previz", "scenes", "tests", "renders"}

# in pieces, so that this file does not find itself
MACHINE_PATHS = re.compile(
    "|".join(
        [
            r"(?<![\w.$}~-])/" + r"(?:home|Users|root|work|mnt|media|workspace|builds?)/[A-Za-z0-9_.-]+",
            r"(?<![\w.$}~-])/" + r"(?:var/)?tmp/[A-Za-z0-9_.-]+",
            r"\b[A-Za-z]:" + r"\\\\?(?:Users|home|dev|work)\b",
        ]
    )
)
REGISTRY_HOSTS = re.compile("|".join(["pypi" + r"\.org", "pythonhosted" + r"\.org", "--(?:extra-)?index" + "-url"]))

_LOADED = """
import sys
sys.argv = ["previz", {argument!r}]
{run}
print("|".join(sorted(name for name in sys.modules if "." not in name)), file=sys.stderr)
"""


def kept_files() -> list[Path]:
    """The files that are tracked or will be: what git does not ignore; without git, what it would keep."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    if listed.returncode:
        tops = [path for path in ROOT.iterdir() if path.name in TOP_LEVEL - {"renders"}]
        nested = [file for top in tops for file in ([top] if top.is_file() else top.rglob("*"))]
        return [file for file in nested if file.is_file() and "__pycache__" not in file.parts]
    found = [ROOT / name for name in listed.stdout.split("\0") if name]
    return [path for path in found if path.is_file()]


def loaded(argument: str, run: str) -> set[str]:
    """Top-level modules loaded after ``run`` in a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-c", _LOADED.format(argument=argument, run=run)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    return set(done.stderr.strip().splitlines()[-1].split("|"))


CALL = "from previz.cli import main\ntry:\n    main()\nexcept SystemExit as done:\n    assert not done.code, done.code"


@pytest.mark.parametrize("argument", ["--help", "--version"])
def test_words_of_the_command_load_nothing_heavy(argument: str) -> None:
    modules = loaded(argument, CALL)
    assert "click" in modules
    assert modules.isdisjoint(HEAVY)


def test_the_check_above_can_fail() -> None:
    assert "numpy" in loaded("--help", "import previz.geometry")


def test_no_file_names_a_machine_or_a_registry() -> None:
    found = []
    for path in kept_files():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        for number, line in enumerate(text.splitlines(), 1):
            hit = MACHINE_PATHS.search(line) or REGISTRY_HOSTS.search(line)
            if hit:
                found.append(f"{path.relative_to(ROOT).as_posix()}:{number}: {hit.group()}")
    assert found == []


@pytest.mark.parametrize(
    "text",
    ["/" + "home/anna/set.toml", '"/' + "tmp/x.png", "/" + "root/.cache", "C:" + "\\Users\\anna", "D:" + "\\\\work"],
)
def test_a_machine_path_is_recognised(text: str) -> None:
    assert MACHINE_PATHS.search(f"open({text})")


@pytest.mark.parametrize("text", ["1/50 s", "renders/quarry", "https://x.org/" + "home/page", "$HOME/" + "tmp/a"])
def test_an_honest_slash_is_not_a_machine_path(text: str) -> None:
    assert not MACHINE_PATHS.search(text)


def test_top_level_holds_only_what_the_design_names() -> None:
    tops = {path.relative_to(ROOT).parts[0] for path in kept_files()}
    assert {top for top in tops if not top.startswith(".")} <= TOP_LEVEL
    # renders/ holds output; only the pictures of the README are kept
    kept = [path.relative_to(ROOT) for path in kept_files() if path.relative_to(ROOT).parts[0] == "renders"]
    assert all(path.parts[1] == "examples" for path in kept)


def test_files_are_short() -> None:
    long = [
        f"{path.relative_to(ROOT).as_posix()}: {lines} lines"
        for path in sorted((ROOT / "previz").rglob("*.py"))
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) >= 500
    ]
    assert long == []


def test_what_is_not_code_is_packaged_and_what_is_not_ours_has_its_licence() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = project["tool"]["setuptools"]["package-data"]["previz"]
    packaged = {path for pattern in patterns for path in (ROOT / "previz").glob(pattern)}
    kept = {path for path in kept_files() if path.is_relative_to(ROOT / "previz") and path.suffix != ".py"}
    assert len(kept) > 10
    assert kept <= packaged
    for folder in ("vendor", "fonts"):
        names = {path.name for path in (ROOT / "previz" / "static" / folder).iterdir()}
        assert "README.md" in names
        assert any(name.endswith(".LICENSE") for name in names)


def public_classes(root: Path) -> dict[str, list[str]]:
    """Names of the public classes under ``root``, and the files that define each."""
    found: dict[str, list[str]] = {}
    for path in sorted(root.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(path.relative_to(root).as_posix())
    return found


def test_a_class_name_stands_for_one_thing() -> None:
    twice = {name: files for name, files in public_classes(ROOT / "previz").items() if len(files) > 1}
    assert twice == {}


def test_a_class_name_used_twice_is_found(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("class Room:\n    pass\n\n\nclass _Own:\n    pass\n", encoding="utf-8")
    (tmp_path / "b.py").write_text("class Room:\n    pass\n\n\nclass _Own:\n    pass\n", encoding="utf-8")
    assert public_classes(tmp_path) == {"Room": ["a.py", "b.py"]}


def test_there_is_one_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == previz.__version__
    try:
        installed = importlib.metadata.version(project["name"])
    except importlib.metadata.PackageNotFoundError:
        return
    assert installed == previz.__version__


def readme_commands(word: str) -> list[str]:
    """The one-line commands of README.md that make the environment and then run ``word``."""
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line.startswith("python3 -m venv ") and f".venv/bin/{word} " in f"{line} "]


def test_readme_gives_each_command_once_and_ci_takes_it_from_there() -> None:
    assert len(readme_commands("previz")) == 1
    assert len(readme_commands("pytest")) == 1
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in ci
    assert readme_commands("pytest")[0] not in ci


def test_readme_promises_only_what_there_is() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    offered = loaded_commands()
    named = set(re.findall(r"`(?:\.venv/bin/)?previz ([a-z]+)", text))
    named |= set(re.findall(r"\.venv/bin/previz ([a-z]+)", text))
    assert named
    assert named <= offered
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / link).exists(), f"README.md points at {link}, which is not there"


def loaded_commands() -> set[str]:
    """Commands that ``previz --help`` lists."""
    done = subprocess.run(
        [sys.executable, "-c", "from previz.cli import main; main()", "--help"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    _, _, commands = done.stdout.partition("Commands:")
    return set(re.findall(r"^  ([a-z]+)", commands, flags=re.MULTILINE))
