"""Scene text edited in place: what changes is the value, and nothing else."""

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from previz.scene.edit import edited_text, toml_value, without_tables
from previz.scene.source import Loc
from previz.scene.starter import starter_text
from tests.scene.example import EXAMPLE


def test_a_value_changes_and_every_other_letter_stays() -> None:
    got = edited_text(EXAMPLE, {("camera", "tilt"): "-9.25 deg"})
    assert got == EXAMPLE.replace('tilt     = "-8 deg"', 'tilt     = "-9.25 deg"')


def test_a_comment_stays_in_its_column_as_long_as_there_is_room() -> None:
    text = 'a = "1"      # one\nb = 2 # two\nc = 3# three\n'
    got = edited_text(text, {("a",): "12345", ("b",): 12345, ("c",): 4})
    assert got == 'a = "12345"  # one\nb = 12345 # two\nc = 4# three\n'
    assert edited_text(text, {("a",): "1234567890"}).startswith('a = "1234567890" # one\n')


def test_one_place_of_a_list_changes() -> None:
    got = edited_text(EXAMPLE, {("camera", "position", 1): "172.5 mm"})
    assert got == EXAMPLE.replace('"160 mm"', '"172.5 mm"')


def test_a_list_over_several_lines_keeps_its_comments() -> None:
    text = "a = [\n  1, # first\n  # a word\n  2, # second\n]\nb = 1\n"
    assert edited_text(text, {("a", 1): 7}) == text.replace("  2,", "  7,")


def test_a_new_key_goes_to_the_end_of_its_table() -> None:
    got = edited_text(EXAMPLE, {("rail", "station"): 1018})
    assert got == EXAMPLE.replace("reveal = 1090\n", "reveal = 1090\nstation = 1018\n")


def test_a_new_key_of_an_inline_table() -> None:
    got = edited_text(EXAMPLE, {("wall", "doorway", "depth"): "40 mm"})
    assert got == EXAMPLE.replace('height = "110 mm" }', 'height = "110 mm", depth = "40 mm" }')
    assert edited_text("a = {}\n", {("a", "b"): 1}) == "a = { b = 1 }\n"


def test_a_new_table_goes_to_the_end() -> None:
    text = 'title = "x"\n\n[wall]\nkind = "ice"'
    assert edited_text(text, {("bridge", "length"): "1 m"}) == text + '\n\n[bridge]\nlength = "1 m"\n'


def test_dotted_keys() -> None:
    text = 'camera.lens = "35 mm"  # prime\ncamera.tilt = "-8 deg"\ntitle = "x"\n'
    got = edited_text(text, {("camera", "lens"): "50 mm", ("camera", "pan"): "1 deg"})
    assert got == 'camera.lens = "50 mm"  # prime\ncamera.tilt = "-8 deg"\ncamera.pan = "1 deg"\ntitle = "x"\n'


def test_repeated_tables_are_counted() -> None:
    text = '[[lamp]]\nname = "a"\n\n[[lamp]]\nname = "b"\nlux = 3\n'
    got = edited_text(text, {("lamp", 1, "lux"): 4, ("lamp", 0, "lux"): 5})
    assert got == '[[lamp]]\nname = "a"\nlux = 5\n\n[[lamp]]\nname = "b"\nlux = 4\n'


def test_windows_line_ends_stay() -> None:
    text = EXAMPLE.replace("\n", "\r\n")
    got = edited_text(text, {("rail", "station"): 1018, ("camera", "tilt"): "-9 deg", ("light", "ambient"): 10})
    assert got.count("\n") == got.count("\r\n")
    assert tomllib.loads(got)["rail"]["station"] == 1018


def test_signs_of_toml_in_texts_and_comments_mislead_nobody() -> None:
    text = (
        'a = "[b]\\" # = {" # "a" = [\n"odd = key" = \'# }\' # }\n[b] # [c]\n'
        'x = """\n[c]\na = 1\n""" # end\ny = 1979-05-27 07:32:00\n'
    )
    got = edited_text(text, {("a",): "z", ("odd = key",): 1, ("b", "x"): 2, ("b", "y"): 3})
    assert got == 'a = "z"           # "a" = [\n"odd = key" = 1     # }\n[b] # [c]\nx = 2 # end\ny = 3\n'


@pytest.mark.parametrize(
    "loc", [("title", "x"), ("camera", "position", 3), ("rail", "hold", "x"), ("lamp", 1, "name"), ("rail", 0)]
)
def test_a_path_to_nowhere_is_refused(loc: Loc) -> None:
    with pytest.raises(ValueError, match=r"lead|place"):
        edited_text(EXAMPLE, {loc: 1})


def test_a_key_of_the_top_can_be_added_only_beside_others() -> None:
    assert edited_text("a = 1\n[b]\n", {("c",): 2}) == "a = 1\nc = 2\n[b]\n"


def leaves(data: Any, loc: Loc = ()) -> list[Loc]:
    """Key paths of every plain value."""
    if isinstance(data, dict):
        return [leaf for key, value in data.items() for leaf in leaves(value, (*loc, key))]
    if isinstance(data, list):
        return [leaf for i, value in enumerate(data) for leaf in leaves(value, (*loc, i))]
    return [loc]


LEAVES = leaves(tomllib.loads(starter_text("x")))
VALUES = st.one_of(st.text(max_size=20), st.integers(-(10**9), 10**9), st.booleans(), st.floats(-1e6, 1e6))


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.sampled_from(LEAVES), VALUES, min_size=1, max_size=4))
def test_whatever_is_put_in_is_read_back_and_nothing_else_changes(changes: dict[Loc, Any]) -> None:
    """Against the standard library's reader."""
    text = starter_text("x")
    got = edited_text(text, changes)
    before, after = tomllib.loads(text), tomllib.loads(got)
    for loc in LEAVES:
        old, new = before, after
        for step in loc:
            old, new = old[step], new[step]
        assert new == changes.get(loc, old)
    comments = [line.partition("#")[2] for line in text.split("\n") if line.startswith("#")]
    assert [line.partition("#")[2] for line in got.split("\n") if line.startswith("#")] == comments


def test_what_has_no_place_in_a_scene_file() -> None:
    with pytest.raises(TypeError):
        toml_value({"a": 1})


def test_tables_are_taken_out() -> None:
    """What is left reads as the same data without them, by the standard library's reader; comments of others stay."""
    text = 'a = 1\n# the lamps\n[[lamp]]\nname = "x" # key\n[lamp.more]\nb = [\n 1, 2]\n\n# light\n[light]\nc = 2\n'
    left = without_tables(text, ("lamp",))
    assert tomllib.loads(left) == {"a": 1, "light": {"c": 2}}
    assert "# light" in left
    inline = 'lamp = [{ name = "x" }, { name = "y" }]\nb = 2\n'
    assert tomllib.loads(without_tables(inline, ("lamp",))) == {"b": 2}
    assert without_tables(inline, ("card",)) == inline
    several = '[[search.lamp]]\nname = "x"\n[[search.lamp]]\nname = "y"\n'
    assert tomllib.loads(without_tables(several, ("search", "lamp", 0))) == {"search": {"lamp": [{"name": "y"}]}}
    with pytest.raises(ValueError, match="cannot be edited in place"):
        without_tables('light = { lamp = 1, c = 2 }\n', ("light", "lamp"))
