"""The colour match as it is handed over, applied by OpenColorIO in the spaces that its files name."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from previz.deliver.plate.handover import WORKED, correction_id, handover_text, write_handover
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.match import ColourMatch, colour_match
from previz.plate.space import SPACE_NAMES, SPACE_WORDS, Space, graded
from previz.run.output import OutputFolder
from tests.plate.ocio import SPACES, graded_by_opencolorio
from tests.plate.stills import Picture, rock_face
from tests.plate.test_match import apart

LOOK = Cdl((1.12, 1.0, 0.9), (-0.02, 0.0, 0.015), (1.05, 1.1, 0.95), 0.85)


def stills() -> tuple[Picture, Picture]:
    rock = rock_face(1, 150, 90)
    return rock, np.asarray(np.clip(graded(rock, LOOK, "log"), 0.0, 1.0))


@cache
def matches(alike: bool = False) -> dict[Space, ColourMatch]:
    rock, plate = stills()
    return {space: colour_match(rock, rock if alike else plate, space) for space in SPACE_NAMES}


@pytest.mark.parametrize("space", ["linear", "log"])
def test_both_lists_bring_the_stills_together_elsewhere(tmp_path: Path, space: Space) -> None:
    """OpenColorIO reads the collection, in its own linear Rec.709 and its own ACEScct: primaries, curve and all."""
    found = matches()
    names = write_handover(OutputFolder(tmp_path), "Quarry", found["log"], found)
    assert names == ["match.cc", "match.ccc", "match.txt"]
    rock, plate = stills()
    file = tmp_path / "match.ccc"
    shown = np.clip(graded_by_opencolorio(rock, file, correction_id(space), SPACES[space]), 0.0, 1.0)
    np.testing.assert_allclose(shown, np.clip(graded(rock, found[space].cdl, space), 0.0, 1.0), atol=2e-5)
    assert apart(shown, plate) < (0.1 if space == "log" else 1.5) < 5.0 < apart(rock, plate)
    # the list of the one space in the other is no match: the names are there to be read
    other: Space = "log" if space == "linear" else "linear"
    wrong = np.clip(graded_by_opencolorio(rock, file, correction_id(space), SPACES[other]), 0.0, 1.0)
    assert apart(wrong, plate) > 3.0


def test_the_words_are_worked_through_as_opencolorio_does(tmp_path: Path) -> None:
    found = matches()
    write_handover(OutputFolder(tmp_path), "Quarry", found["log"], found)
    text = (tmp_path / "match.txt").read_text(encoding="utf-8")
    worked = re.findall(r"worked: linear Rec.709 (.+), in this space .+, becomes linear Rec.709 (.+)", text)
    assert len(worked) == 2 * len(WORKED)
    for number, (light, after) in enumerate(worked):
        space: Space = ("linear", "log")[number // len(WORKED)]
        values = np.array([[float(value) for value in light.split()]])
        theirs = graded_by_opencolorio(values, tmp_path / "match.ccc", correction_id(space), SPACES[space])[0]
        np.testing.assert_allclose([float(value) for value in after.split()], theirs, atol=1e-5)


def test_every_file_names_its_space(tmp_path: Path) -> None:
    found = matches()
    write_handover(OutputFolder(tmp_path), "Quarry", found["log"], found)
    tag = "{urn:ASC:CDL:v1.2}"
    one = ElementTree.parse(tmp_path / "match.cc").getroot()
    assert one.get("id") == "match_acescct-ap1"
    assert one.findtext(f"{tag}InputDescription") == SPACE_WORDS["log"]
    both = ElementTree.parse(tmp_path / "match.ccc").getroot()
    assert [each.get("id") for each in both] == ["match_linear-rec709", "match_acescct-ap1"]
    assert [each.findtext(f"{tag}InputDescription") for each in both] == list(SPACE_WORDS.values())
    assert all("before drift and bars" in str(each.findtext(f"{tag}Description")) for each in both)


def test_a_match_that_is_not_asked_for_is_offered(tmp_path: Path) -> None:
    found = matches(alike=True)
    assert not found["log"].asked
    write_handover(OutputFolder(tmp_path), "Quarry", found["log"], found)
    both = ElementTree.parse(tmp_path / "match.ccc").getroot()
    assert [each.get("id") for each in both] == [
        "match_linear-rec709", "match_acescct-ap1", "offered_linear-rec709", "offered_acescct-ap1",
    ]  # fmt: skip
    assert found["log"].cdl == NO_CHANGE
    assert "found and not asked for" in handover_text("Quarry", found["log"], found)
