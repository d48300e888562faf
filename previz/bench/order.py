"""What passes between the bench and the process that draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from previz.scene.model import Scene


@dataclass(frozen=True, eq=False)
class Order:
    """What is wanted now: a frame of a scene. ``still`` is False while a hand is moving; with ``follows`` the paint is
    laid anew wherever the camera stands, else it stays as it was laid for ``laid_at`` (3,) m."""

    number: int
    scene: Scene
    frame: int
    still: bool
    follows: bool
    laid_at: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Answer:
    """One pass done. ``what`` names it; ``picture`` is a JPEG where the pass made one."""

    number: int
    what: str
    values: dict[str, Any]
    picture: bytes = b""
