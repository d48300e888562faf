"""The report of a shoot in a real browser: what a film-maker does with it, and what it must never do."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from previz.units import inches_text, mm_text
from tests.page.conftest import CANDIDATES, ENCODED, Shoot, on_disk
from tests.page.driver import Opened, at, go, opened, picture, until


def solid(page: Any) -> NDArray[np.float64]:
    """The set in three dimensions; it is drawn only while it is in sight."""
    page.locator("#solid-canvas").scroll_into_view_if_needed()
    page.wait_for_selector("#solid-canvas[data-drawn=yes]")
    return picture(page, "#solid-canvas")


def yellow(codes: NDArray[np.float64]) -> int:
    """Pixels of the bridge's paint, #f0c800, in some light."""
    r, g, b = np.moveaxis(codes, -1, 0)
    return int(((g > 1.6 * b + 30) & (r > g)).sum())


def test_scrubbing_shows_the_frames_that_lie_on_disk(report: Opened, small: Shoot) -> None:
    for frame in (1001, 1007, 1012):
        go(report.page, frame)
        shown = picture(report.page)
        assert np.abs(shown - on_disk(small, frame)).mean() < ENCODED
        # and no other frame
        other = 1012 if frame != 1012 else 1001
        assert np.abs(shown - on_disk(small, other)).mean() > 1.5 * np.abs(shown - on_disk(small, frame)).mean()


def test_the_numbers_are_those_of_the_table(report: Opened, small: Shoot) -> None:
    for row in (small.rows[0], small.rows[8]):
        go(report.page, int(row["frame"]))
        rail = float(row["rail_mm"]) / 1e3
        assert report.page.inner_text("#now-rail") == f"{mm_text(rail)} / {inches_text(rail)}"
        assert report.page.inner_text("#now-break") == f"{float(row['break_pct']):.1f} %"
        # a bare yellow bridge before slate shows
        assert report.page.inner_text("#now-word") == "breaks"
        assert report.page.inner_text("#now-tells") == row["tells"].replace(";", ",")


def test_keys(report: Opened) -> None:
    page = report.page
    go(page, 1005)
    for key, frame in (
        ("ArrowRight", 1006), ("ArrowLeft", 1005), ("End", 1012), ("ArrowRight", 1012), ("Home", 1001),
        ("ArrowLeft", 1001), ("Shift+ArrowRight", 1011),
    ):  # fmt: skip
        page.keyboard.press(key)
        at(page, frame)
    page.locator("h1").click()
    page.keyboard.press("ArrowLeft")
    at(page, 1010)
    page.keyboard.press("?")
    assert page.locator("#help").is_visible()
    page.keyboard.press("Escape")
    assert not page.locator("#help").is_visible()


def test_one_press_takes_the_bridge_away_and_the_next_brings_it_back(report: Opened, small: Shoot) -> None:
    """By key, by a press on the picture, and by the button: the same thing, at the same frame."""
    page = report.page
    go(page, 1008)
    there = yellow(picture(page))
    assert there > 500
    presses = (lambda: page.keyboard.press("b"), lambda: page.locator("#stage").click(),
               lambda: page.locator("#without").click())  # fmt: skip
    for press in presses:
        press()
        page.wait_for_selector("#lens[data-without=true]")
        gone = picture(page)
        assert yellow(gone) < 0.01 * there
        assert page.locator("#without-word").is_visible()
        assert page.get_attribute("#without", "aria-pressed") == "true"
        # the wall away from the bridge stays as it is
        assert np.abs(gone - on_disk(small, 1008))[:40].mean() < ENCODED
        press()
        page.wait_for_selector("#lens[data-without=false]")
        assert yellow(picture(page)) == there
        assert page.get_attribute("#lens", "data-frame") == "1008"
    assert page.evaluate("scrollY") == 0


def test_a_swipe_across_the_picture_goes_on_and_back_and_flips_nothing(report: Opened) -> None:
    page = report.page
    go(page, 1003)
    box = page.locator("#stage").bounding_box()
    y = box["y"] + box["height"] / 2
    # eleven frames lie across all of the picture
    for start, share, frame in ((0.2, 5 / 11, 1008), (0.8, -3 / 11, 1005)):
        page.mouse.move(box["x"] + start * box["width"], y)
        page.mouse.down()
        page.mouse.move(box["x"] + (start + share) * box["width"], y, steps=6)
        at(page, frame)
        page.mouse.up()
    assert page.get_attribute("#lens", "data-without") == "false"


