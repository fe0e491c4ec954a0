"""What a roast leaves on the disk: journal, sound, and what the next start makes of a roast that was cut off."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace
from typing import Any

import kills
import numpy as np
import pytest
import soundfile
from endpoint import Endpoint

from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.config import About
from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.keeping import journal as journal_module
from crackdetect.keeping import recording, recovery
from crackdetect.keeping.journal import InUse, Journal, close_folder, held, new_folder, read_events
from crackdetect.keeping.recording import Recorder, join, mend
from crackdetect.keeping.recovery import CutOff
from crackdetect.listening import going_on
from crackdetect.listening.attachments import Attachments
from crackdetect.listening.kept import KeptRoast, Webhooks
from crackdetect.listening.recording_choice import keep_choice, kept_choice, recording_wanted
from crackdetect.log.store import RoastLog
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.recordings import open_recording
from crackdetect.so_far import SoFar

RATE = 8_000
RANDOM = np.random.default_rng(5)


def drop(seq: int) -> Event:
    return Event("drop", float(seq), float(seq), None, seq, "roast", {"how": "key"})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return new_folder(tmp_path / "data", "roast")


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))


# -- the journal ---------------------------------------------------------------------------------------------


def test_every_event_is_in_the_file_as_soon_as_it_is_sent(folder: Path) -> None:
    journal = Journal(folder)
    for seq in range(5):
        journal.send(drop(seq))
        assert [event["seq"] for event in read_events(folder)] == list(range(seq + 1))
    assert read_events(folder)[3] == drop(3).to_dict()
    journal.close()
    journal.close()


def test_the_disk_is_asked_as_soon_as_nothing_waits_and_twice_a_second_before(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    journal = Journal(folder)
    monkeypatch.setattr(journal_module.os, "fsync", synced.append)
    now = [100.0]
    monkeypatch.setattr(journal_module, "time", SimpleNamespace(monotonic=lambda: now[0]))
    for seq in range(10):  # ten a second, and always another one waits
        journal.send(drop(seq))
        now[0] += 0.1
    assert len(synced) == 1  # with the one that came half a second after the first
    journal.settle()
    assert len(synced) == 2
    journal.settle()
    assert len(synced) == 2
    monkeypatch.undo()
    journal.close()


def test_a_line_that_was_cut_off_is_dropped_and_the_roast_goes_on(folder: Path) -> None:
    path = folder / "events.jsonl"
    journal = Journal(folder)
    for seq in range(3):
        journal.send(drop(seq))
    journal.close()
    whole = path.read_bytes()
    for cut in (len(whole) - 1, len(whole) - 30, len(whole) // 2):
        path.write_bytes(whole[:cut])
        there = len(read_events(folder))
        again = Journal(folder)
        again.send(drop(7))
        again.close()
        events = read_events(folder)
        assert [event["seq"] for event in events] == [*range(whole[:cut].count(b"\n")), 7]
        assert there - 1 <= len(events) - 1 <= there


def test_zeros_and_nonsense_between_the_lines_are_passed_over(folder: Path) -> None:
    """A file system may leave zeros where the power went."""
    line = drop(0).to_json().encode()
    (folder / "events.jsonl").write_bytes(line + b"\n" + bytes(100) + b"\n{}\n[1]\n\xff\n" + line + b"\n")
    assert [event["seq"] for event in read_events(folder)] == [0, 0]


def test_a_roast_is_listened_to_by_one_process_only(folder: Path) -> None:
    code = """
