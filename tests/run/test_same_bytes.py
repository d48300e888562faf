"""The same scene leaves the same bytes, wherever, by whom and by how many workers it is shot."""

import os
from pathlib import Path

import pytest

from tests.command.scenes import laid
from tests.conftest import ended, files, started

LIGHT = """
[light]
ambient = 200

[[lamp]]
name = "key"
position = ["-300 mm", "900 mm", "1500 mm"]
aim = ["0 mm", "0 mm", "0 mm"]
size = "300 mm"
lux = 800

"""

# the scene's date is that of its file where it gives none, and this is a moment at which days differ between zones
LATE = 1_741_995_000.0

# from what one run is to another: zone, language, hashes of texts, user, workers, the folder it is called in
OTHERS = {
    "east": ({"TZ": "Asia/Kathmandu", "LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "0"}, 1, "."),
    "west": ({"TZ": "Pacific/Honolulu", "LC_ALL": "C", "PYTHONHASHSEED": "1", "USER": "nobody"}, 2, "some/where else"),
}


def shot_there(tmp_path: Path, name: str, env: dict[str, str], workers: int, where: str) -> dict[str, bytes]:
    """All that a shoot of the small scene leaves, the scene in a folder of its own."""
    home = tmp_path / name
    shorter = (("frames = 4", "frames = 3"), ("reveal = 1004", "reveal = 1003"))
    scene = laid(home / "set", ("date = 2025-03-14\n", ""), ("[plate]", f"{LIGHT}[plate]"), *shorter)
    os.utime(scene, (LATE, LATE))
    called = home / where
    called.mkdir(parents=True, exist_ok=True)
    words = ("--out", home / "out", "--width", 160, "--figure", "--workers", workers)
    done = ended(started("shoot", os.path.relpath(scene, called), *words, cwd=called, env={**env, "HOME": str(home)}))
    assert done.code == 0, done.err
    return files(home / "out")


@pytest.mark.sweep
def test_zone_language_hashes_user_folder_and_workers_change_nothing(tmp_path: Path) -> None:
    east, west = (shot_there(tmp_path, name, *how) for name, how in OTHERS.items())
    assert len(east) > 10
    assert sorted(east) == sorted(west)
    assert [name for name in east if east[name] != west[name]] == []
