"""An engine around another one: what it does not change it leaves to that."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from previz.camera import AnyCamera
from previz.look.view import Engine, View
from previz.workshop.surface import LitSurface, Pixels8


class EngineAround:
    """An :class:`Engine` that hands everything on to ``engine``; those made from it change what they are for."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.name, self.driver = engine.name, engine.driver

    def load(self, surfaces: Sequence[LitSurface]) -> None:
        """Take over the surfaces that will be drawn."""
        self._engine.load(surfaces)

    def add(self, surface: LitSurface) -> None:
        """Take over one more surface."""
        self._engine.add(surface)

    def repaint(self, name: str, code: Pixels8) -> None:
        """Give a loaded surface another picture."""
        self._engine.repaint(name, code)

    def draw(self, camera: AnyCamera, names: Sequence[str], *how: Any, **more: Any) -> View:
        """Look through ``camera`` at the named surfaces."""
        return self._engine.draw(camera, names, *how, **more)

    def close(self) -> None:
        """Let go of what the engine holds."""
        self._engine.close()
