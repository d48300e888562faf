"""The README's walk from idea to shooting day: its commands, and what each says that it leaves."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TITLE = "## From idea to shooting day"


@dataclass(frozen=True)
class Step:
    """A step: its commands as lists of words, and the names of files that its text says are left."""

    commands: tuple[tuple[str, ...], ...]
    leaves: tuple[str, ...]


def steps() -> list[Step]:
    """The steps in their order."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    walk = text[text.index(TITLE) + len(TITLE) :].split("\n## ")[0]
    found = []
    for part in re.split(r"\n(?=\*\*\d+\. )", walk)[1:]:
        blocks = re.findall(r"```sh\n(.*?)```", part, re.DOTALL)
        lines = [line for block in blocks for line in block.splitlines() if line.startswith("previz ")]
        said = re.sub(r"```.*?```", "", part, flags=re.DOTALL)
        leaves = re.findall(r"`([\w-]+\.(?:png|pdf|html|mp4|csv|otio|ccc|toml))`", said)
        found.append(Step(tuple(tuple(shlex.split(line)) for line in lines), tuple(leaves)))
    return found
