"""The cautions of a scene as texts, for people and for the summary."""

from __future__ import annotations

from collections.abc import Iterable

from previz.scene.checks import cautions
from previz.scene.model import Scene


def scene_cautions(scene: Scene) -> list[str]:
    """Everything to look out for that can be said before the set is built, each once."""
    return once([f"{caution.key}: {caution.text}" for caution in cautions(scene)])


def left_out(scene: Scene) -> list[str]:
    """What the scene asks for and candidates do not get."""
    if scene.wants_solving:
        return [
            'bridge.paint: Candidates are judged with "projected" paint, each with its own: solving it for every one '
            "would take a minute each. Solved paint holds longer; solve it for the candidate that you choose."
        ]
    return []


def once(texts: Iterable[str]) -> list[str]:
    """The texts in their order, each the first time only."""
    return list(dict.fromkeys(texts))