import sys, time
from pathlib import Path
from crackdetect.keeping.journal import Journal
journal = Journal(Path(sys.argv[1]))
print("open", flush=True)
time.sleep(60)
"""
    other = subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None
    assert other.stdout.readline() == "open\n"
    try:
        with pytest.raises(InUse), held(folder):
            pass
        assert recovery.find(folder.parent.parent) == []
        with pytest.raises(InUse, match="listened to by another crackdetect"):
            Journal(folder)
    finally:
        other.kill()
        other.wait()
        other.stdout.close()
    with held(folder):
        pass


class Full:
    """A file on a disk with room for half a line."""

    def __init__(self, file: object) -> None:
        self._file = file
        self.full = True

    def write(self, data: bytes) -> int:
        if not self.full:
            return int(self._file.write(data))  # type: ignore[attr-defined]
        if len(data) > 20:
            return int(self._file.write(data[:20]))  # type: ignore[attr-defined]
        raise OSError(errno.ENOSPC, "No space left on device")

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)


def test_a_full_disk_is_told_and_the_journal_goes_on_when_there_is_room_again(folder: Path) -> None:
    journal = Journal(folder)
    journal.send(drop(0))
    full = Full(journal._file)
    journal._file = full  # type: ignore[assignment]
    full.write = lambda data: (_ for _ in ()).throw(OSError(errno.ENOSPC, "No space left on device"))  # type: ignore[method-assign]
    with pytest.raises(OutputError, match="the disk is full, the events of this roast are not kept") as error:
        journal.send(drop(1))
    assert isinstance(error.value.__cause__, OSError)
    assert error.value.__cause__.errno == errno.ENOSPC
    journal._file = full._file  # type: ignore[assignment]
    journal.send(drop(2))
    journal.close()
    assert [event["seq"] for event in read_events(folder)] == [0, 2]


def test_half_a_line_on_a_full_disk_does_not_spoil_the_next(folder: Path) -> None:
    journal = Journal(folder)

    class Half:
        def __init__(self, file: object) -> None:
            self.file, self.calls = file, 0

        def write(self, data: bytes) -> int:
            self.calls += 1
            if self.calls == 1:
                return int(self.file.write(data[:20]))  # type: ignore[attr-defined]
            raise OSError(errno.ENOSPC, "No space left on device")

        def __getattr__(self, name: str) -> object:
            return getattr(self.file, name)

    real = journal._file
    journal._file = Half(real)  # type: ignore[assignment]
    with pytest.raises(OutputError):
        journal.send(drop(0))
    journal._file = real
    journal.send(drop(1))
    journal.close()
    assert (folder / "events.jsonl").read_bytes() == drop(1).to_json().encode() + b"\n"


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="needs a user whom permissions bind")
def test_a_folder_that_may_not_be_written_to_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="check its permissions"):
            new_folder(tmp_path / "data", "roast")
    finally:
        tmp_path.chmod(0o700)


# -- the sound -----------------------------------------------------------------------------------------------


def noise(seconds: float, *, bits: int = 16) -> np.ndarray:
    """As a microphone of so many bits gives it."""
    full = 2 ** (bits - 1)
    return (np.round(RANDOM.normal(0, 0.05, round(seconds * RATE)) * full) / full).astype(np.float32)


def record(folder: Path, blocks: list[Block], **options: object) -> list[Notice]:
    notices: SimpleQueue[Notice] = SimpleQueue()
    recorder = Recorder(folder, samplerate=RATE, notices=notices, **options)  # type: ignore[arg-type]
    for block in blocks:
        recorder.observe(block)
    recorder.close()
    told = []
    while not notices.empty():
        told.append(notices.get())
    return told


@pytest.mark.parametrize("bits", [16, 24])
def test_what_was_heard_is_recorded_to_the_bit_with_silence_for_what_was_lost(folder: Path, bits: int) -> None:
    first, second = noise(1.5, bits=bits), noise(0.7, bits=bits)
    assert record(folder, [Block(first), Block(second, lost=3 * RATE + 17)]) == []
    path = join(folder)
    assert path == folder / "sound.flac"
    read, samplerate = soundfile.read(path, dtype="float32")
    assert samplerate == RATE
    np.testing.assert_array_equal(read, np.concatenate([first, np.zeros(3 * RATE + 17, np.float32), second]))


def test_numbers_that_are_none_are_recorded_as_silence(folder: Path) -> None:
    broken = noise(1.0)
    broken[100:200] = np.nan
    record(folder, [Block(broken)])
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    assert (read[100:200] == 0).all()


@pytest.fixture(scope="module")
def cut_off_recording(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A recording of 20 s at 44.1 kHz whose writer was killed."""
    folder = tmp_path_factory.mktemp("killed")
    code = """
import os, signal, sys, time
from pathlib import Path
import numpy as np
from crackdetect.blocks import Block
from crackdetect.keeping.recording import Recorder
recorder = Recorder(Path(sys.argv[1]), samplerate=44_100)
noise = np.random.default_rng(1).normal(0, 0.05, 20 * 44_100).astype(np.float32)
for start in range(0, len(noise), 4410):
    recorder.observe(Block(noise[start : start + 4410]))
while recorder._written < len(noise):
    time.sleep(0.01)
os.kill(os.getpid(), signal.SIGKILL)
"""
    subprocess.run([sys.executable, "-c", code, str(folder)], check=False, timeout=60)
    (path,) = folder.glob("*.flac")
    return path.read_bytes()


