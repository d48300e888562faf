"""The film on the report: at the true rate by the clock, with the bridge and without, and what slides in it."""

import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from shapely import MultiPoint

from tests.page.conftest import Shoot
from tests.page.driver import Opened, at, go, opened

# The page's clock and the display's beat, in the test's hands: both are set by `beat(ms)`, which lets the display draw
# until nothing new is asked for at that time.
CLOCK = """
  let asked = [];
  window.now_ms = 0;
  performance.now = () => window.now_ms;
  window.requestAnimationFrame = (f) => { asked.push(f); return asked.length; };
  window.beat = async (ms) => { window.now_ms = ms;
    for (let i = 0; i < 3; i++) { await null; const now = asked; asked = []; for (const f of now) f(ms); } };
"""


# the line of what slides runs 11 px beside the outline in a frame 960 px wide, three quarters of it in a small one
BESIDE_PX = 8.25


@pytest.fixture(scope="module")
def timed(browser: Any, small: Shoot) -> Iterator[Opened]:
    """The report under a clock that stands until it is told."""
    found = opened(browser, small.report, before=CLOCK)
    yield found
    assert found.errors == []
    found.page.context.close()


def beat(page: Any, ms: float) -> tuple[int, str]:
    """Let the display draw at a time; gives the frame drawn and what the counter says."""
    page.evaluate(f"beat({ms})")
    return int(page.get_attribute("#lens", "data-frame")), said(page)


def said(page: Any) -> str:
    # numbers are padded by figure spaces
    return re.sub(r"\s+", " ", page.inner_text("#counter"))


def started(page: Any, now: float, frame: int = 1001) -> None:
    page.evaluate(f"window.now_ms = {now}")
    page.locator("#frame").fill(str(frame))
    beat(page, now)
    page.locator("#run").click()
    beat(page, now)