def test_keys_work_wherever_the_focus_is(report: Opened) -> None:
    """Shared by both pages; only a button that was reached by Tab keeps the space bar, and a slider its own arrows."""
    page = report.page
    go(page, 1004)
    for place in ("#frame", "[data-step='-1']", "#show-tells", "#pace", "#solid-canvas", "#table .scroll", "h1"):
        # a list that is opened has the keys to itself
        if place == "#pace":
            page.locator(place).focus()
        else:
            page.locator(place).click(position={"x": 4, "y": 4})
        tells = page.locator("#show-tells").is_checked()
        page.keyboard.press("o")
        assert page.locator("#show-tells").is_checked() is not tells, place
        page.keyboard.press("b")
        page.wait_for_selector("#lens[data-without=true]")
        page.keyboard.press("b")
        page.wait_for_selector("#lens[data-without=false]")
        page.keyboard.press("?")
        assert page.locator("#help").is_visible(), place
        page.keyboard.press("Escape")
    page.locator("#show-tells").check()
    # after a click the space bar plays; the button does not go back a second time
    page.locator("[data-step='1']").click()
    frame = int(page.evaluate("document.documentElement.dataset.frame"))
    page.keyboard.press("Space")
    page.wait_for_selector("#run[aria-pressed=true]")
    page.keyboard.press("Space")
    page.wait_for_selector("#run[aria-pressed=false]")
    assert int(page.evaluate("document.documentElement.dataset.frame")) >= frame
    # reached by Tab, it is the button's
    go(page, 1004)
    page.locator("[data-step='-1']").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    at(page, 1005)
    assert page.get_attribute("#run", "aria-pressed") == "false"


def test_the_set_is_turned_by_keys(report: Opened) -> None:
    page = report.page
    page.locator("[data-turn=home]").click()
    whole = solid(page)
    frame = page.evaluate("document.documentElement.dataset.frame")
    page.locator("#solid-canvas").focus()
    for key in ("ArrowLeft", "ArrowUp", "+"):
        before = solid(page)
        page.keyboard.press(key)
        assert np.abs(solid(page) - before).mean() > 1.0
    assert page.evaluate("document.documentElement.dataset.frame") == frame
    page.keyboard.press("Home")
    assert np.abs(solid(page) - whole).mean() < 0.5
    assert page.evaluate("document.documentElement.dataset.frame") == frame


def test_a_click_on_the_curve_goes_there(report: Opened, small: Shoot) -> None:
    page = report.page
    rail = [float(row["rail_mm"]) for row in small.rows]
    for by in ("rail", "frame"):
        page.locator(f"[data-by={by}]").click()
        box = page.locator("#curve").bounding_box()
        # the curve's own frame: draw.js draws it from 62 px of the left to 58 px of the right
        left, wide = box["x"] + 62.0 * box["width"] / _drawn(page), (_drawn(page) - 120.0) * box["width"] / _drawn(page)
        for k in (2, 9):
            share = rail[k] / rail[-1] if by == "rail" else k / 11.0
            page.mouse.click(left + share * wide, box["y"] + 0.5 * box["height"])
            at(page, 1001 + k)


def _drawn(page: Any) -> float:
    return float(page.eval_on_selector("#curve", "s => s.viewBox.baseVal.width"))


def test_tells_are_drawn_and_can_be_switched_off(report: Opened) -> None:
    page = report.page
    go(page, 1006)
    broken = page.locator("#tells path[stroke-dasharray]")
    assert broken.count() > 0
    # the outline lies where the bridge's paint ends
    codes = picture(page)
    rows, columns = np.nonzero((codes[..., 1] > 1.6 * codes[..., 2] + 30) & (codes[..., 0] > codes[..., 1]))
    box = page.evaluate("""() => { const all = [...document.querySelectorAll('#tells path')];
        // what slides is told beside the outline
        const b = all.filter((p) => p.dataset.kind && p.dataset.kind !== 'parallax').map((p) => p.getBBox());
        return [Math.min(...b.map((r) => r.x)), Math.min(...b.map((r) => r.y)),
          Math.max(...b.map((r) => r.x + r.width)), Math.max(...b.map((r) => r.y + r.height))]; }""")
    assert np.allclose(box, [columns.min(), rows.min(), columns.max() + 1, rows.max() + 1], atol=4.0)
    page.locator("#show-tells").uncheck()
    page.wait_for_selector("#tells", state="hidden")
    page.keyboard.press("o")
    page.wait_for_selector("#tells", state="attached")
    assert page.locator("#show-tells").is_checked()
    assert page.locator("#tells").is_visible()