def heard_seconds(path: Path) -> float:
    source = open_recording(path)
    count = sum(len(block.samples) for block in source)
    source.close()
    return count / 44_100


def test_of_a_killed_recording_less_than_a_second_is_missing(cut_off_recording: bytes, tmp_path: Path) -> None:
    path = tmp_path / "killed.flac"
    path.write_bytes(cut_off_recording)
    assert heard_seconds(path) > 19.8  # two frames of 4,096 samples are 0.19 s


@pytest.mark.parametrize("share", [0.02, 0.1, 0.37, 0.5, 0.501, 0.77, 0.93, 0.9999])
@pytest.mark.parametrize("tail", [b"", bytes(4096)], ids=["cut", "then zeros"])
def test_a_recording_that_breaks_off_anywhere_is_read_up_to_there(
    cut_off_recording: bytes, tmp_path: Path, share: float, tail: bytes
) -> None:
    """The bytes of steady noise are spread evenly over its seconds, so a share of bytes is a share of time."""
    path = tmp_path / "cut.flac"
    path.write_bytes(cut_off_recording[: int(share * len(cut_off_recording))] + tail)
    expected = share * 20
    assert expected - 0.5 < heard_seconds(path) <= expected + 0.1
    count = mend(path)
    read, _ = soundfile.read(path)  # a reader that insists on a length
    assert len(read) == count == round(heard_seconds(path) * 44_100)
    assert expected - 0.5 < count / 44_100


def test_a_file_without_any_sound_is_left_alone(tmp_path: Path) -> None:
    for content in (b"", b"fLaC", b"nonsense" * 100):
        path = tmp_path / "sound-000000000000.flac"
        path.write_bytes(content)
        assert mend(path) == 0
        assert join(tmp_path) is None
        assert path.read_bytes() == content


def test_parts_of_a_roast_become_one_recording_whose_times_are_those_of_the_roast(folder: Path) -> None:
    """The second part begins where the events ended, a little before the first part's sound did."""
    first, second = noise(2.0), noise(1.0)
    record(folder, [Block(first)])
    begin = round(1.75 * RATE)
    record(folder, [Block(np.zeros(0, np.float32), lost=2 * RATE, lost_to="outage"), Block(second)], first=begin)
    assert len(list(folder.glob("sound-*.flac"))) == 2
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    np.testing.assert_array_equal(read[: 2 * RATE], first)
    assert (read[2 * RATE : begin + 2 * RATE] == 0).all()
    np.testing.assert_array_equal(read[begin + 2 * RATE :], second)
    assert [file.name for file in folder.glob("sound*")] == ["sound.flac"]
    assert join(folder) == path  # and again, as after a kill before the parts were taken away


def test_a_slow_disk_costs_sound_and_is_told_once_and_never_holds_the_hearing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "QUEUE_S", 1.0)
    notices: SimpleQueue[Notice] = SimpleQueue()
    recorder = Recorder(folder, samplerate=RATE, notices=notices)
    free = threading.Event()
    real = recorder._file.write
    monkeypatch.setattr(recorder, "_file", SimpleNamespace(close=recorder._file.close, write=None))
    recorder._file.write = lambda samples: (free.wait(20), real(samples))
    block = noise(0.5)
    for _ in range(8):  # one is being written, two wait, five find no room
        recorder.observe(Block(block))
        time.sleep(0.02)
    free.set()
    while recorder._got < recorder._put:
        time.sleep(0.01)
    recorder.observe(Block(block))
    recorder.close()
    assert [notices.get_nowait().kind for _ in range(notices.qsize())] == ["recording_gap"]
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    assert len(read) == 9 * len(block)  # silence stands for what found no room
    np.testing.assert_array_equal(read[-len(block) :], block)


