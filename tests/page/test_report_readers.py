"""The report for every reader: fingers, keys, a reader's own colours, no WebGL, little motion, and odd scenes."""

import re
from typing import Any

import numpy as np
import pytest

from tests.page.conftest import ENCODED, ODD_TITLE, Shoot, on_disk
from tests.page.driver import Opened, at, go, opened, picture


def test_a_finger_alone_is_enough(browser: Any, small: Shoot) -> None:
    """A tablet in portrait, no keys: by touch events as the browser gets them from a screen."""
    found = opened(browser, small.report, 820, 1180, has_touch=True)
    page = found.page
    hand = page.context.new_cdp_session(page)
    box = page.locator("#stage").bounding_box()
    point = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    hand.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [point]})
    hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_selector("#lens[data-without=true]")
    page.locator("#stage").tap()
    page.wait_for_selector("#lens[data-without=false]")
    page.locator("#show-tells").tap()
    page.wait_for_selector("#tells", state="hidden")
    page.locator("#curve").tap(position={"x": 400, "y": 120})
    # by a selector: the page's policy forbids what a function that waits would have to do from its second look on
    page.wait_for_selector("html:not([data-frame='1001'])")
    # nothing to be hit by a finger is smaller than 24 px (WCAG 2.2, 2.5.8), buttons not below 42
    least = page.evaluate("""() => ['button', 'input', 'select'].map((name) =>
        Math.min(...[...document.querySelectorAll(name)].filter((n) => n.offsetParent && !n.closest('dialog'))
        .map((n) => (n.closest('label') || n).getBoundingClientRect().height)))""")
    assert min(least) >= 24.0
    assert least[0] >= 42.0
    page.context.close()


def test_everything_is_reached_and_told_by_keys_alone(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report)
    page = found.page
    there = """() => [...document.querySelectorAll('a, button:enabled, input, select, [tabindex="0"]')]
        .filter((n) => n.offsetParent)"""
    count = page.evaluate(f"({there})().length")
    met = []
    for _ in range(count):
        page.keyboard.press("Tab")
        place, seen = page.evaluate(f"""() => {{ const n = document.activeElement, s = getComputedStyle(n);
            return [({there})().indexOf(n), s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2]; }}""")
        assert seen, f"no focus to be seen on control {place}"
        met.append(place)
    # all of them, in the order in which they stand on the page
    assert met == list(range(count))
    assert count > 30
    page.locator("#frame").focus()
    page.keyboard.press("End")
    at(page, 1012)
    words = page.get_attribute("#frame", "aria-valuetext")
    assert words.startswith("frame 1012, rail 60.0 mm, break ")
    assert words.endswith(page.inner_text("#now-word"))
    page.locator("#without").focus()
    page.keyboard.press("ArrowLeft")
    page.wait_for_selector("#said:has-text('frame 1011, rail ')", state="attached")
    page.context.close()


def test_a_frame_that_could_not_be_judged_says_so_and_a_title_is_only_words(browser: Any, unseen: Shoot) -> None:
    found = opened(browser, unseen.report, 820, 1180)
    page = found.page
    assert page.inner_text("h1") == ODD_TITLE
    assert page.title() == f"{ODD_TITLE}, shot report"
    assert page.evaluate("window.stranger") is None
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    assert {row["break_pct"] for row in unseen.rows} == {""}
    assert page.inner_text(".verdict-line").startswith("The station point, frame 1001, could not be judged")
    go(page, 1004)
    assert page.inner_text("#now-word") == "not judged"
    assert page.inner_text("#now-tells") == "the bridge's outline is not in the frame"
    assert [page.inner_text(f"#now-{name}") for name in ("break", "mismatch", "slip")] == ["", "-", "-"]
    assert page.locator("#tells path").count() == 0
    # no curve is drawn through what is not known
    assert page.locator("#curve .d-curve").count() == 0
    assert page.inner_text("#frames-table tbody tr").split()[-1] == "frame"
    assert found.errors == []
    page.context.close()


