"""The journal of a roast: what was said is on the disk within a second, whatever becomes of program and disk."""

from __future__ import annotations

import errno
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path
from queue import SimpleQueue
from typing import Any, BinaryIO

import pytest
from roasts import roast_events

from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.storage import journal as journal_module
from crackdetect.storage import recovery
from crackdetect.storage.journal import InUse, Journal, close_folder, held, new_folder, read_events, read_journal
from crackdetect.storage.roast_store import RoastLog


def drop(seq: int) -> Event:
    return Event("drop", float(seq), float(seq), None, seq, "roast", {"how": "key"})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return new_folder(tmp_path / "data", "roast")


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
    now = [100.0]
    journal = Journal(folder, monotonic=lambda: now[0])
    monkeypatch.setattr(os, "fsync", synced.append)
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
from crackdetect.storage.journal import Journal
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


# -- a full disk ---------------------------------------------------------------------------------------------


class Disk:
    """The disk that the journal writes to; ``room`` is what it still takes, bytes, ``None`` = plenty."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.room: int | None = None
        monkeypatch.setattr(journal_module, "open", self.open, raising=False)

    def open(self, path: Path, mode: str, **options: Any) -> DiskFile:
        return DiskFile(self, open(path, mode, **options))  # noqa: SIM115


class DiskFile:
    """A file on it, unbuffered."""

    def __init__(self, disk: Disk, file: BinaryIO) -> None:
        self._disk, self._file = disk, file

    def write(self, data: bytes) -> int:
        if self._disk.room is None:
            return self._file.write(data)
        if self._disk.room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        written = self._file.write(data[: self._disk.room])
        self._disk.room -= written
        return written

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


def send(journal: Journal, *seqs: int) -> list[str]:
    """What was raised."""
    told = []
    for seq in seqs:
        try:
            journal.send(drop(seq))
        except OutputError as error:
            told.append(str(error))
    return told


@pytest.mark.parametrize("room", [0, 20, 150], ids=["none", "half a line", "a line and a half"])
def test_what_a_full_disk_does_not_take_is_written_once_there_is_room(folder: Path, disk: Disk, room: int) -> None:
    notices: SimpleQueue[Notice] = SimpleQueue()
    journal = Journal(folder)
    journal.notices = notices
    assert send(journal, 0, 1) == []
    disk.room = room
    told = send(journal, 2, 3, 4, 5)
    assert "the disk is full: events of this roast wait in memory until there is room" in told[0]
    assert journal.missing == len(told)
    there = [event["seq"] for event in read_events(folder)]
    assert there == list(range(6 - len(told)))
    disk.room = None
    assert send(journal, 6) == []
    assert journal.missing == 0
    journal.close()
    assert [event["seq"] for event in read_events(folder)] == list(range(7))
    assert read_journal(folder).damaged == 0
    assert [notices.get_nowait() for _ in range(notices.qsize())] == [
        Notice("disk_back", "the events of this roast are kept again, those of the meantime among them")
    ]


def test_a_disk_that_fills_again_is_told_again(folder: Path, disk: Disk) -> None:
    """What was told last is what is so."""
    journal = Journal(folder)
    journal.notices = SimpleQueue()
    for seq in (0, 1, 2):
        disk.room = 0
        assert len(send(journal, 2 * seq)) == 1
        disk.room = None
        assert send(journal, 2 * seq + 1) == []
        journal.settle()
    journal.close()
    told = [journal.notices.get_nowait().kind for _ in range(journal.notices.qsize())]
    assert told == ["disk_back", "disk_full", "disk_back", "disk_full", "disk_back"]


def test_what_the_disk_did_not_take_when_it_was_asked_is_written_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A system may forget what it could not write, and says so once (fsync(2), ERRORS: the pages may be lost)."""
    fsync, failing = os.fsync, [False]

    def asked(descriptor: int) -> None:
        if failing[0]:
            os.truncate(folder / "events.jsonl", sure)  # what the disk does have
            raise OSError(errno.EIO, "Input/output error")
        fsync(descriptor)

    journal = Journal(folder)
    journal.notices = SimpleQueue()
    assert send(journal, 0, 1) == []
    journal.settle()
    sure = (folder / "events.jsonl").stat().st_size
    monkeypatch.setattr(os, "fsync", asked)
    assert send(journal, 2, 3) == []
    failing[0] = True
    for _ in range(2):
        with pytest.raises(OutputError, match="cannot be kept"):
            journal.settle()
        assert journal.missing == 2
        assert journal.notices.empty()
    failing[0] = False
    assert send(journal, 4) == []
    journal.close()
    assert journal.missing == 0
    assert [event["seq"] for event in read_events(folder)] == [0, 1, 2, 3, 4]
    assert read_journal(folder).damaged == 0
    assert [journal.notices.get_nowait().kind for _ in range(journal.notices.qsize())] == ["disk_back"]


