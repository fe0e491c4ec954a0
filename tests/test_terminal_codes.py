"""Census of terminal codes: hostile names of coffees, devices, files and settings, through every command and the board.

ECMA-48 has two sets of codes that steer a terminal: C0 (0 to 31, with DEL) and C1 (128 to 159).
"""

from __future__ import annotations

import ast
import json
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile
from commands import RATE, EndingMicrophone, Run
from roasts import roast_events

from crackdetect.audio import devices, microphone
from crackdetect.audio.devices import Device
from crackdetect.cli import entry
from crackdetect.errors import InputError
from crackdetect.events import Event
from crackdetect.roast.state import RoastState
from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal import lines
from crackdetect.terminal.board_text import Message, view
from crackdetect.terminal.progress import progress_line
from crackdetect.terminal.tables import Row, print_table, results_table
from crackdetect.terminal.text_events import TextSink

PACKAGE = Path(lines.__file__).resolve().parent.parent
#: Clears the screen and sets its title, by C0 and by C1; rings; goes to the beginning of the line; turns the writing.
HOSTILE = "Lot\x1b[2J\x1b]0;owned\x07\r\x9b31m\x9d0;x\x9c\x7f\u202egnp"
NAME = HOSTILE.replace("/", "")


def codes(text: str) -> list[str]:
    """Those in a text; its line ends are ours."""
    return [letter for letter in text if letter != "\n" and (ord(letter) < 32 or 127 <= ord(letter) < 160)]


def test_codes_are_shown_and_json_stays_the_same() -> None:
    assert codes(HOSTILE)
    assert codes(lines.visible(HOSTILE)) == []
    text = json.dumps({"coffee": "a\x9bb\x7f\u202e"}, ensure_ascii=False)
    assert codes(text)
    assert json.loads(lines.visible(text)) == json.loads(text)
    assert lines.visible("Café ☕ 十 قهوة") == "Café ☕ 十 قهوة"


