"""The table of tells as pages and sheets show it: no two alike, never by colour alone, and nowhere else."""

import itertools
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

import previz
from previz.draw import style
from previz.draw.statictext import static_text
from previz.judge.telltable import HIDDEN, SHOWS, TELL_TABLE, Tell

PACKAGE = Path(previz.__file__).parent

# a tell that there is none of, as the line that the recipe in DEVELOPERS.md asks for
NEW = 'Tell("example", (20, 140, 60), (15.0, 9.0), "made up for a test")'

# what is to be known of it afterwards, without another file touched
ASKED = """
import json
import numpy as np
from previz.deliver.shoot.overlay import tell_key, outline_runs, OutlinePieces
from previz.draw.statictext import static_text
from previz.judge.tells import TELL_OF_KIND
from previz.judge.telltable import TELLS
key = tell_key(np.zeros((90, 640, 3), np.uint8), ["example"])
points = np.array([[0.0, 0.0], [9.0, 0.0]])
piece = OutlinePieces(points, np.ones(2, bool), tell=np.full(2, TELLS.index("example"), np.int8))
print(json.dumps({
    "key": bool((key == (20, 140, 60)).all(axis=2).any()),
    "drawn": [line.word for _, line in outline_runs(piece)],
    "script": '"example"' in static_text("draw.js"),
    "style": ".t-example { stroke: #148c3c;" in static_text("look.css"),
    "kinds": [TELLS[k] for k in TELL_OF_KIND],
}))
"""


PAIRS = list(itertools.combinations(TELL_TABLE, 2))


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: "-".join(tell.word for tell in pair))
def test_two_tells_differ_in_colour_and_in_dashes(pair: tuple[Tell, Tell]) -> None:
    lab = [rgb2lab(np.array(tell.colour) / 255.0) for tell in pair]
    # ten just noticeable differences of about 1, for a line is thin; common practice, no source
    assert deltaE_ciede2000(*lab) > 10.0
    # without colour: lengths of dash at least a third apart, so that each is known on its own
    dashes = sorted(tell.dash[0] for tell in pair)
    assert dashes[1] > 1.3 * dashes[0]


@pytest.mark.parametrize("tell", [HIDDEN, *TELL_TABLE, SHOWS], ids=lambda tell: tell.word)
def test_a_tell_is_a_word_with_a_meaning(tell: Tell) -> None:
    # the word is part of a class of CSS and of hold.csv, where a space parts tells
    assert re.fullmatch("[a-z]+", tell.word)
    assert len(tell.meaning.split()) > 2
    assert (tell.dash[1] == 0.0) is (tell is HIDDEN)


def test_script_and_style_sheet_know_the_whole_table() -> None:
    found = re.search(r"const TELLS = (\[.*\]);", static_text("draw.js"))
    assert found is not None
    assert json.loads(found[1]) == [
        {"word": t.word, "dash": list(t.dash), "meaning": t.meaning} for t in (HIDDEN, *TELL_TABLE, SHOWS)
    ]
    css = static_text("look.css")
    for tell in (*TELL_TABLE, SHOWS):
        red, green, blue = tell.colour
        assert f".t-{tell.word} {{ stroke: #{red:02x}{green:02x}{blue:02x};" in css
    assert (HIDDEN.colour, SHOWS.colour) == (style.CHALK, style.SIGNAL)


def test_a_line_in_the_table_is_all_that_a_tell_needs(tmp_path: Path) -> None:
    copy = tmp_path / "previz"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__", "vendor"))
    table = copy / "judge" / "telltable.py"
    text = table.read_text(encoding="utf-8")
    assert text.count("    Tell(\"shine\"") == 1
    table.write_text(text.replace("    Tell(\"shine\"", f"    {NEW},\n    Tell(\"shine\""), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", ASKED], cwd=tmp_path, capture_output=True, text=True, encoding="utf-8", check=True
    )
    assert json.loads(done.stdout) == {
        "key": True,
        "drawn": ["example"],
        "script": True,
        "style": True,
        "kinds": ["colour", "grain", "colour", "grain", *["colour"] * 9],
    }
