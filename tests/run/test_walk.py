"""The README's walk: every command, in its order, in a fresh copy, leaves what the page says."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_house import loaded_commands
from tests.walk import ROOT, steps

# nobody waits for these longer than a tea break: s
PATIENCE_S = 1800


def copied(folder: Path) -> Path:
    shutil.copytree(ROOT / "scenes", folder / "scenes")
    return folder


def run(words: tuple[str, ...], folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "previz.cli", *words[1:]]
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )


def test_the_walk_has_its_nine_steps() -> None:
    walk = steps()
    assert len(walk) == 9
    assert all(step.commands for step in walk)
    known = loaded_commands()
    for step in walk:
        for _, name, *rest in step.commands:
            assert name in known
            # what is read is there, or a command before has left it
            assert all((ROOT / word).exists() or word.startswith("renders/") for word in rest if "/" in word)


@pytest.mark.sweep
def test_the_walk_from_idea_to_shooting_day(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    for step in steps():
        for words in step.commands:
            done = run(words, folder)
            assert done.returncode == 0, f"{' '.join(words)}\n{done.stderr[-2000:]}"
            assert "next: " in done.stderr
        left = {path.name for path in (folder / "renders").rglob("*")} | {"seastack.toml"}
        assert set(step.leaves) <= left, f"{step.commands}: {set(step.leaves) - left}"
