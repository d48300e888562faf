"""Standard streams that are closed, or that nobody reads: what a command then does, and with which exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command.scenes import laid
from tests.conftest import ROOT

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="streams are closed by a shell as POSIX has it")


def shell(line: str, *arguments: object, cwd: Path, env: dict[str, str] | None = None) -> tuple[int, str]:
    """Exit code and error output of a line of a POSIX shell in which $PREVIZ is the command."""
    told = {**os.environ, "PYTHONPATH": str(ROOT), "PREVIZ": f"{sys.executable} -m previz.cli", **(env or {})}
    done = subprocess.run(
        ["bash", "-c", line, "bash", *map(str, arguments)],
        cwd=cwd,
        env=told,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, done.stderr


def test_output_that_is_closed_is_told(tmp_path: Path) -> None:
    code, said = shell("$PREVIZ schema >&-", cwd=tmp_path)
    assert code == 2
    assert "cannot write to standard output" in said
    assert "Traceback" not in said


def test_who_reads_the_first_line_alone_gets_the_command_s_own_exit_code(tmp_path: Path) -> None:
    """head leaves after a line; a shell's pipefail then says what the command itself came to."""
    fine = laid(tmp_path)
    assert shell("set -o pipefail; $PREVIZ check $1 2>&1 | head -n 1", fine, cwd=tmp_path)[0] == 0
    wrong = laid(tmp_path, ("seed = 7", "sead = 7"), name="wrong.toml")
    wrong.write_text(wrong.read_text() + "\n".join(f"x{k} = 1" for k in range(90)))
    assert shell("set -o pipefail; $PREVIZ check $1 2>&1 | true", wrong, cwd=tmp_path)[0] == 2


def test_no_error_output_at_all(tmp_path: Path) -> None:
    assert shell("$PREVIZ check $1 2>&-", laid(tmp_path), cwd=tmp_path)[0] == 0
    assert shell("$PREVIZ check $1 2>&-", tmp_path / "none.toml", cwd=tmp_path)[0] == 2


def test_an_escape_in_a_name_or_an_option_is_not_printed(tmp_path: Path) -> None:
    for line in ("$PREVIZ check $'\\e[2J.toml'", "$PREVIZ $'sho\\e[2Jt'", "$PREVIZ shoot a.toml --engine $'\\e[2J'"):
        code, said = shell(line, cwd=tmp_path)
        assert code == 2
        assert "\x1b" not in said
        assert said.startswith(("previz: ", "Usage: "))


def test_a_date_does_not_depend_on_the_time_zone(tmp_path: Path) -> None:
    """An hour before midnight by universal time: the day after in Kiribati (UTC+14), the same in Samoa (UTC-11)."""
    from datetime import UTC, datetime

    from previz.command.shoot.shoot import scene_date
    from previz.scene.reader import read_scene

    path = laid(tmp_path, ("date = 2025-03-14\n", ""))
    late = datetime(2025, 6, 30, 23, 0, tzinfo=UTC).timestamp()
    os.utime(path, (late, late))
    assert scene_date(read_scene(path), path) == "2025-06-30"
    line = (
        "from pathlib import Path; from previz.command.shoot.shoot import scene_date as d; "
        "from previz.scene.reader import read_scene as r; p = Path('small.toml'); print(d(r(p), p))"
    )
    for zone in ("XXX-14", "XXX11"):
        told = {**os.environ, "PYTHONPATH": str(ROOT), "TZ": zone}
        done = subprocess.run([sys.executable, "-c", line], cwd=tmp_path, env=told, capture_output=True, text=True)
        assert done.stdout.strip() == "2025-06-30", done.stderr


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits on addresses are Linux's")
@pytest.mark.parametrize("kilobytes", [500_000, 1_200_000])
@pytest.mark.parametrize("command", ["shoot", "score", "paint", "lineup $1"])
def test_too_few_addresses_are_told_before_a_driver_ends_the_run(tmp_path: Path, kilobytes: int, command: str) -> None:
    name, _, more = command.partition(" ")
    line = f"ulimit -v {kilobytes}; $PREVIZ {name} $1 {more} --out $2"
    code, said = shell(line, laid(tmp_path), tmp_path / "out", cwd=tmp_path)
    assert code == 2
    assert said.startswith("previz: ")
    assert said.count("\n") == 1
    assert not (tmp_path / "out").exists()
