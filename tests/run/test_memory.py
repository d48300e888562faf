"""What a run takes of memory, what there is, and the workers that follow."""

import math
import re
from pathlib import Path

import pytest

from previz.errors import OutputError
from previz.run import memory
from previz.run.memory import Need, need_of, there_is, workers_with_room
from previz.scene.reader import read_scene
from tests.command.scenes import box_mesh, laid
from tests.conftest import Command

GB = 1e9


def machine(root: Path, available_kb: int = 8_000_000, groups: str = "", **files: str) -> Path:
    """A system's files below ``root``: memory that is available, this process's control groups, and theirs."""
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/meminfo").write_text(f"MemTotal: 9000000 kB\nMemAvailable:   {available_kb} kB\n")
    (root / "proc/self/cgroup").write_text(groups)
    for name, text in files.items():
        place = root / "sys/fs/cgroup" / name.replace("__", "/").replace("_dot_", ".")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)
    return root


def test_what_the_system_says(tmp_path: Path) -> None:
    assert there_is(machine(tmp_path)) == 8_000_000 * 1024


def test_a_system_that_says_nothing(tmp_path: Path) -> None:
    assert there_is(tmp_path) == math.inf


def test_a_group_of_the_second_kind_and_those_above_it(tmp_path: Path) -> None:
    # kernel documentation, cgroup v2: memory.max holds for all below; "max" is no limit
    files = {
        "shop__memory_dot_max": "3000000000\n", "shop__memory_dot_current": "1000000000\n",
        "shop__memory_dot_stat": "anon 5\ninactive_file 400000000\n",
        "shop__part__memory_dot_max": "max\n", "shop__part__memory_dot_current": "7\n",
    }  # fmt: skip
    assert there_is(machine(tmp_path, groups="0::/shop/part\n", **files)) == 2_400_000_000


def test_a_group_of_the_first_kind(tmp_path: Path) -> None:
    # kernel documentation, cgroup v1; in a container the folder of the group is the base itself
    files = {"memory__memory.limit_in_bytes": "2000000000\n", "memory__memory.usage_in_bytes": "500000000\n"}
    groups = "5:cpu,cpuacct:/a\n4:memory:/docker/0a1b\n"
    assert there_is(machine(tmp_path, groups=groups, **files)) == 1_500_000_000


@pytest.mark.parametrize(("free", "asked", "given"), [(10, 4, 4), (4.1, 4, 3), (3.1, 4, 2), (2.0, 4, 1), (1.0, 1, 1)])
def test_workers_follow_from_the_memory(free: float, asked: int, given: int) -> None:
    assert workers_with_room(Need(1.0 * GB, 1.0 * GB), free * GB, asked) == given


def test_too_little_for_one_is_told() -> None:
    with pytest.raises(OutputError, match=r"takes 1\.5 GB of memory, and there are 0\.9 GB; .* --width, .* smaller$"):
        workers_with_room(Need(1.5 * GB, 1.0 * GB), 0.9 * GB, 4)


def test_what_is_larger_needs_more(tmp_path: Path) -> None:
    small = need_of(read_scene(laid(tmp_path)), 960)
    wide = need_of(read_scene(laid(tmp_path)), 1920)
    fine = need_of(read_scene(laid(tmp_path, ("texture_px = 256", "texture_px = 4096"))), 960)
    at = 'position = ["0 mm", "1 m", "2 m"]\naim = ["0 mm", "0 mm", "0 mm"]'
    lit = f'[[lamp]]\nname = "key"\n{at}\nlux = 500\n\n[plate]'
    baked = need_of(read_scene(laid(tmp_path, ("[plate]", lit))), 960)
    mesh = ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "bridge.glb"\n')
    box_mesh(tmp_path / "bridge.glb")
    modelled = need_of(read_scene(laid(tmp_path, mesh)), 960)
    assert abs(modelled.worker / small.worker - 1.0) < 0.1
    assert small.worker < wide.worker < fine.worker
    assert small.own < baked.own
    assert need_of(read_scene(laid(tmp_path, ('"projected"', '"solved"'))), 960).own > small.own
    assert need_of(read_scene(laid(tmp_path)), 960, solves=True).own > small.own
    assert small.of(1) < small.of(2) < small.of(3)


def test_the_driver_of_a_graphics_card_is_counted(tmp_path: Path) -> None:
    # measured by tests.benchmarks.memory on one card: about 0.85 GB a process at 960 px, less with wider frames
    scene = read_scene(laid(tmp_path))
    bare = need_of(scene, 960, root=tmp_path)
    (tmp_path / "dev").mkdir()
    (tmp_path / "dev/nvidiactl").touch()
    carded = need_of(scene, 960, root=tmp_path)
    assert 0.5 * GB < carded.worker - bare.worker < GB
    assert carded.of(4) - bare.of(4) == pytest.approx(5.0 * (carded.worker - bare.worker))


@pytest.mark.parametrize("command", ["shoot", "paint", "rig", "sheet", "bench"])
def test_a_run_that_does_not_fit_is_refused_before_it_begins(
    previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.setattr(memory, "there_is", lambda: 0.2 * GB)
    done = previz(command, laid(tmp_path), "--out", tmp_path / "out")
    assert done.code == 2
    assert re.match(r"previz: this scene takes [01]\.\d GB of memory, and there are 0\.2 GB; ", done.err)
    assert done.err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_fewer_workers_are_told(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "there_is", lambda: 0.75 * GB)
    done = previz("score", laid(tmp_path), "--out", tmp_path / "out", "--width", 160, "--workers", 2)
    assert done.code == 0
    assert "there is memory for 1 of 2 workers" in done.err
