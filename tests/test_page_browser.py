"""The page of a live roast in a real browser: what a person at the roaster sees and presses."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest
from browsing import NEEDED, PHONE, until
from pages import Phone, Served
from patience import PATIENCE_S
from test_alerts import begun, crack, density, event, mark, start
from test_page import SUMMARY

from crackdetect import model as model_files
from crackdetect.audio.files import open_recording
from crackdetect.config import Settings, Target
from crackdetect.events import Event
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.stage import how_dense
from crackdetect.roast.state import RoastState
from crackdetect.running import recordings
from crackdetect.synth.truth import Truth

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

pytest.importorskip("playwright.sync_api")
pytestmark = NEEDED
LONG = pytest.mark.long
CHARGE = event("charge", 10.0, how="key")
DROP = event("drop", 690.0, how="key")


def cracking() -> list[Event]:
    """A roast 40 s into first crack, ten minutes after its start."""
    rows = [
        event("density", float(at), per_minute=max(0.0, at - 560.0), low=0.0, high=at / 8) for at in range(480, 601)
    ]
    pops = [
        event("crack", 560.0 + 0.8 * n, kind="first", probability=0.5 + n % 50 / 100, snr_db=15.0) for n in range(50)
    ]
    told = [start(target="1:45", coffee="Meadow Lane", green_g=200.0, cool_s=120.0), CHARGE, begun(560.0, 568.0)]
    return sorted([*told, *rows, *pops], key=lambda one: one.announced_at)


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a page as a phone does that has scanned the code; whatever it complains of fails the test.

    Its clock stands, and goes on by ``page.clock.run_for`` only: on a slow machine no board grows old and no press is
    given up. running: it runs.
    """
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def opened(served: Served, *, running: bool = False, **options: Any) -> Page:
        contexts.append(browser.new_context(**{"viewport": PHONE, **options}))
        contexts[-1].set_default_timeout(1000 * PATIENCE_S)
        page = contexts[-1].new_page()
        if not running:
            page.clock.install(time=0)
            page.clock.pause_at(3600)  # s, before the page is there: of its clock no moment is left to chance
            page.add_init_script("AbortSignal.timeout = () => new AbortController().signal;")
        page.on("console", lambda said: complaints.append(said.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(served.page.address)
        page.wait_for_selector("body.live")
        return page

    yield opened
    for context in contexts:
        context.close()
    # a computer that is out of reach is told to the console by the browser itself
    assert [said for said in complaints if "net::ERR_" not in said and "403" not in said] == []


def rested(page: Page, button: str) -> None:
    """Until a button can be pressed; the page's clock goes on meanwhile, but never past what the computer says."""
    until(page, lambda: page.is_enabled(button) or (page.evaluate("age() < 2000") and page.clock.run_for(100)))


def marked(page: Page, served: Served) -> list[str]:
    """What was marked at least once, and whatever is right after it."""
    found: list[str] = []
    until(page, lambda: found.extend(served.marked) or found)
    page.wait_for_timeout(200)
    return found + served.marked


def phase_of(page: Page) -> str | None:
    return page.text_content("#phase")


def board_of(page: Page) -> dict[str, str]:
    """What stands on the board, without what the microphone gives at this moment."""
    words = ("phase", "note", "facts", "latest", "said", "trouble", "next", "density", "title", "mark", "undo")
    return {name: page.inner_text(f"#{name}") for name in words}


# -- a roast ---------------------------------------------------------------------------------------------------


#: Every text that stood in a place of the board, however short a time.
SEEN = """() => {
  window.seen = new Set();
  const look = () => {
    for (const id of ["phase", "mark-words", "latest"]) seen.add(document.getElementById(id).textContent.toLowerCase());
    for (const line of document.querySelectorAll("#said li")) seen.add(line.textContent.toLowerCase());
  };
  new MutationObserver(look).observe(document.body, { subtree: true, childList: true, characterData: true });
  look();
}"""


@LONG
def test_the_demo_roast_on_a_phone(open_page: Callable[..., Page]) -> None:
    path = model_files.data_folder("recordings_synthetic") / "demo_roast.flac"
    truth = Truth.from_json(path.with_suffix(".json").read_text(encoding="utf-8"))
    source = open_recording(path, block_s=0.1)
    settings = Settings(charge_at=truth.charge_s, drop_at=truth.drop_s, target=Target.parse("1:30"))
    pipeline = Pipeline(samplerate=source.samplerate, model=model_files.shipped(), settings=settings, roast="demo")
    heard = recordings.AllEvents()
    with Served() as served:
        page = open_page(served, running=True)
        sinks = [served.page, heard]
        hearing = threading.Thread(target=lambda: recordings.hear(source, pipeline, sinks, say=print, speed=150))
        page.evaluate(SEEN)
        hearing.start()
        hearing.join()
        until(page, lambda: page.inner_text("#link-words") == "The roast has ended.")
        seen = page.evaluate("[...seen]")
        for phase in (
            "listening",
            "roast time",
            "development",
            "since the drop",
            "Beans in",
            "First crack now",
            "Drop",
        ):
            assert phase.lower() in seen
        assert any("first crack began" in one for one in seen)
        assert any("to the target" in one for one in seen)
        summary = heard.summary
        assert summary is not None
        told = page.inner_text("#facts")
        for figure in (summary["development"], summary["total"]):
            assert clock(figure) in told
        assert f"{100 * summary['ratio']:.1f} %" in told
        assert not page.is_visible("#mark")
        state = RoastState.of(heard.events)
        assert page.inner_text("#density") == how_dense(state, state.until)


def test_the_token_leaves_the_address_and_nothing_is_asked_elsewhere(browser: Browser) -> None:
    with Served() as served:
        served.tell(*cracking())
        context = browser.new_context(viewport=PHONE)
        page = context.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(served.page.address)
        page.wait_for_selector("body.live")
        assert page.url == f"{served.place.origin}/"
        assert served.access.token not in page.content()
        assert page.evaluate("document.cookie") == ""
        assert all(url.startswith(served.place.origin) for url in asked)
        assert sum(served.access.token in url for url in asked) == 1
        page.reload()  # with the cookie alone
        page.wait_for_selector("body.live")
        page.go_back()  # the address with the token is not in the history
        assert served.access.token not in page.url
        context.close()


def test_buttons_mark_and_take_back_and_a_second_tap_marks_nothing_else(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(start(), density(1.0))
        page = open_page(served)
        until(page, lambda: page.inner_text("#mark-words") == "Beans in")
        assert not page.is_visible("#undo")
        page.dblclick("#mark")
        assert marked(page, served) == ["charge"]
        rested(page, "#mark")
        served.tell(mark("charge", 5.0), event("charge", 5.0, how="key"))
        until(page, lambda: page.inner_text("#mark-words") == "First crack now")
        assert page.is_disabled("#mark")  # whoever still meant the other button presses nothing
        assert "You marked charge" in page.inner_text("#latest")
        rested(page, "#mark")
        page.click("#undo")
        assert marked(page, served) == ["undo"]
        served.tell(event("mark", 8.0, what="charge.not_yet", undo="key"))
        until(page, lambda: page.inner_text("#mark-words") == "Beans in")


def test_what_one_phone_marks_the_other_shows(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        one, other = open_page(served), open_page(served, viewport={"width": 1024, "height": 768})
        until(one, lambda: one.is_enabled("#mark"))
        one.click("#mark")
        assert marked(one, served) == ["drop"]
        served.tell(mark("drop", 690.0), DROP)
        for page in (one, other):
            until(page, lambda page=page: phase_of(page) == "cooling")  # type: ignore[misc]
        until(one, lambda: board_of(one) == board_of(other))


def test_the_keyboard_does_all(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
        reached = []
        for _ in range(5):
            page.keyboard.press("Tab")
            reached.append(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none" or reached[-1] == "BODY"
        assert {"allow", "undo", "mark", "SUMMARY"} <= set(reached)
        page.focus("#mark")
        rested(page, "#mark")
        page.keyboard.press("Enter")
        assert marked(page, served) == ["drop"]
        assert page.evaluate("document.activeElement.id") == "mark"  # the place is kept while the button rests
        page.keyboard.press("Enter")
        rested(page, "#undo")
        page.focus("#undo")
        page.keyboard.press("Space")
        assert marked(page, served) == ["undo"]


# -- out of reach ----------------------------------------------------------------------------------------------


@LONG
def test_a_computer_that_is_gone_is_told_within_three_seconds_and_comes_back(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
    until(page, lambda: page.evaluate("stream.readyState") != 1)  # what was under way has arrived
    page.clock.run_for(2400)
    assert page.get_attribute("body", "class") == "live"
    page.clock.run_for(500)
    assert page.get_attribute("body", "class") == "old"
    assert re.fullmatch(r"Nothing from the computer for 2 s\. The figures are old\.", page.inner_text("#link-words"))
    figure, colour = page.inner_text("#figure"), page.evaluate("getComputedStyle(figure).color")
    assert colour == page.evaluate("getComputedStyle(note).color")
    assert "line-through" in page.evaluate("getComputedStyle(figure).textDecorationLine")
    assert page.is_disabled("#mark")
    assert page.is_disabled("#undo")
    page.clock.run_for(1500)
    assert page.inner_text("#figure") == figure  # it does not run
    page.clock.resume()
    with Served(access=served.access, port=served.place.port) as back:
        assert back.place.port == served.place.port
        back.tell(*cracking(), density(601.0))
        page.wait_for_selector("body.live")
        new = open_page(back)
        until(page, lambda: board_of(page) == board_of(new))
        until(page, lambda: page.is_enabled("#mark"))


@LONG
def test_a_page_that_slept_catches_up_to_the_same_board(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(start(target="1:45"), CHARGE, density(500.0))
        page = open_page(served, running=True)
        until(page, lambda: phase_of(page) == "roast time")
        devtools = page.context.new_cdp_session(page)
        devtools.send("Page.setWebLifecycleState", {"state": "frozen"})
        time.sleep(1.0)
        served.tell(*[one for one in cracking() if one.announced_at > 500.0])
        time.sleep(3.0)
        devtools.send("Page.setWebLifecycleState", {"state": "active"})
        new = open_page(served)
        until(page, lambda: board_of(page) == board_of(new))
        assert phase_of(page) == "development"
        rows = "JSON.stringify([board.density, board.pops])"
        served.tell(DROP, SUMMARY)
        until(page, lambda: page.evaluate(rows) == new.evaluate(rows))


def test_with_a_new_roast_an_old_page_says_that_it_is_not_known(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
    with Served(port=served.place.port):
        until(page, lambda: "does not know this page" in page.inner_text("#link-words"))
        assert page.get_attribute("body", "class") == "old"


def test_nothing_is_drawn_where_nothing_was_heard(open_page: Callable[..., Page]) -> None:
    """A microphone that was lost for twenty seconds leaves a gap in the picture, not a line across it."""
    with Served() as served:
        served.tell(start(), *(density(float(at)) for at in (*range(560, 580), *range(600, 620))))
        page = open_page(served)
        until(page, lambda: page.evaluate("board.density.length") == 40)
        assert page.evaluate("runs(board.density).map(run => [run[0][0], run[run.length - 1][0]])") == [
            [560, 579],
            [600, 619],
        ]
        line = """() => { const c = document.querySelector('canvas'), w = c.width, d = c.getContext('2d');
            const all = d.getImageData(0, 0, w, c.height).data;
            const blue = (at) => { const x = Math.round(w - 4 - (board.now - at) / 120 * (w - 4 - 2.4 * 12.48));
                let n = 0;
                for (let i = 4 * x; i < all.length; i += 4 * w) n += all[i + 2] > all[i] + 20 && all[i + 3] > 0;
                return n; };
            return [blue(570), blue(590), blue(610)]; }"""
        before, gap, after = page.evaluate(line)
        assert before > 5
        assert gap == 0
        assert after > 5


def test_what_takes_too_long_to_be_marked_is_told(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
        until(page, lambda: page.is_enabled("#mark"))
        page.route("**/mark", lambda route: route.abort())
        page.click("#mark")
        until(page, lambda: page.inner_text("#answer") == "The computer was not reached; mark there.")


# -- for every eye, hand and ear -------------------------------------------------------------------------------

SCREENS = [(320, 568), (1920, 1080), *(pytest.param(*one, marks=LONG) for one in ((390, 844), (844, 390), (1024, 768)))]


@pytest.mark.parametrize(("width", "height"), SCREENS)
def test_the_button_is_in_reach_and_nothing_runs_off_the_side(
    open_page: Callable[..., Page], width: int, height: int
) -> None:
    with Served() as served:
        long_name = [start(target="1:45", coffee="A coffee with a very long name " * 4), *cracking()[1:]]
        served.tell(*long_name, event("health", 599.0, kind="clipping", count=9, message="Too loud " * 12))
        page = open_page(served, viewport={"width": width, "height": height})
        until(page, lambda: page.is_enabled("#mark"))
        assert page.evaluate("document.documentElement.scrollWidth") == width
        for name in ("figure", "mark", "undo"):
            box = page.locator(f"#{name}").bounding_box()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= width
            assert box["y"] + box["height"] <= height, name
        button = page.locator("#mark").bounding_box()
        assert button is not None
        assert button["width"] >= 0.7 * width
        assert button["height"] >= 64
        served.tell(event("development", 11_400.0, elapsed=10_840.0, ratio=0.9, remaining=None, first_crack=560.0,
                          first_crack_earliest=None, first_crack_latest=None))  # fmt: skip
        until(page, lambda: len(page.inner_text("#figure")) == 6)  # 180:40, should anybody roast so long
        assert page.evaluate("figure.scrollWidth <= figure.clientWidth")


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=LONG)])
@pytest.mark.parametrize("state", ["cracking", *(pytest.param(one, marks=LONG) for one in ("listening", "old"))])
def test_the_rules_of_accessibility_find_nothing(open_page: Callable[..., Page], scheme: str, state: str) -> None:
    """All rules of axe-core, contrast among them, on the page as it stands at three moments."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    with Served() as served:
        served.tell(*([start(), density(1.0)] if state == "listening" else cracking()))
        # the rules are a script of their own, and it sets timers
        page = open_page(served, running=True, color_scheme=scheme, bypass_csp=True)
        page.click("summary")
        until(page, lambda: page.is_enabled("#mark"))
        if state == "old":
            served.page.close()
            until(page, lambda: page.is_disabled("#mark"))
        found = axe.run(page).response["violations"]
    assert [(one["id"], one["impact"], [node["target"] for node in one["nodes"]]) for one in found] == []


def test_colour_is_never_alone(open_page: Callable[..., Page]) -> None:
    """In shades of grey the page says the same: what is urgent, old or pressed differs in words, weight or form too."""
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
        until(page, lambda: page.is_enabled("#mark"))
        style = "(name, what) => getComputedStyle(document.querySelector(name))[what]"
        size = [page.evaluate(f"({style})('{name}', 'fontSize')") for name in ("#latest", "#next")]
        assert float(size[0][:-2]) > 1.3 * float(size[1][:-2])
        allow = page.inner_text("#allow")
        page.click("#allow")
        until(page, lambda: page.inner_text("#allow") != allow)
        assert page.get_attribute("#allow", "aria-pressed") == "true"


def test_with_reduced_motion_the_picture_moves_only_when_something_was_said(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking(), SUMMARY)  # nothing more is said
        drawn = "canvas => { const c = canvas.getContext('2d'); let n = 0; const f = c.clearRect.bind(c);"
        count = drawn + " c.clearRect = (...a) => { n++; f(...a); }; window.drawn = () => n; }"
        times = {}
        for motion in ("reduce", "no-preference"):
            page = open_page(served, reduced_motion=motion)
            page.eval_on_selector("#picture", count)
            page.clock.run_for(1500)
            times[motion] = page.evaluate("drawn()")
            moving = page.evaluate("getComputedStyle(bar).transitionDuration")
            assert (moving == "0s") is (motion == "reduce")
        assert times["reduce"] == 0
        assert times["no-preference"] == 15


WATCH = """
window.shaken = []; window.played = 0;
navigator.vibrate = (pattern) => { shaken.push(pattern); return true; };
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function () { played++; return start.call(this); };
"""


def test_first_crack_sounds_and_shakes_after_one_tap_and_not_before(browser: Browser) -> None:
    with Served() as served:
        context = browser.new_context(viewport=PHONE)
        context.add_init_script(WATCH)
        silent, loud = context.new_page(), context.new_page()
        for page in (silent, loud):
            page.goto(served.page.address)
        served.tell(start(target="1:45"), CHARGE, density(500.0))
        for page in (silent, loud):
            until(page, lambda page=page: phase_of(page) == "roast time")  # type: ignore[misc]
        loud.click("#allow")
        until(loud, lambda: loud.evaluate("played") == 1)  # a sample of it
        before = loud.evaluate("shaken.length")
        served.tell(begun(560.0, 568.0))
        until(loud, lambda: loud.evaluate("played") == 2)
        assert loud.evaluate("shaken.slice(-1)[0].length") == 5
        served.tell(event("target", 635.0, stage="near", remaining=30.0))
        until(loud, lambda: loud.evaluate("played") == 3)
        assert loud.evaluate("shaken.length") == before + 2
        assert silent.evaluate("[played, shaken.length]") == [0, 0]
        loud.click("#allow")
        served.tell(crack(640.0), event("second_crack.start", 641.0, earliest=640.0, latest=642.0, confidence=0.9))
        until(loud, lambda: "Second crack" in loud.inner_text("#latest"))
        assert loud.evaluate("played") == 3
        context.close()


def test_the_screen_stays_on_where_the_browser_can(browser: Browser) -> None:
    with Served() as served:
        context = browser.new_context(viewport=PHONE)
        locks = "window.locks = []; navigator.wakeLock.request = async (kind) => { locks.push(kind); return {}; };"
        context.add_init_script(locks)
        page = context.new_page()
        page.goto(served.page.address)
        until(page, lambda: page.evaluate("locks.length") == 1)
        assert page.evaluate("locks") == ["screen"]
        context.close()
        context = browser.new_context(viewport=PHONE)
        context.add_init_script("delete Navigator.prototype.wakeLock;")
        page = context.new_page()
        page.goto(served.page.address)
        until(page, lambda: "keep the screen on" in page.inner_text("#awake"))
        context.close()


def test_the_stream_of_a_browser_says_where_it_was(open_page: Callable[..., Page]) -> None:
    """A connection that breaks off is begun again by the browser itself, with the number of the last board."""
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
        watch = Phone(served)
        watch.read()
        page.evaluate("stream.close(); listen()")
        until(page, lambda: page.evaluate("stream.readyState") == 1)
        assert re.fullmatch(r"[0-9a-f]{8}-\d+", page.evaluate("lastId"))
        assert "last=" in page.evaluate("stream.url")
        watch.close()


def test_another_phone_is_let_in_by_the_code_that_this_one_shows(open_page: Callable[..., Page]) -> None:
    with Served() as served:
        served.tell(*cracking())
        page = open_page(served)
        page.click("summary")
        until(page, lambda: page.evaluate("code.naturalWidth") > 100)
