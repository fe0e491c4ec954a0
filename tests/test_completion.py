"""Completion, asked as the shells ask for it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from commands import Run
from roasts import roast_events

from crackdetect.cli.completion import command
from crackdetect.storage.roast_store import RoastLog

#: Calls the program that is under test.
PROGRAM = f"crackdetect() {{ '{sys.executable}' -c 'from crackdetect.cli.entry import main; main()' \"$@\"; }}\n"


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two roasts of two coffees."""
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    with RoastLog() as kept:
        for name, coffee in (("one", "Meadow Lane"), ("two", "Lot Seven")):
            kept.keep(roast_events(name, about={"coffee": coffee, "started": "2026-03-01T18:30:00+00:00"}))


def asked(shell: str, words: str, word: str) -> list[str]:
    """What the program answers a shell. words: of the line so far. word: which of them, or the last one itself."""
    environment = os.environ | {"_CRACKDETECT_COMPLETE": f"{shell}_complete", "COMP_WORDS": words, "COMP_CWORD": word}
    done = subprocess.run(
        [sys.executable, "-c", "from crackdetect.cli.entry import main; main()"],
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.mark.usefixtures("log")
def test_commands_options_choices_roasts_and_coffees_are_completed() -> None:
    assert asked("bash", "crackdetect lis", "1") == ["plain,listen"]
    assert asked("bash", "crackdetect log --li", "2") == ["plain,--limit"]
    assert asked("bash", "crackdetect log note 1 --cup st", "5") == ["plain,stalled"]
    assert asked("bash", "crackdetect log show ", "3") == ["plain,last", "plain,2", "plain,1"]
    assert asked("bash", "crackdetect plan --coffee mea", "3") == ["plain,Meadow\\\\ Lane"]
    assert asked("bash", "crackdetect analyze x", "2") == ["file,x"]
    assert asked("bash", "crackdetect guide marks", "2") == ["plain,marks"]
    assert asked("zsh", "crackdetect report 2", "2") == ["plain", "2", "Lot Seven, 2026-03-01"]
    assert asked("fish", "crackdetect plan --coffee Lot", "Lot") == ["plain,Lot Seven"]
    assert asked("powershell", "crackdetect log tre", "2")[:2] == ["plain", "trend"]


def test_without_a_log_none_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "new"))
    assert asked("bash", "crackdetect log show ", "3") == [""]
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_each_shell_has_a_script_and_a_line_that_says_where_it_goes(run: Run, shell: str) -> None:
    done = run("completion", shell)
    assert (done.code, done.err) == (0, "")
    assert f"{shell}_complete" in done.out
    assert f"crackdetect completion {shell} >" in (command.help or "")


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
@pytest.mark.usefixtures("log")
def test_bash_takes_it(run: Run) -> None:
    """The script itself, in the shell that it is for."""
    asking = 'COMP_WORDS=(crackdetect log show ""); COMP_CWORD=3; _crackdetect_completion crackdetect\n'
    script = run("completion", "bash").out.replace("env COMP_WORDS", "COMP_WORDS")  # env calls no function
    done = subprocess.run(
        ["bash", "--norc", "-c", f"{PROGRAM}{script}{asking}printf '%s|' \"${{COMPREPLY[@]}}\""],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert (done.stdout, done.stderr) == ("last|2|1|", "")
