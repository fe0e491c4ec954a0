"""The way in and out of the program: help, wrong arguments, what is loaded, how it ends."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
import soundfile
from commands import PROGRAMS, SOUND, Run, run_process
from patience import PATIENCE_S

from crackdetect import __version__
from crackdetect.audio import files
from crackdetect.cli import entry
from crackdetect.errors import install_command

# -- help and usage --------------------------------------------------------------------------------------------


def test_version(run: Run) -> None:
    assert run("--version").out == f"crackdetect {__version__}\n"


def test_the_numeric_libraries_work_in_one_thread_unless_told_otherwise(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "2")
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    run("--version")
    assert (os.environ["OMP_NUM_THREADS"], os.environ["OPENBLAS_NUM_THREADS"]) == ("2", "1")


COMMANDS = "first demo analyze listen mic settings synth log report plan webhook train evaluate guide".split()  # noqa: SIM905 - short


def test_help_lists_every_command_and_exit_code(run: Run) -> None:
    text = run("--help").out
    for command in COMMANDS:
        assert f"\n  {command} " in text
    for code in ("0", "1", "2", "3", "4", "5", "6", "7", "8", "130"):
        assert f"{code} " in text.partition("Exit codes")[2]


def subcommands() -> list[str]:
    """``log show``, ``webhook test``, …"""
    found = []
    for group in ("log", "webhook"):
        command = entry.cli.get_command(click.Context(entry.cli), group)
        assert isinstance(command, click.Group)
        found += [f"{group} {name}" for name in command.list_commands(click.Context(command))]
    return found


@pytest.mark.parametrize("command", [*COMMANDS, *subcommands()])
def test_each_help_gives_an_example(run: Run, command: str) -> None:
    text = " ".join(run(*command.split(), "--help").out.split())
    assert f"Example: crackdetect {command} " in text


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["analyse"], "No such command 'analyse'. Did you mean 'analyze'?"),
        (["lisen"], "No such command 'lisen'. Did you mean 'listen'?"),
        (["compare", "1", "2"], "No such command 'compare'. Did you mean 'log compare'?"),
        (["trend"], "Did you mean 'log trend'?"),
        (["listen", "--cool", "2"], "cool '2' could be seconds or minutes; write 2s or 2:00"),
        (
            ["analyze", "x.wav", "--charge-at", "0.30"],
            "charge-at '0.30' could be seconds or minutes; write 0.30s or 0:30",
        ),
        (["listen", "--webhook", "desk:8000/hook"], "did you mean http://desk:8000/…?"),
        (["listen", "--webhook", "example.org/hook"], "did you mean https://example.org/…?"),
        (["log", "export", "roasts.xlsx"], "did you mean roasts.csv?"),
        (["log", "import", "roasts.xlsx"], "save it as roasts.csv first"),
        (["log", "shwo"], "No such command 'shwo'. Did you mean 'show'?"),
        (["listen", "--green", "200g"], "No such option '--green'. Did you mean '--batch'?"),
        (["analyze", "x.wav", "--keep"], "No such option '--keep'. Did you mean '--save'?"),
        (["listen", "--go-on"], "Did you mean '--resume'?"),
        (["log", "--most", "3"], "Did you mean '--limit'?"),
        (["log", "--words", "lemon"], "Did you mean '--find'?"),
        (["listen", "--list-devices"], "Did you mean '--list'?"),
        (["listen", "--batch", "200"], "batch '200' could be grams or ounces; write 200g or 200oz"),
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
        (["listen", "--max-development", "9" * 400 + "s"], "is out of range"),
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
def test_a_wrong_argument_is_one_sentence_and_exit_code_2(run: Run, arguments: list[str], sentence: str) -> None:
    done = run(*arguments)
    assert done.code == 2
    assert sentence in done.err
    assert done.err.startswith("crackdetect: ")
    assert done.err.count("\n") == 1
    assert done.out == ""


# -- what is loaded --------------------------------------------------------------------------------------------


HEAVY = ("numpy", "scipy", "soundfile", "rich", "textual", "librosa", "sklearn", "joblib", "sounddevice", "matplotlib")


def modules_loaded(*arguments: object) -> set[str]:
    """Top-level packages, and those of scipy, after a command in a process of its own."""
    done = run_process([PROGRAMS / "modules_loaded.py", *arguments])
    assert done.returncode == 0, done.stderr
    loaded = done.stderr.splitlines()[-1].split("|")
    return {name for name in loaded if "." not in name or name in ("scipy.signal", "scipy.stats")}


@pytest.mark.parametrize("arguments", [["--help"], ["analyze", "--help"], ["log", "--help"]], ids=" ".join)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    loaded = modules_loaded(*arguments)
    assert "click" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_listening_in_lines_loads_neither_training_nor_drawing(plain: Path) -> None:
    loaded = modules_loaded("listen", "--model", plain, "--format", "text")
    assert {"numpy", "scipy"} <= loaded
    assert loaded.isdisjoint({"librosa", "sklearn", "joblib", "matplotlib", "scipy.signal", "scipy.stats"})
    assert loaded.isdisjoint({"rich", "textual"})


# -- what goes wrong inside ------------------------------------------------------------------------------------


def fails(error: BaseException) -> Any:
    def command(*_: object, **__: object) -> None:
        raise error

    return command


def test_a_defect_is_one_sentence_and_its_trace_on_request(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "open_recording", fails(ZeroDivisionError("division by zero")))
    monkeypatch.delenv(entry.TRACEBACK, raising=False)
    done = run("analyze", "x.wav")
    assert done.code == 1
    assert done.err.startswith("crackdetect: a defect of crackdetect (ZeroDivisionError: division by zero); please")
    assert done.err.count("\n") == 1
    monkeypatch.setenv(entry.TRACEBACK, "1")
    assert "Traceback" in run("analyze", "x.wav").err


def test_a_missing_package_of_an_extra_names_the_extra(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.import_module", fails(ModuleNotFoundError("no", name="sklearn.neural_network")))
    done = run("train", "--out", "x.json")
    assert (done.code, done.err) == (
        7,
        f"crackdetect: this needs the package sklearn, which is not installed; run: {install_command('train')}\n",
    )


@pytest.mark.parametrize(
    ("told", "command"),
    [
        (None, 'pip install "crackdetect[page]"'),  # from an index
        ({"url": "file:///home/a/crack%20detect", "dir_info": {}}, 'pip install "/home/a/crack detect[page]"'),
        ({"url": "file:///home/a/c", "dir_info": {"editable": True}}, 'pip install -e "/home/a/c[page]"'),
        (
            {"url": "https://example.org/c.git", "vcs_info": {"vcs": "git", "commit_id": "0"}},
            'pip install "crackdetect[page] @ git+https://example.org/c.git"',
        ),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="the paths are those of other systems")
def test_an_extra_is_installed_from_where_the_package_came(
    told: object, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PEP 610, Recording the Direct URL Origin of installed distributions: direct_url.json, its examples' shape."""
    text = None if told is None else json.dumps(told)
    monkeypatch.setattr("importlib.metadata.distribution", lambda name: SimpleNamespace(read_text=lambda file: text))
    assert install_command("page") == command


