"""The live bench in a real browser: dragged, undone, written back, an editor beside it, two pages that agree.

Nothing waits for a time that ought to be enough. What a page asks for is counted, and each request for another look is
one more order of the bench: so it is known, however slow the machine, when an order is the newest.
"""

import json
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.command.scenes import changed, laid
from tests.page.driver import FULL, PATIENCE, REST, served

# a solve, or a page with a server behind it, for nearly every test
pytestmark = pytest.mark.slow

# requests that each make a new order; keeping, putting away and writing make none
LOOKS = ("turn", "frame", "paint follows", "undo", "redo", "leave", "take", "choose")

# the texts in all fields, by their names
FIELDS = """Object.fromEntries([...document.querySelectorAll("[id^='knob-']")].map((f) => [f.id, f.value]))"""


# whether a button cannot be pressed just now; it keeps the focus all the same
OFF = "(document.querySelector('#{}').getAttribute('aria-disabled') === 'true')"


@dataclass
class Open:
    """A page of the bench, and what its console has said."""

    page: Any
    said: list[str] = field(default_factory=list)
    # requests for a look since the bench was last seen at rest, and its order then
    looks: int = 0
    seen: int = 0

    def sent(self, message: str | bytes) -> None:
        """Take note of what the page asks for."""
        self.looks += json.loads(message)["do"] in LOOKS

    def until(self, words: str, limit: float = PATIENCE) -> Any:
        """Wait for a value of the page that counts as true. (The page's policy forbids waiting inside it.)"""
        end = time.monotonic() + limit
        while not (found := self.page.evaluate(words)):
            assert time.monotonic() < end, f"never: {words}; console: {self.said}"
            self.page.wait_for_timeout(20)
        return found

    def order(self) -> int:
        """The number of the order that the page has been told last."""
        return int(self.page.evaluate("document.body.dataset.order"))

    def at_rest(self, full: bool = False) -> None:
        """Wait until everything wanted has been drawn and judged, by the full judge, too, where that is asked for."""
        # an answer of the page comes after the news of all that it has sent
        self.page.evaluate("0")
        # the page has been told the order that its last request made, and that it has been done
        self.until(f"{REST} && {self.seen + self.looks} <= document.body.dataset.order")
        if full:
            self.until(FULL)
        self.seen, self.looks = self.order(), 0

    def break_pct(self) -> float:
        """The break of the frame in hand by the full judge."""
        self.until("(d => d.exact === d.order)(document.body.dataset)")
        found = re.search(r"break ([\d.]+) %", self.page.inner_text("#verdict-break"))
        assert found is not None, self.page.inner_text("#verdict")
        return float(found.group(1))

    def value(self, name: str) -> str:
        """The text in a field."""
        return str(self.page.input_value(f"#knob-{name}"))

    def set_value(self, name: str, text: str) -> None:
        """Type a value."""
        self.page.fill(f"#knob-{name}", text)
        self.page.press(f"#knob-{name}", "Enter")


@dataclass
class Running:
    """A bench that is being served for a browser."""

    browser: Any
    address: str
    scene: Path
    # what stands in the fields when nobody has touched anything
    fields: dict[str, str] = field(default_factory=dict)

    def open(self, width: int = 1280) -> Open:
        """A page of it."""
        opened = Open(self.browser.new_page(viewport={"width": width, "height": 1000}))
        opened.page.set_default_timeout(1e3 * PATIENCE)
        opened.page.on("console", lambda message: opened.said.append(message.text))
        opened.page.on("pageerror", lambda error: opened.said.append(str(error)))
        opened.page.on("websocket", lambda line: line.on("framesent", opened.sent))
        opened.page.goto(self.address)
        opened.until("document.body.dataset.order")
        return opened


