"""Colour decision lists as XML: ``match.cc`` holds one correction, ``match.ccc`` a collection.

Element names, their order and the namespace are those of ASC CDL version 1.2. Six decimals, two blanks a level, no
dates: the same numbers give the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from previz.plate.cdl import Cdl
from previz.run.output import OutputFolder

NAMESPACE: Final = "urn:ASC:CDL:v1.2"

_DECIMALS: Final = 6
# an id is a URI in the standard's schema; these need no escaping in one
_ID: Final = re.compile(r"[A-Za-z_][A-Za-z0-9._-]*")


@dataclass(frozen=True)
class Correction:
    """One entry. ``id`` is of letters, digits, ``.``, ``_``, ``-`` and starts with a letter or ``_``.

    ``description`` says in words what it is for, ``input`` what values it is to be applied to; empty ones are left out.
    """

    id: str
    cdl: Cdl
    description: str = ""
    input: str = ""


def cc_text(correction: Correction) -> str:
    """XML text of one ColorCorrection. An unfit id raises ``ValueError``."""
    root = _element(correction)
    root.set("xmlns", NAMESPACE)
    return _text(root)


def ccc_text(corrections: Sequence[Correction]) -> str:
    """XML text of a ColorCorrectionCollection. No corrections, unfit ids or an id twice raise ``ValueError``."""
    ids = [correction.id for correction in corrections]
    if not ids:
        raise ValueError("a collection needs at least one correction")
    twice = sorted({name for name in ids if ids.count(name) > 1})
    if twice:
        raise ValueError(f"corrections need different ids; found twice: {', '.join(twice)}")
    root = ElementTree.Element("ColorCorrectionCollection", xmlns=NAMESPACE)
    root.extend(_element(correction) for correction in corrections)
    return _text(root)


def write_cc(folder: OutputFolder, correction: Correction, name: str = "match.cc") -> Path:
    """Write :func:`cc_text`; gives its place."""
    return folder.write_text(name, cc_text(correction))


def write_ccc(folder: OutputFolder, corrections: Sequence[Correction], name: str = "match.ccc") -> Path:
    """Write :func:`ccc_text`; gives its place."""
    return folder.write_text(name, ccc_text(corrections))


def _element(correction: Correction) -> ElementTree.Element:
    if not _ID.fullmatch(correction.id):
        raise ValueError(
            f'"{correction.id}" is not an id for a correction; use letters, digits, ".", "_" and "-", a letter first'
        )
    root = ElementTree.Element("ColorCorrection", id=correction.id)
    for tag, words in (("Description", correction.description), ("InputDescription", correction.input)):
        if words:
            ElementTree.SubElement(root, tag).text = words
    sop = ElementTree.SubElement(root, "SOPNode")
    for tag, values in (
        ("Slope", correction.cdl.slope),
        ("Offset", correction.cdl.offset),
        ("Power", correction.cdl.power),
    ):
        ElementTree.SubElement(sop, tag).text = " ".join(_number(value) for value in values)
    saturation = ElementTree.SubElement(ElementTree.SubElement(root, "SatNode"), "Saturation")
    saturation.text = _number(correction.cdl.saturation)
    return root


def _number(value: float) -> str:
    # adding zero after rounding keeps "-0.000000" out of the file
    return f"{round(value, _DECIMALS) + 0.0:.{_DECIMALS}f}"


def _text(root: ElementTree.Element) -> str:
    ElementTree.indent(root, "  ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"