def test_a_disk_that_is_nearly_full_ends_the_recording_and_is_told_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "_SYNC_EVERY_S", 0.0)
    usage = SimpleNamespace(free=recording.RESERVE - 1)
    monkeypatch.setattr(recording.shutil, "disk_usage", lambda path: usage)
    told = record(folder, [Block(noise(0.5))] * 6)
    assert [notice.kind for notice in told] == ["disk_full"]
    assert "the recording ended at 0:0" in told[0].message
    assert "the roast is listened to all the same" in told[0].message


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_disk_that_takes_no_more_ends_the_recording_and_what_is_there_can_be_read(folder: Path) -> None:
    code = """
import resource, sys
from pathlib import Path
from queue import SimpleQueue
import numpy as np
from crackdetect.blocks import Block
from crackdetect.keeping.recording import Recorder
notices = SimpleQueue()
recorder = Recorder(Path(sys.argv[1]), samplerate=44_100, notices=notices)
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))
noise = np.random.default_rng(1).normal(0, 0.05, 44_100).astype(np.float32)
for _ in range(20):
    recorder.observe(Block(noise))
recorder.close()
print([notices.get_nowait().kind for _ in range(notices.qsize())])
"""
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "['disk_full']\n", "")
    path = join(folder)
    assert path is not None
    assert 1.0 < heard_seconds(path) < 5.0


def test_a_part_that_cannot_be_read_is_kept_beside_the_recording(folder: Path) -> None:
    record(folder, [Block(noise(2))])
    junk = folder / "sound-000000040000.flac"
    junk.write_bytes(bytes(range(256)) * 20)
    (folder / "sound-mine.flac").write_bytes(b"mine")
    for _ in range(2):
        path = join(folder)
        assert path is not None
        assert soundfile.info(path).frames == 2 * RATE
        assert sorted(one.name for one in folder.iterdir()) == [
            "sound-mine.flac",
            "sound.flac",
            "unreadable-sound-000000040000.flac",
        ]
    assert (folder / "unreadable-sound-000000040000.flac").read_bytes() == bytes(range(256)) * 20


