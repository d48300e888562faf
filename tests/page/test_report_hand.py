"""The report in the hand, at night and on paper: one screen of a phone, both schemes, axe-core, printed sheets."""

import io
import time
from typing import Any

import pdfplumber
import pytest

from tests.page.conftest import Shoot
from tests.page.driver import AXE, at, opened


def _findings(page: Any) -> list[Any]:
    return [(v["id"], [(n["target"], n["failureSummary"]) for n in v["nodes"]])
            for v in page.evaluate("axe.run()")["violations"]]  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_at_all(browser: Any, small: Shoot, scheme: str) -> None:
    """Rules of axe-core (Deque), as its PyPI package carries them: on the desk, in the hand, and with a dialog open."""
    if AXE is None:
        pytest.skip("axe-playwright-python is not installed")
    for size in ((1280, 800), (390, 844)):
        found = opened(browser, small.report, *size, color_scheme=scheme)
        page = found.page
        page.evaluate(AXE.read_text(encoding="utf-8"))
        assert _findings(page) == []
        page.keyboard.press("?")
        assert _findings(page) == []
        page.keyboard.press("Escape")
        page.locator("#blind-label").fill("a")
        page.locator("#blind-begin").click()
        assert _findings(page) == []
        page.context.close()


def test_a_phone_shows_picture_slider_and_verdict_at_once(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report, 390, 844, has_touch=True, is_mobile=True)
    page = found.page
    for place in ("#stage", "#frame", "#now-verdict", "#now-rail", "#run", "#without"):
        box = page.locator(place).bounding_box()
        assert 0.0 <= box["x"] <= 390 - box["width"], place
        assert 0.0 <= box["y"] <= 844 - box["height"], place
    # what is wider than the screen scrolls in itself, and the rail is told in full
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate("""() => [...document.querySelectorAll('b, .verdict span')]
        .filter((n) => n.scrollWidth > n.clientWidth + 1 && getComputedStyle(n).overflow === 'hidden').length""") == 0
    # a finger across the picture goes through the film; up and down is the page's own
    hand = page.context.new_cdp_session(page)
    box = page.locator("#stage").bounding_box()
    y = box["y"] + 0.5 * box["height"]
    page.locator("#frame").fill("1002")
    at(page, 1002)

    began = time.time() - 5.0

    # half a second lies between two touches: a finger that is lifted while it moves throws the page, and the tap after
    # it would only stop that
    def touch(kind: str, nth: int, *points: float) -> None:
        touched = [{"x": x, "y": y} for x in points]
        told = {"type": kind, "touchPoints": touched, "timestamp": began + 0.5 * nth}
        hand.send("Input.dispatchTouchEvent", told)

    touch("touchStart", 0, box["x"] + 40)
    for k in range(1, 6):
        touch("touchMove", k, box["x"] + 40 + k * box["width"] / 11)
    touch("touchEnd", 6)
    at(page, 1007)
    assert page.get_attribute("#lens", "data-without") == "false"
    # a drawing is laid larger and scrolls in its own box
    wide = page.locator("#side").bounding_box()["width"]
    page.locator(".enlarged button").first.tap()
    page.wait_for_selector(".enlarged-box[tabindex]")
    assert page.locator("#side").bounding_box()["width"] > 2.0 * wide
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.context.close()


def test_printed_sheets_are_counted_and_light(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report, color_scheme="dark")
    page = found.page
    dark = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    page.emulate_media(media="print", color_scheme="dark")
    paper, ink = page.evaluate("""() => { const s = getComputedStyle(document.documentElement);
        return [s.backgroundColor, s.getPropertyValue('--ink').trim()]; }""")
    assert (paper, ink) == ("rgb(255, 255, 255)", "#26242a")
    assert dark != paper
    with pdfplumber.open(io.BytesIO(page.pdf(format="A4"))) as sheets:
        texts = [sheet.extract_text() for sheet in sheets.pages]
    assert len(texts) > 1
    for number, text in enumerate(texts, start=1):
        assert text.splitlines()[-1].endswith(f"sheet {number} of {len(texts)}")
        assert "Small quarry, shot report, 1:20, 2025-03-14" in text
    page.context.close()
