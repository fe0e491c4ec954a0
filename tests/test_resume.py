"""The next start after a roast was cut off: what is asked, what is told, and what goes on."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import datetime, tzinfo
from pathlib import Path
from queue import SimpleQueue

import left_behind
import numpy as np
import pytest
import soundfile
from left_behind import RATE, leave, noise

from crackdetect.blocks import Block
from crackdetect.events import Event
from crackdetect.listening import resume
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import RoastState
from crackdetect.storage import boot_clock, recovery
from crackdetect.storage.boot_clock import BootTime
from crackdetect.storage.journal import Journal, new_folder, read_events
from crackdetect.storage.recording import Recorder
from crackdetect.storage.recovery import CutOff
from crackdetect.storage.roast_store import RoastLog


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))


@pytest.fixture(autouse=True)
def now(monkeypatch: pytest.MonkeyPatch) -> datetime:
    """The moment at which the clocks stand, however long a test takes."""
    moment, reading = datetime.now().astimezone(), boot_clock.now()

    class Standing(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return moment.astimezone(tz)

    for module in (left_behind, recovery, resume):
        monkeypatch.setattr(module, "datetime", Standing)
    monkeypatch.setattr(boot_clock, "now", lambda: reading)
    monkeypatch.setattr(recovery, "clock_through_sleep", lambda: reading.at_s)
    return moment


class Person:
    """Answers, and keeps what was asked and told."""

    def __init__(self, answer: bool | None) -> None:
        self.answer = answer
        self.asked: list[str] = []
        self.told: list[str] = []

    def settle(self, data: Path, model: Model, *, wanted: bool | None = None) -> CutOff | None:
        def ask(question: str, usual: bool) -> bool:
            self.asked.append(question)
            assert self.answer is not None
            return self.answer

        return resume.settle(
            data, model, wanted=wanted, ask=None if self.answer is None else ask, tell=self.told.append
        )


def test_an_old_roast_is_closed_and_in_the_log_and_told(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "old", model, ago_s=7200)
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.asked == []
    assert person.told == [
        "The roast of Trial that began as old was cut off at 0:20; it is in the log as far as it was heard, as roast 1."
    ]
    with RoastLog() as log:
        roast = log.find("old")
    assert roast.recording == folder / "sound.flac"
    assert not (folder / "events.jsonl").exists()
    events = read_events(folder)
    assert [event["type"] for event in events[-2:]] == ["health", "summary"]
    assert events[-2]["kind"] == "interrupted"
    assert [event["seq"] for event in events] == list(range(len(events)))
    assert recovery.find(data) == []
    assert Person(True).settle(data, model) is None  # and not once more


def test_a_recent_roast_is_asked_about(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    leave(data, "recent", model, ago_s=65)
    person = Person(True)
    cut_off = person.settle(data, model)
    assert cut_off is not None
    assert cut_off.state.roast == "recent"
    assert "was cut off at 0:20, 1:05 ago. Is it still going on" in person.asked[0]
    assert "gone on with" in person.told[0]
    before = resume.told_before(cut_off)
    assert [event.to_dict() for event in before] == read_events(cut_off.folder)
    assert recovery.find(data) != []  # until it ends
    person = Person(False)
    assert person.settle(data, model) is None
    assert "it is in the log as far as it was heard" in person.told[0]


def test_where_nobody_can_answer_the_option_decides(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    leave(data, "first", model, ago_s=200)
    leave(data, "second", model, ago_s=65)
    wanting = Person(None)
    cut_off = wanting.settle(data, model, wanted=True)
    assert cut_off is not None
    assert cut_off.state.roast == "second"  # the newest; the other one is closed
    assert len(wanting.told) == 2
    silent = Person(None)
    assert silent.settle(data, model) is None
    assert "'listen --resume' would have gone on with it" in silent.told[0]
    assert Person(None).settle(data, model, wanted=True) is not None  # as it said: no other roast has begun since


@pytest.mark.parametrize("ended", [False, True], ids=["hears it", "has ended it"])
def test_a_roast_that_another_process_takes_up_while_the_person_thinks_is_left_to_it(
    tmp_path: Path, model: Model, ended: bool
) -> None:
    data = tmp_path / "data"
    folder = leave(data, "recent", model, ago_s=65)
    others: list[Journal] = []

    def ask(question: str, usual: bool) -> bool:
        if ended:
            recovery.close(recovery.find(data)[0], model)
        else:
            others.append(Journal(folder))
        return True

    told: list[str] = []
    assert resume.settle(data, model, wanted=None, ask=ask, tell=told.append) is None
    assert "cannot be gone on with" in told[1]
    assert "another crackdetect" in told[1]
    for other in others:
        other.close()
    assert [path.name for path in folder.glob("*.jsonl") if path.name != "start.jsonl"] == [
        "roast.jsonl" if ended else "events.jsonl"
    ]


def test_where_there_is_no_roast_to_go_on_with_a_new_one_begins(tmp_path: Path, model: Model) -> None:
    person = Person(None)
    assert person.settle(tmp_path / "data", model, wanted=True) is None
    assert person.told == ["There is no roast to go on with; a new one begins."]


def test_a_roast_that_had_ended_only_goes_into_the_log(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "ended", model, ago_s=5, summary=True)
    before = read_events(folder)
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.told == ["The roast of Trial that began as ended had ended and is now in the log, as roast 1."]
    assert read_events(folder) == before


def test_journals_with_nothing_in_them_are_no_trouble(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    for name, content in (("empty", b""), ("damaged", b'{"type": "crack"}\n')):
        (new_folder(data, name) / "events.jsonl").write_bytes(content)
    person = Person(True)
    assert person.settle(data, model) is None
    (told,) = person.told
    assert "set aside" in told
    assert (data / "roasts" / "damaged" / "damaged.jsonl").exists()
    assert person.settle(data, model) is None
    assert len(person.told) == 1


def test_a_log_that_cannot_be_written_leaves_the_roast_for_the_next_start(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    leave(data, "old", model, ago_s=7200)
    (data / "roasts.sqlite3").write_bytes(b"no database, " * 1000)
    person = Person(True)
    assert person.settle(data, model) is None
    assert "could not be put into the log" in person.told[0]
    (data / "roasts.sqlite3").unlink()
    assert Person(True).settle(data, model) is None
    with RoastLog() as log:
        assert log.count() == 1


# -- the wall clock ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("off_s", [-3600, -300, 0, 600, 3600])
def test_a_wall_clock_that_was_set_meanwhile_does_not_matter(
    tmp_path: Path, model: Model, now: datetime, off_s: float
) -> None:
    data = tmp_path / "data"
    leave(data, "recent", model, ago_s=65, clock_off_s=off_s)
    person = Person(True)
    cut_off = person.settle(data, model)
    assert cut_off is not None
    assert cut_off.started is not None
    assert "was cut off at 0:20, 1:05 ago" in person.asked[0]
    assert (now - cut_off.started).total_seconds() == pytest.approx(85)


def test_a_wall_clock_that_is_set_while_the_person_thinks_does_not_matter(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    leave(data, "recent", model, ago_s=65)
    cut_off = Person(True).settle(data, model)
    assert cut_off is not None
    then = time.time()
    monkeypatch.setattr(time, "time", lambda: then + 3600)
    assert boot_clock.now().at_s - cut_off.began_s == pytest.approx(85)


@pytest.mark.parametrize(("slept_s", "goes_on"), [(600, True), (3600, False)])
def test_a_computer_that_slept_meanwhile_knows_how_long(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch, now: datetime, slept_s: float, goes_on: bool
) -> None:
    """The wall clock stood still as well, as of a virtual machine that was put to sleep."""
    data = tmp_path / "data"
    leave(data, "recent", model, ago_s=65)
    later = boot_clock.now().before(-slept_s)
    monkeypatch.setattr(boot_clock, "now", lambda: later)
    cut_off = Person(True).settle(data, model)
    assert (cut_off is not None) == goes_on
    if cut_off is not None:
        assert cut_off.ago_s(now) == pytest.approx(65 + slept_s)


@pytest.mark.parametrize(("then", "here"), [("+01:00", "+02:00"), ("+02:00", "+01:00"), ("+00:00", "-10:00")])
def test_a_change_to_summer_time_in_the_middle_does_not_matter(
    tmp_path: Path, model: Model, now: datetime, then: str, here: str
) -> None:
    """By the wall clock alone, as of a journal without the other one: its offset from UTC stands in it."""
    data = tmp_path / "data"
    folder = leave(data, "recent", model, ago_s=65)
    events = read_events(folder)
    started = datetime.fromisoformat(events[0]["about"]["started"])
    zone = datetime.fromisoformat(f"2026-01-01T00:00:00{then}").tzinfo
    events[0]["about"]["started"] = started.astimezone(zone).isoformat()
    (folder / "events.jsonl").write_text("".join(f"{json.dumps(event)}\n" for event in events))
    (folder / "start.jsonl").unlink()
    person = Person(True)
    assert person.settle(data, model) is not None
    (cut_off,) = recovery.find(data)
    at_home = now.astimezone(datetime.fromisoformat(f"2026-01-01T00:00:00{here}").tzinfo)
    assert cut_off.ago_s(at_home) == pytest.approx(65)


def test_a_computer_that_was_started_anew_has_only_its_wall_clock(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    leave(data, "ahead", model, ago_s=65, clock_off_s=300)
    monkeypatch.setattr(boot_clock, "now", lambda: BootTime("another start", 1e6))
    person = Person(True)
    assert person.settle(data, model) is None  # it would have begun in the future: refused, not guessed
    assert person.asked == []


def test_a_clock_of_another_start_or_none_cannot_be_compared() -> None:
    assert BootTime("one", 70.0).since(BootTime("one", 10.0)) == 60.0
    assert BootTime("one", 70.0).since(BootTime("two", 10.0)) is None
    assert BootTime("one", 70.0).since(BootTime("one", 80.0)) is None
    assert BootTime("", 70.0).since(BootTime("", 10.0)) is None


@pytest.mark.parametrize("at_s", [float("nan"), float("inf"), -1e308, 10**400, "soon", None, True, [1]])
def test_a_damaged_reading_of_the_clock_leaves_the_wall_clock(
    tmp_path: Path, model: Model, now: datetime, at_s: object
) -> None:
    data = tmp_path / "data"
    path = leave(data, "R", model, ago_s=65) / "events.jsonl"
    start, _, *rest = path.read_text().splitlines()
    reading = json.dumps({"type": "clock", "boot": boot_clock.now().boot, "at_s": at_s})
    path.write_text("\n".join([start, reading, *rest, ""]))
    (cut_off,) = recovery.find(data)
    assert cut_off.ago_s(now) == pytest.approx(65)


# -- roasts that only a closed terminal ended --------------------------------------------------------------------


def leave_hung_up(data: Path, model: Model, *, ago_s: float, name: str = "hung up") -> Path:
    """A roast that a closed terminal ended; it is in the log."""
    folder = leave(data, name, model, ago_s=ago_s)
    (cut_off,) = [one for one in recovery.find(data) if one.folder == folder]
    recovery.close(cut_off, model)
    return folder


@pytest.mark.parametrize("ago_s", [65, 50 * 60])
def test_a_roast_that_a_closed_terminal_ended_is_gone_on_with(tmp_path: Path, model: Model, ago_s: float) -> None:
    data = tmp_path / "data"
    folder = leave_hung_up(data, model, ago_s=ago_s)
    leave(data, "old", model, ago_s=7200)
    person = Person(True)
    cut_off = person.settle(data, model)
    assert cut_off is not None
    assert cut_off.folder == folder
    assert "was cut off at 0:20" in person.asked[0]
    assert cut_off.was_recorded
    assert [event.type for event in resume.told_before(cut_off)][-1] == "health"
    pipeline = Pipeline(samplerate=RATE, model=model, roast="hung up", source="microphone", state=cut_off.state)
    journal = Journal(folder)
    sound = noise(5)
    for event in (
        *pipeline.notice("interrupted", message="gone on with"), *pipeline.push(Block(sound, lost=RATE)),
        *pipeline.finish(),
    ):  # fmt: skip
        journal.send(event)
    journal.close()
    recorder = Recorder(folder, samplerate=RATE, first=round(21 * RATE))
    recorder.observe(Block(sound))
    recorder.close()
    recovery.keep(folder)
    events = read_events(folder)
    assert [event["seq"] for event in events] == list(range(len(events)))
    with RoastLog() as log:
        roast = log.find("hung up")
    assert (roast.length_s, roast.finished) == (26.0, True)
    assert len(soundfile.read(folder / "sound.flac")[0]) == 26 * RATE
    assert Person(True).settle(data, model) is None  # by now the person has ended it


def test_a_roast_after_that_of_the_closed_terminal_is_the_last(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    leave_hung_up(data, model, ago_s=600)
    ended = leave(data, "ended", model, ago_s=5, summary=True)
    recovery.keep(ended)
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.asked == person.told == []


def test_it_is_not_gone_on_with_after_an_hour_or_where_the_person_does_not_want_to(
    tmp_path: Path, model: Model
) -> None:
    data = tmp_path / "data"
    folder = leave_hung_up(data, model, ago_s=3700)
    assert Person(True).settle(data, model) is None
    folder = leave_hung_up(data, model, ago_s=65, name="later")
    assert Person(False).settle(data, model) is None
    assert (folder / "roast.jsonl").exists()
    assert (folder / "sound.flac").exists()


# -- damaged journals --------------------------------------------------------------------------------------------

START = {
    "type": "roast.start", "at": 0.0, "announced_at": 0.0, "roast_time": None, "seq": 0, "roast": "R",
    "source": "microphone", "samplerate": RATE, "model": {"name": "first-crack", "hash": "x"}, "version": "0.1.0",
    "settings": {"charge_at": None, "drop_at": None, "target": None, "near_s": [30.0, 10.0], "cool_s": None},
    "about": {"coffee": "Trial"},
}  # fmt: skip
CRACK = {
    "type": "crack", "at": 1.0, "announced_at": 2.0, "roast_time": None, "seq": 1, "roast": "R", "kind": "first",
    "probability": 0.9, "snr_db": 20.0,
}  # fmt: skip


def bad_journals() -> Iterator[tuple[str, list[object]]]:
    for name, value in (
        ("about", "x"), ("about", {"expect": [1]}), ("about", {"green_g": "much"}), ("about", {"coffee": [1]}),
        ("settings", []), ("settings", {"target": 5}), ("settings", {"near_s": ["x"]}), ("settings", {"charge_at": -1}),
        ("samplerate", "abc"), ("samplerate", 1), ("samplerate", 10**30), ("roast", 5), ("seq", "z"), ("model", None),
    ):  # fmt: skip
        yield f"{name} {value!r:.20}", [{**START, name: value}, CRACK]
    for event in (
        {"at": 1e308, "announced_at": 1e308}, {"announced_at": float("nan")}, {"probability": float("inf")},
        {"announced_at": 10**400}, {"seq": -9}, {"type": "charge", "at": "x", "how": "given"}, {"roast": "other"},
        {"type": "health", "kind": [1], "count": 1, "message": 5}, {"type": "mark", "what": 3},
        {"type": "health", "kind": "gap", "count": 10**30, "message": "m"}, {"kind": ["first"]},
    ):  # fmt: skip
        yield f"{event!r:.60}", [START, {**CRACK, **event}]


@pytest.mark.parametrize("lines", [pytest.param(lines, id=name) for name, lines in bad_journals()])
def test_a_damaged_journal_is_set_aside_and_keeps_nobody_from_roasting(
    tmp_path: Path, model: Model, lines: list[object]
) -> None:
    data = tmp_path / "data"
    folder = new_folder(data, "R")
    (folder / "events.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    leave(data, "other", model, ago_s=7200)
    person = Person(True)
    assert person.settle(data, model) is None
    assert ["set aside as" in told for told in person.told].count(True) == 1
    assert "it is in the log as far as it was heard, as roast " in person.told[-1]
    assert (folder / "damaged.jsonl").is_file()
    assert not (folder / "events.jsonl").exists()
    again = Person(True)
    assert again.settle(data, model) is None
    assert again.told == []


@pytest.mark.parametrize("error", [KeyError, IndexError, OverflowError, AttributeError])
def test_whatever_a_damaged_event_comes_to_keeps_nobody_from_roasting(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch, error: type[Exception]
) -> None:
    data = tmp_path / "data"
    folder = leave(data, "R", model, ago_s=65)

    def fails(self: RoastState, event: Event) -> None:
        raise error("on purpose")

    monkeypatch.setattr(RoastState, "apply", fails)
    person = Person(True)
    assert person.settle(data, model) is None
    (told,) = person.told
    assert f"cannot be read: {error.__name__}" in told
    assert (folder / "damaged.jsonl").is_file()


def test_brackets_without_end_cost_their_line_only(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = new_folder(data, "R")
    (folder / "events.jsonl").write_text(f"{json.dumps(START)}\n{'[' * 200_000}\n{json.dumps(CRACK)}\n")
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.told[0].startswith("1 of 3 lines of the roast R were damaged on the disk and are left out")
    assert "it is in the log as far as it was heard, as roast " in person.told[1]


def test_a_roast_that_cannot_be_shown_again_is_not_gone_on_with(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "recent", model, ago_s=65)
    with (folder / "events.jsonl").open("a") as file:
        file.write('{"type": "crack", "at": 1, "announced_at": 2, "seq": 9, "kind": "first"}\n')
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.asked == []
    assert "set aside as" in person.told[0]


# -- the clock ---------------------------------------------------------------------------------------------------


class Later:
    """A source whose first block with sound comes at a moment given by the wall clock."""

    samplerate, kind, name = RATE, "microphone", "source"

    def __iter__(self) -> Iterator[Block]:
        yield Block(np.zeros(0, np.float32))
        yield Block(np.zeros(RATE // 10, np.float32))
        yield Block(np.zeros(RATE // 10, np.float32))

    def close(self) -> None:
        pass


def test_the_clock_of_a_roast_that_is_gone_on_with_runs_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resume, "clock_through_sleep", lambda: 1_065.0)
    notices: SimpleQueue[Notice] = SimpleQueue()
    source = resume.ContinuedSource(Later(), began_s=1_000.0, position=20 * RATE, notices=notices)  # type: ignore[arg-type]
    blocks = [(len(block.samples), block.lost, block.lost_to) for block in source]
    assert blocks == [
        (0, 0, "gap"),
        (0, 45 * RATE - RATE // 10, "outage"),  # 65 s since the start, 20 s heard, the block is at its end
        (RATE // 10, 0, "gap"),
        (RATE // 10, 0, "gap"),
    ]
    assert notices.get().message == "the program was ended at 0:20 and goes on; 0:45 were not heard"
