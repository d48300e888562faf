"""The table of tells (causes of visibility): the only place that knows their names, order, lines and words.

Judge, outline over a frame, key, report page, bench and sheets all read it. A new tell is one line here; what finds it
stands in :mod:`previz.judge.tells`. A tell is never told by colour alone: each has dashes of its own as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Tell:
    """A cause that gives the bridge away, and how a broken outline is drawn where it does.

    ``word`` is its name in tables and keys, a-z only; ``colour`` 8-bit sRGB; ``dash`` the length of dash and gap, px in
    a frame 960 px wide; ``meaning`` says in plain words what a viewer sees.
    """

    word: str
    colour: tuple[int, int, int]
    dash: tuple[float, float]
    meaning: str


# in the order in which causes are taken away: what can be mended on the floor before what has to be painted again
TELL_TABLE: Final = (
    Tell("shadow", (96, 60, 150), (4.5, 6.0), "the shadow of the bridge on the wall"),
    Tell("shine", (196, 148, 0), (2.5, 5.0), "a lamp or bright wall mirrored in the paint"),
    Tell("focus", (0, 116, 122), (30.0, 6.0), "bridge and wall are not equally sharp"),
    Tell("slip", (200, 32, 38), (12.0, 6.0), "the paint has drifted from the wall that it continues"),
    Tell("colour", (222, 126, 0), (20.0, 6.0), "lighter, darker or of another colour than the wall beside it"),
    Tell("grain", (176, 24, 122), (8.0, 6.0), "rougher or smoother than the wall beside it"),
    Tell("range", (84, 84, 96), (3.3, 10.0), "no paint is bright or dark enough for the light there"),
    Tell("bounce", (150, 110, 60), (6.0, 3.0), "light that the bridge sends on to the wall"),
    Tell("mirror", (110, 130, 30), (1.6, 4.0), "the mirror image of the bridge in something glossy"),
    Tell("parallax", (20, 80, 150), (42.0, 8.0), "the pattern slides against the wall while the camera moves"),
)

# the tell of the film, which no single frame has
PARALLAX: Final = "parallax"

# the outline where no cause can be named, and where it is not found
SHOWS: Final = Tell("shows", (200, 32, 38), (12.0, 6.0), "it is found, for no single cause")
HIDDEN: Final = Tell("hidden", (40, 92, 166), (1.0, 0.0), "it is not found")

# the words alone; the index into this tuple stands for a tell in arrays
TELLS: Final = tuple(tell.word for tell in TELL_TABLE)
