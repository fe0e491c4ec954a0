"""What a live roast leaves behind, whatever fails on the way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue

import pytest
from left_behind import RATE, noise, record

from crackdetect.blocks import Block
from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.listening.attachments import Attachments
from crackdetect.listening.kept_roast import KeptRoast, Webhooks
from crackdetect.storage import boot_clock
from crackdetect.storage.boot_clock import BootTime
from crackdetect.storage.journal import Journal, new_folder, read_journal


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))


def attach(
    kept: KeptRoast,
    attachments: Attachments,
    addresses: tuple[str, ...] = (),
    *,
    sound: bool = False,
    opened: BootTime | None = None,
) -> None:
    """What follows the roast. sound: it is recorded."""
    kept.attach(
        attachments,
        samplerate=RATE,
        position=0,
        record=sound,
        webhooks=Webhooks(addresses),
        started=datetime.now().astimezone(),
        notices=SimpleQueue(),
        opened=opened,
    )


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
    attachments = Attachments()
    with attachments.after:
        attach(kept, attachments)


def test_a_roasts_clock_is_that_of_the_moment_when_its_microphone_was_opened(tmp_path: Path) -> None:
    """Its sound waits from there on, however long a busy computer takes until it is heard."""
    opened = boot_clock.now().before(3.0)
    kept = KeptRoast(tmp_path, "late", folder=None, tell=print)
    attachments = Attachments()
    with attachments.after:
        attach(kept, attachments, opened=opened)
        for sink in attachments.sinks:
            sink.send(Event("roast.start", 0.0, 0.0, None, 0, "late"))
    assert kept.folder is not None
    assert read_journal(kept.folder).clock == opened


def test_a_roast_that_another_process_hears_is_not_touched(tmp_path: Path) -> None:
    folder = new_folder(tmp_path, "theirs")
    theirs = Journal(folder)
    record(folder, [Block(noise(1))])
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    told: list[str] = []
    kept = KeptRoast(tmp_path, "theirs", folder=folder, tell=told.append)
    attachments = Attachments()
    with attachments.after:
        attach(kept, attachments, sound=True)
    kept.discard()
    assert len(told) == 1
    assert "is being listened to by another crackdetect" in told[0]
    assert kept.finish() is None
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    theirs.close()


@pytest.mark.parametrize("addresses", [(), ("http://127.0.0.1:9/",)])
def test_a_damaged_outbox_is_told_and_the_roast_begins(tmp_path: Path, addresses: tuple[str, ...]) -> None:
    (tmp_path / "webhook.sqlite3").write_bytes(b"no database, " * 1000)
    told: list[str] = []
    kept = KeptRoast(tmp_path, "now", folder=None, tell=told.append)
    attachments = Attachments()
    with attachments.after:
        attach(kept, attachments, addresses)
    assert len(attachments.sinks) == 1  # the journal
    assert len(told) == 1
    assert "listened to all the same" in told[0]


def test_an_outbox_that_fails_at_the_end_is_told_and_the_roast_ends(tmp_path: Path) -> None:
    told: list[str] = []
    kept = KeptRoast(tmp_path, "now", folder=None, tell=told.append)
    attachments = Attachments()
    with attachments.after:
        attach(kept, attachments, ("http://127.0.0.1:9/",))
        with closing(sqlite3.connect(tmp_path / "webhook.sqlite3")) as other:
            other.execute("DROP TABLE waiting")
        with pytest.raises(OutputError):
            attachments.sinks[-1].send(Event("drop", 9.0, 9.0, None, 0, "now", {"how": "key"}))
    assert len(told) == 2
    assert "1 message(s) could not be kept to be sent" in told[0]
    assert "what waits for http://127.0.0.1:9 is not known" in told[1]
