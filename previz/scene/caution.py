"""What a caution is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """Something to look at before building or shooting: the key path it is about, and one plain sentence or two."""

    key: str
    text: str


Cautions = Iterator[Caution]
