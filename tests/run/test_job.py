"""What the help says of every command, and what comes next: whole lines, options and files that there are."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from previz.cli import cli
from previz.run.job import JOB, after
from tests.command.scenes import laid

# commands whose example wants something that no command makes: a photograph, a person at a page
_NOT_RUN = {"lineup", "bench"}


def test_every_command_has_its_place_in_the_job_and_no_other() -> None:
    assert list(JOB) == list(cli.commands)


def test_no_line_of_the_list_is_cut_off_on_a_terminal_of_80() -> None:
    shown = CliRunner().invoke(cli, ["--help"], terminal_width=80).output
    assert shown.count("...") == 1  # of its usage
    for name, step in JOB.items():
        assert re.search(rf"^  {name} +{re.escape(step.line)}$", shown, re.MULTILINE), name


@pytest.mark.parametrize("name", list(JOB))
def test_examples_stand_in_the_help_as_they_are_typed(name: str) -> None:
    shown = CliRunner().invoke(cli, [name, "--help"], terminal_width=80).output
    for line in JOB[name].example:
        assert f"  previz {line}\n" in shown


@pytest.mark.parametrize("line", [line for step in JOB.values() for line in step.example])
def test_examples_can_be_read(line: str) -> None:
    """Every option is there and takes what the example gives it; nothing is run."""
    name, *arguments = shlex.split(line)
    command = cli.commands[name]
    with command.make_context(name, list(arguments)) as ctx:
        assert isinstance(ctx, click.Context)


@pytest.mark.parametrize("name", list(JOB))
def test_what_comes_next_names_commands_that_there_are(name: str) -> None:
    text = after(name, "set.toml", "renders/set")
    assert "{" not in text
    assert set(re.findall(r"previz (\w+)", text)) <= set(cli.commands)


def previz(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "previz.cli", *arguments], cwd=folder, capture_output=True, text=True, timeout=900
    )


def test_what_comes_next_is_the_last_line_and_none_for_machines(tmp_path: Path) -> None:
    made = previz(tmp_path, "new", "chasm")
    assert made.returncode == 0, made.stderr
    assert made.stderr.splitlines()[-1] == f"next: {after('new', 'chasm.toml', '')}"
    laid(tmp_path, name="chasm.toml")
    said = previz(tmp_path, "check", "chasm.toml")
    assert (said.stdout + said.stderr).splitlines()[-1] == "next: previz shoot chasm.toml"
    assert "next:" not in previz(tmp_path, "check", "chasm.toml", "--json").stderr


@pytest.mark.sweep
def test_examples_run_in_the_order_of_the_job_and_leave_what_the_next_step_looks_at(tmp_path: Path) -> None:
    laid(tmp_path, name="chasm.toml")
    for name, step in JOB.items():
        if name in _NOT_RUN or name == "new":
            continue
        for line in step.example:
            done = previz(tmp_path, *shlex.split(line))
            assert done.returncode == 0, (line, done.stderr)
        folder = tmp_path / "renders" / "chasm"
        for file in re.findall(r"\b[a-z]+\.(?:png|html|pdf|mp4|csv)\b", step.after):
            assert (folder / file).exists(), (name, file)
