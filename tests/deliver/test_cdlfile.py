"""Colour decision list files read back by OpenColorIO."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import PyOpenColorIO
import pytest

from previz.deliver.plate.cdlfile import NAMESPACE, Correction, cc_text, ccc_text, write_cc, write_ccc
from previz.plate.cdl import Cdl
from previz.run.output import OutputFolder

LOOK = Cdl((1.234567, 0.9, 0.071), (0.05, -0.23, 0.0), (0.93, 0.81, 1.27), 1.23)
MATCH = Correction("match", LOOK, "miniature to plate", "linear light <Rec.709> & D65")


def test_one_correction_read_back(tmp_path: Path) -> None:
    place = write_cc(OutputFolder(tmp_path), MATCH)
    assert place.name == "match.cc"
    read = PyOpenColorIO.CDLTransform.CreateFromFile(str(place), "match")
    np.testing.assert_allclose(read.getSlope(), LOOK.slope, atol=1e-9)
    np.testing.assert_allclose(read.getOffset(), LOOK.offset, atol=1e-9)
    np.testing.assert_allclose(read.getPower(), LOOK.power, atol=1e-9)
    assert read.getSat() == pytest.approx(LOOK.saturation, abs=1e-9)
    assert read.getID() == "match"
    words = {
        str(child.getElementName()): str(child.getElementValue())
        for child in read.getFormatMetadata().getChildElements()
    }
    assert words["Description"] == "miniature to plate"
    assert words["InputDescription"] == "linear light <Rec.709> & D65"


def test_collection_read_back(tmp_path: Path) -> None:
    other = Correction("shot.2_b", Cdl(saturation=0.5))
    place = write_ccc(OutputFolder(tmp_path), [MATCH, other])
    group = PyOpenColorIO.CDLTransform.CreateGroupFromFile(str(place))
    assert [change.getID() for change in group] == ["match", "shot.2_b"]
    assert [change.getSat() for change in group] == pytest.approx([1.23, 0.5])


def test_shape_of_the_file() -> None:
    root = ElementTree.fromstring(cc_text(MATCH).encode())
    tag = f"{{{NAMESPACE}}}"
    assert [child.tag for child in root] == [
        tag + name for name in ("Description", "InputDescription", "SOPNode", "SatNode")
    ]
    assert root.findtext(f"{tag}SOPNode/{tag}Offset") == "0.050000 -0.230000 0.000000"
    bare = ElementTree.fromstring(ccc_text([Correction("a", Cdl(offset=(-1e-9, 0.0, 0.0)))]).encode())
    assert [child.tag for child in bare[0]] == [tag + "SOPNode", tag + "SatNode"]
    assert bare.findtext(f".//{tag}Offset") == "0.000000 0.000000 0.000000"


def test_same_numbers_same_bytes(tmp_path: Path) -> None:
    places = [write_cc(OutputFolder(tmp_path / name), MATCH) for name in ("a", "b")]
    assert places[0].read_bytes() == places[1].read_bytes()
    assert b"\r" not in places[0].read_bytes()


def test_unfit_ids() -> None:
    with pytest.raises(ValueError, match='"two words" is not an id'):
        cc_text(Correction("two words", LOOK))
    with pytest.raises(ValueError, match="found twice: a"):
        ccc_text([Correction("a", LOOK), Correction("a", LOOK)])
    with pytest.raises(ValueError, match="at least one"):
        ccc_text([])