def test_the_camera_of_both_drawings_moves_with_the_frame(report: Opened) -> None:
    page = report.page
    places = []
    for frame in (1001, 1012):
        go(page, frame)
        places.append(page.eval_on_selector("#plan .d-camera-group", "g => g.getCTM().f"))
    scale = page.evaluate("document.getElementById('plan').getScreenCTM().a")
    # 60 mm of rail, camera right is down on the sheet; the sheet's own bar says how long a millimetre is
    bar, words = page.evaluate("[document.querySelector('#plan path.d-axis').getBBox().width, "
                               "document.querySelector('#plan path.d-axis').nextSibling.textContent]")  # fmt: skip
    per_mm = bar / float(words.split()[0])
    assert places[1] - places[0] == pytest.approx(60.0 * per_mm * scale, abs=0.5)


def test_sorting_and_filtering_the_contact_sheet(report: Opened) -> None:
    page = report.page

    def ranks() -> list[int]:
        return [int(r) for r in page.eval_on_selector_all("#cells li:not([hidden])", "l => l.map(i => i.dataset.rank)")]

    assert ranks() == [1, 2, 3, 4]
    page.locator("#sheet-by").select_option("hold down")
    order = sorted(range(1, 5), key=lambda rank: -CANDIDATES[rank - 1][0])
    assert ranks() == order
    page.locator("#sheet-least").fill("35")
    assert ranks() == [rank for rank in order if CANDIDATES[rank - 1][0] >= 35.0]
    page.locator("#sheet-most").fill("10")
    assert ranks() == [1]
    assert "1 of 4" in page.inner_text("#sheet-count")
    page.locator("#sheet-least").fill("0")
    page.locator("#sheet-most").fill("")
    # each candidate's own picture, cut out of the sheet: its red is 20 times its rank
    reds = page.evaluate("""async () => { const out = [];
        for (const li of document.querySelectorAll('#cells li')) {
          const i = new Image(); i.src = li.querySelector('img').src; await i.decode();
          const c = document.createElement('canvas'); c.width = i.width; c.height = i.height;
          const p = c.getContext('2d'); p.drawImage(i, 0, 0);
          out.push([Number(li.dataset.rank), p.getImageData(i.width - 20, i.height - 20, 1, 1).data[0]]);
        } return out; }""")
    for rank, red in reds:
        assert abs(red - 20 * rank) < 8


def test_the_paints_are_compared(report: Opened) -> None:
    assert "bare board" in report.page.inner_text("#compare-table")
    assert "91.0 %" in report.page.inner_text("#compare-table")
    assert report.page.eval_on_selector(".compare-picture", "i => i.naturalWidth") > 500


def test_what_comes_from_another_state_of_the_scene_says_so(report: Opened) -> None:
    assert "Made before the scene file was last changed" in report.page.inner_text("#compare .other-state")
    assert report.page.locator("#sheet .other-state").count() == 0


def test_the_set_is_drawn_and_turns(report: Opened, small: Shoot) -> None:
    page = report.page
    whole = solid(page)
    assert whole.std() > 10.0
    page.locator("[data-turn=left]").click()
    assert np.abs(solid(page) - whole).mean() > 1.0
    page.locator("[data-turn=home]").click()
    box = page.locator("#solid-canvas").bounding_box()
    page.locator("#solid-canvas").scroll_into_view_if_needed()
    box = page.locator("#solid-canvas").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 100)
    page.mouse.down()
    page.mouse.move(box["x"] + 420, box["y"] + 130, steps=4)
    page.mouse.up()
    assert np.abs(solid(page) - whole).mean() > 1.0


