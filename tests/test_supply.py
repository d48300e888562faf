"""What is installed: locked, licensed, complete in the wheel, and able to run where the repository is not."""

import importlib.metadata
import os
import re
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import zipfile
from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.benchmarks.supply import COMPATIBLE, INSIDE, READ, licence_of, needed, parts
from tests.test_layers import imported

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = (ROOT / ".ci" / "lock.txt").read_text(encoding="utf-8")


def locked(text: str) -> dict[str, tuple[list[Version], int]]:
    """Package to its versions in a lock (one for each kind of machine) and how many hashes they have at least."""
    found: dict[str, tuple[list[Version], int]] = {}
    for block in re.split(r"\n(?=[a-zA-Z0-9])", text.strip()):
        name, version = re.match(r"([A-Za-z0-9._-]+)==([^\s;\\]+)", block).groups()
        hashes = len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block))
        versions, least = found.get(str(canonicalize_name(name)), ([], hashes))
        found[str(canonicalize_name(name))] = ([*versions, Version(version)], min(least, hashes))
    return found


def disagreements(asked: list[str], text: str) -> list[str]:
    """Requirements that a lock does not have, has at another version, or has without a hash."""
    have, wrong = locked(text), []
    for requirement in map(Requirement, asked):
        versions, hashes = have.get(str(canonicalize_name(requirement.name)), ([], 0))
        if not versions or not hashes or not all(requirement.specifier.contains(v) for v in versions):
            wrong.append(str(requirement))
    return wrong


ASKED = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]


def test_the_lock_has_all_that_is_asked_for_within_its_bounds() -> None:
    assert disagreements(ASKED, LOCK) == []
    assert all(hashes for _, hashes in locked(LOCK).values())


def test_the_lock_has_what_those_need_in_turn() -> None:
    have = locked(LOCK)
    assert [p.metadata["Name"] for p in needed() if canonicalize_name(p.metadata["Name"]) not in have] == []


@pytest.mark.parametrize("asked", ["nowhere-to-be-found>=1", "numpy>=99", "trimesh==5.1.0"])
def test_a_lock_that_lags_behind_is_seen(asked: str) -> None:
    assert disagreements([asked], LOCK) == [asked]


def test_a_lock_without_hashes_is_seen() -> None:
    bare = re.sub(r" *\\\n +--hash=\S+", "", LOCK)
    assert len(disagreements(ASKED, bare)) == len(ASKED)


def test_every_package_has_a_licence_that_goes_with_mit() -> None:
    wrong = {p.metadata["Name"]: licence_of(p) for p in needed() if not set(parts(licence_of(p))) <= COMPATIBLE}
    assert wrong == {}
    names = {str(canonicalize_name(p.metadata["Name"])) for p in needed()}
    # what was read by hand is of packages that are there
    assert set(READ) | set(INSIDE) <= names
    assert len(names) > len(PROJECT["dependencies"])


def test_what_the_extra_for_clusters_brings_along_goes_with_mit_too() -> None:
    asked = PROJECT["optional-dependencies"]["cluster"]
    # the cluster's tests are run with what the lock has
    assert set(asked) <= set(PROJECT["optional-dependencies"]["test"])
    for requirement in map(Requirement, asked):
        try:
            brought = [importlib.metadata.distribution(requirement.name), *needed(requirement.name)]
        except importlib.metadata.PackageNotFoundError:
            pytest.skip("the extra cluster is not installed")
        assert len(brought) > 5
        assert {p.metadata["Name"]: licence_of(p) for p in brought if not set(parts(licence_of(p))) <= COMPATIBLE} == {}


@pytest.mark.parametrize("licence", ["GPL-3.0-only", "MIT AND AGPL-3.0-or-later", "", "BSD-3-Clause AND LGPL-2.1-only"])
def test_another_licence_is_seen(licence: str) -> None:
    assert not set(parts(licence)) <= COMPATIBLE


# what is imported that an ordinary installation lacks, by whom, and the extra that brings it
EXTRAS = {
    "lineup/": "lineup",
    "workshop/photographs/": "lineup",
    "deliver/plate/": "interchange",
    "deliver/export/": "interchange",
    "run/cluster": "cluster",
}


def test_what_is_imported_is_installed_with_the_project_or_by_the_extra_that_asks_for_it() -> None:
    of_package = {
        package: {str(canonicalize_name(name)) for name in names}
        for package, names in importlib.metadata.packages_distributions().items()
    }
    # with what those bring along: PyOpenGL and pyglet come with pyrender
    plain = {str(canonicalize_name(p.metadata["Name"])) for p in needed()}
    seen = set()
    for path in sorted((ROOT / "previz").rglob("*.py")):
        place = path.relative_to(ROOT / "previz").as_posix()
        extra = next((extra for start, extra in EXTRAS.items() if place.startswith(start)), None)
        allowed = plain | (set() if extra is None else _of_extra(extra))
        for _, name in imported(path.read_text(encoding="utf-8"), "previz", False):
            top = name.partition(".")[0]
            if top in sys.stdlib_module_names or top in ("previz", "__future__"):
                continue
            seen.add(top)
            brought = of_package.get(top, {top.lower()})
            assert brought & allowed, f"previz/{place} imports {name}, which is not installed with it"
    assert {"numpy", "cv2", "distributed"} <= seen