def test_it_runs_at_the_scene_s_own_rate(timed: Opened) -> None:
    """25 frames a second: frame n is there from n times 40 ms to the next, by the clock and not by what was drawn."""
    page = timed.page
    started(page, 1000.0)
    for ms in (0.0, 39.9, 40.1, 79.9, 80.1, 121.0, 161.0):
        frame, words = beat(page, 1000.0 + ms)
        nth = int(ms // 40.0)
        assert frame == 1001 + nth
        assert words == f"frame {frame}, {nth + 1} of 12, {nth / 25.0:.2f} s, with the bridge"
    assert page.get_attribute("#run", "aria-pressed") == "true"
    # paused it stays, and goes on from there
    page.keyboard.press("Space")
    assert beat(page, 1500.0)[0] == 1005
    assert page.inner_text("#late-word") == ""
    page.keyboard.press("Space")
    assert beat(page, 1500.0)[0] == 1005
    assert beat(page, 1541.0)[0] == 1006
    # a display that is held up leaves out what it is too late for, says so, and ends with the last frame
    assert beat(page, 1702.0)[0] == 1010
    assert beat(page, 5000.0)[0] == 1012
    assert page.get_attribute("#run", "aria-pressed") == "false"
    # 1007, 1008, 1009; 1011
    assert page.inner_text("#late-word").strip().startswith("4 frames came too late")


def test_it_runs_over_and_over_and_at_another_pace(timed: Opened) -> None:
    page = timed.page
    page.locator("#loop").check()
    started(page, 0.0, 1011)
    assert [beat(page, ms)[0] for ms in (41.0, 81.0, 121.0, 521.0, 561.0)] == [1012, 1001, 1002, 1012, 1001]
    page.locator("#run").click()
    page.locator("#loop").uncheck()
    page.locator("#pace").select_option(label="a quarter of it")
    started(page, 0.0)
    assert [beat(page, ms)[0] for ms in (159.0, 161.0, 321.0)] == [1001, 1002, 1003]
    page.locator("#run").click()
    page.locator("#pace").select_option(label="as delivered, 25 a second")


def test_one_press_flips_at_the_same_frame_while_it_runs(timed: Opened) -> None:
    page = timed.page
    started(page, 0.0)
    there = """() => { const c = document.getElementById('lens');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let i = 0; i < d.length; i += 4) n += d[i + 1] > 1.6 * d[i + 2] + 30 && d[i] > d[i + 1];
        return [c.dataset.frame, c.dataset.without, n]; }"""
    for k, way in enumerate(("key", "button", "key", "button")):
        frame = str(1002 + k)
        assert beat(page, 40.0 * (k + 1) + 1.0)[0] == int(frame)
        before = page.evaluate(there)
        if way == "key":
            page.locator("h1").click()
            page.keyboard.press("b")
        else:
            page.locator("#without").click()
        # until the display draws again nothing changes; then all of it does, in one go
        assert page.evaluate(there) == before
        _, words = beat(page, 40.0 * (k + 1) + 9.0)
        shown, without, yellow = page.evaluate(there)
        assert shown == before[0] == frame
        assert without == ("true" if k % 2 == 0 else "false")
        # the bridge is yellow, and nothing else is
        assert (yellow > 500) is (k % 2 == 1)
        assert words.endswith("without the bridge" if k % 2 == 0 else ", with the bridge")
        assert page.get_attribute("#without", "aria-pressed") == without
        assert page.locator("#without-word").is_visible() is (k % 2 == 0)
        assert page.inner_text("#said") == ("without the bridge" if k % 2 == 0 else "with the bridge")
        assert page.get_attribute("#run", "aria-pressed") == "true", "the film runs on"
    page.locator("#run").click()


def test_a_viewer_of_the_film_sees_no_outline(timed: Opened) -> None:
    page = timed.page
    started(page, 0.0)
    assert not page.locator("#tells").is_visible()
    page.locator("#run").click()
    beat(page, 10.0)
    assert page.locator("#tells").is_visible()


def test_no_picture_is_missing_however_quickly_it_is_flipped(report: Opened) -> None:
    """By the browser's own clock: at every beat of the display the picture, its words and its frame belong together."""
    page = report.page
    go(page, 1001)
    page.locator("#loop").check()
    page.locator("h1").click()
    page.keyboard.press("Space")
    looks = page.evaluate("""async () => {
        const lens = document.getElementById('lens'), out = [], pen = lens.getContext('2d');
        for (let i = 0; i < 60; i++) {
          if (i % 4 === 3) document.getElementById('without').click();
          await new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
          const d = pen.getImageData(0, 0, lens.width, lens.height).data;
          let yellow = 0;
          for (let k = 0; k < d.length; k += 4) yellow += d[k + 1] > 1.6 * d[k + 2] + 30 && d[k] > d[k + 1];
          out.push([lens.dataset.frame, lens.dataset.without, document.getElementById('counter').textContent,
            document.getElementById('without-word').hidden, yellow]);
        }
        return out; }""")
    page.keyboard.press("Space")
    page.locator("#loop").uncheck()
    assert {without for _, without, *_ in looks} == {"true", "false"}
    assert len({frame for frame, *_ in looks}) > 2
    for frame, without, words, hidden, yellow in looks:
        assert words.startswith(f"frame {frame}, ")
        assert words.endswith("without the bridge" if without == "true" else ", with the bridge")
        assert hidden is (without == "false")
        assert (yellow > 500) is (without == "false")
    if page.get_attribute("#without", "aria-pressed") == "true":
        page.locator("#without").click()


def test_the_page_says_which_frames_it_has(report: Opened, small: Shoot) -> None:
    words = report.page.inner_text(".scrub")
    assert f"every frame of the shot, {len(small.rows)} at 25 a second: 0.48 s" in words
    assert report.page.locator("#calm-word").is_visible() is False


def test_the_curve_knows_traces_and_what_the_film_gives_away(report: Opened, small: Shoot) -> None:
    curve = report.page.evaluate("JSON.parse(document.getElementById('data').textContent).curve.rows")
    for row, table in zip(curve, small.rows, strict=True):
        assert row["trace_pct"] == float(table["trace_pct"])
        assert row["found_pct"] == float(table["found_pct"])


def test_little_motion_is_kept_until_more_is_asked_for(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report, before=CLOCK, reduced_motion="reduce")
    page = found.page
    assert page.locator("#calm-word").is_visible()
    started(page, 0.0)
    assert [beat(page, ms)[0] for ms in (999.0, 1001.0)] == [1001, 1002]
    page.locator("#pace").select_option(label="as delivered, 25 a second")
    started(page, 0.0)
    assert beat(page, 81.0)[0] == 1003
    page.context.close()


def test_what_slides_is_drawn_with_its_own_dashes_and_named(report: Opened, small: Shoot) -> None:
    """A bridge that slides at once is found by it; of every frame as much is drawn as the table says that slides."""
    page = report.page
    frames = page.evaluate("JSON.parse(document.getElementById('data').textContent).frames")
    shares = []
    for row, table in zip(frames, small.rows, strict=True):
        lines = [np.array(flat).reshape(-1, 2) for kind, flat in row["lines"] if kind == "parallax"]
        whole = [np.array(flat).reshape(-1, 2) for kind, flat in row["lines"] if kind != "parallax"]
        drawn = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points in lines)
        # all round a convex outline, so far outside: its length and 2 pi times as much (Steiner)
        around = MultiPoint(np.concatenate(whole)).convex_hull.length + 2.0 * np.pi * BESIDE_PX
        shares.append((float(table["drift_pct"]), 100.0 * drawn / around))
    assert shares[0][1] == 0.0, "nothing has moved for long enough in the first frame"
    assert shares[-1][0] > 60.0
    for seen, drawn in shares:
        # lengths at half a chance are drawn whole or not at all
        assert drawn == pytest.approx(seen, abs=12.0)
    go(page, 1012)
    at(page, 1012)
    line = page.locator("#tells path[data-kind=parallax].t-parallax")
    assert line.count() == 1
    assert line.get_attribute("stroke-dasharray") == "42 8"
    assert "parallax" in page.inner_text("#key")
    assert page.inner_text("#now-found") == f"{float(small.rows[-1]['found_pct']):.1f}"
    assert page.inner_text("#now-drift") == f"{float(small.rows[-1]['drift_deg_s']):.2f}"
