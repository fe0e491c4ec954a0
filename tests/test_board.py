"""The board: digits, what it shows at each moment, and the screen itself driven by its own test pilot."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from queue import Empty, SimpleQueue
from typing import Any

import numpy as np
import pytest
from test_alerts import begun, crack, density, development, event, mark, start

from crackdetect.alerts import Alerts
from crackdetect.blocks import Block
from crackdetect.events import Event, clock
from crackdetect.listening import on_board
from crackdetect.listening.clock import RoastClock
from crackdetect.listening.digits import CHARACTERS, ROWS, large
from crackdetect.listening.level_watch import FLOOR_DB, LevelWatch
from crackdetect.listening.typed_keys import TypedKeys
from crackdetect.listening.view import View, Word, coming, view
from crackdetect.standing import Standing

COLUMNS, LINES = 80, 24


# -- digits ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("character", sorted(CHARACTERS))
def test_every_character_is_as_high_as_the_rest_and_like_no_other(character: str) -> None:
    drawn = large(character, columns=COLUMNS, rows=11)
    assert len(drawn) == 10
    assert len({len(line) for line in drawn}) == 1
    assert set("".join(drawn)) <= {"█", " "}
    assert "█" in "".join(drawn)
    assert [other for other in CHARACTERS if large(other, columns=COLUMNS, rows=11) == drawn] == [character]


def test_a_digit_as_it_is_seen() -> None:
    assert large("4:", columns=20, rows=5) == [
        "██  ██    ",
        "██  ██  ██",
        "██████    ",
        "    ██  ██",
        "    ██    ",
    ]


@pytest.mark.parametrize(("columns", "rows", "height"), [(80, 24, 10), (100, 30, 10), (140, 34, 20), (20, 10, 5)])
def test_a_clock_is_as_large_as_fits(columns: int, rows: int, height: int) -> None:
    drawn = large("12:34", columns=columns - 2, rows=rows - 13)
    assert len(drawn) == height
    assert height % ROWS == 0
    assert len(drawn[0]) <= max(columns - 2, 34)


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(ValueError, match="no large drawing of x"):
        large("1x", columns=80, rows=10)


# -- what is shown ---------------------------------------------------------------------------------------------


def shown(
    *events: Event, now: float, words: Word | None = None, level_db: float = -40.0, columns: int = COLUMNS
) -> View:
    standing = Standing()
    for one in events:
        standing.take(one)
    return view(
        standing, now=now, level_db=level_db, words=words, columns=columns, rows=LINES, device="Desk microphone"
    )


CHARGE = event("charge", 10.0, how="key")
BEGUN = begun(560.0, 568.0)


def test_before_first_crack_the_roast_clock_is_the_large_thing() -> None:
    roast = [start(target="1:45", expect=[480.0, 600.0], coffee="Meadow Lane", green_g=200.0), CHARGE]
    board = shown(*roast, now=310.0)
    assert board.header == "Meadow Lane  ·  200 g  ·  target 1:45  ·  microphone Desk microphone"
    assert board.label == "ROAST TIME   since charge, marked by you"
    assert board.large == "\n".join(large("5:00", columns=78, rows=11))
    assert board.coming == "Next: first crack, expected between 8:00 and 10:00."
    assert board.facts == ""
    assert "never leave it unattended" in board.caution


def test_from_first_crack_on_it_is_development_with_ratio_and_countdown() -> None:
    """First crack at roast time 9:10, 50 s ago: 50 of 600 s are 8.3 % (arithmetic)."""
    board = shown(start(target="1:45"), CHARGE, BEGUN, now=610.0)
    assert board.label == "DEVELOPMENT   first crack at 9:10, heard, between 9:08 and 9:12"
    assert board.large == "\n".join(large("0:50", columns=78, rows=11))
    assert board.facts == "0:55 TO THE TARGET     ratio 8.3 %     roast time 10:00"
    assert board.coming == "Next: the target, development 1:45 at roast time 10:55; press d at the drop."


def test_past_the_target_the_board_says_so_in_words() -> None:
    board = shown(start(target="1:45"), CHARGE, BEGUN, now=690.0)
    assert board.facts.startswith("0:25 PAST THE TARGET")
    assert board.coming == "Next: the drop; press d when the beans leave."


def test_after_the_drop_the_cooling_clock_runs_down() -> None:
    roast = [start(cool_s=120.0), CHARGE, BEGUN, event("drop", 670.0, how="key")]
    board = shown(*roast, now=700.0)
    assert board.label == "COOLING   still to go of 2:00"
    assert board.large == "\n".join(large("1:30", columns=78, rows=11))
    assert board.facts == "development 1:50     ratio 16.7 %     roast time 11:00"
    over = shown(*roast, event("cooled", 790.0), now=800.0)
    assert over.label == "SINCE THE DROP   the cooling time is over"
    assert over.coming == "Next: e ends the roast with its summary."


@pytest.mark.parametrize(
    ("events", "now", "line"),
    [
        ([], 5.0, "first crack can be announced after 20 s of listening; c marks the charge."),
        ([CHARGE], 12.0, "first crack can be announced after 20 s of listening."),
        ([], 30.0, "charge; press c as the beans go in."),
        ([CHARGE], 30.0, "first crack; it is announced when it has begun. f marks it by hand."),
        ([start(expect=[60.0, 90.0]), CHARGE], 80.0, "first crack, expected now until 1:30."),
        (
            [start(expect=[60.0, 90.0]), CHARGE],
            101.0,
            "first crack was expected by 1:30; trust your own ears, f marks it",
        ),
        ([CHARGE, BEGUN], 600.0, "the drop, when you decide; press d when the beans leave."),
    ],
)
def test_what_happens_next(events: list[Event], now: float, line: str) -> None:
    standing = Standing()
    for one in events:
        standing.take(one)
    assert coming(standing, now).startswith(line)


def test_pops_are_single_marks_and_the_density_has_a_history() -> None:
    roast = [crack(100.0), crack(150.2), crack(150.9), *(density(float(at)) for at in range(60, 161))]
    rows = shown(*roast, now=160.0).hearing.splitlines()
    assert rows[0].startswith("cracks    █████░")
    assert "3 a minute (0 to 9)" in rows[0]
    # two minutes in steps of two seconds: 100 s is 60 s ago, 150 s is 10 s ago; two pops in one step are one mark
    assert rows[2] == "pops      " + " " * 30 + "'" + " " * 24 + '"' + " " * 4 + "|"
    assert rows[1].count("▁") == 50


def test_level_is_a_bar_and_too_loud_is_said() -> None:
    assert shown(now=1.0, level_db=-45.0).level.count("█") == 20
    assert "too loud" in shown(now=1.0, level_db=0.0).level
    assert shown(now=1.0, level_db=FLOOR_DB).level.count("█") == 0


def health(kind: str, at: float, message: str) -> Event:
    return event("health", at, kind=kind, count=1, message=message)


def test_trouble_cannot_be_missed_and_passes() -> None:
    trouble = health("clipping", 100.0, "samples at full scale")
    board = shown(trouble, now=110.0, words=Word("You marked the drop.", 109.0))
    assert (board.message, board.urgent) == ("Samples at full scale", True)
    assert shown(trouble, now=161.0).message == ""
    assert shown(health("own_sound", 100.0, "x"), now=101.0).message == ""


def test_a_lost_microphone_stays_until_it_is_heard_again() -> None:
    lost = health("device_lost", 100.0, "microphone lost")
    assert shown(lost, now=400.0).message == "Microphone lost"
    assert shown(lost, density(130.0), now=400.0).message == ""


def test_a_caution_of_the_moment_comes_before_older_trouble() -> None:
    trouble = health("clipping", 100.0, "samples at full scale")
    board = shown(trouble, now=110.0, words=Word("Target reached.", 105.0, urgent=True))
    assert (board.message, board.urgent) == ("Target reached.", True)


@pytest.mark.parametrize("columns", [80, 100, 200])
def test_no_line_is_wider_than_the_screen(columns: int) -> None:
    roast = [start(target="1:45", coffee="A coffee with a very long name " * 4), CHARGE, BEGUN, density(600.0)]
    board = shown(*roast, now=610.0, columns=columns)
    for part in (
        board.header,
        board.label,
        board.facts,
        board.coming,
        board.caution,
        board.keys,
        board.hearing,
        board.level,
    ):
        assert all(len(line) <= columns - 2 for line in part.splitlines()), part
    assert board.keys.endswith("[e] end")


# -- clock and level -------------------------------------------------------------------------------------------


def test_the_roasts_clock_runs_on_without_sound_and_is_set_by_the_least_delayed_word() -> None:
    now = [1_000.0]
    roast = RoastClock(monotonic=lambda: now[0])
    assert roast.now == 0.0
    roast.hear(9.8)  # 0.2 s late
    now[0] = 1_001.0
    roast.hear(10.95)  # 0.05 s late
    assert roast.now == pytest.approx(11.0, abs=0.2)
    now[0] = 1_061.0
    assert roast.now == pytest.approx(71.0, abs=0.2)


def test_the_level_is_the_peak_since_it_was_last_asked() -> None:
    watch = LevelWatch()
    assert watch.take() == FLOOR_DB
    for peak in (0.1, -0.5, 0.01):
        watch.observe(Block(np.array([0.0, peak], np.float32)))
    watch.observe(Block(np.zeros(0, np.float32)))
    watch.observe(Block(np.array([np.nan], np.float32)))
    assert watch.take() == pytest.approx(20 * np.log10(0.5), abs=1e-4)
    assert watch.take() == pytest.approx(20 * np.log10(0.5), abs=1e-4)


# -- typed marks -----------------------------------------------------------------------------------------------


def test_letters_typed_with_enter_mark_take_back_and_end() -> None:
    marks: SimpleQueue[str] = SimpleQueue()
    told: list[str] = []
    ended: list[bool] = []
    pieces = iter([b"c\n", b"F\nd\n", b"n\n", b"x\n", b"e\n", b""])
    typed = TypedKeys(marks=marks, end=lambda: ended.append(True), say=told.append, read=lambda: next(pieces))
    for one in (CHARGE, BEGUN):
        typed.send(one)
    typed._run()
    assert _drained(marks) == ["charge", "first_crack.start", "drop", "first_crack.not_yet"]
    assert ended == [True]
    assert len(told) == 1
    assert "c charge" in told[0]


def _drained(queue: SimpleQueue[str]) -> list[str]:
    found = []
    while True:
        try:
            found.append(queue.get_nowait())
        except Empty:
            return found


# -- the screen ------------------------------------------------------------------------------------------------

board_module = pytest.importorskip("crackdetect.listening.board", reason="the board extra is not installed")


class Table:
    """A board on a test screen, with a clock of its own."""

    def __init__(self) -> None:
        self.now = 0.0
        self.marks: SimpleQueue[str] = SimpleQueue()
        self.ended: list[float] = []
        self.begun: list[float] = []
        self.level = LevelWatch()
        self.board = board_module.Board(
            device="Desk microphone",
            marks=self.marks,
            end=lambda: self.ended.append(self.now),
            alerts=Alerts(),
            level=self.level,
            begin=lambda: self.begun.append(self.now),
            monotonic=lambda: self.now,
        )

    def text(self, part: str) -> str:
        return str(self.board.query_one(f"#{part}").content)

    def drawn(self, part: str) -> str:
        """What really stands on the screen in that part, row by row."""
        region = self.board.query_one(f"#{part}").region
        rows = self.board.screen._compositor.render_strips()
        return "\n".join(row.text[region.x : region.right].rstrip() for row in rows[region.y : region.bottom])

    async def tell(self, pilot: Any, *events: Event, at: float) -> None:
        self.now = at
        for one in events:
            self.board.send(one)
        await pilot.pause()
        self.board._draw()
        await pilot.pause()


def on_screen(
    test: Callable[[Table, Any], Coroutine[Any, Any, None]], *, size: tuple[int, int] = (COLUMNS, LINES)
) -> None:
    async def main() -> None:
        table = Table()
        async with table.board.run_test(size=size) as pilot:
            await pilot.pause()
            await test(table, pilot)

    asyncio.run(main())


def test_the_screen_shows_what_was_said() -> None:
    async def test(table: Table, pilot: Any) -> None:
        assert table.begun == [0.0]
        await table.tell(pilot, start(target="1:45"), CHARGE, at=10.0)
        await table.tell(pilot, BEGUN, at=568.0)
        assert table.text("label").startswith("DEVELOPMENT   first crack at 9:10")
        assert table.text("message") == "First crack began 9:10, 8 s ago."
        assert table.board.query_one("#message").has_class("urgent")
        assert table.drawn("large").splitlines()[0].strip() == large("0:08", columns=78, rows=11)[0].strip()
        await table.tell(pilot, development(600.0, 560.0), at=600.0)
        assert table.text("facts").startswith("1:05 TO THE TARGET")

    on_screen(test)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_every_part_has_its_place_on_the_screen(size: tuple[int, int]) -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(target="1:45", coffee="Meadow Lane"), CHARGE, BEGUN, density(600.0), at=600.0)
        bottom = 0
        for part in board_module._PARTS:
            region = table.board.query_one(f"#{part}").region
            assert region.y >= bottom, part
            assert region.height >= 1, part
            bottom = region.bottom
        assert bottom == size[1]
        assert "[e] end" in table.drawn("keys")
        assert len(table.drawn("hearing").splitlines()) == 3

    on_screen(test, size=size)


def test_each_key_marks_and_shows_it() -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), at=1.0)
        await pilot.press("c", "F", "s", "d")
        assert _drained(table.marks) == ["charge", "first_crack.start", "second_crack.start", "drop"]
        await table.tell(pilot, mark("drop", 5.0), event("drop", 5.0, how="key"), at=5.0)
        assert table.text("message") == "You marked the drop at 0:05; [n] takes it back."
        await pilot.press("n")
        assert _drained(table.marks) == ["drop.not_yet"]
        await table.tell(pilot, mark("drop.not_yet", 6.0), at=6.0)
        assert table.text("message") == "The drop is taken back; the roast goes on."
        await pilot.press("n")
        assert _drained(table.marks) == []
        assert table.text("message") == "There is nothing to take back."

    on_screen(test)


def test_the_end_is_asked_for_twice_but_not_with_ctrl_c() -> None:
    async def test(table: Table, pilot: Any) -> None:
        await pilot.press("e")
        assert table.ended == []
        assert table.text("message").startswith("Press [e] again to end the roast.")
        table.now = 10.0  # too late for the second press
        await pilot.press("e")
        assert table.ended == []
        table.now = 11.0
        await pilot.press("e")
        assert table.ended == [11.0]
        await pilot.press("ctrl+c")
        assert table.ended == [11.0, 11.0]

    on_screen(test)


def test_a_sentence_for_the_person_is_shown() -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), at=1.0)
        table.board.say("mark 'x' is unknown")
        await table.tell(pilot, at=2.0)
        assert table.text("message") == "mark 'x' is unknown"

    on_screen(test)


def test_drawings_are_rationed_however_many_events_come() -> None:
    async def test(table: Table, pilot: Any) -> None:
        drawings = []
        draw = table.board._draw
        table.board._draw = lambda: (drawings.append(table.now), draw())  # type: ignore[func-returns-value]
        table.now = 100.0
        await pilot.pause()
        for number in range(500):  # a second of a storm of events, by the board's clock
            table.now = 100.0 + number / 500
            table.board.send(crack(table.now))
            await asyncio.sleep(0)
        await pilot.pause()
        drawn = [at for at in drawings if at >= 100.0]
        assert 1 <= len(drawn) <= 15  # ten a second by events, four by the clock, and the border

    on_screen(test)


# -- board and hearing together --------------------------------------------------------------------------------


class Stage:
    """In place of the board: runs until it is closed, or fails."""

    def __init__(self, *, fails: bool = False) -> None:
        self.closed = threading.Event()
        self.hearing: on_board.Hearing | None = None
        self.fails = fails

    def run(self) -> None:
        assert self.hearing is not None
        self.hearing.begin()
        if not self.fails:
            assert self.closed.wait(20)


def hearing_of(stage: Stage, hear: Callable[[], int]) -> on_board.Hearing:
    stage.hearing = on_board.Hearing(hear, finished=stage.closed.set)
    return stage.hearing


def test_the_board_closes_with_the_roast_and_the_exit_code_is_the_roasts() -> None:
    stage = Stage()
    told: list[str] = []
    code = on_board.run(stage, hearing_of(stage, lambda: 4), stop=threading.Event(), say=told.append)  # type: ignore[arg-type]
    assert (code, told) == (4, [])


def test_a_board_that_fails_does_not_end_the_roast() -> None:
    stage, told, go_on = Stage(fails=True), list[str](), threading.Event()

    def say(sentence: str) -> None:
        told.append(sentence)
        go_on.set()

    code = on_board.run(
        stage,  # type: ignore[arg-type]
        hearing_of(stage, lambda: 0 if go_on.wait(20) else 1),
        stop=threading.Event(),
        say=say,
    )
    assert code == 0
    assert len(told) == 1
    assert "heard on" in told[0]


def test_a_defect_in_the_hearing_is_not_swallowed() -> None:
    stage = Stage()

    def hear() -> int:
        raise RuntimeError("a defect")

    with pytest.raises(RuntimeError, match="a defect"):
        on_board.run(stage, hearing_of(stage, hear), stop=threading.Event(), say=print)  # type: ignore[arg-type]


def test_a_hundred_roasts_on_a_board_leave_no_thread() -> None:
    before = threading.active_count()
    for _ in range(100):
        stage = Stage()
        on_board.run(stage, hearing_of(stage, lambda: 0), stop=threading.Event(), say=print)  # type: ignore[arg-type]
    assert threading.active_count() == before


def test_clock_and_large_agree() -> None:
    """Every time a roast can show can be drawn."""
    for seconds in (0, 59, 60, 599, 3599, 5999):
        large(clock(seconds), columns=78, rows=11)
