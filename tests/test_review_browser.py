"""The review of a kept roast in a real browser: cards answered, moments moved, by finger, mouse and keyboard."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from browsing import NEEDED, PHONE, until
from patience import PATIENCE_S
from roasts import HOSTILE

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Route

pytest.importorskip("playwright.sync_api")
pytestmark = NEEDED

from reviewed import MISSED, Reviewed, kept_roast  # noqa: E402

from crackdetect.storage import unsaid_sounds  # noqa: E402
from crackdetect.storage.roast_store import RoastLog  # noqa: E402

LONG = pytest.mark.long
#: What is played is counted, not heard; and nothing that was said is given up because a machine is slow.
WATCH = """
AbortSignal.timeout = () => new AbortController().signal;
window.played = []; window.filters = 0;
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...when) {
  if (this.context instanceof AudioContext) played.push([this.buffer.duration, this.playbackRate.value]);
  return start.apply(this, when);
};
const filter = BaseAudioContext.prototype.createBiquadFilter;
BaseAudioContext.prototype.createBiquadFilter = function () {
  if (this instanceof AudioContext) filters++;
  return filter.call(this);
};
"""


@pytest.fixture
def reviewed(tmp_path: Path) -> Iterator[Reviewed]:
    with Reviewed(tmp_path) as served:
        yield served


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a page that is ready; whatever it complains of fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def opened(served: Reviewed, **options: Any) -> Page:
        contexts.append(browser.new_context(**{"viewport": PHONE, **options}))
        contexts[-1].set_default_timeout(1000 * PATIENCE_S)
        page = contexts[-1].new_page()
        page.add_init_script(WATCH)
        page.on("console", lambda said: complaints.append(said.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(served.page.address)
        page.wait_for_selector("body.ready")
        return page

    yield opened
    for context in contexts:
        context.close()
    # of what the browser itself says of a computer out of reach, a refusal, and a test that reads pixels
    known = ("net::ERR_", "409", "willReadFrequently")
    assert [said for said in complaints if not any(word in said for word in known)] == []


def told(page: Page) -> str:
    return page.inner_text("#told")


def labels(served: Reviewed) -> list[tuple[float, bool | None]]:
    return [(one.at, one.is_crack) for one in served.record.corrections.labels]


def moves(served: Reviewed) -> list[tuple[str, float | None, float | None]]:
    return [(one.mark, one.was, one.now) for one in served.record.corrections.moves]


# -- cards -----------------------------------------------------------------------------------------------------


@LONG
def test_ten_cards_end_in_the_log_and_undo_brings_them_back(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    assert page.inner_text("#left") == "10 of 10 left"
    assert page.evaluate("played.length") == 0  # before anybody has asked for sound
    page.click("#begin")
    until(page, lambda: page.evaluate("played.length") == 1)
    assert page.evaluate("played[0][0]") == pytest.approx(2.0, abs=0.01)
    answers = ["Crack", "Not a crack", "Can’t tell", "c", "n", "t", "Crack", "n", "c", "Not a crack"]
    for number, given in enumerate(answers, start=1):
        assert "The program was 55 % sure" in page.inner_text("#why")
        if len(given) == 1:
            page.keyboard.press(given)
        else:
            page.get_by_role("button", name=given, exact=True).click()
        until(page, lambda number=number: len(labels(reviewed)) == number)  # type: ignore[misc]
        left = f"{10 - number} left" if number < 10 else "None are left"
        until(page, lambda left=left: left in told(page))  # type: ignore[misc]
    said = [is_crack for _, is_crack in labels(reviewed)]
    assert said == [True, False, None, True, False, None, True, False, True, False]
    assert {at for at, _ in labels(reviewed)} == {40.0 + 8.0 * n for n in range(10)}
    assert "thank you" in page.inner_text("#why")
    page.click("#undo")
    until(page, lambda: len(labels(reviewed)) == 9)
    until(page, lambda: page.inner_text("#left") == "1 of 10 left")
    assert told(page).startswith("Undone: not a crack")
    page.reload()  # and after it, with the cookie alone
    page.wait_for_selector("body.ready")
    page.keyboard.press("Control+z")
    until(page, lambda: len(labels(reviewed)) == 8)


def test_again_slower_and_the_crack_band(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    page.click("#begin")
    until(page, lambda: page.evaluate("played.length") == 1)
    assert page.evaluate("[played[0][1], filters]") == [1, 0]
    page.click("#slow")
    until(page, lambda: page.evaluate("played.length") == 2)
    assert page.evaluate("played[1][1]") == pytest.approx(0.4)
    page.keyboard.press("b")
    until(page, lambda: page.evaluate("played.length") == 3)
    assert page.evaluate("filters") == 4
    assert page.get_attribute("#band", "aria-pressed") == "true"
    page.keyboard.press("r")
    until(page, lambda: page.evaluate("played.length") == 4)
    assert labels(reviewed) == []


def test_the_filter_takes_the_rumble_and_leaves_the_crack(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    """The response of two second-order filters with the browser's q of 1, at each end: 100 Hz falls by 40 dB each."""
    page = open_page(reviewed)
    measure = """async (hz) => { const c = new OfflineAudioContext(1, 44100, 44100), o = c.createOscillator();
        o.frequency.value = hz; filtered(c, o).connect(c.destination); o.start();
        const d = (await c.startRendering()).getChannelData(0).slice(22050);
        return Math.sqrt(2 * d.reduce((sum, one) => sum + one * one, 0) / d.length); }"""
    heard = {hz: 20 * np.log10(page.evaluate(measure, hz)) for hz in (100, 3_000, 8_000)}
    assert heard[100] < -60
    assert abs(heard[3_000]) < 3
    assert abs(heard[8_000]) < 3


