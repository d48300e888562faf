"""A file watched: every way in which editors save is noticed, within the 0.3 s that the bench promises.

The time is counted in looks at the file, :data:`PERIOD` apart: where a machine has other things to do they come later.
"""

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from previz.bench.watch import PERIOD, Watch
from tests.bench.loops import run


def _written(path: Path) -> None:
    path.write_text("two", encoding="utf-8")


def _renamed(path: Path) -> None:
    other = path.with_suffix(".new")
    other.write_text("two", encoding="utf-8")
    other.replace(path)


def _same_size_and_time(path: Path) -> None:
    before = path.stat()
    other = path.with_suffix(".new")
    other.write_text("six", encoding="utf-8")
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.replace(path)


def _gone(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize(
    ("change", "limit"), [(_written, 0.3), (_renamed, 0.3), (_same_size_and_time, 0.3), (_gone, 0.6)]
)
def test_a_change_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None], limit: float
) -> None:
    path = tmp_path / "scene.toml"
    path.write_text("one", encoding="utf-8")
    assert _noticed_after(path, change, monkeypatch) < limit


def test_a_file_put_back_at_once_is_never_missed(tmp_path: Path) -> None:
    path = tmp_path / "scene.toml"
    path.write_text("one", encoding="utf-8")
    heard: list[bool] = []

    async def looked() -> None:
        async def changed() -> None:
            heard.append(path.exists())

        watch = Watch(path, changed)
        path.unlink()
        await watch.look()
        path.write_text("two!", encoding="utf-8")
        await watch.look()
        await watch.look()

    run(looked())
    assert heard == [True]


def _noticed_after(path: Path, change: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch) -> float:
    """Seconds from a change until it has been noticed, where the machine does nothing else."""

    async def noticed() -> float:
        heard, waited, sleep = asyncio.Event(), list[float](), asyncio.sleep

        async def slept(time: float) -> None:
            waited.append(time)
            await sleep(0.0)

        async def changed() -> None:
            heard.set()

        monkeypatch.setattr(asyncio, "sleep", slept)
        watch = asyncio.create_task(Watch(path, changed).run())
        while len(waited) < 3:
            await sleep(0.0)
        assert not heard.is_set()
        waited.clear()
        change(path)
        while not heard.is_set() and len(waited) < 100:
            await sleep(0.0)
        watch.cancel()
        assert set(waited) == {PERIOD}
        # it had just gone to sleep as the file was changed; the sleep after it was noticed stands for that one
        return sum(waited)

    return run(noticed())