@pytest.mark.parametrize("dark", [False, True])
def test_forced_colours_leave_the_drawings_readable(browser: Any, small: Shoot, dark: bool) -> None:
    """Contrast by WCAG 2's own formula, of ink on its sheet; and a pressed button differs from one that is not."""
    scheme = "dark" if dark else "light"
    found = opened(browser, small.report, forced_colors="active", color_scheme=scheme)
    page = found.page
    ink, sheet = page.evaluate("""() => [getComputedStyle(document.querySelector('#curve .d-axis')).stroke,
        getComputedStyle(document.getElementById('curve')).backgroundColor]""")
    assert _contrast(ink, sheet) > 7.0
    pressed, other = page.evaluate("""() => ['rail', 'frame'].map((by) =>
        getComputedStyle(document.querySelector(`[data-by=${by}]`)).backgroundColor)""")
    assert pressed != other
    page.context.close()


def _contrast(one: str, other: str) -> float:
    def light(colour: str) -> float:
        codes = [int(v) / 255.0 for v in re.findall(r"[0-9]+", colour)[:3]]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in codes]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((light(one), light(other)))
    return (high + 0.05) / (low + 0.05)


# lamps of the demonstration sets, all in one: name, position, aim
LAMPS = [["key", [-0.03, 1.3, 2.2], [0, -0.05, 0]], ["side", [-1.7, 0.7, 1.3], [0, 0, 0]],
         ["low sun", [1.9, 0.5, 1.5], [0, 0, 0]], ["head", [0.2, 0.6, 2.3], [0, 0, 0]],
         ["sky slot", [0.0, 1.5, 1.9], [0, 0, 0]]]  # fmt: skip


@pytest.mark.parametrize("width", [340, 423, 530, 700])
def test_no_words_of_the_drawings_lie_on_one_another(report: Opened, width: int) -> None:
    """Boxes as the browser measures them, at the widths of a tablet, of two windows and of a large one."""
    for name in ("side", "plan"):
        boxes, wide, high = report.page.evaluate(
            """([name, width, lamps]) => {
            const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
            svg.setAttribute('class', 'drawing');
            svg.style.width = width + 'px';
            document.body.append(svg);
            const set = { ...JSON.parse(document.getElementById('data').textContent).set };
            set.lamps = lamps.map(([name, position, aim]) => ({ name, position, aim }));
            Draw.view(svg, name, set, { width });
            const boxes = [...svg.querySelectorAll('text')].map((t) => [t.textContent, t.getBBox()])
              .map(([words, b]) => [words, b.x, b.y, b.x + b.width, b.y + b.height]);
            const size = svg.viewBox.baseVal;
            const out = [boxes, size.width, size.height];
            svg.remove();
            return out; }""",
            [name, width, LAMPS],
        )
        # the head, the scale, two lengths and the lamps
        assert len(boxes) >= 8
        for i, (words, left, top, right, bottom) in enumerate(boxes):
            assert min(left, top, wide - right, high - bottom) >= 0.0, f"{words} sticks out of {name} at {width}"
            for other, left2, top2, right2, bottom2 in boxes[:i]:
                # a box reaches 3 px above and below its letters
                apart = min(right, right2) - max(left, left2) <= 1.0 or min(bottom, bottom2) - max(top, top2) <= 3.0
                assert apart, f"{words} lies on {other} in {name} at {width}"


def test_without_webgl_the_rest_works(browser: Any, small: Shoot) -> None:
    before = """const real = HTMLCanvasElement.prototype.getContext;
        HTMLCanvasElement.prototype.getContext = function (kind, ...more) {
          return kind.startsWith('webgl') ? null : real.call(this, kind, ...more); };"""
    found = opened(browser, small.report, before=before)
    assert found.page.locator("#solid-missing").is_visible()
    assert not found.page.locator("#solid-tools").is_visible()
    go(found.page, 1009)
    assert np.abs(picture(found.page) - on_disk(small, 1009)).mean() < ENCODED
    found.page.context.close()


def test_with_reduced_motion_the_move_steps(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report, reduced_motion="reduce")
    go(found.page, 1001)
    began = found.page.evaluate("performance.now()")
    found.page.locator("#run").click()
    found.page.wait_for_selector("html:not([data-frame='1001'])")
    # one step a second at most by the page's own clock; at 25 frames a second it would have come to the end by then
    frame, now = found.page.evaluate("[Number(document.documentElement.dataset.frame), performance.now()]")
    assert frame - 1001 <= 1e-3 * (now - began)
    found.page.context.close()
