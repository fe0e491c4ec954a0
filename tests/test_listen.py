"""``crackdetect listen``: what is told, what is kept, what stands in its way."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
import vmic
from clicks import clicks_in_noise
from commands import PROGRAMS, EndingMicrophone, LostMicrophone, Run, run_process
from patience import PATIENCE_S

from crackdetect.audio import devices, microphone
from crackdetect.errors import DeviceError
from crackdetect.storage.journal import read_events
from crackdetect.terminal import question


def test_help_tells_which_channel_is_heard_live(run: Run) -> None:
    for command in ("mic", "listen"):
        shown = " ".join(run(command, "--help").out.split())
        assert "Which channel to hear, from 1. Default: the mean of the first two, or the only one." in shown
    assert "Default: where cracks stand out best, as measured (a stream: the mean)" in " ".join(
        run("analyze", "--help").out.split()
    )


def test_a_lost_microphone_is_told_after_what_was_heard(run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", LostMicrophone)
    done = run("listen", "--device", "Desk", "--channel", "2", "--model", plain, "--charge-at", "0:00")
    assert LostMicrophone.given == ("Desk", 2)
    assert done.code == 4
    assert "ever leave a roast" in done.err
    assert "crackdetect: microphone 'Desk' was lost" in done.err
    assert "note: the mean of the first two channels" in done.err
    types = [event["type"] for event in done.events]
    assert types[0] == "roast.start"
    assert {"charge", "crack", "first_crack.start", "development"} <= set(types)
    assert types[-1] == "summary"
    assert done.events[-1]["health"]["device_lost"] == 1


@pytest.mark.parametrize(
    ("name", "content", "code", "told"),
    [
        ("roasts.sqlite3", b"no database, " * 1000, 8, "could not be put into the log"),
        ("roasts", b"a file", 6, "it is not a folder"),
        ("webhook.sqlite3", b"no database, " * 1000, 0, "listened to all the same"),
    ],
)
def test_what_cannot_be_kept_is_told_and_the_roast_is_heard(
    run: Run,
    plain: Path,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    name: str,
    content: bytes,
    code: int,
    told: str,
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / name).write_bytes(content)
    done = run("listen", "--quiet", "--model", plain)
    assert done.code == code
    assert told in done.err
    assert [event["type"] for event in done.events][-1] == "summary"


@pytest.mark.skipif(sys.platform == "win32", reason="the shell of other systems closes the streams")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_closed_streams_keep_nobody_from_roasting(tmp_path: Path, plain: Path, closed: str) -> None:
    program = shlex.join([sys.executable, str(PROGRAMS / "listen_to_noise.py"), "--quiet", "--model", str(plain)])
    environment = {**os.environ, "CRACKDETECT_HOME": str(tmp_path)}
    done = subprocess.run(
        f"{program} {closed}", shell=True, env=environment, capture_output=True, timeout=PATIENCE_S, check=False
    )
    assert (done.returncode, b"Traceback" in done.stderr) == (0, False)
    (journal,) = (tmp_path / "data" / "roasts").glob("*/roast.jsonl")
    assert [event["type"] for event in read_events(journal.parent)] == ["roast.start", "summary"]


def test_the_end_gives_the_roasts_number_and_the_next_step(
    run: Run, plain: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", LostMicrophone)
    done = run("listen", "--quiet", "--model", plain)
    assert "Roast 1 saved. When you have tasted it: crackdetect log note 1 --cup balanced" in done.err


@pytest.mark.parametrize("kept", [True, False])
def test_a_roast_with_no_mark_and_no_crack_asks_before_it_is_saved(
    kept: bool, run: Run, plain: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def ask(question: str, default: bool) -> bool:
        asked.append(question)
        return kept

    monkeypatch.setattr(question, "asker", lambda: ask)
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    (home / "data").mkdir(parents=True)
    (home / "data" / "listened-shown").touch()
    done = run("listen", "--quiet", "--no-record", "--model", plain)
    assert asked == ["Nothing was marked and nothing cracked. Save it?"]
    assert ("Roast 1 saved" in done.err, "The roast is not saved." in done.err) == (kept, not kept)
    assert len(list((home / "data" / "roasts").glob("*"))) == kept


def test_nobody_is_asked_about_recording_before_there_is_a_microphone(
    run: Run, plain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    happened: list[str] = []

    class Opened(LostMicrophone):
        def __init__(self, *given: Any, **options: Any) -> None:
            happened.append("opened")
            super().__init__(*given, **options)

        def close(self) -> None:
            happened.append("closed")

    def asker() -> Any:
        return lambda question, usual: happened.append("asked") or False

    def missing(*_: object, **__: object) -> None:
        raise DeviceError("no microphone was found; plug one in")

    monkeypatch.setattr(question, "asker", asker)
    monkeypatch.setattr(question, "confirmed", lambda what, **_: happened.append("read") or True)
    monkeypatch.setattr(microphone, "MicrophoneSource", missing)
    done = run("listen", "--model", plain)
    assert (done.code, done.err) == (4, "crackdetect: no microphone was found; plug one in\n")
    assert happened == []
    monkeypatch.setattr(microphone, "MicrophoneSource", Opened)
    run("listen", "--model", plain, "--quiet")
    assert happened[:4] == ["opened", "closed", "asked", "opened"]
    assert happened[4:7] == ["closed", "read", "opened"]  # the notes of the first roast


# -- without a microphone --------------------------------------------------------------------------------------


def test_devices_are_listed(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    there = [
        devices.Device(0, "Built-in", "ALSA", 2, 48_000, True),
        devices.Device(11, "Desk", "ALSA", 1, 44_100, False),
    ]
    monkeypatch.setattr(devices, "list_devices", lambda: there)
    assert run("listen", "--list").out.splitlines() == [
        "  0  Built-in",
        "     ALSA, 2 channels, 48,000 Hz, the default",
        " 11  Desk",
        "     ALSA, 1 channel, 44,100 Hz",
    ]


def test_no_audio_layer_is_exit_code_4(run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> None:
        raise DeviceError("the audio layer PortAudio is missing; install it")

    monkeypatch.setattr(devices, "audio_layer", missing)
    for arguments in (["--list"], ["--model", plain]):
        done = run("listen", *arguments)
        assert (done.code, done.out) == (4, "")
        assert done.err == "crackdetect: the audio layer PortAudio is missing; install it\n"


@pytest.mark.parametrize("more", [[], ["--list"]], ids=["listen", "list"])
def test_on_a_machine_without_portaudio_one_sentence_says_what_to_install(plain: Path, more: list[str]) -> None:
    done = run_process([PROGRAMS / "without_portaudio.py", "listen", "--model", plain, *more])
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr.startswith("crackdetect: the audio layer PortAudio is missing")
    assert done.stderr.count("\n") == 1
    assert f"install it with '{devices.how_to_install()}'" in done.stderr


@pytest.mark.parametrize(
    ("platform", "there", "command"),
    [
        ("linux", "dnf", "sudo dnf install portaudio"),
        ("linux", "apt-get", "sudo apt-get install libportaudio2"),
        ("darwin", "", "brew install portaudio"),
        ("win32", "", "pip install --force-reinstall sounddevice"),
    ],
)
def test_the_hint_names_this_systems_own_command(platform: str, there: str, command: str) -> None:
    assert devices.how_to_install(platform, lambda name: "/usr/bin" if name == there else None) == command


# -- with one --------------------------------------------------------------------------------------------------


@pytest.mark.live
def test_ctrl_c_ends_listening_with_the_summary(tmp_path: Path, plain: Path) -> None:
    vmic.require()
    sound = clicks_in_noise([2.0, 5.0, 9.0], samplerate=vmic.RATE, duration_s=20)
    environment = vmic.file_microphone(tmp_path, sound, silence_s=600)
    command = [sys.executable, "-m", "crackdetect", "listen", "--device", "vmic", "--channel", "1", "--model", plain]
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
    )
    watchdog = threading.Timer(240, process.kill)
    watchdog.start()
    try:
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line)
            if json.loads(line)["type"] == "crack":
                break
        process.send_signal(signal.SIGINT)
        out, err = process.communicate()
    finally:
        watchdog.cancel()
        process.kill()
    events = [json.loads(line) for line in [*lines, *out.splitlines()]]
    assert process.returncode == 0, err
    assert events[-1]["type"] == "summary"
    assert [event["seq"] for event in events] == list(range(len(events)))
    assert "Traceback" not in err