def test_room_is_looked_for_at_the_end_as_well(folder: Path, disk: Disk) -> None:
    journal = Journal(folder)
    disk.room = 0
    assert len(send(journal, 0, 1)) == 2
    disk.room = None
    journal.close()
    assert [event["seq"] for event in read_events(folder)] == [0, 1]


def test_memory_is_bounded_and_what_is_lost_is_told(folder: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "MOST_UNWRITTEN", 3)
    journal = Journal(folder)
    journal.notices = SimpleQueue()
    disk.room = 0
    assert len(send(journal, *range(8))) == 8
    assert journal.missing == 8
    disk.room = None
    journal.settle()
    assert [event["seq"] for event in read_events(folder)] == [5, 6, 7]
    assert journal.missing == 5
    assert journal.notices.get_nowait().message.endswith("; 5 found no room in memory either and are lost")
    journal.close()


@pytest.mark.parametrize("seed", range(50))
def test_full_and_freed_at_any_moment_no_event_is_missing(folder: Path, disk: Disk, seed: int) -> None:
    chance = random.Random(seed)
    journal = Journal(folder)
    for seq in range(60):
        if chance.random() < 0.2:
            disk.room = None if disk.room is not None else chance.randrange(300)
        send(journal, seq)
        assert len(read_events(folder)) + journal.missing == seq + 1, "what is said is true at each moment"
    disk.room = None
    journal.close()
    assert [event["seq"] for event in read_events(folder)] == list(range(60))


# -- a damaged disk ------------------------------------------------------------------------------------------


def written(folder: Path, events: list[dict[str, Any]]) -> bytes:
    journal = Journal(folder)
    for event in events:
        journal.send(Event.from_dict(event))
    journal.close()
    return (folder / "events.jsonl").read_bytes()


def _turned_bits(tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch, count: int, *, seed: int) -> None:
    """A bit of the file turns; the roast goes into the log, with all events but two at most."""
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    chance = random.Random(seed)
    events = roast_events("roast", cracks=100)
    first = new_folder(tmp_path / "first", "roast")
    content = written(first, events)
    for number in range(count):
        data = tmp_path / f"data-{number}"
        folder = Path(shutil.copytree(first, data / "roasts" / "roast"))
        damaged = bytearray(content)
        damaged[chance.randrange(len(damaged))] ^= 1 << chance.randrange(8)
        (folder / "events.jsonl").write_bytes(damaged)
        told: list[str] = []
        found = recovery.find(data, tell=told.append)
        assert len(found) == 1, told
        kept = read_events(folder)
        assert len([event for event in events if event not in kept]) <= 2
        assert len(told) == (read_journal(folder).damaged > 0)
        assert recovery.close(found[0], model) == "roast"
    with RoastLog() as log:
        assert log.count() == 1


def test_a_bit_that_turned_costs_two_events_at_most(
    tmp_path: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    _turned_bits(tmp_path, plain_model, monkeypatch, 60, seed=23)


@pytest.mark.long
def test_of_a_thousand_turned_bits_each_costs_two_events_at_most(
    tmp_path: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    _turned_bits(tmp_path, plain_model, monkeypatch, 1_000, seed=24)


def test_a_damaged_line_is_left_out_and_told(tmp_path: Path) -> None:
    folder = new_folder(tmp_path, "roast")
    content = written(folder, roast_events("roast"))
    (folder / "events.jsonl").write_bytes(content.replace(b'"snr_db":16.0', b'"snr_db":66.0', 1))
    told: list[str] = []
    (cut_off,) = recovery.find(tmp_path, tell=told.append)
    assert cut_off.state.roast == "roast"
    count = len(roast_events("roast"))
    assert told == [
        f"1 of {count} lines of the roast roast were damaged on the disk and are left out; all others are kept"
    ]


def test_a_damaged_first_line_is_read_from_its_copy(folder: Path) -> None:
    """Without roast.start the other events are nothing."""
    events = roast_events("monday")
    journal = Journal(folder)
    for fields in events:
        journal.send(Event.from_dict(fields))
    journal.close()
    path = folder / "events.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"roast.start"', b'"roast.smart"', 1))
    there = read_journal(folder)
    assert (there.events, there.damaged) == (events, 1)


def test_a_journal_of_before_there_were_checksums_is_read(folder: Path) -> None:
    lines = [Event.from_dict(event).to_json() for event in roast_events("roast")]
    (folder / "events.jsonl").write_text("".join(f"{line}\n" for line in lines))
    assert read_events(folder) == roast_events("roast")


# -- the folder ----------------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="needs a user whom permissions bind")
def test_a_folder_that_may_not_be_written_to_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="check its permissions"):
            new_folder(tmp_path / "data", "roast")
    finally:
        tmp_path.chmod(0o700)


def test_a_closed_folder_is_no_longer_open(folder: Path) -> None:
    journal = Journal(folder)
    journal.send(drop(0))
    journal.close()
    close_folder(folder)
    assert [path.name for path in folder.iterdir()] == ["roast.jsonl"]
    assert read_events(folder)[0]["type"] == "drop"
