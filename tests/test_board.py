"""The board: digits, what it shows at each moment, and the screen itself driven by its own test pilot."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Coroutine
from queue import Empty, SimpleQueue
from typing import Any, get_args

import numpy as np
import pytest
from patience import PATIENCE_S, no_thread_left
from test_alerts import begun, crack, density, development, event, mark, start

from crackdetect.blocks import Block
from crackdetect.events import Event
from crackdetect.listening import board_in_front
from crackdetect.notation import clock
from crackdetect.notice import Notices
from crackdetect.page.address import code_lines
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.marking import Mark
from crackdetect.roast.roast_clock import RoastClock
from crackdetect.roast.stage import Stage
from crackdetect.roast.standing import coming
from crackdetect.roast.state import RoastState
from crackdetect.terminal.board import ACCENT, Board, Screenful
from crackdetect.terminal.board_text import LEAST_COLUMNS, LEAST_ROWS, Message, View, view
from crackdetect.terminal.keys import PRESS, TypedKeys
from crackdetect.terminal.lettering import CHARACTERS, large
from crackdetect.terminal.level import FLOOR_DB, LevelWatch
from crackdetect.terminal.page_card import PageCard

COLUMNS, LINES = 80, 24


# -- letters ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("character", sorted(CHARACTERS - {" "}))
def test_every_character_is_as_high_as_the_rest_and_like_no_other(character: str) -> None:
    drawn = large(character, columns=COLUMNS, rows=10)
    assert len(drawn) == 10
    assert len({len(line) for line in drawn}) == 1
    assert "█" in "".join(drawn)
    assert [other for other in CHARACTERS if large(other, columns=COLUMNS, rows=10) == drawn] == [character]


def test_a_digit_as_it_is_seen() -> None:
    assert large("4:", columns=20, rows=5) == [
        "██  ██    ",
        "██  ██  ██",
        "██████    ",
        "    ██  ██",
        "    ██    ",
    ]


def test_the_smallest_letters_are_three_rows_high() -> None:
    assert large("DROP", columns=20, rows=3) == [
        "█▀▄ █▀▄ ▄▀▄ █▀▄",
        "█ █ █▀▄ █ █ █▀ ",
        "▀▀  ▀ ▀  ▀  ▀  ",
    ]


def test_every_stage_can_be_written() -> None:
    for word in get_args(Stage):
        drawn = large(word.upper(), columns=78, rows=3)
        assert (len(drawn), max(map(len, drawn)) <= 78) == (3, True)


@pytest.mark.parametrize(("columns", "rows", "height"), [(78, 11, 10), (98, 17, 13), (138, 21, 20), (18, 10, 3)])
def test_a_clock_is_as_large_as_fits(columns: int, rows: int, height: int) -> None:
    drawn = large("12:34", columns=columns, rows=rows)
    assert len(drawn) == height
    assert len(drawn[0]) <= columns


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(ValueError, match="no large drawing of x"):
        large("1x", columns=80, rows=10)


# -- what is shown ---------------------------------------------------------------------------------------------


def shown(
    *events: Event,
    now: float,
    latest: Message | None = None,
    level_db: float = -40.0,
    size: tuple[int, int] = (COLUMNS, LINES),
    **more: str,
) -> View:
    state = RoastState()
    for one in events:
        state.apply(one)
    columns, rows = size
    device = "Desk microphone"
    return view(state, now=now, level_db=level_db, latest=latest, columns=columns, rows=rows, device=device, **more)


def written(part: str, board: View) -> list[str]:
    """The rows of a part without the margin."""
    return [row.removeprefix(" ") for row in board.text(part).splitlines()]


CHARGE = event("charge", 10.0, how="key")
BEGUN = begun(560.0, 568.0)


def test_before_first_crack_the_roast_clock_is_the_large_thing() -> None:
    roast = [start(target="1:45", expect=[480.0, 600.0], coffee="Meadow Lane", green_g=200.0), CHARGE]
    board = shown(*roast, now=310.0)
    assert written("header", board) == ["Meadow Lane  ·  200 g  ·  target 1:45  ·  microphone Desk microphone"]
    assert written("stage", board) == [line.rstrip() for line in large("LISTENING", columns=78, rows=3)]
    label, *digits = written("figure", board)
    assert label == "ROAST TIME   since charge, marked by you"
    assert digits[:8] == [line.rstrip() for line in large("5:00", columns=78, rows=8)]
    assert written("next", board) == ["Next: first crack, expected between 8:00 and 10:00."]
    assert "never leave it unattended" in board.text("caution")


def test_with_a_target_the_countdown_is_large_and_development_beside_it() -> None:
    """First crack at roast time 9:10, 50 s ago: 50 of 600 s are 8.3 %, and 55 s are left (arithmetic)."""
    board = shown(start(target="1:45"), CHARGE, BEGUN, now=610.0)
    label, *digits = written("figure", board)
    assert label.split() == ["TO", "THE", "TARGET", "DEVELOPMENT"]
    countdown, development = large("0:55", columns=78, rows=8), large("0:50", columns=78, rows=5)
    assert [line[:39].rstrip() for line in digits[:8]] == [line.rstrip() for line in countdown]
    assert [line[43:] for line in digits[:5]] == [line.rstrip() for line in development]
    assert [line[43:] for line in digits[5:7]] == ["development ratio 8.3 %", "roast time 10:00"]
    assert written("note", board) == ["first crack at 9:10, heard, between 9:08 and 9:12"]
    next_line = "Next: the target, development 1:45 at roast time 10:55; press d at the drop."
    assert written("next", board) == [next_line]


def test_without_a_target_development_is_the_large_thing() -> None:
    label, *digits = written("figure", shown(start(), CHARGE, BEGUN, now=610.0))
    assert label.startswith("DEVELOPMENT   first crack at 9:10")
    assert digits[0][:39] == large("0:50", columns=78, rows=8)[0]
    assert [line[43:] for line in digits[:2]] == ["development ratio 8.3 %", "roast time 10:00"]


def test_past_the_target_the_board_says_so_in_words() -> None:
    board = shown(start(target="1:45"), CHARGE, BEGUN, now=690.0)
    assert board.stage == "drop now"
    assert written("figure", board)[0].startswith("PAST THE TARGET")
    assert written("next", board) == ["Next: the drop; press d when the beans leave."]


def test_after_the_drop_the_cooling_clock_runs_down() -> None:
    roast = [start(cool_s=120.0), CHARGE, BEGUN, event("drop", 670.0, how="key")]
    board = shown(*roast, now=700.0)
    label, *digits = written("figure", board)
    assert label == "COOLING   still to go of 2:00"
    assert digits[0][:39] == large("1:30", columns=78, rows=8)[0]
    assert [line[43:] for line in digits[:3]] == ["development 1:50", "development ratio 16.7 %", "roast time 11:00"]
    over = shown(*roast, event("cooled", 790.0), now=800.0)
    assert written("figure", over)[0] == "SINCE THE DROP   the cooling time is over"
    assert written("next", over) == ["Next: e ends the roast with its summary."]


def test_last_time_is_a_line_of_words_before_first_crack_and_where_there_is_room_after_it() -> None:
    words = "last time: first crack 5:34, drop 7:12, balanced 4/5"
    assert written("last time", shown(CHARGE, now=60.0, last_time=words)) == [words]
    assert written("last time", shown(CHARGE, BEGUN, now=600.0, last_time=words)) == []
    assert written("last time", shown(CHARGE, BEGUN, now=600.0, last_time=words, size=(120, 40))) == [words]


def test_a_moment_fills_the_screen_with_the_word_of_the_stage() -> None:
    board = shown(start(target="1:45"), CHARGE, BEGUN, now=568.5, moment="First crack began 9:10, 8 s ago.")
    assert list(board.parts) == ["figure", "caution", "keys"]
    first = [line.strip() for line in large("FIRST", columns=78, rows=8)]
    assert [line.strip() for line in written("figure", board) if line.strip()][:8] == first
    assert "First crack began 9:10, 8 s ago." in board.text("figure")


@pytest.mark.parametrize(
    ("events", "now", "line"),
    [
        ([], 5.0, "first crack can be announced after 20 s of listening; c marks the charge."),
        ([CHARGE], 12.0, "first crack can be announced after 20 s of listening."),
        ([], 30.0, "charge; press c as the beans go in."),
        ([CHARGE], 30.0, "first crack, announced when it has begun; f marks it by hand."),
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
    state = RoastState()
    for one in events:
        state.apply(one)
    assert coming(state, now, press=PRESS).startswith(line)


def test_evidence_is_a_meter_from_quiet_to_sure_that_moves_with_the_posterior_and_no_count() -> None:
    def meter(share: float, *cracks: Event) -> str:
        told = density(160.0, begun=share)
        (line,) = written("hearing", shown(CHARGE, *cracks, told, now=160.0))
        return line

    full = [meter(share).count("█") for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
    assert full == [0, 8, 15, 21, 29]  # of thirty cells, of which the mark of the middle takes one
    many = meter(0.25, *(crack(150.0 + second / 10) for second in range(90)))
    assert many.count("█") == 8
    assert [meter(share).split("sure   ")[1] for share in (0.1, 0.4, 0.8)] == [
        "quiet, none yet",
        "may be, none yet",
        "nearly sure, faint pops",
    ]


def test_the_density_bar_is_proportional_and_has_a_scale() -> None:
    def bar(rate: float) -> str:
        told = event("density", 600.0, per_minute=rate, low=rate / 2, high=2 * rate, begun=1.0)
        (line,) = written("hearing", shown(CHARGE, BEGUN, crack(590.0), told, now=600.0))
        return line

    assert bar(60.0).count("█") == 15
    assert "█░" in bar(60.0)
    assert bar(60.0).endswith("60 a minute (30 to 120)")
    assert [scale for scale in ("120", "240", "600") if f" {scale} " in bar(60.0).replace("120)", "")] == ["120"]
    assert (bar(180.0).count("█"), " 240 " in bar(180.0)) == (round(30 * 180 / 240), True)


def test_the_strip_shows_each_crack_of_three_minutes_as_high_as_it_is_certain() -> None:
    def certain(at: float, probability: float) -> Event:
        return event("crack", at, kind="first", probability=probability, snr_db=20.0)

    *rows, axis = written("strip", shown(certain(19.0, 1.0), certain(100.0, 0.5), certain(190.0, 1.0), now=200.0))
    columns = [(x, rows[0][x : x + 1], rows[1][x]) for x in range(10, len(rows[1])) if rows[1][x] != " "]
    # 68 columns for 180 s, the 75th one is now: 100 s are in the 37th, 190 s in the 71st, counted from 0
    assert columns == [(10 + 37 - 75 + 67, " ", "█"), (10 + 71 - 75 + 67, "█", "█")]
    assert axis[10:19] == "3 min ago"
    assert axis.endswith("now")
    assert (axis.index("2 min") - 10, axis.index("1 min") - 10) == (68 // 3, 2 * 68 // 3)


def test_level_is_a_bar_and_too_loud_is_said() -> None:
    assert shown(now=1.0, level_db=-45.0).text("level").count("█") == 15
    assert "too loud" in shown(now=1.0, level_db=0.0).text("level")
    assert shown(now=1.0, level_db=FLOOR_DB).text("level").count("█") == 0


def test_a_roast_that_is_gone_on_with_is_listened_to_anew_before_it_is_announced() -> None:
    goes_on = health("interrupted", 130.0, "the program was ended at 2:00 and goes on")
    ready = "Next: first crack can be announced after 20 s of listening."
    assert written("next", shown(CHARGE, now=140.0)) != [ready]
    assert written("next", shown(CHARGE, goes_on, now=140.0)) == [ready]
    assert written("next", shown(CHARGE, goes_on, now=151.0)) != [ready]


def health(kind: str, at: float, message: str) -> Event:
    return event("health", at, kind=kind, count=1, message=message)


def said(board: View) -> tuple[str, bool]:
    """The sentence, and whether it must not be missed."""
    rows = board.parts["message"]
    return rows[0].text.strip(), rows[0].look == "urgent"


def test_trouble_cannot_be_missed_and_passes() -> None:
    trouble = health("clipping", 100.0, "samples at full scale")
    board = shown(trouble, now=110.0, latest=Message("You marked the drop.", 109.0))
    assert said(board) == ("Samples at full scale", True)
    assert said(shown(trouble, now=161.0))[0] == ""
    assert said(shown(health("own_sound", 100.0, "x"), now=101.0))[0] == ""


def test_a_lost_microphone_stays_until_it_is_back() -> None:
    lost = health("device_lost", 100.0, "microphone lost")
    assert said(shown(lost, density(130.0), now=400.0))[0] == "Microphone lost", "time is told while nothing is heard"
    assert said(shown(lost, health("interrupted", 130.0, "goes on"), now=400.0))[0] == ""
    back = health("device_back", 110.0, "microphone is back; 10.0 s were not heard")
    assert said(shown(lost, back, now=112.0))[0] == "Microphone is back; 10.0 s were not heard"
    again = health("device_lost", 115.0, "microphone lost again")
    assert said(shown(lost, back, again, now=120.0))[0] == "Microphone lost again"


def test_a_caution_of_the_moment_comes_before_older_trouble() -> None:
    trouble = health("clipping", 100.0, "samples at full scale")
    latest = Message("Target reached.", 105.0, urgent=True)
    assert said(shown(trouble, now=110.0, latest=latest)) == ("Target reached.", True)


def long(at: float) -> Event:
    words = "the microphone alters the sound, which hides cracks: switch its noise reduction off"
    return health("processed_input", at, words)


SIZES = [(80, 24), (120, 40), (200, 60), (70, 20), (60, 16), (100, 14), (LEAST_COLUMNS, LEAST_ROWS)]
MOMENTS = {
    "listening": ([start(coffee="Meadow Lane", green_g=200.0), CHARGE, density(300.0)], 310.0),
    "pops coming": ([CHARGE, crack(300.0), density(301.0, begun=0.6)], 302.0),
    "first crack": (
        [start(target="1:45", coffee="A coffee with a very long name " * 4), CHARGE, BEGUN, long(600.0)],
        610.0,
    ),
    "drop soon": ([start(target="15:00"), CHARGE, BEGUN], 560.0 + 880.0),
    "drop now": ([start(target="1:45"), CHARGE, BEGUN, long(690.0)], 640.0 + 60.0),
    "cooling": ([start(cool_s=240.0), CHARGE, BEGUN, event("drop", 700.0, how="key")], 720.0),
}


UNHIDDEN = (
    "Stay beside the roaster until it is cold; never leave it unattended. "
    "[c] charge [f] first crack [s] second crack [d] drop [u] undo [e] end"
)


def unhidden(board: View) -> str:
    return " ".join(f"{board.text('caution')} {board.text('keys')}".split())


@pytest.mark.parametrize("moment", ["", "First crack began 9:10, 8 s ago."])
@pytest.mark.parametrize("word", MOMENTS)
@pytest.mark.parametrize("size", SIZES)
def test_on_no_screen_a_word_is_cut_or_a_key_hidden(size: tuple[int, int], word: str, moment: str) -> None:
    events, now = MOMENTS[word]
    latest = Message("First crack is already at 5:00. Press [f] again to move it to 5:29.", now - 1.0)
    board = shown(*events, now=now, latest=latest, size=size, moment=moment, last_time="last time: first crack 5:34")
    columns, rows = size
    assert board.stage == word
    assert len(board.rows) == rows
    assert all(len(row.text) < columns for row in board.rows)
    assert unhidden(board) == UNHIDDEN
    text = "\n".join(row.text for row in board.rows)
    assert moment or any(row.look == "accent" for row in board.rows)
    assert "\x1b" not in text
    if not moment:
        sentence = " ".join(board.text("message").split())
        assert sentence[:1].isupper()
        assert sentence.endswith((".", "off"))


@pytest.mark.parametrize("words", [20, 100])
@pytest.mark.parametrize("word", MOMENTS)
def test_the_longest_message_hides_neither_the_caution_nor_a_key(word: str, words: int) -> None:
    events, now = MOMENTS[word]
    board = shown(
        *events, now=now, latest=Message("never " * words, now, urgent=True), size=(LEAST_COLUMNS, LEAST_ROWS)
    )
    assert len(board.rows) == LEAST_ROWS
    assert unhidden(board) == UNHIDDEN
    assert board.text("figure").strip()
    assert written("message", board)[-1].endswith("never" if words == 20 else "never …")


def test_figures_grow_with_the_screen() -> None:
    roast = [start(target="1:45"), CHARGE, BEGUN]
    heights = [len(written("figure", shown(*roast, now=610.0, size=size))) for size in ((70, 20), (80, 24), (120, 40))]
    assert heights == sorted(heights)
    assert heights[2] >= 2 * heights[1]


def test_every_stage_has_a_look_of_its_own_without_colour() -> None:
    drawn = {word: shown(*events, now=now).text("stage") for word, (events, now) in MOMENTS.items()}
    assert len(set(drawn.values())) == len(get_args(Stage)) == len(MOMENTS)


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
    marks: SimpleQueue[Mark] = SimpleQueue()
    told: list[str] = []
    ended: list[bool] = []
    pieces = iter([b"s\n", b"F\nf\nd\n", b"u\n", b"x\n", b"e\n", b"e\n", b""])
    typed = TypedKeys(marks=marks, end=lambda: ended.append(True), say=told.append, read=lambda: next(pieces))
    for one in (CHARGE, BEGUN):
        typed.send(one)
    typed.run()
    assert [mark.what for mark in _drained(marks)] == [
        "second_crack.start",
        *["first_crack.confirmed"] * 2,
        "drop",
        "undo",
    ]
    assert ended == [True]
    assert len(told) == 2
    assert "c charge" in told[0]
    assert told[1] == "Press e again to end the roast. Ending it switches nothing off."


def test_a_typed_end_that_is_not_repeated_ends_nothing() -> None:
    ended: list[bool] = []
    pieces = iter([b"e\n", b"c\n", b"e\n", b""])
    typed = TypedKeys(marks=SimpleQueue(), end=lambda: ended.append(True), say=print, read=lambda: next(pieces))
    typed.run()
    assert ended == []


def _drained(queue: SimpleQueue[Mark]) -> list[Mark]:
    found = []
    while True:
        try:
            found.append(queue.get_nowait())
        except Empty:
            return found


# -- the screen ------------------------------------------------------------------------------------------------


class Table:
    """A board on a test screen, with a clock of its own."""

    def __init__(self, card: PageCard | None = None, speed: float = 1.0) -> None:
        self.now = 0.0
        self.marks: SimpleQueue[Mark] = SimpleQueue()
        self.ended: list[float] = []
        self.begun: list[float] = []
        self.level = LevelWatch()
        self.board = Board(
            device="Desk microphone",
            marks=self.marks,
            end=lambda: self.ended.append(self.now),
            alerts=Alerts(),
            level=self.level,
            begin=lambda: self.begun.append(self.now),
            card=card,
            monotonic=lambda: self.now,
            speed=speed,
            playing=lambda: speed * self.now,
        )

    def text(self, part: str) -> str:
        assert self.board.shown is not None
        return " ".join(self.board.shown.text(part).split())

    def drawn(self, part: str) -> str:
        """What really stands in front, row by row."""
        region = self.board.query_one(f"#{part}").region
        rows = self.board.screen._compositor.render_strips()
        return "\n".join(row.text[region.x : region.right].rstrip() for row in rows[region.y : region.bottom])

    def screen(self) -> list[str]:
        """What really stands on the screen, row by row."""
        return [row.text.rstrip() for row in self.board.screen._compositor.render_strips()]

    async def tell(self, pilot: Any, *events: Event, at: float) -> None:
        self.now = at
        for one in events:
            self.board.send(one)
        await pilot.pause()
        self.board._draw()
        await pilot.pause()


def on_screen(
    test: Callable[[Table, Any], Coroutine[Any, Any, None]],
    *,
    size: tuple[int, int] = (COLUMNS, LINES),
    card: PageCard | None = None,
    speed: float = 1.0,
) -> None:
    async def main() -> None:
        table = Table(card, speed)
        async with table.board.run_test(size=size) as pilot:
            await pilot.pause()
            await test(table, pilot)

    asyncio.run(main())


def test_the_screen_shows_what_was_said() -> None:
    async def test(table: Table, pilot: Any) -> None:
        assert table.begun == [0.0]
        await table.tell(pilot, start(target="1:45"), CHARGE, at=10.0)
        await table.tell(pilot, BEGUN, at=568.0)
        assert "FIRST" not in table.text("stage")  # it fills the screen for two seconds
        assert "First crack began 9:10, 8 s ago." in table.text("figure")
        await table.tell(pilot, at=570.1)
        assert table.text("figure").startswith("TO THE TARGET DEVELOPMENT")
        assert table.text("message") == "First crack began 9:10, 8 s ago."
        assert table.board.shown is not None
        assert table.board.shown.parts["message"][0].look == "urgent"
        await table.tell(pilot, development(600.0, 560.0), at=600.0)
        assert "development ratio 6.8 %" in table.text("figure")

    on_screen(test)


def test_at_a_given_drop_nothing_is_said_of_the_target_any_more() -> None:
    over = event("target", 90.0, stage="over", remaining=-30.0)

    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(target="0:30"), begun(30.0, 36.0), at=36.0)
        await table.tell(pilot, over, at=90.0)
        assert table.text("message") == "Caution: 30 s past the target, and still roasting."
        await table.tell(pilot, event("drop", 92.0, how="given"), at=92.0)
        assert table.text("message") == ""

    on_screen(test)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (70, 20)])
def test_the_screen_is_the_view(size: tuple[int, int]) -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(target="1:45", coffee="Meadow Lane"), CHARGE, BEGUN, density(600.0), at=600.0)
        await table.tell(pilot, at=603.0)
        assert table.board.shown is not None
        assert table.screen() == [row.text for row in table.board.shown.rows]
        assert "[e] end" in table.screen()[-1]

    on_screen(test, size=size)


@pytest.mark.parametrize("word", get_args(Stage))
def test_the_accent_is_a_colour_of_the_terminal_beside_the_text_and_none_where_the_person_wants_none(
    monkeypatch: pytest.MonkeyPatch, word: Stage
) -> None:
    events, now = MOMENTS[word]

    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, *events, health("own_sound", now, ""), at=now)
        await table.tell(pilot, at=now + 2.5)
        pieces = [piece for strip in table.board.query_one(Screenful).rows for piece in strip]
        assert all(style.color is None for _, style, _ in pieces)
        coloured = [(text, style.bgcolor.name) for text, style, _ in pieces if style.bgcolor is not None]
        assert all(text.isspace() for text, _ in coloured)
        (colour,) = {name for _, name in coloured} or {None}
        colours.append(colour)

    colours: list[str | None] = []
    on_screen(test)
    monkeypatch.setenv("NO_COLOR", "1")
    on_screen(test)
    assert colours == [ACCENT[word], None]


def test_in_a_roast_played_20_times_as_fast_a_person_has_the_same_time_for_a_key() -> None:
    """4 s to read the question are 80 s of the roast, and 10 s after an announcement are 200."""

    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), CHARGE, at=0.0)
        await pilot.press("c")
        await table.tell(pilot, at=4.0)
        assert "Press [c] again" in table.text("message")
        await pilot.press("c")
        assert [mark.what for mark in _drained(table.marks)] == ["charge"]
        await table.tell(pilot, BEGUN, at=30.0)
        await table.tell(pilot, at=40.0)
        await pilot.press("f")
        assert [mark.what for mark in _drained(table.marks)] == ["first_crack.confirmed"]

    on_screen(test, speed=20.0)


def test_each_key_marks_and_shows_it() -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), at=1.0)
        await pilot.press("c", "F", "s", "d")
        marks = [mark.what for mark in _drained(table.marks)]
        assert marks == ["charge", "first_crack.start", "second_crack.start", "drop"]
        await table.tell(pilot, mark("drop", 5.0), event("drop", 5.0, how="key"), at=5.0)
        assert table.text("message") == "You marked the drop at 0:05; [u] undoes it."
        await pilot.press("d")
        assert table.text("message") == "Drop is already at 0:05. Press [d] again to move it to 0:05."
        await pilot.press("u")
        assert _drained(table.marks) == [Mark("undo")]
        await table.tell(pilot, event("mark", 6.0, what="drop.not_yet", undo="key"), at=6.0)
        assert table.text("message") == "The drop is taken back; the roast goes on."
        await pilot.press("u")
        assert _drained(table.marks) == []
        assert table.text("message") == "There is nothing to undo."

    on_screen(test)


def test_a_question_stays_in_sight_while_it_waits_for_its_second_press() -> None:
    near = event("target", 100.0, stage="near", remaining=30.0)
    over = event("target", 102.0, stage="over", remaining=-30.0)

    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(target="0:40"), mark("first_crack.start", 90.0), at=90.0)
        table.now = 99.0
        await pilot.press("f")
        question = "First crack is already at 1:30. Press [f] again to move it to 1:39."
        await table.tell(pilot, near, at=100.0)
        assert table.text("message") == question
        await table.tell(pilot, over, at=102.0)  # what must not be missed stands in front of it
        assert table.text("message").startswith("Caution")
        await pilot.press("f")
        assert _drained(table.marks) == [Mark("first_crack.start", 99.0)]
        await table.tell(pilot, near, at=103.0)
        assert table.text("message") == "30 s to the target."

    on_screen(test)


def test_the_end_is_asked_for_twice_but_not_with_ctrl_c() -> None:
    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), at=0.0)
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


def test_the_way_to_the_page_stands_in_front_until_a_key_or_a_phone_comes() -> None:
    joined: list[bool] = []
    said = "http://192.168.178.120:8321/in/" + "x" * 22
    who = "Whoever is in the same network. " * 6
    card = PageCard(said, kept_at="", who=who, code=code_lines(said), joined=lambda: bool(joined))

    async def test(table: Table, pilot: Any) -> None:
        await table.tell(pilot, start(), at=1.0)
        assert said in table.drawn("card")
        assert "Any key shows the board, p this again." in " ".join(table.drawn("card").split())
        await pilot.press("c")  # no mark: it closes what stands in front
        assert _drained(table.marks) == []
        assert not table.board.query_one("#card").display
        await pilot.press("c", "p")
        assert _drained(table.marks) == [Mark("charge")]
        joined.append(True)  # asked for by a key it stays, however many look
        await table.tell(pilot, at=2.0)
        assert table.board.query_one("#card").display
        await pilot.press("ctrl+c")
        assert table.ended == [2.0]

    on_screen(test, card=card)
    joined.clear()

    async def comes(table: Table, pilot: Any) -> None:
        joined.append(True)
        await table.tell(pilot, at=1.0)
        assert not table.board.query_one("#card").display

    on_screen(comes, card=card)


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
        began, sent = time.monotonic(), 0
        while table.now < 0.5 or sent < 500:  # a storm of events, however long a busy computer takes for it
            table.now = time.monotonic() - began
            table.board.send(crack(table.now))
            sent += 1
            await asyncio.sleep(0)
        assert 1 <= len(drawings) <= 10 * table.now + 2  # ten a second

    on_screen(test)


# -- board and hearing together --------------------------------------------------------------------------------


class Screen:
    """In place of the board: runs until it is closed, or fails, or its terminal is closed."""

    def __init__(self, *, fails: bool = False, hung_up: bool = False) -> None:
        self.closed = threading.Event()
        self.hearing: board_in_front.Hearing | None = None
        self.fails = fails or hung_up
        self.hung_up = hung_up

    def run(self) -> None:
        assert self.hearing is not None
        self.hearing.begin()
        if not self.fails:
            assert self.closed.wait(PATIENCE_S)


def hearing_of(stage: Screen, hear: Callable[[], int]) -> board_in_front.Hearing:
    stage.hearing = board_in_front.Hearing(hear, finished=stage.closed.set)
    return stage.hearing


def test_the_board_closes_with_the_roast_and_the_exit_code_is_the_roasts() -> None:
    stage = Screen()
    told: list[str] = []
    code = board_in_front.run(
        stage,  # type: ignore[arg-type]
        hearing_of(stage, lambda: 4),
        stop=threading.Event(),
        notices=SimpleQueue(),
        say=told.append,
    )
    assert (code, told) == (4, [])


def test_a_board_that_fails_does_not_end_the_roast() -> None:
    stage, told, go_on = Screen(fails=True), list[str](), threading.Event()

    def say(sentence: str) -> None:
        told.append(sentence)
        go_on.set()

    code = board_in_front.run(
        stage,  # type: ignore[arg-type]
        hearing_of(stage, lambda: 0 if go_on.wait(PATIENCE_S) else 1),
        stop=threading.Event(),
        notices=SimpleQueue(),
        say=say,
    )
    assert code == 0
    assert len(told) == 1
    assert "heard on" in told[0]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a program with its terminal")
@pytest.mark.parametrize("ignored", [False, True])
def test_a_closed_terminal_of_which_no_signal_tells_ends_the_roast_unless_that_is_ignored(ignored: bool) -> None:
    """As in another session than the terminal's, and as nohup wants it."""
    stage, stop, told, go_on = Screen(hung_up=True), threading.Event(), list[str](), threading.Event()

    def hear() -> int:
        return 0 if (go_on if ignored else stop).wait(PATIENCE_S) else 1

    def say(sentence: str) -> None:
        told.append(sentence)
        go_on.set()

    notices: Notices = SimpleQueue()
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)
    try:
        code = board_in_front.run(stage, hearing_of(stage, hear), stop=stop, notices=notices, say=say)  # type: ignore[arg-type]
    finally:
        signal.signal(signal.SIGHUP, before)
    assert code == 0
    if ignored:
        assert "heard on" in told[0]
        assert notices.empty()
    else:
        assert told == []
        assert notices.get_nowait().kind == "interrupted"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no such terminals")