@pytest.fixture
def hostile(home: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A log with hostile roasts that no check has passed, a microphone and a recording of such names."""
    (home / "data").mkdir(parents=True)
    with RoastLog() as log:
        for name in ("one", "two", "three"):
            log.keep(roast_events(name, about={"coffee": "Plain", "green_g": 200.0}, target="18%"))
            log.note(log.find(name), text="good", cup=1)
        with log.writing() as db:
            texts = ("coffee", "process", "origin", "machine", "microphone", "recording")
            db.execute(f"UPDATE roasts SET {', '.join(f'{name} = ?' for name in texts)}", (HOSTILE,) * len(texts))
            db.execute("UPDATE roasts SET identity = ? || number", (NAME,))
            db.execute("UPDATE notes SET text = ?", (HOSTILE,))
    device = Device(index=0, name=HOSTILE, host_api=HOSTILE, channels=2, samplerate=44_100, default=True)
    monkeypatch.setattr(devices, "list_devices", lambda: [device])
    monkeypatch.setattr(EndingMicrophone, "name", HOSTILE)
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    sound = tmp_path / f"{NAME}.wav"
    soundfile.write(sound, np.random.default_rng(1).normal(0, 0.01, 5 * RATE), RATE)
    return sound


COMMANDS: list[tuple[object, ...]] = [
    ("log",), ("log", "--coffee", HOSTILE), ("log", "--format", "jsonl"), ("log", "--format", "text"),
    ("log", "--since", HOSTILE), ("log", "show", "1"), ("log", "show", HOSTILE),
    ("log", "show", "1", "--format", "text"), ("log", "edit", "1", "--coffee", HOSTILE),
    ("log", "note", "1", HOSTILE), ("log", "note", HOSTILE), ("log", "note", "1", "--remove", "1"),
    ("log", "compare", "1", "2"), ("log", "compare", "1", "2", "--format", "text"),
    ("log", "trend", "--coffee", HOSTILE), ("log", "trend", HOSTILE), ("log", "export", HOSTILE),
    ("log", "export", "-"), ("log", "export", f"{NAME}.csv"), ("log", "import", HOSTILE),
    ("log", "import", "RECORDING"), ("log", "backup", NAME), ("log", "restore", HOSTILE), ("log", "rescue", HOSTILE),
    ("log", "delete", "1", "--yes"), ("log", HOSTILE), ("plan", "--coffee", HOSTILE), ("plan", HOSTILE),
    ("report", HOSTILE), ("settings",), ("settings", "--coffee", HOSTILE), ("settings", "--format", "jsonl"),
    ("analyze", "RECORDING"), ("analyze", "RECORDING", "--format", "text"), ("analyze", "RECORDING", "RECORDING"),
    ("analyze", HOSTILE), ("analyze", "RECORDING", "--format", "text", "--coffee", HOSTILE, "--save"),
    ("analyze", "--target", HOSTILE, "x"), ("listen", "--list"),
    ("listen", "--quiet", "--format", "text", "--coffee", HOSTILE),
    ("listen", "--quiet", "--format", "jsonl", "--coffee", HOSTILE), ("listen", "--expect", HOSTILE),
    ("listen", "--webhook", HOSTILE),
    ("listen", "--webhook-secret-file", HOSTILE, "--webhook", "http://127.0.0.1:9/"), ("mic", "--seconds", "1"),
    ("mic", "--device", HOSTILE), ("synth", HOSTILE), ("guide", HOSTILE), ("demo", HOSTILE),
    ("train", "--sounds", HOSTILE), ("evaluate", "--sounds", HOSTILE), ("webhook", "test", HOSTILE),
    ("webhook", "pending", HOSTILE), (HOSTILE,), ("--" + HOSTILE,), ("listen", "--model", HOSTILE),
    ("first", "--device", HOSTILE), ("listen", "--page", HOSTILE), ("review", "1"), ("review", HOSTILE),
    ("listen", "--quiet", "--page", "here", "--coffee", HOSTILE), ("review", "1", "--by", HOSTILE),
    ("teach",), ("teach", HOSTILE), ("teach", "--import", HOSTILE), ("teach", "--import", "RECORDING", HOSTILE),
    ("completion", HOSTILE), ("webhook", "receive", HOSTILE), ("webhook", "secret", HOSTILE),
]  # fmt: skip


def _names(group: click.Group, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        yield (*before, name)
        if isinstance(command, click.Group):
            yield from _names(command, (*before, name))


def test_the_census_asks_every_command() -> None:
    asked = {command[:length] for command in COMMANDS for length in (1, 2)}
    assert set(_names(entry.cli)) - asked == set()


def test_no_command_sends_a_code_of_a_name(hostile: Path, run: Run, capfd: pytest.CaptureFixture[str]) -> None:
    sent = {}
    told = 0
    for command in COMMANDS:
        done = run(*(hostile if word == "RECORDING" else word for word in command))
        told += "Lot" in done.out + done.err
        if found := codes(done.out + done.err):
            sent[command] = found
        assert "a defect of crackdetect" not in done.err, command
    assert sent == {}
    assert told > 30


@pytest.mark.parametrize(
    "content", [f'"{HOSTILE}" = 1'.replace("\x1b", "\\u001b"), '"\\u009b2J" = true', f"x = {HOSTILE}"]
)
def test_no_code_of_the_settings_file_is_sent(home: Path, run: Run, content: str) -> None:
    home.joinpath("settings").mkdir(parents=True)
    home.joinpath("settings", "settings.toml").write_text(content, encoding="utf-8")
    done = run("settings")
    assert done.code == 2
    assert codes(done.out + done.err) == []


def _board() -> Iterator[str]:
    events = roast_events(NAME, about={"coffee": HOSTILE, "machine": HOSTILE, "process": HOSTILE, "origin": HOSTILE})
    trouble = Event("health", 510.0, 510.0, None, 99, NAME, {"kind": "device_lost", "count": 1, "message": HOSTILE})
    for state, latest in (
        (RoastState.of(events[:5]), Message(HOSTILE, 11.0, urgent=True)),
        (RoastState.of([*events, trouble]), None),
    ):
        for columns, rows in ((100, 30), (40, 12), (200, 60)):
            seen = view(
                state, now=state.until, level_db=-20.0, latest=latest, columns=columns, rows=rows, device=HOSTILE
            )
            yield from (row.text for row in seen.rows)


def test_no_code_reaches_the_board() -> None:
    shown = list(_board())
    assert any("Lot" in part for part in shown)
    assert all(codes(part) == [] and "\n" not in part for part in shown)


def test_bold_lines_hold_no_code_but_those_of_bold() -> None:
    told: list[str] = []
    sink = TextSink(told.append, name=HOSTILE, bold=True, width=60)
    for fields in roast_events(NAME, about={"coffee": HOSTILE}):
        sink.send(Event.from_dict(fields))
    out = StringIO()
    for line in told:
        lines.write_line(out, line)
    text = out.getvalue()
    assert codes(text.replace("\x1b[1m", "").replace("\x1b[0m", "")) == []


@pytest.mark.parametrize("at_a_terminal", [False, True])
def test_tables_and_progress_send_none(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], at_a_terminal: bool
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: at_a_terminal)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")
    print_table(results_table([Row(HOSTILE, None, [HOSTILE])], charge=None))
    with progress_line("hearing", total=1) as line:
        line.complain(HOSTILE)
        line.note(HOSTILE)
        line.write(HOSTILE)
    lines.complain(str(InputError(HOSTILE)))
    done = capfd.readouterr()
    assert "Lot" in done.out
    assert codes(done.out + done.err) == []


def test_there_is_one_gate() -> None:
    """Nothing else writes to the two streams; what writes no text from elsewhere is named with its reason."""
    free = {
        "terminal/lines.py": "the gate",
        "terminal/level.py": "a bar of figures",
        "cli/guide.py": "our own pages",
        "cli/completion.py": "a script of our own for the shell",
        "cli/entry.py": "click's own help",
        "terminal/question.py": "an end of a line",
        "terminal/page_card.py": "an address of our own, in two colours",
        "train/charge_drop.py": "figures, run by hand",
    }
    found = set()
    for path in PACKAGE.rglob("*.py"):
        name = path.relative_to(PACKAGE).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in (
                "print", "click.echo", "click.secho", "sys.stdout.write", "sys.stderr.write", "click.echo_via_pager"
            ):  # fmt: skip
                found.add(name)
    assert found - set(free) == set()
