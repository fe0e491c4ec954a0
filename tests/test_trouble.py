"""The guide quotes the program: each sentence of its page on trouble is said here, in the trouble it belongs to."""

from __future__ import annotations

import errno
import sys
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from types import SimpleNamespace

import pytest
from left_behind import leave, noise, record
from roasts import roast_events

from crackdetect.audio import devices
from crackdetect.audio.microphone import MicrophoneSource
from crackdetect.blocks import Block
from crackdetect.errors import CrackdetectError, OutputError
from crackdetect.events import Event
from crackdetect.listening import resume
from crackdetect.model import Model
from crackdetect.notice import Notice, no_silent_ends
from crackdetect.page.live import LivePage
from crackdetect.running.signals import HUNG_UP
from crackdetect.settings.precedence import read_file
from crackdetect.storage import journal as journals
from crackdetect.storage import recovery
from crackdetect.storage.journal import Journal, new_folder
from crackdetect.storage.kept_sound import own_recording
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog
from crackdetect.webhook import signing_secret
from crackdetect.webhook.outbox import FILE_NAME as OUTBOX
from crackdetect.webhook.outbox import Outbox

PAGE = Path(resume.__file__).resolve().parents[1] / "guide" / "trouble.md"
SENTENCES = [line.removeprefix("> ") for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("> ")]


def no_audio_layer(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    with patch.context() as missing:
        missing.setitem(sys.modules, "sounddevice", None)
        with pytest.raises(CrackdetectError) as told:
            devices.audio_layer()
    return [str(told.value).replace(devices.how_to_install(), "COMMAND")]


def a_lying_rate(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    return [MicrophoneSource._told_of_rate(SimpleNamespace(name="NAME", samplerate=48_000), 0.8)]  # type: ignore[arg-type]


def no_room_for_sound(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    folder = new_folder(home / "data", "roast")
    (told,) = record(folder, [Block(noise(0.05))], reserve=10**30)
    return [told.message.replace(str(folder), "FOLDER")]


def two_at_one_roast(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    folder = leave(home / "data", "roast", model, ago_s=65)
    others: list[Journal] = []

    def ask(question: str, usual: bool) -> bool:
        others.append(Journal(folder))
        return True

    told: list[str] = []
    resume.settle(home / "data", model, wanted=None, ask=ask, tell=told.append)
    others[0].close()
    return [told[1].replace(str(folder), "FOLDER")]


def full_and_freed(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    folder = new_folder(home / "data", "roast")
    journal = Journal(folder)
    journal.notices = SimpleQueue()
    real, full = journal._file, [True]

    class Disk:
        def write(self, data: bytes) -> int:
            if full[0]:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real.write(data)

        def __getattr__(self, name: str) -> object:
            return getattr(real, name)

    patch.setattr(journal, "_file", Disk())
    events = [Event.from_dict(fields) for fields in roast_events("roast")]
    with pytest.raises(OutputError) as told:
        journal.send(events[0])
    full[0] = False
    journal.send(events[1])
    journal.close()
    return [str(told.value).replace(str(folder), "FOLDER"), journal.notices.get_nowait().message]


def a_turned_bit(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    folder = new_folder(home / "data", "roast")
    events = roast_events("roast", cracks=33)
    journal = Journal(folder)
    for fields in events:
        journal.send(Event.from_dict(fields))
    journal.close()
    path = folder / journals.OPEN_NAME
    path.write_bytes(path.read_bytes().replace(b'"snr_db":16.0', b'"snr_db":66.0', 1))
    told: list[str] = []
    recovery.find(home / "data", tell=told.append)
    return [told[0].replace(f"of {len(events)} ", "of 42 ").replace("the roast roast", "the roast NAME")]


def a_damaged_log(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    path = home / "data" / FILE
    with RoastLog(path) as log:
        log.keep(roast_events())
    path.write_bytes(path.read_bytes().replace(b"length_s REAL", b"lengtx_s REAL"))
    with pytest.raises(CrackdetectError) as told:
        RoastLog(path)
    return [str(told.value).replace(str(path), "FILE")]


def cut_off(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    leave(home / "data", "roast", model, ago_s=65)
    asked: list[str] = []

    def ask(question: str, usual: bool) -> bool:
        asked.append(question)
        return False

    resume.settle(home / "data", model, wanted=None, ask=ask, tell=lambda sentence: None)
    return [asked[0].replace("began as roast", "began as NAME")]


def a_closed_terminal(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    return [HUNG_UP.message]


def a_thread_that_ended(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    notices: SimpleQueue[Notice] = SimpleQueue()
    with no_silent_ends(notices):
        thread = Thread(target=lambda: {}["x"], name="recorder")
        thread.start()
        thread.join()
    return [notices.get_nowait().message]


def a_page_that_failed(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    notices: SimpleQueue[Notice] = SimpleQueue()
    LivePage._fail(SimpleNamespace(_told=False, _notices=notices), KeyError("x"))  # type: ignore[arg-type]
    return [notices.get_nowait().message]


def a_damaged_outbox(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    path = home / "data" / OUTBOX
    Outbox(path).close()
    path.write_bytes(path.read_bytes().replace(b"answer TEXT", b"answes TEXT"))
    with pytest.raises(CrackdetectError) as told:
        Outbox(path)
    return [str(told.value).replace(str(path), "FILE")]


def a_secret_for_all(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    path = home / "secret"
    path.write_text(signing_secret.new())
    path.chmod(0o644)
    secret = signing_secret.find("http://127.0.0.1:9/", file=path)
    assert secret is not None
    return [(secret.warning or "").replace(str(path), "FILE")]


def settings_that_are_none(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    path = home / "settings.toml"
    path.write_text("not TOML")
    with pytest.raises(CrackdetectError) as told:
        read_file(path)
    return [str(told.value).replace(str(path), "FILE")]


def nothing_left(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    folder = new_folder(home / "data", "roast")
    (folder / journals.OPEN_NAME).write_bytes(bytes(100))
    told: list[str] = []
    recovery.find(home / "data", tell=told.append)
    return [told[0].replace(str(folder / "damaged.jsonl"), "FILE")]


def a_recording_that_is_gone(home: Path, model: Model, patch: pytest.MonkeyPatch) -> list[str]:
    sound = new_folder(home / "data", "roast") / "sound.flac"
    sound.write_bytes(b"sound")
    with RoastLog() as log:
        log.keep(roast_events("roast"), recording=sound)
        roast = log.find("roast")
    sound.unlink()
    with pytest.raises(CrackdetectError) as told:
        own_recording(roast, folder=home / "data")
    return [str(told.value).replace(str(sound), "FILE")]


TROUBLES: list[Callable[[Path, Model, pytest.MonkeyPatch], list[str]]] = [
    no_audio_layer, a_lying_rate, full_and_freed, no_room_for_sound, a_turned_bit, a_damaged_log, cut_off,
    two_at_one_roast, a_closed_terminal, a_thread_that_ended, a_page_that_failed, a_damaged_outbox, a_secret_for_all,
    settings_that_are_none, nothing_left, a_recording_that_is_gone,
]  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="the mode of a file tells nothing of others there")
def test_every_sentence_of_the_page_is_said_and_in_that_order(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    for number, trouble in enumerate(TROUBLES):
        home = tmp_path / str(number)
        (home / "data").mkdir(parents=True)
        monkeypatch.setenv("CRACKDETECT_HOME", str(home))
        said += trouble(home, model, monkeypatch)
    assert said == SENTENCES
