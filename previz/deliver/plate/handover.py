"""The colour match handed over: ``match.cc``, ``match.ccc`` for two general colour spaces, ``match.txt`` in words.

A decision list is ten numbers that mean something only together with the values they are applied to. So every file
names the space (decoding, primaries, white), the collection has a list for each of two spaces, and the words work three
colours through, for whoever wants to see that their own program does the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from previz.deliver.plate.cdlfile import Correction, write_cc, write_ccc
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.match import ColourMatch
from previz.plate.space import AP1_FROM_RGB, SPACE_NAMES, SPACE_WORDS, Space, graded, worked
from previz.run.output import OutputFolder

# linear Rec.709 light that is worked through in match.txt: a mid grey, a shadow, a warm stone
WORKED: Final = ((0.18, 0.18, 0.18), (0.02, 0.03, 0.05), (0.45, 0.30, 0.15))

# where in the order of things the match is applied
ORDER: Final = (
    "to the frame as shot, before drift and bars: after the figure's shadow is laid, before the figure is"
)

_STEPS: Final[dict[Space, tuple[str, ...]]] = {
    "linear": (
        "decode sRGB codes (IEC 61966-2-1) to linear light; primaries Rec.709, white D65, 1.0 the delivered white",
        "apply the list: slope, offset, clamp to 0..1, power, saturation (weights 0.2126 0.7152 0.0722), clamp",
        "encode as sRGB again",
    ),
    "log": (
        "decode sRGB codes (IEC 61966-2-1) to linear light; primaries Rec.709, white D65, 1.0 the delivered white",
        "to linear AP1 by the matrix below (white adapted by Bradford's way)",
        "to ACEScct (S-2016-001, equation 2)",
        "apply the list: slope, offset, clamp to 0..1, power, saturation (weights 0.2126 0.7152 0.0722), clamp",
        "back from ACEScct to linear AP1, by the inverse matrix to Rec.709; clip to 0..1, encode as sRGB",
    ),
}


def correction_id(space: Space, asked: bool = True) -> str:
    """The id of a space's list: ``match_...``, or ``offered_...`` for one that was found and is not asked for."""
    return f"{'match' if asked else 'offered'}_{SPACE_NAMES[space]}"


def write_handover(
    folder: OutputFolder, title: str, match: ColourMatch, by_space: Mapping[Space, ColourMatch]
) -> list[str]:
    """Write ``match.cc`` (the scene's own space), ``match.ccc`` and ``match.txt`` (both spaces); gives their names.

    ``by_space`` holds the match of the same stills in each space; whether it is asked for is ``match``'s to say.
    """
    whose = "miniature" if match.onto == "plate" else "plate"
    entries = []
    for space, one in by_space.items():
        cdl = one.found if match.asked else NO_CHANGE
        told = f"{title}: for the {whose}, {ORDER}; {match.reason}"
        entries.append(Correction(correction_id(space), cdl, told, SPACE_WORDS[space]))
    own = next(entry for entry in entries if entry.id == correction_id(match.space))
    if not match.asked:
        entries += [
            Correction(correction_id(space, False), one.found, f"{title}: found, not asked for", SPACE_WORDS[space])
            for space, one in by_space.items()
        ]
    write_cc(folder, own)
    write_ccc(folder, entries)
    folder.write_text("match.txt", handover_text(title, match, by_space))
    return ["match.cc", "match.ccc", "match.txt"]


def handover_text(title: str, match: ColourMatch, by_space: Mapping[Space, ColourMatch]) -> str:
    """The text of ``match.txt``."""
    whose = "miniature" if match.onto == "plate" else "plate"
    lines = [
        f"Colour match, {title}",
        f"For the {whose}'s picture; applied {ORDER}.",
        match.reason[0].upper() + match.reason[1:] + ".",
        f"match.cc: the list for {SPACE_NAMES[match.space]}. match.ccc: one for each space below, by its id.",
    ]
    for space, one in by_space.items():
        ids = correction_id(space) if match.asked else f"{correction_id(space, False)}, found and not asked for"
        lines += ["", f"{SPACE_NAMES[space]} ({ids})", f"  values: {SPACE_WORDS[space]}"]
        lines += [f"  {number}. {step}" for number, step in enumerate(_STEPS[space], 1)]
        if space == "log":
            lines += [f"  AP1 from Rec.709: {_row(row, 10)}" for row in AP1_FROM_RGB]
        lines += _numbers(one.found)
        lines.append(f"  leaves {one.found_after.mean_de00:.2f} dE00 of {one.before.mean_de00:.2f}")
        for light in WORKED:
            there, after = worked(np.array([light]), space)[0], graded(np.array([light]), one.found, space)[0]
            lines.append(f"  worked: linear Rec.709 {_row(light)}, in this space {_row(there)}, becomes linear Rec.709 "
                         f"{_row(after)}")  # fmt: skip
    return "\n".join(lines) + "\n"


def _numbers(cdl: Cdl) -> list[str]:
    return [
        f"  slope {_row(cdl.slope)}, offset {_row(cdl.offset)}, power {_row(cdl.power)}, "
        f"saturation {cdl.saturation:.6f}"
    ]


def _row(values: Sequence[float] | np.ndarray[tuple[int, ...], np.dtype[np.float64]], decimals: int = 6) -> str:
    # adding zero after rounding keeps "-0.000000" out
    return " ".join(f"{round(float(value), decimals) + 0.0:.{decimals}f}" for value in values)