def test_the_board_closes_with_its_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    person, program = os.openpty()
    with open(program) as terminal:
        monkeypatch.setattr(sys, "__stdin__", terminal)

        async def test(table: Table, pilot: Any) -> None:
            await table.tell(pilot, start(), at=1.0)
            assert not table.board.hung_up
            os.close(person)
            assert table.board.hung_up
            async with asyncio.timeout(PATIENCE_S):
                while table.board.is_running:
                    await asyncio.sleep(0.01)

        on_screen(test)


def test_a_defect_in_the_hearing_is_not_swallowed() -> None:
    stage = Screen()

    def hear() -> int:
        raise RuntimeError("a defect")

    with pytest.raises(RuntimeError, match="a defect"):
        board_in_front.run(stage, hearing_of(stage, hear), stop=threading.Event(), notices=SimpleQueue(), say=print)  # type: ignore[arg-type]


def test_a_hundred_roasts_on_a_board_leave_no_thread() -> None:
    with no_thread_left():
        for _ in range(100):
            stage = Screen()
            board_in_front.run(
                stage, hearing_of(stage, lambda: 0), stop=threading.Event(), notices=SimpleQueue(), say=print
            )  # type: ignore[arg-type]


def test_clock_and_large_agree() -> None:
    """Every time a roast can show can be drawn."""
    for seconds in (0, 59, 60, 599, 3599, 5999):
        large(clock(seconds), columns=78, rows=11)
