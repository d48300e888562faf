"""The blind test in a real browser: who sees it is always right, who guesses by chance, and nothing gives it away."""

import csv
import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from shapely import Polygon

from previz.command.shoot.shoot import score
from previz.run.blindtest import BLIND_HEADER, blind_test
from previz.run.progress import Progress
from tests.page.blinddriver import saved, take
from tests.page.conftest import Shoot
from tests.page.driver import opened


@pytest.fixture(scope="module")
def tested(browser: Any, small: Shoot, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The answers of three who see and of ten who guess, and what an onlooker could time and read."""
    found = opened(browser, small.report)
    page, folder = found.page, tmp_path_factory.mktemp("blind")
    looks = [clip for k in range(3) for clip in take(page, f"sees {k}")]
    rng = np.random.default_rng(20)
    for k in range(10):
        looks += take(page, f"guesses {k}", list(rng.random(18)))
    place = saved(page, folder)
    with place.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    area = page.evaluate("""() => { const d = JSON.parse(document.getElementById('data').textContent);
        return [d.blind, d.size_px]; }""")
    assert found.errors == []
    page.context.close()
    return folder, rows, looks, area


def test_who_sees_it_is_always_right(tested: Any) -> None:
    _, rows, _, _ = tested
    seen = [row for row in rows if row["viewer"].startswith("sees")]
    assert len(seen) == 18
    assert {row["right"] for row in seen} == {"yes"}
    assert {row["truth"] for row in seen} == {"with", "without"}
    assert all((row["click"] == "nothing") == (row["truth"] == "without") for row in seen)
    assert tuple(rows[0]) == BLIND_HEADER
    assert [row["clip"] for row in seen[:6]] == [str(k) for k in range(1, 7)]


def test_who_guesses_is_right_by_chance(tested: Any) -> None:
    """Right are half of the clips without it, and with it the clicks that happen to fall on its place (scipy.stats)."""
    _, rows, _, (blind, size_px) = tested
    guessed = [row for row in rows if row["viewer"].startswith("guesses")]
    place = np.array(blind["places"][0]).reshape(-1, 2)
    share = Polygon(place).buffer(blind["tolerance_px"]).area / (size_px[0] * size_px[1])
    assert 0.0 < share < 0.2
    for truth, chance in (("without", 0.5), ("with", 0.5 * share)):
        told = [row["right"] == "yes" for row in guessed if row["truth"] == truth]
        # one in ten thousand falls outside
        low, high = stats.binom.interval(0.9999, len(told), chance)
        assert low <= sum(told) <= high, truth


def test_nothing_gives_it_away(tested: Any) -> None:
    """Neither what the page says while a clip runs, nor the order, nor which clips are turned."""
    _, rows, looks, _ = tested
    assert len(rows) == len(looks) == 78
    # a clip of two frames may be over before it could be read
    markup = {truth: {look["markup"] for row, look in zip(rows, looks, strict=True)
                      if row["truth"] == truth and look["markup"]}
              for truth in ("with", "without")}  # fmt: skip
    # the word has the clip's number alone
    assert len(markup["with"]) == len(markup["without"]) == 1
    assert markup["with"] == markup["without"]
    assert all((row["mirrored"] == "yes") is look["turned"] for row, look in zip(rows, looks, strict=True))
    truth = [row["truth"] == "with" for row in rows]
    turned = [row["mirrored"] == "yes" for row in rows]
    for coins in (truth, turned, [a == b for a, b in zip(truth, turned, strict=True)],
                  [a == b for a, b in pairwise(truth)]):  # fmt: skip
        assert stats.binomtest(sum(coins), len(coins)).pvalue > 1e-5


def test_the_saved_table_is_what_the_commands_read(tested: Any, small: Shoot) -> None:
    folder, rows, _, _ = tested
    sha = rows[0]["scene"]
    told = blind_test(Path(folder), sha + "0" * 48)
    assert told is not None
    assert told["viewers"] == 13
    firsts: dict[str, dict[str, str]] = {}
    for row in rows:
        if row["truth"] == "with":
            firsts.setdefault(row["viewer"], row)
    assert told["found"] == sum(row["right"] == "yes" for row in firsts.values()) >= 3
    assert told["clips_of_another_scene"] == 0
    assert (small.folder / "summary.json").read_text(encoding="utf-8").count(sha) == 1


@pytest.mark.slow
def test_a_table_laid_into_the_folder_stands_in_the_summary(tested: Any, small: Shoot, tmp_path: Path) -> None:
    """As the page saved it, of the scene that was shot: viewers, who found it, and when in the middle."""
    folder, rows, _, _ = tested
    (table,) = Path(folder).glob("*.csv")
    (tmp_path / table.name).write_bytes(table.read_bytes())
    score(small.folder.parent / "set" / "small.toml", tmp_path, 320, 1, None, Progress(quiet=True))
    told = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["blind_test"]
    firsts: dict[str, dict[str, str]] = {}
    for row in rows:
        if row["truth"] == "with":
            firsts.setdefault(row["viewer"], row)
    times = [float(row["seconds"]) for row in firsts.values() if row["right"] == "yes"]
    assert (told["viewers"], told["found"], told["clips_of_another_scene"]) == (13, len(times), 0)
    assert told["median_s"] == pytest.approx(np.median(times), abs=0.01)
    assert told["found_low_pct"] < told["found_pct"] < told["found_high_pct"]


def test_a_label_is_asked_for_and_counts_once(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report, 390, 844, has_touch=True)
    page = found.page
    page.locator("#blind-begin").click()
    assert "label has letters" in page.inner_text("#blind-fault")
    page.locator("#blind-label").fill("Grösse 7")
    page.locator("#blind-begin").click()
    assert page.locator("#blind-dialog").is_visible()
    # on a phone picture and answers are on one screen
    for name in ("lens", "go"):
        box = page.locator(f"#blind-{name}").bounding_box()
        assert 0.0 <= box["x"] <= 390 - box["width"]
        assert 0.0 <= box["y"] <= 844 - box["height"]
    # left before its end, it is no test; keys of the page do nothing in it
    page.keyboard.press("b")
    page.keyboard.press("Escape")
    assert not page.locator("#blind-dialog").is_visible()
    assert page.get_attribute("#lens", "data-without") == "false"
    assert page.locator("#blind-save").is_disabled()
    take(page, "Grösse 7")
    page.locator("#blind-label").fill("Grösse 7")
    page.locator("#blind-begin").click()
    assert "counts once" in page.inner_text("#blind-fault")
    assert "1 of 1 viewers on this page found it" in page.inner_text("#blind-told")
    page.context.close()