def test_a_crack_of_the_strip_can_be_asked_about(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    at = "(at) => { const b = picture.getBoundingClientRect(); return [b.left + xOf(at), b.top + 0.85 * b.height]; }"
    page.mouse.click(*page.evaluate(f"({at})(42)"))
    until(page, lambda: "You chose it." in page.inner_text("#why"))
    page.keyboard.press("n")
    until(page, lambda: labels(reviewed) == [(42.0, False)])
    until(page, lambda: "The program was" in page.inner_text("#why"))
    assert page.inner_text("#left") == "10 of 10 left"


@LONG
def test_what_was_almost_taken_for_a_crack_is_on_the_strip_once_it_is_asked_about(
    tmp_path: Path, open_page: Callable[..., Page]
) -> None:
    number = kept_roast(tmp_path)
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        unsaid_sounds.keep(log.find(str(number)), [(MISSED, 0.1)], folder=tmp_path)
    with Reviewed(tmp_path, number=number) as served:
        page = open_page(served)
        assert page.evaluate(f"[nearest({MISSED}, 0.5), cursor = 44.5, jump(1), cursor]") == [None, 44.5, None, 46.0]
        page.evaluate(f"look({MISSED} - 0.5, {MISSED} + 0.5), moveCursor({MISSED})")
        page.click("#missed")
        until(page, lambda: "a crack that was not heard" in told(page))
        assert "Undo: a crack, " in page.inner_text("#undo")
        assert page.evaluate(f"[nearest({MISSED}, 0.5), cursor = 44.5, jump(1), cursor]") == [40, 44.5, None, MISSED]


@LONG
def test_a_person_who_types_fast_loses_no_key(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    """Every answer of the computer takes longer than ten keys: each of them is for the card that is shown."""
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    page.route("**/say", lambda route: (page.wait_for_timeout(150), route.continue_()))
    page.focus("#begin")
    page.keyboard.press("Enter")
    shown = []
    for key in "cntcnt":
        shown.append(page.evaluate("cracks[question()][0]"))
        page.keyboard.press(key)
    assert page.inner_text("#left") == "4 of 10 left"
    page.focus("#picture")
    page.keyboard.press("Home")
    page.keyboard.press("+")
    for key in ("u", "c", "n"):  # the last of the six comes back before it is answered anew
        page.keyboard.press(key)
    until(page, lambda: len(labels(reviewed)) == 7)
    until(page, lambda: "3 left" in told(page).lower())
    answers = [True, False, None, True, False, True, False]
    assert [is_crack for _, is_crack in labels(reviewed)] == answers
    assert [at for at, _ in labels(reviewed)][:6] == shown
    page.keyboard.press("Home")
    until(page, lambda: page.get_attribute("#picture", "aria-valuenow") == "0.00")
    page.keyboard.press("0")
    page.get_by_role("slider", name="Drop", exact=True).focus()
    for _ in range(8):
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("Enter")
    until(page, lambda: len(moves(reviewed)) == 8)
    assert moves(reviewed)[-1] == ("drop", 129.3, 129.2)


def test_what_was_not_taken_comes_back(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    page.click("#begin")
    held: list[Route] = []
    page.route("**/say", lambda route: held.append(route))
    for key in "ccc":
        page.keyboard.press(key)
    assert page.inner_text("#left") == "7 of 10 left"
    until(page, lambda: held)
    held[0].abort()
    until(page, lambda: "not in the log" in page.inner_text("#trouble"))
    assert "Nor is what you said after it" in page.inner_text("#trouble")
    until(page, lambda: page.inner_text("#left") == "10 of 10 left")
    page.unroute("**/say")
    page.keyboard.press("n")
    until(page, lambda: [is_crack for _, is_crack in labels(reviewed)] == [False])
    until(page, lambda: page.inner_text("#trouble") == "")


def test_a_missed_crack_is_added_by_keyboard_and_by_mouse(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    page.evaluate("moveCursor(44.5)")
    page.focus("#picture")
    page.keyboard.press("a")  # 150 s in some 600 pixels: that points at nothing
    assert "Put the cursor on the crack" in told(page)
    assert page.evaluate("view.to - view.from") < 6
    assert labels(reviewed) == []
    point = "(at) => { const b = picture.getBoundingClientRect(); return [b.left + xOf(at), b.top + 0.3 * b.height]; }"
    page.mouse.click(*page.evaluate(point, MISSED + 0.02))
    page.keyboard.press("a")
    until(page, lambda: labels(reviewed) == [(pytest.approx(MISSED, abs=0.003), True)])
    until(page, lambda: "a crack that was not heard" in told(page))
    assert page.evaluate("cursor") == pytest.approx(MISSED, abs=0.003)
    until(page, lambda: "not heard, you said a crack" in (page.get_attribute("#picture", "aria-valuetext") or ""))
    until(page, lambda: page.evaluate("played.length") >= 1)
    page.keyboard.press("u")
    until(page, lambda: labels(reviewed) == [])
    until(page, lambda: told(page) == "Undone: a crack added, 0:40.")
    page.click("#missed")
    until(page, lambda: len(labels(reviewed)) == 1)
    page.keyboard.press("Space")  # on the button: once more, at the same sound
    until(page, lambda: len(labels(reviewed)) == 2)
    assert len(reviewed.record.not_heard) == 1
    page.mouse.click(*page.evaluate(point.replace("0.3", "0.85"), MISSED))
    assert "not heard as a crack. You chose it. You said: a crack." in page.inner_text("#why")
    page.keyboard.press("n")
    until(page, lambda: [label.is_crack for label in reviewed.record.not_heard] == [False])


# -- by finger -------------------------------------------------------------------------------------------------


class Fingers:
    """Touches as the browser takes them from a screen, by the devtools protocol."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._devtools = page.context.new_cdp_session(page)

    def send(self, kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        self._devtools.send("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": points})

    def drag(self, *ways: tuple[tuple[float, float], tuple[float, float]], steps: int = 8) -> None:
        """ways: from where to where, one for each finger."""
        self.send("Start", *(begin for begin, _ in ways))
        for step in range(1, steps + 1):
            part = step / steps
            self.send("Move", *((x + part * (u - x), y + part * (v - y)) for (x, y), (u, v) in ways))
            self._page.wait_for_timeout(20)
        self.send("End")


FINGERS = {"has_touch": True, "is_mobile": True}
#: Pixels of the window that a time and a share of the height have in the strip.
POINT = (
    "([at, high]) => { const b = picture.getBoundingClientRect(); return [b.left + xOf(at), b.top + high * b.height]; }"
)


def test_fingers_move_zoom_and_tap_the_strip(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, **FINGERS)
    fingers = Fingers(page)
    page.locator("#picture").scroll_into_view_if_needed()
    page.evaluate("look(40, 80)")
    at = {time: tuple(page.evaluate(POINT, [time, 0.3])) for time in (50, 56, 60, 64, 70)}
    fingers.drag((at[50], at[70]))  # one finger takes the sound along
    until(page, lambda: page.evaluate("view.from") == pytest.approx(20, abs=1.0))
    assert page.evaluate("view.to - view.from") == pytest.approx(40)
    page.evaluate("look(40, 80)")
    fingers.drag((at[56], at[50]), (at[64], at[70]))  # two, 8 s apart, move 20 s apart
    until(page, lambda: page.evaluate("view.to - view.from") == pytest.approx(40 * 8 / 20, rel=0.05))
    assert page.evaluate("(view.to + view.from) / 2") == pytest.approx(60, abs=0.5)  # what was between them is
    assert page.evaluate("visualViewport.scale") == 1  # and the page itself was not zoomed
    before = page.evaluate("view")
    fingers.send("Start", at[50])
    fingers.send("End")
    tapped = page.evaluate(f"atOf({at[50][0]} - picture.getBoundingClientRect().left)")
    until(page, lambda: page.evaluate("cursor") == pytest.approx(tapped))
    assert page.evaluate("view") == before
    page.evaluate("look(40, 80)")
    fingers.send("Start", tuple(page.evaluate(POINT, [58.0, 0.85])))
    fingers.send("End")
    until(page, lambda: "0:53.0, heard as first crack. You chose it." in page.inner_text("#why"))
    assert labels(reviewed) == []


def test_a_finger_up_the_strip_scrolls_the_page(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, viewport={"width": 390, "height": 500}, **FINGERS)
    page.locator("#picture").scroll_into_view_if_needed()
    page.evaluate("look(40, 80)")
    before = page.evaluate("[scrollY, cursor, view.from]")
    x, y = page.evaluate(POINT, [60, 0.4])
    Fingers(page).drag(((x, y), (x + 2, y - 150)))
    until(page, lambda: page.evaluate("scrollY") > before[0] + 50)
    assert page.evaluate("[cursor, view.from]") == before[1:]


def test_a_moment_is_dragged_by_a_finger(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, **FINGERS)
    handle = page.get_by_role("slider", name="Drop", exact=True)
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    by = page.evaluate("xOf(120) - xOf(130)")
    Fingers(page).drag(((x, y), (x + by, y)))
    until(page, lambda: moves(reviewed) == [("drop", 130.0, pytest.approx(120.0, abs=0.5))])
    page.locator("#undo").tap()
    until(page, lambda: moves(reviewed) == [])


# -- moments ---------------------------------------------------------------------------------------------------


def test_a_moment_is_dragged_heard_and_put_back(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    handle = page.get_by_role("slider", name="First crack", exact=True)
    box = handle.bounding_box()
    assert box is not None
    start = page.evaluate("[xOf(40), xOf(46)]")
    page.mouse.move(box["x"] + 8, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] + 8 + (start[1] - start[0]) / 2, box["y"] + 8, steps=3)
    page.mouse.move(box["x"] + 8 + start[1] - start[0], box["y"] + 8, steps=3)
    assert handle.get_attribute("aria-valuetext") == "0:41.0"  # 46 s, charge at 5 s
    assert moves(reviewed) == []
    page.mouse.up()
    until(page, lambda: len(moves(reviewed)) == 1)
    ((mark, was, now),) = moves(reviewed)
    assert (mark, was, now) == ("first_crack.start", 40.0, pytest.approx(46.0, abs=0.05))
    until(page, lambda: page.evaluate("played.length") >= 1)
    assert page.evaluate("played[played.length - 1][0]") == pytest.approx(3.0, abs=0.05)  # around the new place
    row = "#marks [data-what='first_crack.start']"
    until(page, lambda: "put here by you" in page.inner_text(row))
    assert "heard 0:35.0" in page.inner_text(row)
    page.click("#undo")
    until(page, lambda: moves(reviewed) == [])
    until(page, lambda: handle.get_attribute("aria-valuetext") == "0:35.0")


def test_what_cannot_have_been_is_refused_in_words(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    page.click("#marks [data-what='drop']")
    page.evaluate("moveCursor(20)")
    page.click("#here")
    until(page, lambda: "must come after" in page.inner_text("#trouble"))
    assert page.inner_text("#marks [data-what='drop'] strong") == "2:05.0"
    assert moves(reviewed) == []


def test_a_moment_that_was_not_heard_is_put_and_taken_away(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    page.click("#marks [data-what='second_crack.start']")
    page.evaluate("moveCursor(120)")
    page.click("#here")
    until(page, lambda: moves(reviewed) == [("second_crack.start", None, 120.0)])
    until(page, lambda: "now" in told(page))
    page.click("#never")
    until(page, lambda: len(moves(reviewed)) == 2)
    until(page, lambda: "did not happen" in told(page))
    page.click("#asit")
    until(page, lambda: moves(reviewed) == [])


# -- by keyboard, eye and ear ----------------------------------------------------------------------------------


@LONG
def test_the_keyboard_alone_does_all(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    reached = []
    for _ in range(22):
        page.keyboard.press("Tab")
        here = "document.activeElement"
        reached.append(page.evaluate(f"{here}.getAttribute('aria-label') || {here}.innerText.trim().split('\\n')[0]"))
        assert page.evaluate(f"getComputedStyle({here}).outlineStyle") != "none"
    for name in ("Listen: 10 to answer", "Play", "Place in the recording", "First crack", "Drop", "Charge", "Keys"):
        assert name in reached
    page.focus("#begin")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.dataset.answer") == "true"  # the place of the button that has gone
    page.keyboard.press("Enter")
    until(page, lambda: len(labels(reviewed)) == 1)
    page.focus("#picture")
    page.keyboard.press("Home")
    until(page, lambda: page.get_attribute("#picture", "aria-valuenow") == "0.00")
    page.keyboard.press(".")
    until(page, lambda: "first crack, 55 % sure" in (page.get_attribute("#picture", "aria-valuetext") or ""))
    wide = page.evaluate("view.to - view.from")
    for _ in range(3):
        page.keyboard.press("+")
    assert page.evaluate("view.to - view.from") == pytest.approx(wide / 8)
    page.keyboard.press("0")
    assert page.evaluate("view.to - view.from") == pytest.approx(150)
    page.keyboard.press("Enter")
    assert "You chose it" in page.inner_text("#why")
    page.keyboard.press("Enter")
    assert "The program was" in page.inner_text("#why")
    page.keyboard.press("0")
    page.get_by_role("slider", name="First crack", exact=True).focus()
    page.clock.install()
    page.clock.pause_at(time.time() + 3600)  # no key comes too late for the one before
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowRight"):
        page.keyboard.press(key)
    assert moves(reviewed) == []  # not while it moves
    page.clock.run_for(1200)
    until(page, lambda: moves(reviewed) == [("first_crack.start", 40.0, 41.2)])
    until(page, lambda: "is at 0:36.2 now" in told(page))
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Escape")
    page.clock.run_for(1200)
    page.wait_for_timeout(200)
    assert len(moves(reviewed)) == 1
    page.keyboard.press("u")
    until(page, lambda: moves(reviewed) == [])


def test_single_keys_can_be_switched_off(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    """WCAG 2.1, success criterion 2.1.4 (from memory): keys without Ctrl must not get in the way of speech input."""
    page = open_page(reviewed)
    page.click("#begin")
    page.click("summary")
    page.click("#keys")
    page.keyboard.press("c")
    page.wait_for_timeout(300)
    assert labels(reviewed) == []
    page.click("#keys")
    page.keyboard.press("c")
    until(page, lambda: len(labels(reviewed)) == 1)


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=LONG)])
def test_the_rules_of_accessibility_find_nothing(
    reviewed: Reviewed, open_page: Callable[..., Page], scheme: str
) -> None:
    """All rules of axe-core, contrast among them: before, at a card with a moment chosen, and after a refusal."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    page = open_page(reviewed, color_scheme=scheme, bypass_csp=True)  # the rules are a script of their own
    found = []

    def look() -> None:
        violations = axe.run(page).response["violations"]
        found.extend((one["id"], one["impact"], [node["target"] for node in one["nodes"]]) for one in violations)

    look()
    page.click("#begin")
    page.click("#marks [data-what='drop']")
    page.click("summary")
    page.evaluate("moveCursor(20)")
    page.click("#here")
    until(page, lambda: page.inner_text("#trouble") != "")
    look()
    assert found == []


@pytest.mark.parametrize(
    ("width", "height"), [(320, 568), (1920, 1080), *(pytest.param(*s, marks=LONG) for s in ((390, 844), (1024, 768)))]
)
def test_it_fits_from_320_to_1920_pixels(
    tmp_path: Path, open_page: Callable[..., Page], width: int, height: int
) -> None:
    number = kept_roast(tmp_path, coffee="A coffee with a very long name " * 4 + "andonewordthatdoesnotend" * 4)
    with Reviewed(tmp_path, number=number) as served:
        page = open_page(served, viewport={"width": width, "height": height})
        page.click("#begin")
        page.click("#marks [data-what='drop']")
        page.evaluate("look(0, duration())")
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") == width
        small = page.evaluate(
            "[...document.querySelectorAll('button')]"
            ".filter((one) => one.offsetParent && getComputedStyle(one).visibility !== 'hidden')"
            ".map((one) => [one.innerText, one.offsetWidth, one.offsetHeight])"
            ".filter(([, wide, high]) => wide < 24 || high < 24)"
        )
        assert small == []  # WCAG 2.2, success criterion 2.5.8 (from memory): 24 by 24 pixels at the least
        flags = page.evaluate(
            "[...document.querySelectorAll('.handle')].map((one) => { const b = one.getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom]; })"
        )
        assert len(flags) == 3
        for one in flags:
            assert one[0] >= 0
            assert one[2] <= width
            for other in flags:  # none lies on another
                apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
                assert one == other or apart


def test_with_reduced_motion_the_playing_moves_in_steps(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed, reduced_motion="reduce")
    page.evaluate("window.n = 0; const f = drawStrip; drawStrip = () => { n++; f(); }")
    page.click("#play")
    until(page, lambda: page.evaluate("playhead() !== null"))
    until(page, lambda: page.evaluate("[...tiles.values()].every((one) => one !== null)"))
    before, began = page.evaluate("[n, performance.now()]")
    until(page, lambda: page.evaluate("n") > before)
    page.wait_for_timeout(1000)
    drawn, ended = page.evaluate("[n, performance.now()]")
    assert drawn - before <= (ended - began) / 250 + 3
    page.keyboard.press("Space")


@LONG
def test_the_strip_plays_from_anywhere_without_a_seam(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    page.evaluate("moveCursor(30)")
    page.focus("#picture")
    page.keyboard.press("Space")
    until(page, lambda: page.evaluate("played.length") >= 2)
    assert page.evaluate("played[0][0]") == pytest.approx(4.0, abs=0.01)
    assert page.inner_text("#play") == "Stop"
    page.keyboard.press("Space")
    until(page, lambda: page.inner_text("#play") == "Play")
    assert 30 < page.evaluate("cursor") < 60


@pytest.mark.parametrize("name", [HOSTILE[0], HOSTILE[1], HOSTILE[11], HOSTILE[-1]])
def test_a_hostile_name_does_nothing(tmp_path: Path, open_page: Callable[..., Page], name: str) -> None:
    number = kept_roast(tmp_path, coffee=name, sound=np.zeros(16_000, np.float32))
    with Reviewed(tmp_path, number=number) as served:
        page = open_page(served)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("dialog", lambda dialog: pytest.fail(dialog.message))
        assert page.inner_text("#title").strip()[:8] == name.strip()[:8]
        page.wait_for_timeout(200)
        assert page.locator("h1 *").count() == 0
        assert all(url.startswith(served.place.origin) for url in asked)


def test_the_token_leaves_the_address(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    page = open_page(reviewed)
    assert page.url == f"{reviewed.place.origin}/"
    assert reviewed.access.token not in page.content()
    assert page.evaluate("document.cookie") == ""


def test_a_program_that_has_ended_is_told(tmp_path: Path, open_page: Callable[..., Page]) -> None:
    with Reviewed(tmp_path) as served:
        page = open_page(served)
        page.click("#begin")
    page.keyboard.press("c")
    until(page, lambda: "not in the log" in page.inner_text("#trouble"))
    assert labels(served) == []
    assert page.inner_text("#left") == "10 of 10 left"


def test_pictures_show_the_sound(reviewed: Reviewed, open_page: Callable[..., Page]) -> None:
    """Where a click of 3 kHz is, the spectrum is dark; the axis counts from charge."""
    page = open_page(reviewed, viewport={"width": 1024, "height": 768})
    page.evaluate("picture.dataset.whole = ''; look(49, 51)")
    until(page, lambda: page.get_attribute("#picture", "data-whole") == "true")
    dark = """(at) => { const c = picture, d = c.getContext('2d'), x = Math.round(xOf(at) * devicePixelRatio);
        const y = Math.round(0.46 * (c.height - 1.9 * letters()) * (1 - 3000 / 8000));
        let most = 0;
        for (let i = -4; i <= 4; i++) for (let j = -9; j <= 9; j++) {
          const [r, g, b] = d.getImageData(x + i, y + j, 1, 1).data; most = Math.max(most, 765 - r - g - b); }
        return most; }"""
    assert page.evaluate(dark, 50.0) > 2 * page.evaluate(dark, 49.4)


# -- the report ------------------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("viewport", [PHONE, {"width": 1280, "height": 900}])
def test_a_tap_on_the_report_s_picture_plays_the_nearest_clip(
    tmp_path: Path, browser: Browser, viewport: dict[str, int]
) -> None:
    pytest.importorskip("matplotlib")
    pytest.importorskip("jinja2")
    from crackdetect.report import sound
    from crackdetect.report.page import render
    from crackdetect.storage.roast_store import RoastLog

    kept_roast(tmp_path)
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        record = log.record(log.find("1"))
    assert record.roast.recording is not None
    path = tmp_path / "report.html"
    path.write_text(render(record, sound.gather(record, record.roast.recording)), encoding="utf-8")
    context = browser.new_context(viewport=viewport)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.add_init_script(
        "window.heard = [];"
        "HTMLMediaElement.prototype.play = function () { heard.push(this.id); return Promise.resolve(); }"
    )
    page.goto(path.as_uri())
    lane = page.locator(".tap:visible")
    assert "Tap the picture" in page.inner_text("#tapped")
    box = lane.bounding_box()
    assert box is not None
    buttons = lane.locator(".at")
    assert buttons.count() == 10
    places = [one["x"] + one["width"] / 2 for one in map(lambda n: buttons.nth(n).bounding_box(), range(10)) if one]
    for n in (0, 9):
        # beside it, on the side where no other is
        page.mouse.click(places[n] + (-12 if n == 0 else 12), box["y"] + 0.3 * box["height"])
        assert page.evaluate("heard[heard.length - 1]") == buttons.nth(n).get_attribute("data-clip")
        assert page.inner_text("#tapped") == f"{buttons.nth(n).get_attribute('aria-label')}."
    buttons.nth(4).focus()
    page.keyboard.press("Enter")
    assert page.evaluate("heard[heard.length - 1]") == buttons.nth(4).get_attribute("data-clip")
    assert page.evaluate("document.documentElement.scrollWidth") == viewport["width"]
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    assert complaints == []
    bare = browser.new_context(viewport=viewport, bypass_csp=True).new_page()
    bare.goto(path.as_uri())
    found = [
        (one["id"], one["impact"], [node["target"] for node in one["nodes"]])
        for one in axe.run(bare).response["violations"]
        if one["impact"] in ("serious", "critical")
    ]
    bare.screenshot(path=str(tmp_path / "report.png"), full_page=True)
    bare.context.close()
    context.close()
    assert found == []
