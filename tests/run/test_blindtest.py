"""What viewers found, read back: counts, faults in one line, and what is left out."""

from pathlib import Path

import pytest

from previz.errors import OutputError
from previz.run.blindtest import BLIND_HEADER, blind_test, blind_words

SHA = "0123456789abcdef" + "0" * 48
HEAD = ",".join(BLIND_HEADER) + "\n"


def row(
    viewer: str, clip: int, truth: str, click: str, right: str, seconds: str = "2.30", scene: str = SHA[:16]
) -> str:
    return f"{viewer},{scene},{clip},{truth},no,{click},{right},{seconds}\n"


def laid(folder: Path, text: str, name: str = "blind-a.csv") -> Path:
    (folder / name).write_text(HEAD + text, encoding="utf-8", newline="\n")
    return folder


def test_nine_colleagues(tmp_path: Path) -> None:
    """Six of nine clicked on it in their first clip that had it; a later one that is right does not count."""
    text = ""
    for k in range(9):
        found = k < 6
        text += row(f"v{k}", 1, "without", "nothing" if k else "10 20", "yes" if k else "no", "3.00")
        click = "40 50" if k != 8 else "nothing"
        text += row(f"v{k}", 2, "with", click, "yes" if found else "no", f"{2.0 + 0.1 * k:.2f}")
        text += row(f"v{k}", 3, "with", "40 50", "yes", "9.00")
    told = blind_test(laid(tmp_path, text), SHA)
    assert told is not None
    assert (told["viewers"], told["found"], told["median_s"]) == (9, 6, 2.25)
    assert (told["clips_without"], told["clicked_without"]) == (9, 1)
    # Wilson's interval of 6 of 9 (scipy.stats gives the same, tests/judge/test_people.py)
    assert (told["found_low_pct"], told["found_high_pct"]) == (35.4, 87.9)
    words = blind_words(told)
    assert words.startswith("6 of 9 viewers found it (35 to 88 of 100), median 2.2 s; ")
    assert "; clicked in 1 of 9 clips without it; " in words
    assert "viewers are needed, no more than these 6 finding it" in words


def test_sixty_who_find_nothing_are_enough(tmp_path: Path) -> None:
    """59 without a find make 95 % sure of at most 5 % (0.95 to the power of 59 is 0.0485)."""
    told = blind_test(laid(tmp_path, "".join(row(f"v{k}", 1, "with", "nothing", "no") for k in range(59))), SHA)
    assert told is not None
    assert told["viewers_for_claim"] == 59
    assert blind_words(told).endswith("enough to claim that at most 5 of 100 find it")
    assert told["median_s"] is None


def test_another_state_of_the_scene_is_left_out_and_told(tmp_path: Path) -> None:
    text = row("a", 1, "with", "1 2", "yes") + row("b", 1, "with", "1 2", "yes", scene="f" * 16)
    told = blind_test(laid(tmp_path, text), SHA)
    assert told is not None
    assert (told["viewers"], told["clips_of_another_scene"]) == (1, 1)
    other = blind_test(tmp_path, "f" * 64)
    assert other is not None
    assert other["viewers"] == 1
    nobody = blind_test(tmp_path, "a" * 64)
    assert nobody is not None
    assert blind_words(nobody) == "no clip of this state of the scene (2 of another)"


def test_without_a_table_nothing_is_said(tmp_path: Path) -> None:
    assert blind_test(tmp_path, SHA) is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a,b\n", "line 2: expected 8 fields"),
        (row("=1+1", 1, "with", "nothing", "no"), "line 2: viewer must be"),
        (row("x" * 41, 1, "with", "nothing", "no"), "viewer must be at most 40"),
        (row("a", 1, "perhaps", "nothing", "no"), 'truth must be with or without, found "perhaps"'),
        (row("a", 1, "with", "here", "yes"), "click must be two numbers"),
        (row("a", 1, "with", "1 nan", "yes"), "click must be two numbers"),
        (row("a", 1, "with", "1 2", "maybe"), "right must be yes or no"),
        (row("a", 1, "with", "nothing", "yes"), "a click is right only where the bridge is"),
        (row("a", 1, "without", "1 2", "yes"), "a click is right only where the bridge is"),
        (row("a", 1, "with", "1 2", "yes", "-1"), "seconds must be a number from 0 to 3600"),
        (row("a", 1, "with", "1 2", "yes", "inf"), "seconds must be a number"),
        (row("a", 1, "with", "1 2", "yes") * 10_001, "at most 10000 are read"),
        ("x" * 1_000_001, "is larger than 1 MB"),
        ('"a', "is no table"),
    ],
)
def test_a_fault_is_told_in_one_line_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(OutputError) as caught:
        blind_test(laid(tmp_path, text), SHA)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "blind-a.csv" in str(caught.value)


def test_a_head_that_is_not_a_test_s(tmp_path: Path) -> None:
    (tmp_path / "blind.csv").write_text("frame,rail_mm\n", encoding="utf-8")
    with pytest.raises(OutputError, match="line 1: expected viewer,scene,clip"):
        blind_test(tmp_path, SHA)
    (tmp_path / "blind.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OutputError, match="cannot be read"):
        blind_test(tmp_path, SHA)


def test_a_viewer_counts_once(tmp_path: Path) -> None:
    laid(tmp_path, row("a", 1, "with", "1 2", "yes"))
    laid(tmp_path, row("a", 1, "with", "1 2", "yes"), "blind-b.csv")
    with pytest.raises(OutputError, match=r'viewer "a" is in blind-a\.csv too'):
        blind_test(tmp_path, SHA)