def test_from_the_lens_the_set_is_what_the_lens_sees(report: Opened, small: Shoot) -> None:
    page = report.page
    go(page, 1001)
    page.locator("[data-turn=lens]").click()
    for frame in (1001, 1012):
        go(page, frame)
        shown = solid(page)
        # the frame fills the window's width or height, whichever is full first
        h, w = shown.shape[:2]
        share = min(w / 16.0, h / 9.0)
        fw, fh = round(16.0 * share), round(9.0 * share)
        part = shown[(h - fh) // 2 : (h - fh) // 2 + fh, (w - fw) // 2 : (w - fw) // 2 + fw]
        small_part = Image.fromarray(part.astype(np.uint8)).resize((80, 45), Image.Resampling.BOX)
        lens = Image.fromarray(on_disk(small, frame).astype(np.uint8)).resize((80, 45), Image.Resampling.BOX)
        a, b = np.asarray(small_part, float).ravel(), np.asarray(lens, float).ravel()
        assert np.corrcoef(a, b)[0, 1] > 0.9
    page.locator("[data-turn=home]").click()


def test_the_move_runs_and_stops(report: Opened) -> None:
    page = report.page
    go(page, 1001)
    page.locator("#run").click()
    at(page, 1012)
    page.wait_for_selector("#run[aria-pressed=false]")


def test_lengths_in_words_are_the_program_s_own(report: Opened) -> None:
    lengths = [0.0, 0.0005, 0.0254, 0.3048, 0.31, 0.85, -0.012, 1.2345, 0.6096 + 0.0127]
    found = report.page.evaluate("l => l.map((v) => [Draw.mm(v), Draw.inches(v)])", lengths)
    assert found == [[mm_text(v), inches_text(v)] for v in lengths]


def test_a_table_is_copied(report: Opened, small: Shoot) -> None:
    page = report.page
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.locator("[data-copy=frames-table]").click()
    page.wait_for_selector("#said:has-text('12 rows')", state="attached")
    rows = page.evaluate("navigator.clipboard.readText()").splitlines()
    assert rows[0].split("\t")[:2] == ["frame", "rail, mm"]
    assert [row.split("\t")[0] for row in rows[1:]] == [row["frame"] for row in small.rows]


@pytest.mark.parametrize("width", [820, 1280, 1600])
def test_nothing_shifts_while_scrubbing_and_nothing_sticks_out(browser: Any, small: Shoot, width: int) -> None:
    """Layout shift as the browser counts it (Layout Instability, WICG)."""
    found = opened(browser, small.report, width, 1180 if width == 820 else 900)
    page = found.page
    page.evaluate("""() => { window.shifts = 0; window.watch = new PerformanceObserver((l) => {
        for (const e of l.getEntries()) window.shifts += e.value; });
        window.watch.observe({ type: 'layout-shift' }); }""")
    for frame in range(1001, 1013):
        page.evaluate("f => { const s = document.getElementById('frame'); s.value = f; "
                      "s.dispatchEvent(new Event('input')); }", frame)  # fmt: skip
        at(page, frame)
    # what is still to be told once the last frame has been laid out
    late = page.evaluate("""() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() =>
        done(window.watch.takeRecords().length))))""")
    assert late == 0
    assert page.evaluate("shifts") == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # no letter of the drawings is set smaller than 10 px
    least = page.evaluate("""() => Math.min(...['side', 'plan', 'curve'].map((id) => {
        const s = document.getElementById(id); return 12 * s.getScreenCTM().a; }))""")
    assert least >= 10.0
    page.context.close()


def test_no_error_and_no_request(report: Opened, small: Shoot) -> None:
    assert report.errors == []
    assert [url for url in report.asked if not url.startswith("data:")] == [small.report.resolve().as_uri()]


def test_no_script_but_its_own_runs(browser: Any, small: Shoot) -> None:
    found = opened(browser, small.report)
    found.page.evaluate("""() => { const s = document.createElement('script'); s.textContent = 'window.stranger = 1';
        document.body.append(s); const i = new Image(); i.src = 'https://example.invalid/x.png'; }""")
    until(found.page, lambda: len(found.errors) >= 2)
    assert found.page.evaluate("window.stranger") is None
    assert len(found.errors) == 2
    assert all("Content Security Policy" in error for error in found.errors)
    found.page.context.close()