@pytest.fixture(scope="module")
def running(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("bench")
    scene = laid(folder)
    with served(scene, folder) as address:
        yield Running(browser, address, scene)


@pytest.fixture
def bench(running: Running) -> Iterator[Open]:
    """A page at rest, the scene file as it was to begin with."""
    laid(running.scene.parent)
    opened = running.open()
    running.fields = running.fields or opened.page.evaluate(FIELDS)
    # the file as it was is noticed in a moment, and what the test before this one changed by hand is left again
    while opened.page.evaluate(FIELDS) != running.fields or opened.page.evaluate(f"!{OFF.format('leave')}"):
        # pressed once, and no more once it is of no use
        opened.page.evaluate("document.querySelector('#leave').click()")
        opened.until(OFF.format("leave"))
        opened.page.wait_for_timeout(20)
    opened.seen, opened.looks = opened.order(), 0
    opened.page.keyboard.press("s")
    opened.at_rest()
    yield opened
    opened.page.close()
    assert opened.said == []


def _drag(bench: Open, which: str, right_px: float, down_px: float, drop: bool = True) -> None:
    bench.page.locator(f"#{which}").scroll_into_view_if_needed()
    box = bench.page.evaluate(f"document.querySelector('#{which} .d-camera-hit').getBoundingClientRect().toJSON()")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    bench.page.mouse.move(x, y)
    bench.page.mouse.down()
    for k in range(1, 11):
        bench.page.mouse.move(x + right_px * k / 10, y + down_px * k / 10)
        bench.page.wait_for_timeout(50)
    if drop:
        bench.page.mouse.up()


def test_dragging_the_camera_changes_picture_and_break_while_it_is_dragged(bench: Open) -> None:
    # with the paint left as it was laid, the break must rise as the lens leaves the station point
    bench.page.uncheck("#follows")
    bench.at_rest()
    before, coarse = bench.break_pct(), int(bench.page.evaluate("document.body.dataset.coarse"))
    assert before < 5.0
    _drag(bench, "plan", 0.0, 60.0, drop=False)
    bench.until(f"+document.body.dataset.coarse >= {coarse} + 3")
    bench.until("parseFloat(document.querySelector('#verdict-break').textContent.slice(6)) > 30")
    assert bench.page.inner_text("#picture-word").startswith("coarse")
    bench.page.mouse.up()
    bench.at_rest()
    assert bench.page.inner_text("#picture-word").startswith("as delivered")
    assert bench.break_pct() > 30.0
    assert "breaks" in bench.page.get_attribute("#verdict", "class").split()
    # camera right is down the plan's sheet
    assert float(bench.value("right").split()[0]) > 50.0
    assert bench.value("up") == "160 mm"
    # a drag is one step
    bench.page.click("#undo")
    bench.at_rest()
    assert bench.value("right") == "0 mm"
    assert bench.break_pct() == before
    bench.page.check("#follows")


@pytest.mark.sweep
def test_the_lens_answers_while_its_slider_is_held(bench: Open) -> None:
    bench.page.locator("[data-knob=lens]").scroll_into_view_if_needed()
    slider = bench.page.locator("[data-knob=lens] input[type=range]")
    before = {kind: int(bench.page.evaluate(f"document.body.dataset.{kind}")) for kind in ("coarse", "breaks", "holds")}
    box = slider.bounding_box()
    x, y = box["x"] + 0.3 * box["width"], box["y"] + 0.5 * box["height"]
    bench.page.mouse.move(x, y)
    bench.page.mouse.down()
    end = time.monotonic() + PATIENCE
    told = before
    while time.monotonic() < end and any(told[kind] < before[kind] + 3 for kind in before):
        # never at rest: the hand goes on
        x = x + 2 if x < box["x"] + 0.6 * box["width"] else box["x"] + 0.3 * box["width"]
        bench.page.mouse.move(x, y)
        bench.page.wait_for_timeout(20)
        told = {kind: int(bench.page.evaluate(f"document.body.dataset.{kind}")) for kind in before}
    assert all(told[kind] >= before[kind] + 3 for kind in before), (before, told)
    assert "roughly" in bench.page.inner_text("#verdict-break")
    assert bench.page.inner_text("#hold").startswith("roughly")
    bench.page.mouse.up()
    bench.at_rest()
    assert "roughly" not in bench.page.inner_text("#verdict-break") + bench.page.inner_text("#hold")


def test_the_side_view_moves_up_and_out(bench: Open) -> None:
    _drag(bench, "side", -20.0, -30.0)
    bench.at_rest()
    assert float(bench.value("up").split()[0]) > 170.0
    assert float(bench.value("out").split()[0]) > 1260.0
    assert bench.value("right") == "0 mm"


def test_written_back_with_every_other_letter(bench: Open, running: Running) -> None:
    assert bench.page.evaluate(OFF.format("write"))
    bench.set_value("tilt", "-9 deg")
    bench.set_value("lens", "40 mm")
    bench.until("document.querySelector('#file').textContent.includes('not written')")
    bench.page.click("#write")
    bench.until("document.querySelector('#file').textContent.includes('as it is written')")
    wanted = changed(('tilt = "-8 deg"', 'tilt = "-9 deg"'), ('lens = "35 mm"', 'lens = "40 mm"'))
    assert running.scene.read_text(encoding="utf-8") == wanted
    # undo reaches behind the writing
    bench.page.click("#undo")
    bench.until("document.querySelector('#knob-lens').value === '35 mm'")
    bench.page.click("#write-as")
    bench.page.fill("#new-name", "another")
    bench.page.keyboard.press("Enter")
    bench.until("document.querySelector('#word').textContent.includes('wrote another.toml')")
    assert 'lens = "35 mm"' in running.scene.with_name("another.toml").read_text(encoding="utf-8")
    running.scene.with_name("another.toml").unlink()


def test_an_editor_beside_it_and_its_faults(bench: Open, running: Running) -> None:
    before = bench.order()
    # that it is told within 0.3 s is the server's promise (tests/bench/test_server.py)
    laid(running.scene.parent, ('lens = "35 mm"', 'lens = "28 mm"'))
    bench.until(f"document.querySelector('#knob-lens').value === '28 mm' && document.body.dataset.order > {before}")
    bench.at_rest()
    assert bench.order() > before
    # same bytes, other place: the picture stays while the fault is shown
    shown = bench.page.evaluate("document.querySelector('#picture').toDataURL().length")
    laid(running.scene.parent, ('lens = "35 mm"', 'lens = "35 bananas"'))
    bench.until("!document.querySelector('#faults').hidden")
    words = bench.page.inner_text("#faults")
    line = changed(('lens = "35 mm"', 'lens = "35 bananas"')).split("\n").index('lens = "35 bananas"') + 1
    assert f"line {line}, column 8" in words
    rows = bench.page.evaluate("document.querySelector('#faults pre').textContent").split("\n")
    assert rows[0].index('"35 bananas"') == rows[1].index("^")
    assert bench.page.evaluate("document.querySelector('#picture').toDataURL().length") == shown
    assert bench.page.evaluate(OFF.format("write"))
    # wherever the page has been scrolled to
    bench.page.mouse.wheel(0, 600)
    bench.until("scrollY > 0")
    assert bench.page.evaluate("document.querySelector('#faults').getBoundingClientRect().top") >= 0.0
    # what is typed meanwhile is not set, and the word of it stays when the editor gives the field another value
    bench.page.fill("#knob-lens", "30 mm")
    bench.page.press("#knob-lens", "Enter")
    word = "document.querySelector('#note-lens').textContent"
    bench.until(f"{word}.startsWith('\"30 mm\" is not set: the scene file has faults')")
    laid(running.scene.parent)
    bench.until("document.querySelector('#faults').hidden && document.querySelector('#knob-lens').value === '35 mm'")
    assert bench.page.inner_text("#note-lens").startswith('"30 mm" is not set')
    bench.at_rest()
    bench.set_value("lens", "30 mm")
    bench.until(f"{word} === '' && document.querySelector('#knob-lens').value === '30 mm'")
    bench.page.click("#undo")
    bench.until("document.querySelector('#knob-lens').value === '35 mm'")
    bench.at_rest()


def test_what_is_typed_when_the_line_goes_down_is_told_and_stays_told(running: Running) -> None:
    page, lines = running.browser.new_page(), []
    page.route_web_socket("**/live", lambda line: (lines.append(line), line.connect_to_server()))
    page.goto(running.address)
    opened = Open(page)
    opened.until("document.body.dataset.order")
    # refused, and given another value by an editor, with the hand still in the field: then typed again
    laid(running.scene.parent, ('lens = "35 mm"', 'lens = "35 bananas"'))
    opened.until("!document.querySelector('#faults').hidden")
    page.fill("#knob-lens", "31 mm")
    page.press("#knob-lens", "Enter")
    opened.until("document.querySelector('#note-lens').textContent.includes('is not set')")
    laid(running.scene.parent, ('lens = "35 mm"', 'lens = "32 mm"'))
    opened.until("document.querySelector('#faults').hidden && document.querySelector('#knob-lens').value === '32 mm'")
    page.fill("#knob-lens", "31 mm")
    lines[-1].close()
    opened.until("document.body.dataset.line === 'down'")
    opened.until("document.body.dataset.line === 'up'")
    # the browser tells of a change when it switches the field off, or when it is left
    page.focus("#knob-up")
    page.wait_for_timeout(100)
    assert opened.value("lens") == "32 mm"
    assert page.inner_text("#note-lens") == '"31 mm" is not set: the bench did not answer'
    page.close()


def test_two_pages_agree(bench: Open, running: Running) -> None:
    other = running.open(820)
    other.at_rest()
    bench.set_value("up", "180 mm")
    other.until("document.querySelector('#knob-up').value === '180 mm'")
    other.at_rest(full=True)
    bench.at_rest(full=True)
    for place in ("#verdict", "#hold", "#file"):
        assert bench.page.inner_text(place) == other.page.inner_text(place)
    other.page.close()
    assert other.said == []


@pytest.mark.slow
def test_a_reloaded_page_is_as_it_was(bench: Open) -> None:
    bench.set_value("up", "200 mm")
    bench.at_rest()
    bench.page.fill("#keep-name", "Higher")
    bench.page.click("#keep-form button")
    bench.until("document.querySelectorAll('#shelf li').length === 1")
    shown = "[...document.querySelectorAll('#verdict, #hold, #file, #shelf li')].map((n) => n.textContent).join('|')"
    bench.at_rest(full=True)
    before = bench.page.evaluate(shown)
    bench.page.reload()
    bench.until("document.querySelectorAll('#shelf li').length === 1")
    bench.at_rest(full=True)
    # its picture, by either judge: the exact one may be there first
    bench.until("(d => d.fine > 0 || d.exact > 0)(document.body.dataset)")
    assert bench.page.evaluate(shown) == before
    assert bench.value("up") == "200 mm"
    bench.page.click("#undo")
    bench.at_rest()
    assert bench.value("up") == "160 mm"
    bench.page.get_by_role("button", name="Put Higher away").click()
    bench.until("document.querySelectorAll('#shelf li').length === 0")


def test_keys_curve_and_without_the_bridge(bench: Open) -> None:
    frame = "document.querySelector('#frame-number').textContent"
    bench.page.locator("h1").click()
    bench.page.keyboard.press("End")
    bench.until(f"{frame} === '1004'")
    bench.at_rest()
    far = bench.break_pct()
    bench.page.keyboard.press("ArrowLeft")
    bench.until(f"{frame} === '1003'")
    bench.page.keyboard.press("Home")
    bench.until(f"{frame} === '1001'")
    bench.at_rest()
    assert bench.break_pct() < far
    box = bench.page.locator("#curve").bounding_box()
    bench.page.mouse.click(box["x"] + box["width"] * 0.97, box["y"] + box["height"] / 2)
    bench.until(f"{frame} === '1004'")
    bench.at_rest()
    seen = bench.page.evaluate("document.querySelector('#picture').toDataURL()")
    bench.page.locator("h1").click()
    bench.page.keyboard.press("b")
    assert bench.page.evaluate("document.querySelector('#picture').toDataURL()") != seen
    bench.page.keyboard.press("b")
    assert bench.page.evaluate("document.querySelector('#picture').toDataURL()") == seen
    bench.page.keyboard.press("?")
    assert bench.page.is_visible("#keys")
    bench.page.keyboard.press("Escape")


def test_a_field_shows_what_the_scene_has(bench: Open) -> None:
    note = "document.querySelector('#note-out').textContent"
    field = bench.page.locator("#knob-out")
    field.fill("1300")
    assert bench.page.evaluate("document.querySelector('[data-knob=out]').hasAttribute('data-typing')")
    field.press("Escape")
    assert (bench.value("out"), bench.page.evaluate("document.activeElement.id")) == ("1250 mm", "knob-out")
    # a bare number is in the unit that is shown, and Tab sets what was changed
    field.fill("1300")
    field.press("Tab")
    bench.until("document.querySelector('#knob-out').value === '1300 mm'")
    assert bench.page.evaluate("document.activeElement !== document.body")
    field.focus()
    undo = bench.page.evaluate(OFF.format("undo"))
    field.press("Tab")
    assert bench.page.evaluate(OFF.format("undo")) is undo is False
    # what is typed may be what was there: browsers tell of no change then
    field.fill("1300 mm")
    field.press("Tab")
    assert not bench.page.evaluate("document.querySelector('[data-knob=out]').hasAttribute('data-typing')")
    # what cannot be is refused in one line beside the field, the full box stays away
    field.fill("100 bananas")
    field.press("Enter")
    bench.until(f"{note}.startsWith('\"100 bananas\" is not set: expected a length')")
    assert bench.value("out") == "1300 mm"
    assert bench.page.is_hidden("#faults")
    # what is typed is put back first, then the bench's last step: never the browser's own text
    field.fill("1400")
    field.press("Control+z")
    assert bench.value("out") == "1300 mm"
    field.press("Control+z")
    bench.until("document.querySelector('#knob-out').value === '1250 mm'")
    field.press("Control+Shift+Z")
    bench.until("document.querySelector('#knob-out').value === '1300 mm'")
    assert bench.page.get_attribute("[data-knob=out] input[type=range]", "aria-valuetext") == "1300 mm"


def test_keys_work_wherever_the_focus_is(bench: Open) -> None:
    pressed = "document.querySelector('#without').getAttribute('aria-pressed')"
    slider = bench.page.locator("[data-knob=stop] input[type=range]")
    for place in (slider, bench.page.locator("#show-outline"), bench.page.locator("#knob-paint")):
        place.focus()
        before = bench.page.evaluate(pressed)
        bench.page.keyboard.press("b")
        assert bench.page.evaluate(pressed) != before
        bench.page.keyboard.press("?")
        assert bench.page.is_visible("#keys")
        bench.page.keyboard.press("Escape")
    # the space bar plays after a button that was clicked, and presses one that was reached by Tab
    bench.page.click("#without")
    before = bench.page.evaluate(pressed)
    bench.page.keyboard.press(" ")
    bench.until("document.querySelector('#frame-number').textContent === '1004'")
    assert bench.page.evaluate(pressed) == before
    bench.page.focus("#play")
    bench.page.keyboard.press("Tab")
    bench.page.keyboard.press(" ")
    assert bench.page.evaluate(pressed) != before
    # typed text is text
    bench.page.fill("#keep-name", "")
    bench.page.type("#keep-name", "bo?")
    assert bench.page.input_value("#keep-name") == "bo?"
    bench.page.fill("#keep-name", "")


def test_file_and_hand_meet_and_both_values_are_offered(bench: Open, running: Running) -> None:
    bench.set_value("lens", "40")
    bench.until("document.querySelector('#knob-lens').value === '40 mm'")
    laid(running.scene.parent, ('lens = "35 mm"', 'lens = "50 mm"'))
    bench.until("document.querySelector('#knob-lens').value === '50 mm'")
    assert "The file says 50 mm, set here was 40 mm" in bench.page.inner_text("[data-knob=lens]")
    bench.page.get_by_role("button", name="Take 40 mm").click()
    bench.until("document.querySelector('#knob-lens').value === '40 mm'")
    bench.until("document.querySelector('[data-knob=lens] .two').hidden")
    assert bench.page.evaluate("document.activeElement.id") == "knob-lens"
    bench.page.keyboard.press("Control+z")
    bench.until("document.querySelector('#knob-lens').value === '50 mm'")


@pytest.mark.slow
def test_the_shelf_and_two_side_by_side(bench: Open) -> None:
    for name, height in (("low", "160 mm"), ("high", "260 mm")):
        bench.set_value("up", height)
        bench.at_rest()
        bench.page.fill("#keep-name", name)
        bench.page.click("#keep")
        bench.until(f"[...document.querySelectorAll('#shelf b')].some((b) => b.textContent === '{name}')")
    for k in range(2):
        bench.page.locator("#shelf input[type=checkbox]").nth(k).check()
    words = bench.page.inner_text("#pair")
    assert "160 mm" in words
    assert "260 mm" in words
    bench.until("[...document.querySelectorAll('#pair img')].every((i) => i.complete && i.naturalWidth > 0)")
    bench.page.locator("#shelf button", has_text="Back onto the bench").first.click()
    bench.until("document.querySelector('#knob-up').value === '160 mm'")
    for left in (1, 0):
        bench.page.locator("#shelf button", has_text="Put away").first.click()
        bench.until(f"document.querySelectorAll('#shelf li').length === {left}")


@pytest.mark.sweep
def test_another_bridge_is_built_behind_the_old_picture(bench: Open) -> None:
    outline = "document.querySelector('#plan .d-bridge').getBoundingClientRect().height"
    before = bench.page.evaluate(outline)
    bench.set_value("width", "90 mm")
    bench.at_rest()
    assert bench.page.evaluate(outline) == pytest.approx(before * 90 / 50, rel=0.1)
    bench.page.select_option("#knob-paint", "bare")
    bench.at_rest()
    # a bare board before slate is seen by anybody
    assert bench.break_pct() > 50.0


@pytest.mark.parametrize("width", [820, 1280, 1600])
def test_nothing_is_cut_off_and_nothing_moves_while_scrubbing(running: Running, bench: Open, width: int) -> None:
    bench.page.set_viewport_size({"width": width, "height": 1000})
    assert bench.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    tops = "['#scrub', '#curve', '#shelf-head'].map((i) => document.querySelector(i).getBoundingClientRect().top)"
    place = f"JSON.stringify({tops})"
    bench.page.locator("h1").click()
    before = bench.page.evaluate(place)
    for key, frame in (("End", 1004), ("ArrowLeft", 1003), ("Home", 1001)):
        bench.page.keyboard.press(key)
        bench.until(f"document.querySelector('#frame-number').textContent === '{frame}'")
        assert bench.page.evaluate(place) == before
    bench.at_rest()
    assert bench.page.evaluate(place) == before


def test_axe_finds_nothing(bench: Open) -> None:
    """Rules of axe-core (Deque), as its PyPI package carries them: WCAG 2 A and AA, contrast among them."""
    axe = pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    bench.page.evaluate((Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    for width, scheme in ((1280, "light"), (390, "dark"), (390, "light")):
        bench.page.set_viewport_size({"width": width, "height": 844})
        bench.page.emulate_media(color_scheme=scheme)
        # colours change over an eighth of a second
        bench.page.wait_for_timeout(400)
        found = bench.page.evaluate("axe.run()")
        bad = [(v["id"], [(n["target"], n["failureSummary"]) for n in v["nodes"]]) for v in found["violations"]]
        assert bad == []
        assert len(found["passes"]) > 15


def test_on_a_phone_picture_verdict_and_slider_are_on_one_screen(bench: Open) -> None:
    bench.page.set_viewport_size({"width": 390, "height": 844})
    assert bench.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for place in ("#frame", "#verdict", "#scrub", "#without"):
        box = bench.page.locator(place).bounding_box()
        assert box["y"] >= 0.0
        assert box["y"] + box["height"] <= 844
        assert box["x"] + box["width"] <= 390