def test_a_part_whose_length_cannot_be_entered_is_heard_all_the_same(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record(folder, [Block(noise(1))])
    (part,) = recording.parts(folder)

    def refuse(*arguments: object, **options: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(recording, "open", refuse, raising=False)
    assert mend(part) == RATE


# -- what the events say so far ------------------------------------------------------------------------------


class Cut:
    """The demonstration with the person's marks, cut into what came until each second."""

    def __init__(self, model: Model) -> None:
        samples = kills.sound()
        self.pipeline = Pipeline(samplerate=kills.RATE, model=model, settings=kills.SETTINGS, source="microphone")
        self.events: list[Event] = []
        self.summaries: dict[int, dict[str, object]] = {}
        marks = {40: "charge.not_yet", 45: "charge", 130: "first_crack.not_yet", 150: "first_crack.start"}
        marks |= {160: "second_crack.start", 165: "second_crack.not_yet", 185: "drop", 190: "cooled"}
        for second in range(200):
            block = samples[second * kills.RATE : (second + 1) * kills.RATE]
            self.events += self.pipeline.push(Block(block))
            if second in marks:
                self.events += self.pipeline.mark(marks[second])
            self.summaries[len(self.events)] = self.pipeline._summary()


@pytest.fixture(scope="module")
def cut(model: Model) -> Cut:
    return Cut(model)


def test_the_events_up_to_any_second_give_the_summary_of_that_second(cut: Cut, model: Model) -> None:
    """The oracle is the pipeline itself, asked for its summary at that moment."""
    compared = bettered = 0
    before: dict[str, Any] = {}
    for count, summary in cut.summaries.items():
        so_far = SoFar.of(event.to_dict() for event in cut.events[:count])
        again = Pipeline(samplerate=kills.RATE, model=model, settings=so_far.settings, so_far=so_far)
        ended = again.finish()[-1]
        dates = ("first_crack", "first_crack_earliest", "first_crack_latest")
        expected = {name: value for name, value in summary.items() if name not in dates}
        assert {name: ended.fields[name] for name in expected} == expected, f"after {count} events"
        # they ride in `development` once a second, rounded: one that was bettered since then is a second old
        found = [ended.fields[name] for name in dates]
        if found != pytest.approx([summary[name] for name in dates], abs=0.01):
            assert found == pytest.approx([before[name] for name in dates], abs=0.01)
            bettered += 1
        before = summary
        assert ended.seq == count
        compared += summary["first_crack"] is not None
    assert compared > 50
    assert bettered <= 4  # every 10 s for 40 s


def test_a_roast_goes_on_where_its_events_end(cut: Cut, model: Model) -> None:
    """Cut off after first crack was announced; half a minute later another process goes on."""
    begun = next(i for i, event in enumerate(cut.events) if event.type == "first_crack.start")
    taken_back = next(i for i, event in enumerate(cut.events) if event.fields.get("what") == "first_crack.not_yet")
    # between two ticks, for of one that is cut through the rest is lost
    tick_ends = [i for i in range(begun, taken_back) if cut.events[i].type == "development"]
    before = cut.events[: tick_ends[-1] + 1]
    so_far = SoFar.of(event.to_dict() for event in before)
    again = Pipeline(samplerate=kills.RATE, model=model, settings=so_far.settings, roast=so_far.roast, so_far=so_far)
    samples = kills.sound()
    position = again.position
    assert position == round(so_far.until * kills.RATE)
    gap = 8 * kills.RATE
    events = again.push(Block(np.zeros(0, np.float32), lost=gap, lost_to="outage"))
    for start in range(position + gap, position + gap + 40 * kills.RATE, kills.RATE):
        events += again.push(Block(samples[start : start + kills.RATE]))
    events += again.mark("drop")
    events += again.finish()

    assert events[0].seq == before[-1].seq + 1
    whole = [*before, *events]
    assert [event.seq for event in whole] == list(range(len(whole)))
    types = [event.type for event in whole]
    for once in ("roast.start", "first_crack.start", "summary"):
        assert types.count(once) == 1
    stages = [(event.fields["stage"], event.at) for event in whole if event.type == "target"]
    assert len({stage for stage, _ in stages}) >= len(stages) - 1  # near comes twice, at 30 s or at 10 s
    assert "reached" in dict(stages)
    assert "charge" not in [event.type for event in events]
    charge = [event.at for event in before if event.type == "charge"][-1]
    assert all(event.roast_time == pytest.approx(event.at - charge) for event in events if event.at > charge)
    # the development clock never stopped: one event for every second, those of the gap among them
    seconds = [round(event.at) for event in whole if event.type == "development"]
    assert seconds == list(range(seconds[0], seconds[0] + len(seconds)))
    summary = events[-1].fields
    assert summary["health"]["gap"] == gap
    assert summary["development"] == pytest.approx(again.position / kills.RATE - summary["first_crack"], abs=0.01)


def test_time_is_told_while_nobody_listens(model: Model, cut: Cut) -> None:
    """The target is reached in an outage: it is told then, not when sound is back."""
    begun = next(i for i, event in enumerate(cut.events) if event.type == "first_crack.start")
    so_far = SoFar.of(event.to_dict() for event in cut.events[: begun + 3])
    again = Pipeline(samplerate=kills.RATE, model=model, settings=so_far.settings, so_far=so_far)
    told = []
    for _ in range(60):
        told += again.push(Block(np.zeros(0, np.float32), lost=kills.RATE // 2, lost_to="outage"))
    (reached,) = [event for event in told if event.type == "target" and event.fields["stage"] == "reached"]
    assert reached.announced_at - reached.at < 1.0
    assert [event for event in told if event.type in ("crack", "density", "first_crack.start", "health")] == []


# -- the next start ------------------------------------------------------------------------------------------


NOW = datetime.fromisoformat("2026-11-25T10:20:00+01:00")


def cut_off(*, until: float, ago_s: float, started: bool = True, **changes: object) -> CutOff:
    so_far = SoFar("2026-11-25T10-00-00", RATE, kills.SETTINGS, About(coffee="Trial"), until=until)
    for name, value in changes.items():
        setattr(so_far, name, value)
    return CutOff(Path("roast"), so_far, NOW - timedelta(seconds=until + ago_s) if started else None)


@pytest.mark.parametrize(
    ("case", "running"),
    [
        (cut_off(until=400, ago_s=2), True),
        (cut_off(until=400, ago_s=19 * 60), True),
        (cut_off(until=400, ago_s=21 * 60), False),
        (cut_off(until=3500, ago_s=200), False),  # more than an hour
        (cut_off(until=700, ago_s=60, drop=650.0), True),
        (cut_off(until=700, ago_s=11 * 60, drop=650.0), False),  # it has long cooled
        (cut_off(until=700, ago_s=5, drop=650.0, cooled=690.0), False),
        (cut_off(until=700, ago_s=5, finished=True), False),
        (cut_off(until=700, ago_s=-60), False),  # the clock was set back: it cannot be told
        (cut_off(until=700, ago_s=5, started=False), False),
    ],
)
def test_whether_a_roast_may_still_be_running(case: CutOff, running: bool) -> None:
    assert case.may_still_run(NOW) is running


def test_what_is_told_of_a_roast_that_was_cut_off() -> None:
    assert cut_off(until=372.4, ago_s=125).told(NOW) == (
        "the roast of Trial that began as 2026-11-25T10-00-00 was cut off at 6:12, 2:05 ago"
    )
    assert "ago" not in cut_off(until=372.4, ago_s=-5).told(NOW)


def leave(data: Path, name: str, model: Model, *, ago_s: float, summary: bool = False) -> Path:
    """A roast of 20 s that nobody ended."""
    started = datetime.now().astimezone() - timedelta(seconds=20 + ago_s)
    pipeline = Pipeline(
        samplerate=RATE,
        model=model,
        roast=name,
        source="microphone",
        about=About(coffee="Trial", started=started.isoformat()),
    )
    folder = new_folder(data, name)
    journal = Journal(folder)
    sound = noise(20)
    events = pipeline.push(Block(sound)) + pipeline.mark("charge") + (pipeline.finish() if summary else [])
    for event in events:
        journal.send(event)
    journal.close()
    record(folder, [Block(sound)])
    return folder


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

        return going_on.settle(
            data, model, wanted=wanted, ask=None if self.answer is None else ask, tell=self.told.append
        )


def test_an_old_roast_is_closed_and_in_the_log_and_told(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "old", model, ago_s=7200)
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.asked == []
    assert person.told == [
        "The roast of Trial that began as old was cut off at 0:20; it is in the log as far as it was heard, as old."
    ]
    with RoastLog() as log:
        roast = log.find("old")
    assert roast.recording == folder / "sound.flac"
    events = [json.loads(line) for line in (folder / "roast.jsonl").read_text().splitlines()]
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
    assert cut_off.so_far.roast == "recent"
    assert "was cut off at 0:20, 1:05 ago. Is it still going on" in person.asked[0]
    assert "gone on with" in person.told[0]
    before = going_on.told_before(cut_off)
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
    assert cut_off.so_far.roast == "second"  # the newest; the other one is closed
    assert len(wanting.told) == 2
    silent = Person(None)
    assert silent.settle(data, model) is None
    assert "'listen --go-on' would have gone on with it" in silent.told[0]
    assert Person(None).settle(data, model, wanted=True) is None


def test_a_roast_that_had_ended_only_goes_into_the_log(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "ended", model, ago_s=5, summary=True)
    before = read_events(folder)
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.told == ["The roast ended had ended and is now in the log."]
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
    assert "it is in the log as far as it was heard, as other" in person.told[-1]
    assert (folder / "damaged.jsonl").is_file()
    assert not (folder / "events.jsonl").exists()
    again = Person(True)
    assert again.settle(data, model) is None
    assert again.told == []


def test_brackets_without_end_cost_their_line_only(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = new_folder(data, "R")
    (folder / "events.jsonl").write_text(f"{json.dumps(START)}\n{'[' * 200_000}\n{json.dumps(CRACK)}\n")
    person = Person(True)
    assert person.settle(data, model) is None
    assert "it is in the log as far as it was heard, as R" in person.told[0]


def test_a_roast_that_cannot_be_shown_again_is_not_gone_on_with(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "recent", model, ago_s=65)
    with (folder / "events.jsonl").open("a") as file:
        file.write('{"type": "crack", "at": 1, "announced_at": 2, "seq": 9, "kind": "first"}\n')
    person = Person(True)
    assert person.settle(data, model) is None
    assert person.asked == []
    assert "set aside as" in person.told[0]


def test_a_roast_that_another_process_has_put_into_the_log_meanwhile(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "old", model, ago_s=7200)
    (cut_off,) = recovery.find(data)
    assert recovery.close(cut_off, model) == "old"
    kept = read_events(folder)
    with pytest.raises(OutputError, match="another crackdetect has closed it"):
        recovery.close(cut_off, model)
    assert recovery.keep(folder) == "old"
    assert read_events(folder) == kept
    assert recovery.find(data) == []
    assert not (folder / "events.jsonl").exists()


def test_a_file_where_the_roasts_belong_is_told_and_the_roast_begins(tmp_path: Path) -> None:
    (tmp_path / "roasts").write_text("x")
    told: list[str] = []
    kept = KeptRoast(tmp_path, "2026-11-25T10-00-00", folder=None, tell=told.append)
    assert len(told) == 1
    assert "not a folder" in told[0]
    assert kept.finish() is None


def test_two_roasts_of_one_second_have_two_names(tmp_path: Path) -> None:
    new_folder(tmp_path, "now")
    kept = KeptRoast(tmp_path, "now", folder=None, tell=print)
    assert kept.roast == "now-2"
    assert kept._journal is not None
    kept._journal.close()


@pytest.mark.parametrize("addresses", [(), ("http://127.0.0.1:9/",)])
def test_a_damaged_outbox_is_told_and_the_roast_begins(tmp_path: Path, addresses: tuple[str, ...]) -> None:
    (tmp_path / "webhook.sqlite3").write_bytes(b"no database, " * 1000)
    told: list[str] = []
    kept = KeptRoast(tmp_path, "now", folder=None, tell=told.append)
    attachments = Attachments()
    with attachments.after:
        kept.attach(
            attachments,
            samplerate=RATE,
            position=0,
            record=False,
            webhooks=Webhooks(addresses),
            started=datetime.now().astimezone(),
            notices=SimpleQueue(),
        )
    assert len(attachments.sinks) == 1  # the journal
    assert len(told) == 1
    assert "listened to all the same" in told[0]


def test_an_outbox_that_fails_at_the_end_is_told_and_the_roast_ends(tmp_path: Path) -> None:
    told: list[str] = []
    kept = KeptRoast(tmp_path, "now", folder=None, tell=told.append)
    attachments = Attachments()
    with attachments.after:
        kept.attach(
            attachments,
            samplerate=RATE,
            position=0,
            record=False,
            webhooks=Webhooks(("http://127.0.0.1:9/",)),
            started=datetime.now().astimezone(),
            notices=SimpleQueue(),
        )
        with closing(sqlite3.connect(tmp_path / "webhook.sqlite3")) as other:
            other.execute("DROP TABLE waiting")
        with pytest.raises(OutputError):
            attachments.sinks[-1].send(drop(0))
    assert len(told) == 2
    assert "1 message(s) could not be kept to be sent" in told[0]
    assert "what waits for http://127.0.0.1:9 is not known" in told[1]


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


class Later:
    """A source whose first block with sound comes at a moment given by the wall clock."""

    samplerate, kind, name = RATE, "microphone", "source"

    def __iter__(self) -> Iterator[Block]:
        yield Block(np.zeros(0, np.float32))
        yield Block(np.zeros(RATE // 10, np.float32))
        yield Block(np.zeros(RATE // 10, np.float32))

    def close(self) -> None:
        pass


def test_the_clock_of_a_roast_that_is_gone_on_with_is_that_of_the_wall(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(going_on.time, "time", lambda: 1_000_065.0)
    notices: SimpleQueue[Notice] = SimpleQueue()
    source = going_on.ContinuedSource(Later(), started=1_000_000.0, position=20 * RATE, notices=notices)  # type: ignore[arg-type]
    blocks = [(len(block.samples), block.lost, block.lost_to) for block in source]
    assert blocks == [
        (0, 0, "gap"),
        (0, 45 * RATE - RATE // 10, "outage"),  # 65 s since the start, 20 s heard, the block is at its end
        (RATE // 10, 0, "gap"),
        (RATE // 10, 0, "gap"),
    ]
    assert notices.get().message == "the program was ended at 0:20 and goes on; 0:45 were not heard"


# -- whether to record ---------------------------------------------------------------------------------------


def test_the_question_is_asked_once_and_kept_among_the_other_settings(tmp_path: Path) -> None:
    settings = tmp_path / "settings" / "settings.toml"
    told: list[str] = []
    asked: list[str] = []

    def yes(question: str, usual: bool) -> bool:
        asked.append(question)
        assert usual is False
        return True

    assert recording_wanted(None, settings=settings, ask=None, tell=told.append) is False
    assert not settings.exists()
    assert recording_wanted(None, settings=settings, ask=yes, tell=told.append) is True
    assert "speech in the room" in asked[0]
    assert "stays on this computer" in asked[0]
    assert recording_wanted(None, settings=settings, ask=yes, tell=told.append) is True
    assert len(asked) == 1
    assert recording_wanted(False, settings=settings, ask=yes, tell=told.append) is False
    settings.write_text('# mine\nvolume = 0.5\nrecord = true\n[other]\nrecord = "x"\n')
    keep_choice(settings, False)
    assert settings.read_text() == '# mine\nvolume = 0.5\nrecord = false\n[other]\nrecord = "x"\n'
    settings.write_text("[other]\n")
    keep_choice(settings, True)
    assert kept_choice(settings) is True
    link = tmp_path / "link.toml"
    link.symlink_to(settings)
    keep_choice(link, False)
    assert link.is_symlink()
    assert kept_choice(settings) is False
    settings.write_text(f"record = {'[' * 5_000}")
    assert kept_choice(settings) is None


# -- kills ---------------------------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.long
def test_killed_at_random_moments_a_roast_loses_a_second_at_most(tmp_path: Path) -> None:
    """A few of what ``tests/trials.py kills`` does two hundred times."""
    with Endpoint() as endpoint:
        nursery = kills.Nursery(tmp_path, endpoint.url)
        try:
            lefts = [
                kills.kill_one(nursery, tmp_path, f"roast-{number}", after_s=after_s)
                for number, after_s in enumerate((0.5, 1.7, 3.5))
            ]
        finally:
            nursery.close()
        for left in lefts:
            kills.close_one(tmp_path, left)
            assert left.lost_events == []
            assert [event["seq"] for event in left.kept] == list(range(len(left.kept)))
            assert left.lost_sound_s < 1.0
            assert bool(left.identity) == bool(left.kept)
    assert max(len(left.said) for left in lefts) > 5
    with RoastLog() as log:
        assert log.count() == sum(bool(left.kept) for left in lefts)


def test_a_closed_folder_is_no_longer_open(folder: Path) -> None:
    journal = Journal(folder)
    journal.send(drop(0))
    journal.close()
    close_folder(folder)
    assert [path.name for path in folder.iterdir()] == ["roast.jsonl"]
    assert read_events(folder)[0]["type"] == "drop"
