"""The commands as they are typed: what they print, how they end, what they load."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
import soundfile
import vmic
from clicks import clicks_in_noise, poisson_times
from conftest import plain_classifier

from crackdetect import __version__, batch, capture, cli, model_files, recordings
from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.config import Settings
from crackdetect.errors import DeviceError
from crackdetect.events import clock
from crackdetect.pipeline import Pipeline

RATE = 16_000
#: Two strays, then a chorus from 30 s on.
SOUND = clicks_in_noise(
    [5.0, 14.0, *poisson_times(90, 30, 60, seed=4)], samplerate=RATE, duration_s=60, frequency_hz=3_000
)


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model file whose answers on clicks are known, whatever the shipped model has been taught."""
    path = tmp_path_factory.mktemp("cli") / "plain.json"
    plain_classifier(path)
    return path


@pytest.fixture(scope="session")
def roast(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("roast") / "monday.flac"
    soundfile.write(path, SOUND, RATE)
    return path


class Run:
    """What a command did. events: its standard output as JSON Lines."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Any:
    def command(*arguments: object) -> Run:
        code = cli.main([str(argument) for argument in arguments])
        return Run(code, *capfd.readouterr())

    return command


def expected_events(model: Model, path: Path, roast: str, settings: Settings | None = None) -> list[str]:
    """The path spelled out: whole file, one block."""
    samples, rate = soundfile.read(path, dtype="float32")
    pipeline = Pipeline(samplerate=rate, model=model, settings=settings, roast=roast)
    return [event.to_json() for event in [*pipeline.push(Block(samples)), *pipeline.finish()]]


# -- what is loaded --------------------------------------------------------------------------------------------

HEAVY = ("numpy", "scipy", "soundfile", "rich", "librosa", "sklearn", "joblib", "sounddevice", "matplotlib")


def modules_after(code: str) -> set[str]:
    """Top-level packages, and those of scipy, in a new process after the code."""
    report = "import sys; print('|'.join(sys.modules), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{report}"], capture_output=True, text=True, timeout=60, check=True
    )
    loaded = done.stderr.splitlines()[-1].split("|")
    return {name for name in loaded if name.count(".") == 0 or name in ("scipy.signal", "scipy.stats")}


def test_help_loads_nothing_heavy() -> None:
    loaded = modules_after("from crackdetect.cli import main; main(['--help']); main(['analyze', '--help'])")
    assert "click" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_listening_loads_neither_training_nor_drawing(plain: Path) -> None:
    # the microphone is replaced, for its audio layer may be missing here; all else is the real command
    code = f"""
import numpy as np
from crackdetect import capture
from crackdetect.blocks import Block
class Microphone:
    kind, name, samplerate, channel_note = "microphone", "test", 16_000, None
    def __init__(self, device, **options): pass
    def __iter__(self): yield Block(np.random.default_rng(1).normal(0, 0.01, 16_000).astype(np.float32))
    def close(self): pass
capture.MicrophoneSource = Microphone
from crackdetect.cli import main
assert main(["listen", "--model", {str(plain)!r}, "--format", "text"]) == 0
"""
    loaded = modules_after(code)
    assert {"numpy", "scipy"} <= loaded
    assert loaded.isdisjoint({"librosa", "sklearn", "joblib", "matplotlib", "scipy.signal", "scipy.stats", "rich"})


# -- help and usage --------------------------------------------------------------------------------------------


def test_version(run: Any) -> None:
    assert run("--version").out == f"crackdetect {__version__}\n"


COMMANDS = "demo analyze listen mic settings synth log report plan webhook train evaluate".split()  # noqa: SIM905 - short


def test_help_lists_every_command_and_exit_code(run: Any) -> None:
    text = run("--help").out
    for command in COMMANDS:
        assert f"\n  {command} " in text
    for code in ("0", "1", "2", "3", "4", "5", "6", "7", "8", "130"):
        assert f"{code} " in text.partition("Exit codes")[2]


@pytest.mark.parametrize("command", COMMANDS)
def test_each_help_gives_an_example(run: Any, command: str) -> None:
    assert f"Example: crackdetect {command} " in run(command, "--help").out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["analyse"], "No such command 'analyse'. Did you mean 'analyze'?"),
        (["lisen"], "No such command 'lisen'. Did you mean 'listen'?"),
        (["nothing-like-it"], "No such command 'nothing-like-it' (see 'crackdetect --help')"),
        (["analyze"], "Missing argument 'FILE...'"),
        (["analyze", "x.wav", "--target", "soon"], "target 'soon' is neither a time nor a share"),
        (["analyze", "x.wav", "--target", "18"], "target '18' could be seconds or percent"),
        (["demo", "--target", "18"], "target '18' could be seconds or percent"),
        (["plan", "--coffee", "x", "--target", "18"], "target '18' could be seconds or percent"),
        (["listen", "--target", "18"], "target '18' could be seconds or percent"),
        (["listen", "--expect", "8-10"], "expect '8-10' could be minutes or seconds; write it as 8:00-10:00"),
        (["analyze", "x.wav", "--target", "95%"], "target 95% is out of range"),
        (["analyze", "x.wav", "--target", "18%"], "say when charge was with --charge-at"),
        (["analyze", "x.wav", "--charge-at", "5:00", "--drop-at", "4:00"], "drop-at must come after charge-at"),
        (["analyze", "x.wav", "--charge-at", "soon"], "charge-at 'soon' is not a time"),
        (["analyze", "x.wav", "--rate", "44100"], "--samplerate describes raw samples on standard input"),
        (["analyze", "x.wav", "-"], "cannot be heard together with files"),
        (["analyze", "x.wav", "--channel", "0"], "Invalid value for '--channel'"),
        (["demo", "--speed", "0"], "Invalid value for '--speed'"),
        (["demo", "--speed", "nan"], "speed nan is not a number"),
        (["evaluate", "--quiet-hours", "nan"], "quiet-hours nan is not a number"),
        (["mic", "--seconds", "nan"], "seconds nan is not a number"),
        (["listen", "--expect", f"0:00-{'9' * 400}s"], "is out of range"),
        (["listen", "--max-development", "9" * 400], "is out of range"),
        (["listen", "--target", "95%"], "target 95% is out of range"),
        (["listen", "--target", "soon"], "target 'soon' is neither a time nor a share"),
        (["listen", "--volume", "101"], "Invalid value for '--volume'"),
        (["listen", "--expect", "10:00-8:00"], "expect '10:00-8:00' ends before it begins"),
        (["listen", "--cool", "0:00"], "cooling time 0 s is out of range"),
        (["synth", "roast", "--seed", "1", "--out", "x", "--set", "snr=3"], "write KEY=NUMBER with one of"),
        (["synth", "roast", "--seed", "1", "--out", "x", "--set", "ramp_s=nan"], "is not a number that ramp_s"),
        (["synth", "feast", "--seed", "1", "--out", "x"], "scenario 'feast' is unknown"),
    ],
)
def test_a_wrong_argument_is_one_sentence_and_exit_code_2(run: Any, arguments: list[str], sentence: str) -> None:
    done = run(*arguments)
    assert done.code == 2
    assert sentence in done.err
    assert done.err.startswith("crackdetect: ")
    assert done.err.count("\n") == 1
    assert done.out == ""


# -- one recording ---------------------------------------------------------------------------------------------


def test_events_are_those_of_the_pipeline(run: Any, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain)
    assert done.code == 0
    assert done.out.splitlines() == expected_events(model_files.load(plain), roast, "monday")
    first_crack = next(event for event in done.events if event["type"] == "first_crack.start")
    assert first_crack["at"] == pytest.approx(30, abs=5)


def test_given_times_and_target_reach_the_pipeline(run: Any, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain, "--charge-at", "0:02", "--drop-at", "58s", "--target", "25%")
    start, summary = done.events[0], done.events[-1]
    assert start["settings"] == {
        "charge_at": 2.0,
        "drop_at": 58.0,
        "target": "25%",
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }
    assert (summary["drop"], summary["total"]) == (58.0, 56.0)
    # told to five places, first crack to half a millisecond, which is 0.9e-5 of 56 s
    assert summary["ratio"] == pytest.approx((58 - summary["first_crack"]) / 56, abs=1.5e-5)
    assert [event["at"] for event in done.events if event["type"] in ("charge", "drop")] == [2.0, 58.0]


def test_text_tells_the_roast_and_ends_with_its_summary(run: Any, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain, "--charge-at", "0:02", "--drop-at", "0:58", "--format", "text")
    lines = done.out.splitlines()
    assert any(line.startswith("  0:03  stray pop") for line in lines)
    assert any("FIRST CRACK began 0:2" in line and "announced" in line for line in lines)
    assert "Summary (roast time, from charge)" in lines
    assert max(map(len, lines[1:])) <= 80


def test_a_low_sample_rate_is_told_what_it_costs(run: Any, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain)
    assert done.err == (
        "note: at 16,000 Hz nothing above 8 kHz is heard: second crack's brightness near 15 kHz is lost, and weak "
        "cracks are missed more often\n"
    )


@pytest.mark.parametrize(
    ("samplerate", "words"),
    [
        (8_000, "nothing above 4 kHz"),
        (16_000, "nothing above 8 kHz"),
        (22_050, "nothing above 11.025 kHz"),
        # second crack's peak near 15 kHz (from memory of Wilson 2014) is there from 30 kHz on
        (32_000, None),
        (44_100, None),
    ],
)
def test_what_a_sample_rate_costs(samplerate: int, words: str | None) -> None:
    note = batch.rate_note(samplerate)
    assert note is None if words is None else note is not None and words in note


def test_a_short_recording_is_told_what_it_takes(run: Any, tmp_path: Path, plain: Path) -> None:
    soundfile.write(tmp_path / "short.wav", SOUND[: 12 * RATE], RATE)
    done = run("analyze", tmp_path / "short.wav", "--model", plain)
    assert done.code == 0
    assert "only 12.0 s of sound: first crack can be announced after 20 s of listening" in done.err


def test_a_given_time_past_the_end_is_told(run: Any, roast: Path, plain: Path, tmp_path: Path) -> None:
    late = "drop-at 50:00 lies after the end of the recording (1:00) and was left out of account"
    for form in ("text", "jsonl"):
        done = run("analyze", roast, "--model", plain, "--drop-at", "50:00", "--format", form)
        assert done.code == 0
        assert done.err.endswith(f"\nnote: {late}\n")
    assert "charge-at 2:00 lies after" in run("analyze", roast, "--model", plain, "--charge-at", "2:00").err
    assert "lies after" not in run("analyze", roast, "--model", plain, "--drop-at", "1:00").err
    other = tmp_path / "tuesday.flac"
    other.write_bytes(roast.read_bytes())
    done = run("analyze", roast, other, "--model", plain, "--drop-at", "50:00", "--format", "text")
    assert f"{roast} and 1 more: {late}" in done.err
    assert " ".join(done.out.split()).count("drop-at past its end") == 2


def test_the_chosen_channel_is_told(run: Any, tmp_path: Path, plain: Path) -> None:
    part = SOUND[: 20 * RATE]
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(len(part)) / RATE, dtype=np.float32)
    soundfile.write(tmp_path / "two.wav", np.stack([hum, part], axis=1), RATE)
    chosen = run("analyze", tmp_path / "two.wav", "--model", plain)
    assert "note: channel 2 of 2: its loudest clicks stand" in chosen.err
    other = run("analyze", tmp_path / "two.wav", "--channel", "1", "--model", plain)
    assert "note: channel 1 of 2, as asked for" in other.err
    assert other.events[-1]["cracks"] == 0


@pytest.mark.parametrize("form", ["wav", "raw"])
def test_standard_input(run: Any, roast: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    pcm = io.BytesIO()
    samples, _ = soundfile.read(roast, dtype="int16")
    if form == "wav":
        soundfile.write(pcm, samples, RATE, format="WAV")
    else:
        pcm.write(samples.astype("<i2").tobytes())
    pcm.seek(0)
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(pcm))
    raw = ["--rate", RATE, "--channels", 1, "--sample-format", "s16"] if form == "raw" else []
    done = run("analyze", "-", *raw, "--model", plain)
    assert done.code == 0
    assert done.events[0]["source"] == "stdin"
    expected = [json.loads(line) for line in expected_events(model_files.load(plain), roast, "stdin")]
    assert done.events[1:] == expected[1:]


# -- several ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recordings of one name in two folders, and one that cannot be read."""
    top = tmp_path_factory.mktemp("many")
    for name, start in (("a/roast.wav", 0), ("b/roast.wav", 10), ("c.flac", 20)):
        (top / name).parent.mkdir(exist_ok=True)
        soundfile.write(top / name, SOUND[start * RATE :], RATE)
    (top / "b" / "bad.wav").write_text("not a sound")
    return top


def test_a_folder_in_file_order_with_a_name_for_each(run: Any, folder: Path, plain: Path) -> None:
    done = run("analyze", folder, "--model", plain)
    assert done.code == 3
    assert "bad.wav is text, not sound" in done.err
    assert "a/roast.wav and 2 more: at 16,000 Hz" in done.err.replace("\\", "/")
    model = model_files.load(plain)
    expected = [
        line
        for name, own in (("a/roast.wav", "roast"), ("b/roast.wav", "roast-2"), ("c.flac", "c"))
        for line in expected_events(model, folder / name, own)
    ]
    assert done.out.splitlines() == expected


def test_worker_processes_give_the_same_in_the_same_order(run: Any, folder: Path, plain: Path) -> None:
    serial = run("analyze", folder, "--model", plain)
    parallel = run("analyze", folder, "--model", plain, "--jobs", 2)
    assert (parallel.code, parallel.out, parallel.err) == (serial.code, serial.out, serial.err)


def test_several_in_text_make_a_table(run: Any, folder: Path, plain: Path) -> None:
    done = run("analyze", folder, folder / "gone.flac", folder / "c.flac", "--model", plain, "--format", "text")
    assert done.code == 3
    rows = [line.split() for line in done.out.splitlines()[3:8]]
    # a file given twice is heard once
    assert [row[0] for row in rows] == ["roast.wav", "bad.wav", "roast.wav", "c.flac", "gone.flac"]
    dated = json.loads(expected_events(model_files.load(plain), folder / "a/roast.wav", "roast")[-1])
    start, plus_minus = rows[0][1], rows[0][2]
    assert start == clock(dated["first_crack"])
    assert dated["first_crack"] == pytest.approx(30, abs=3)  # a step, which is dated early
    assert plus_minus == f"±{(dated['first_crack_latest'] - dated['first_crack_earliest']) / 2:.0f}"
    assert " ".join(rows[1][1:]) == "- - - - - - failed, see its message"
    assert "gone.flac does not exist" in done.err


def test_an_interrupt_in_a_batch_keeps_what_was_heard(
    run: Any, folder: Path, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard = batch.hear_file

    def interrupted(job: batch.Job) -> batch.Report:
        report = heard(job)
        report.exit_code = batch.INTERRUPTED
        return report

    monkeypatch.setattr(batch, "hear_file", interrupted)
    done = run("analyze", folder, "--model", plain)
    assert done.code == 130
    assert [event["type"] for event in done.events].count("summary") == 1


def test_an_interrupt_in_a_recording_ends_with_its_summary(
    run: Any, roast: Path, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    push = Pipeline.push

    def interrupted(self: Pipeline, block: Block) -> Any:
        signal.raise_signal(signal.SIGINT)  # as Ctrl-C while a block is in work
        return push(self, block)

    monkeypatch.setattr(Pipeline, "push", interrupted)
    done = run("analyze", roast, "--model", plain)
    assert done.code == 130
    assert done.err.endswith("crackdetect: interrupted\n")
    assert done.events[-1]["type"] == "summary"
    assert 0 < done.events[-1]["at"] < 60
    assert [event["seq"] for event in done.events] == list(range(len(done.events)))


# -- listening -------------------------------------------------------------------------------------------------


class Microphone:
    """Gives the sound block by block, then is lost, or goes on in silence until it is stopped."""

    kind, name, samplerate, channel_note = "microphone", "Desk", RATE, "the mean of the first two channels"
    given: tuple[Any, ...] = ()

    def __init__(self, device: str | None, *, channel: int | None, **options: object) -> None:
        Microphone.given = (device, channel)

    def __iter__(self) -> Iterator[Block]:
        for start in range(0, len(SOUND), 1_600):
            yield Block(SOUND[start : start + 1_600])
        raise capture.DeviceLost("microphone 'Desk' was lost; check its cable, then listen again")

    def close(self) -> None: ...


def test_help_tells_which_channel_is_heard_live(run: Any) -> None:
    for command in ("mic", "listen"):
        shown = " ".join(run(command, "--help").out.split())
        assert "Which channel to hear, from 1. Default: the mean of the first two, or the only one." in shown
    assert "Default: where cracks stand out best, as measured (a stream: the mean)" in " ".join(
        run("analyze", "--help").out.split()
    )


def test_a_lost_microphone_is_told_after_what_was_heard(run: Any, plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture, "MicrophoneSource", Microphone)
    done = run("listen", "--device", "Desk", "--channel", "2", "--model", plain, "--charge-at", "0:00")
    assert Microphone.given == ("Desk", 2)
    assert done.code == 4
    assert "ever leave a roast" in done.err
    assert "crackdetect: microphone 'Desk' was lost" in done.err
    assert "note: the mean of the first two channels" in done.err
    types = [event["type"] for event in done.events]
    assert types[0] == "roast.start"
    assert {"charge", "crack", "first_crack.start", "development"} <= set(types)
    assert types[-1] == "summary"
    assert done.events[-1]["health"]["device_lost"] == 1


class Ending(Microphone):
    """Its sound ends."""

    def __iter__(self) -> Iterator[Block]:
        yield Block(SOUND[:RATE])


@pytest.mark.parametrize(
    ("name", "content", "code", "told"),
    [
        ("roasts.sqlite3", b"no database, " * 1000, 8, "could not be put into the log"),
        ("roasts", b"a file", 6, "it is not a folder"),
        ("webhook.sqlite3", b"no database, " * 1000, 0, "listened to all the same"),
    ],
)
def test_what_cannot_be_kept_is_told_and_the_roast_is_heard(
    run: Any,
    plain: Path,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    name: str,
    content: bytes,
    code: int,
    told: str,
) -> None:
    monkeypatch.setattr(capture, "MicrophoneSource", Ending)
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
    code = f"""
import numpy as np, sys
from crackdetect import capture
from crackdetect.blocks import Block
class Microphone:
    kind, name, samplerate, channel_note = "microphone", "test", 16_000, None
    def __init__(self, device, **options): pass
    def __iter__(self): yield Block(np.random.default_rng(1).normal(0, 0.01, 16_000).astype(np.float32))
    def close(self): pass
capture.MicrophoneSource = Microphone
from crackdetect.cli import main
sys.exit(main(["listen", "--quiet", "--model", {str(plain)!r}]))
"""
    (tmp_path / "listen.py").write_text(code)
    command = f"{shlex.quote(sys.executable)} {shlex.quote(str(tmp_path / 'listen.py'))} {closed}"
    environment = {**os.environ, "CRACKDETECT_HOME": str(tmp_path)}
    done = subprocess.run(command, shell=True, env=environment, capture_output=True, timeout=60, check=False)
    assert (done.returncode, b"Traceback" in done.stderr) == (0, False)
    (journal,) = (tmp_path / "data" / "roasts").glob("*/roast.jsonl")
    assert [json.loads(line)["type"] for line in journal.read_text().splitlines()] == ["roast.start", "summary"]


@pytest.mark.skipif(sys.platform == "win32", reason="the shell of other systems closes the streams")
@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        ("analyze {roast} --model {plain} --format jsonl >&-", 0, ""),
        ("analyze - <&-", 3, "is empty"),
        ("webhook secret http://127.0.0.1:9/ <&-", 2, "is not one"),
        ("log delete 1 <&-", 2, "not in the log"),
        ("--help >&-", 0, ""),
    ],
)
def test_closed_streams_are_as_if_nobody_were_there(
    tmp_path: Path, roast: Path, plain: Path, arguments: str, code: int, told: str
) -> None:
    command = f"{shlex.quote(sys.executable)} -m crackdetect {arguments.format(roast=roast, plain=plain)}"
    environment = {**os.environ, "CRACKDETECT_HOME": str(tmp_path)}
    done = subprocess.run(command, shell=True, env=environment, capture_output=True, timeout=60, check=False, text=True)
    assert done.returncode == code, done.stderr
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert "defect" not in done.stderr


def test_nobody_is_asked_about_recording_before_there_is_a_microphone(
    run: Any, plain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from crackdetect.listening import command

    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    happened: list[str] = []

    class Opened(Microphone):
        def __init__(self, *given: Any, **options: Any) -> None:
            happened.append("opened")
            super().__init__(*given, **options)

        def close(self) -> None:
            happened.append("closed")

    def asker() -> Any:
        return lambda question, usual: happened.append("asked") or False

    def missing(*_: object, **__: object) -> None:
        raise DeviceError("no microphone was found; plug one in")

    monkeypatch.setattr(command, "asker", asker)
    monkeypatch.setattr(capture, "MicrophoneSource", missing)
    done = run("listen", "--model", plain)
    assert (done.code, done.err) == (4, "crackdetect: no microphone was found; plug one in\n")
    assert happened == []
    monkeypatch.setattr(capture, "MicrophoneSource", Opened)
    run("listen", "--model", plain, "--quiet")
    assert happened[:4] == ["opened", "closed", "asked", "opened"]


@pytest.mark.parametrize(
    ("typed", "answer"), [("", False), ("no", False), ("perhaps", False), ("Yes", True), ("y ", True)]
)
def test_only_a_yes_is_a_yes_and_is_asked_for_once(
    typed: str, answer: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ask, asked = asker_at_a_terminal(monkeypatch, lambda: typed)
    assert ask("Record?", False) is answer
    assert len(asked) == 1
    assert "Record?" in capsys.readouterr().err


def test_ctrl_c_at_a_question_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted() -> str:
        raise KeyboardInterrupt

    ask, _ = asker_at_a_terminal(monkeypatch, interrupted)
    for usual in (True, False):
        told = io.StringIO()
        with pytest.raises(click.Abort), contextlib.redirect_stderr(told):
            ask("Record?", usual)
        assert told.getvalue().endswith("\n")
    monkeypatch.setattr(cli.cli, "main", lambda *_, **__: ask("Record?", False))
    assert cli.main([]) == 130


@pytest.mark.skipif(sys.platform == "win32", reason="has no timer that wakes a read")
@pytest.mark.parametrize("usual", [True, False])
def test_ctrl_c_that_does_not_disturb_the_read_ends_the_question(usual: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """As between the prompt and the read: the signal is noted, and the read goes on waiting."""
    reading, writing = os.pipe()
    answered: list[str] = []

    def answer() -> None:
        answered.append("n")
        os.write(writing, b"n")

    unheard = threading.Timer(5, answer)

    def waiting() -> str:
        threading.Timer(0.2, signal.raise_signal, (signal.SIGINT,)).start()  # to the timer's own thread
        return os.read(reading, 1).decode()

    ask, _ = asker_at_a_terminal(monkeypatch, waiting)
    unheard.start()
    try:
        with pytest.raises(click.Abort):
            ask("Record?", usual)
        assert answered == []
    finally:
        unheard.cancel()
        unheard.join()
        os.close(reading)
        os.close(writing)
    assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)


def asker_at_a_terminal(monkeypatch: pytest.MonkeyPatch, answer: Callable[[], str]) -> tuple[Any, list[str]]:
    """What asks, and the questions it has put."""
    from crackdetect.listening import command

    asked: list[str] = []

    def visible(prompt: str) -> str:
        asked.append(prompt)
        return answer()

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr("click.termui.visible_prompt_func", visible)
    ask = command.asker()
    assert ask is not None
    return ask, asked


def test_no_audio_layer_is_exit_code_4(run: Any, plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> None:
        raise DeviceError("the audio layer PortAudio is missing; install it")

    monkeypatch.setattr(capture, "_audio_layer", missing)
    for arguments in (["--list-devices"], ["--model", plain]):
        done = run("listen", *arguments)
        assert (done.code, done.out) == (4, "")
        assert done.err == "crackdetect: the audio layer PortAudio is missing; install it\n"


@pytest.mark.parametrize("more", [[], ["--list-devices"]], ids=["listen", "list"])
def test_on_a_machine_without_portaudio_one_sentence_says_what_to_install(
    tmp_path: Path, plain: Path, more: list[str]
) -> None:
    """The real audio layer, in a process that finds no PortAudio: neither the system's nor one it came with."""
    (tmp_path / "_sounddevice_data").mkdir()
    (tmp_path / "_sounddevice_data" / "__init__.py").write_text("")
    code = f"""
import ctypes.util, sys
ctypes.util.find_library = lambda name: None
sys.path.insert(0, {str(tmp_path)!r})
from crackdetect.cli import main
sys.exit(main(["listen", "--model", {str(plain)!r}, *{more!r}]))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr.startswith("crackdetect: the audio layer PortAudio is missing")
    assert done.stderr.count("\n") == 1
    for command in ("apt-get install libportaudio2", "dnf install portaudio", "brew install portaudio", "pip install"):
        assert command in done.stderr


def test_devices_are_listed(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    devices = [
        capture.Device(0, "Built-in", "ALSA", 2, 48_000, True),
        capture.Device(11, "Desk", "ALSA", 1, 44_100, False),
    ]
    monkeypatch.setattr(capture, "list_devices", lambda: devices)
    assert run("listen", "--list-devices").out.splitlines() == [
        "  0  Built-in",
        "     ALSA, 2 channels, 48,000 Hz, the default",
        " 11  Desk",
        "     ALSA, 1 channel, 44,100 Hz",
    ]


@pytest.mark.live
def test_ctrl_c_ends_listening_with_the_summary(tmp_path: Path, plain: Path) -> None:
    vmic.require()
    sound = clicks_in_noise([2.0, 5.0, 9.0], samplerate=vmic.RATE, duration_s=20)
    environment = vmic.file_microphone(tmp_path, sound, silence_s=600)
    command = [sys.executable, "-m", "crackdetect", "listen", "--device", "vmic", "--channel", "1", "--model", plain]
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
    )
    watchdog = threading.Timer(60, process.kill)
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


# -- rendering -------------------------------------------------------------------------------------------------


def test_synth_writes_recordings_and_truths(run: Any, tmp_path: Path) -> None:
    arguments = ["synth", "quiet", "--seed", 7, "--count", 2, "--duration", "0:10", "--samplerate", RATE]
    done = run(*arguments, "--out", tmp_path / "new", "--set", "strays_per_minute=3.5", "--container", "wav")
    assert done.code == 0, done.err
    assert [Path(line).name for line in done.out.splitlines()] == ["quiet-7.wav", "quiet-8.wav"]
    for number, name in enumerate(["quiet-7", "quiet-8"]):
        info = soundfile.info(tmp_path / "new" / f"{name}.wav")
        assert (info.samplerate, info.duration) == (RATE, 10.0)
        truth = json.loads((tmp_path / "new" / f"{name}.json").read_text(encoding="utf-8"))
        assert (truth["plan"]["seed"], truth["plan"]["strays_per_minute"]) == (7 + number, 3.5)
    named = run(*arguments, "--out", tmp_path / "named", "--name", "calm")
    assert [Path(line).name for line in named.out.splitlines()] == ["calm-7.flac", "calm-8.flac"]


# -- the demonstration -----------------------------------------------------------------------------------------


@pytest.fixture
def small_demo(tmp_path: Path, plain: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A demonstration of one minute in place of the shipped one, heard by the model whose answers are known."""
    from crackdetect.synth.truth import Truth, TruthEvent

    soundfile.write(tmp_path / "demo_roast.flac", SOUND, RATE)
    events = (TruthEvent(5.0, "stray", 20.0, "stray"), TruthEvent(6.0, "distractor", float("-inf"), "knock"))
    truth = Truth(RATE, 60.0, 2.0, 30.0, None, None, 55.0, 90.0, events)
    (tmp_path / "demo_roast.json").write_text(truth.to_json(), encoding="utf-8")
    model = model_files.load(plain)
    monkeypatch.setattr(model_files, "data_folder", lambda name: tmp_path)
    monkeypatch.setattr(model_files, "shipped", lambda: model)
    return tmp_path


def test_the_demo_tells_ends_with_the_truth_and_the_caution(run: Any, small_demo: Path) -> None:
    done = run("demo", "--format", "text", "--target", "0:15")
    lines = done.out.splitlines()
    assert done.code == 0
    assert "charge and drop are given" in lines[0]
    assert any("FIRST CRACK began" in line for line in lines)
    assert any("TARGET reached" in line for line in lines)
    heard = sum(line.startswith("  cracks ") and line.endswith(" 1") for line in lines)  # the truth holds one
    assert heard == 1
    assert any(line.startswith("  first crack ") and line.endswith(("late", "early")) for line in lines[-10:])
    end = " ".join(lines[lines.index("", -5) :])
    assert "This was a demonstration." in end
    assert "never leave a roast unattended" in end


def test_an_interrupted_demo_says_so_and_ends_with_the_caution(
    run: Any, small_demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    push = Pipeline.push

    def interrupted(self: Pipeline, block: Block) -> Any:
        signal.raise_signal(signal.SIGINT)
        return push(self, block)

    monkeypatch.setattr(Pipeline, "push", interrupted)
    done = run("demo", "--format", "text")
    assert (done.code, done.err) == (130, "crackdetect: interrupted\n")
    assert "beside the truth" not in done.out
    assert "never leave a roast unattended" in " ".join(done.out.split())


def test_the_demo_is_the_live_path(run: Any, small_demo: Path, plain: Path) -> None:
    done = run("demo", "--format", "jsonl", "--target", "0:15")
    settings = json.loads(done.out.splitlines()[0])["settings"]
    assert settings == {
        "charge_at": 2.0,
        "drop_at": 55.0,
        "target": "0:15",
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }
    from crackdetect.config import Target

    own = Settings(charge_at=2.0, drop_at=55.0, target=Target(seconds=15))
    assert done.out.splitlines() == expected_events(
        model_files.load(plain), small_demo / "demo_roast.flac", "demo_roast", own
    )


def test_speed_paces_the_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    monkeypatch.setattr("time.sleep", sleep)

    class Blocks:
        samplerate, kind, name, duration_s = 1_000, "file", "x", 0.3

        def __iter__(self) -> Iterator[Block]:
            for _ in range(3):
                clock[0] += 0.01  # reading takes time as well
                yield Block(np.zeros(100, np.float32))

    passed: list[float] = []
    playback = batch.Playback(Blocks(), speed=2.0, progress=passed.append)  # type: ignore[arg-type]  # a stand-in
    assert len(list(playback)) == 3
    # 100 ms of sound at twice real time is 50 ms, 10 of which went into reading
    assert slept == pytest.approx([0.04, 0.04, 0.04])
    assert passed == pytest.approx([0.1, 0.2, 0.3])
    assert playback.ended


# -- what goes wrong inside ------------------------------------------------------------------------------------


def fails(error: BaseException) -> Any:
    def command(*_: object, **__: object) -> None:
        raise error

    return command


def test_a_defect_is_one_sentence_and_its_trace_on_request(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recordings, "open_recording", fails(ZeroDivisionError("division by zero")))
    monkeypatch.delenv(cli.TRACEBACK, raising=False)
    done = run("analyze", "x.wav")
    assert done.code == 1
    assert done.err.startswith("crackdetect: a defect of crackdetect (ZeroDivisionError: division by zero); please")
    assert done.err.count("\n") == 1
    monkeypatch.setenv(cli.TRACEBACK, "1")
    assert "Traceback" in run("analyze", "x.wav").err


def test_a_missing_package_of_an_extra_names_the_extra(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.import_module", fails(ModuleNotFoundError("no", name="sklearn.neural_network")))
    done = run("train", "--out", "x.json")
    assert (done.code, done.err) == (
        7,
        "crackdetect: this needs the package sklearn, which is not installed; run: pip install 'crackdetect[train]'\n",
    )


def run_process(arguments: Sequence[object], **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "crackdetect", *map(str, arguments)],
        text=True,
        timeout=60,
        check=False,
        stderr=subprocess.PIPE,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        **options,
    )


def test_a_reader_that_goes_away_is_no_error(roast: Path, plain: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = run_process(["analyze", roast, "--model", plain], stdout=writing)
    finally:
        os.close(writing)
    assert done.returncode == 0
    # what was told before the first event stays
    assert done.stderr.startswith("note: at 16,000 Hz")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
@pytest.mark.parametrize("form", ["jsonl", "text"])
def test_a_full_disk_is_one_sentence_and_exit_code_6(tmp_path: Path, plain: Path, form: str) -> None:
    for name in ("a.wav", "b.wav"):
        soundfile.write(tmp_path / name, SOUND[: 25 * 8_000], 32_000)
    several = [tmp_path / "a.wav", tmp_path / "b.wav"] if form == "text" else [tmp_path / "a.wav"]
    with open("/dev/full", "wb") as full:
        done = run_process(["analyze", *several, "--model", plain, "--format", form], stdout=full)
    assert done.returncode == 6
    errors = [line for line in done.stderr.splitlines() if not line.startswith("note: ")]
    assert errors == [
        "crackdetect: the output cannot be written (No space left on device); "
        "free some space or send it to another place"
    ]
