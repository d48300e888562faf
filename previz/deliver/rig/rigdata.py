"""What the rig card is made from: words that are ready to print."""

from __future__ import annotations

from dataclasses import dataclass, field

from previz.draw.drawnset import DrawnSet
from previz.draw.paper import TitleBlock
from previz.workshop.surface import Pixels8


@dataclass(frozen=True)
class Setting:
    """One of the large boxes at the top of the card: ``name``, what is set, and a smaller word under it."""

    name: str
    value: str
    more: str = ""


@dataclass(frozen=True)
class Measure:
    """Something to set and measure: its value in millimetres or degrees, and in feet and inches (or empty)."""

    name: str
    metric: str
    imperial: str = ""


@dataclass(frozen=True)
class CardTable:
    """A table: ``heads``, ``rows`` of words, ``shares`` of the width for the columns; a column whose head is
    "measured" is a box to write in."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class Notes:
    """Plain sentences under a title; ``warn`` marks what can hurt or spoil."""

    title: str
    lines: tuple[str, ...]
    warn: bool = False


@dataclass(frozen=True, eq=False)
class LampPage:
    """The page of lamps that were placed: frames ``before`` and ``after`` (H, W, 3) uint8, ``words`` under each with
    whether it shows there, a ``table`` of lamps, and ``notes``."""

    before: Pixels8
    after: Pixels8
    words: tuple[tuple[str, bool], tuple[str, bool]]
    table: CardTable
    notes: tuple[Notes, ...]


@dataclass(frozen=True, eq=False)
class RigCard:
    """Everything on the sheets of ``rig.pdf``.

    ``day`` is what is set and taped, ``order`` the order of work, ``tables`` lamps and cards; they and ``notes`` come
    in the order in which they are printed. ``lamps`` is there where lamps were placed.
    """

    title_block: TitleBlock
    settings: tuple[Setting, ...]
    day: tuple[CardTable, ...]
    drawing: DrawnSet
    tables: tuple[CardTable, ...] = ()
    notes: tuple[Notes, ...] = field(default=())
    support: tuple[str, ...] = ()
    lamps: LampPage | None = None
    order: CardTable | None = None