@cache
def _of_extra(extra: str) -> set[str]:
    names = {str(canonicalize_name(Requirement(each).name)) for each in PROJECT["optional-dependencies"][extra]}
    with suppress(importlib.metadata.PackageNotFoundError):
        return names | {str(canonicalize_name(p.metadata["Name"])) for name in names for p in needed(name)}
    return names


def test_neither_a_plotting_library_nor_a_second_video_stack_is_installed() -> None:
    names = {str(canonicalize_name(p.metadata["Name"])) for p in needed()}
    assert names.isdisjoint({"matplotlib", "imageio-ffmpeg", "opencv-python", "opencv-python-headless"})
    assert "av" in names


def run(*words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "PYTHONHOME")}
    line = [str(word) for word in words]
    done = subprocess.run(line, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done


def copied(folder: Path) -> Path:
    """The tracked and new files of the project, so that nothing is built in its own folder."""
    kept = run("git", "ls-files", "--cached", "--others", "--exclude-standard", cwd=ROOT).stdout.splitlines()
    for name in kept:
        if name.startswith(("previz/", "pyproject.toml", "README.md", "LICENSE")) and (ROOT / name).is_file():
            place = folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes((ROOT / name).read_bytes())
    return folder


def own_files() -> set[str]:
    """What of previz/ is no leftover of a run."""
    found = {path.relative_to(ROOT).as_posix() for path in (ROOT / "previz").rglob("*") if path.is_file()}
    return {name for name in found if "__pycache__" not in name}


@pytest.mark.slow
def test_the_wheel_has_every_file_of_the_package(tmp_path: Path) -> None:
    source = copied(tmp_path / "source")
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", tmp_path, source, cwd=tmp_path)
    (wheel,) = tmp_path.glob("stationpoint-*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = {name for name in packed.namelist() if name.startswith("previz/")}
    assert names == own_files()
    assert any(name.endswith(".ttf") for name in names)


@pytest.mark.sweep
def test_wheel_and_sdist_run_where_the_repository_is_not(tmp_path: Path) -> None:
    source = copied(tmp_path / "source")
    build = "import setuptools.build_meta as b, sys; print(b.build_sdist(sys.argv[1]))"
    tools, away = tmp_path / "tools", tmp_path / "away"
    away.mkdir()
    run(sys.executable, "-m", "venv", tools, cwd=tmp_path)
    python = tools / ("Scripts" if os.name == "nt" else "bin") / "python"
    run(python, "-m", "pip", "install", "-q", "setuptools>=77", cwd=tmp_path)
    run(python, "-c", build, tmp_path, cwd=source)
    (sdist,) = tmp_path.glob("stationpoint-*.tar.gz")
    with tarfile.open(sdist) as packed:
        packed_names = {name.split("/", 1)[1] for name in packed.getnames() if "/" in name}
    assert own_files() <= packed_names
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", tmp_path, sdist, cwd=tmp_path)
    (wheel,) = tmp_path.glob("stationpoint-*.whl")
    # what it needs is lent by this environment: a bare machine is the business of .ci/bare
    (lent,) = tools.rglob("site-packages")
    (lent / "lent.pth").write_text(sysconfig.get_paths()["purelib"], encoding="utf-8")
    run(python, "-m", "pip", "install", "-q", "--no-deps", wheel, cwd=tmp_path)
    where = run(python, "-c", "import previz; print(previz.__file__)", cwd=away).stdout
    assert str(tools) in where
    command = python.with_name("previz")
    run(command, "new", "far", cwd=away)
    scene = away / "far.toml"
    text = re.sub(r"(?m)^frames *=.*$", "frames = 4", scene.read_text(encoding="utf-8"))
    text = re.sub(r"(?m)^hold *=.*$", "hold = [1001, 1002]", text)
    text = re.sub(r"(?m)^station *=.*$", "station = 1001", text)
    scene.write_text(re.sub(r"(?m)^reveal *=.*$", "reveal = 1004", text), encoding="utf-8")
    run(command, "shoot", scene, "--width", "320", cwd=away)
    assert len(list(away.glob("renders/far/lens/*.png"))) == 4
    assert (away / "renders" / "far" / "report.html").stat().st_size > 0


def test_the_wheel_is_of_the_version_that_is_installed() -> None:
    assert importlib.metadata.version("stationpoint") == PROJECT["version"]