# -- streams that are closed or full ---------------------------------------------------------------------------


def test_a_reader_that_goes_away_is_no_error(roast: Path, plain: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = run_process(["-m", "crackdetect", "analyze", roast, "--model", plain], stdout=writing)
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
        done = run_process(["-m", "crackdetect", "analyze", *several, "--model", plain, "--format", form], stdout=full)
    assert done.returncode == 6
    errors = [line for line in done.stderr.splitlines() if not line.startswith(("note: ", str(tmp_path)))]
    assert errors == [
        "crackdetect: the output cannot be written (No space left on device); "
        "free some space or send it to another place"
    ]


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
    done = subprocess.run(
        command, shell=True, env=environment, capture_output=True, timeout=PATIENCE_S, check=False, text=True
    )
    assert done.returncode == code, done.stderr
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert "defect" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="no such pipes there")
@pytest.mark.parametrize("arguments", [["log", "export", "--columns", "-"], ["guide", "events"], ["--help"]])
def test_a_reader_that_has_gone_is_no_failure(arguments: list[str]) -> None:
    """``| head -1`` after its one line: nobody reads any more."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "crackdetect", *arguments],
            stdout=writer,
            stderr=subprocess.PIPE,
            timeout=120,
            check=False,
        )
    finally:
        os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")
