"""The benchmark of speed: its arithmetic, its tables and its errors. Nothing here is timed."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from commands import Run as Command
from soundfile import SoundFile

from crackdetect.cli import speed as command
from crackdetect.errors import CrackdetectError, SettingError
from crackdetect.evaluate import rivals, speed, speed_tables
from crackdetect.evaluate.revision import ROOT, commit_of, revision
from crackdetect.evaluate.speed import Compared, InMemory, Run, Spread


def _run(seconds: float, megabytes: float | None = 70.0, said: str = "a") -> Run:
    return Run(seconds, megabytes, said)


# -- arithmetic --------------------------------------------------------------------------------------------------


def test_the_median_is_of_the_ratios_of_the_pairs() -> None:
    """The machine is three times slower in the second pair, which no ratio of the medians would forgive: 6 / 4."""
    ours, theirs = (_run(4.0), _run(12.0), _run(6.0)), (_run(2.0), _run(6.0), _run(4.0))
    both = Compared("smooth noise", "a band-pass", 720.0, ours, theirs)
    assert both.ratio == Spread(2.0, 1.5, 2.0)
    assert both.to_dict()["ratio"] == [2.0, 1.5, 2.0]


def test_the_peak_is_the_largest_that_is_known() -> None:
    assert speed.peak([_run(1, 60.0), _run(1, None), _run(1, 75.5)]) == 75.5
    assert speed.peak([_run(1, None)]) is None


def test_both_said_the_same_only_if_every_run_did() -> None:
    ours = (_run(1), _run(2))
    assert Compared("s", "o", 1.0, ours, ours).same
    assert not Compared("s", "o", 1.0, ours, (_run(1), _run(1, said="b"))).same


def test_who_begins_changes_from_pair_to_pair() -> None:
    order: list[str] = []
    pairs = list(speed.in_pairs(lambda: order.append("o") or "o", lambda: order.append("t") or "t", pairs=3))
    assert "".join(order) == "ottoot"
    assert pairs == [("o", "t")] * 3


def test_a_run_tells_time_memory_and_what_was_said() -> None:
    program = "print({!r}); x = b'x' * {}"
    loud, quiet = ([sys.executable, "-c", program.format(*what)] for what in (("a", 10**8), ("b", 0)))
    one, other, again = speed.run(loud), speed.run(quiet), speed.run(loud)
    assert one.said == again.said != other.said
    assert one.seconds > 0
    if one.megabytes is not None and other.megabytes is not None:
        assert one.megabytes - other.megabytes == pytest.approx(100, abs=10)


def test_a_run_may_compile_its_program_as_an_installed_one_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    speed.run([sys.executable, "-c", "import sys; sys.exit(sys.dont_write_bytecode)"])


def test_a_run_that_fails_says_why() -> None:
    with pytest.raises(CrackdetectError, match="no such thing"):
        speed.run([sys.executable, "-c", "raise SystemExit('no such thing')"])


def test_each_of_the_others_is_measured_beside_ours_on_each_sound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(speed, "hearing", lambda path: [sys.executable, "-c", "print(1)"])
    files = {"one": (tmp_path / "1.wav", 60.0), "two": (tmp_path / "2.wav", 30.0)}
    steps: list[None] = []
    found = list(
        speed.compared(
            files,
            lambda path: {"x": lambda: _run(1.0), "y": lambda: _run(2.0)},
            pairs=2,
            progress=lambda: steps.append(None),
        )
    )
    assert [(one.sound, one.other, one.seconds) for one in found] == [
        ("one", "x", 60.0), ("one", "y", 60.0), ("two", "x", 30.0), ("two", "y", 30.0)
    ]  # fmt: skip
    assert len(steps) == 8
    assert all(len(one.ours) == len(one.theirs) == 2 for one in found)


# -- what is heard -----------------------------------------------------------------------------------------------


def test_the_sounds_are_the_same_each_time_and_as_long_as_asked(tmp_path: Path) -> None:
    first, again = (dict(speed.sounds(12.0)) for _ in range(2))
    assert list(first) == ["smooth noise", "a grainy drum", "a clicking bed", "a roast"]
    for name, samples in first.items():
        assert np.array_equal(samples, again[name])
        assert len(samples) / speed.SAMPLERATE == pytest.approx(12.0, abs=0.1)
        assert np.abs(samples).max() <= 1
    soundfile.write(tmp_path / "one.wav", first["a grainy drum"], speed.SAMPLERATE)
    speed.write_long(tmp_path / "one.wav", tmp_path / "long.wav", 31.5)
    with SoundFile(tmp_path / "long.wav") as long:
        assert long.frames == 31.5 * speed.SAMPLERATE


@pytest.mark.parametrize("name", [name for name in rivals.DETECTORS if name != "librosa's onsets"])
def test_every_rival_hears_a_file(tmp_path: Path, name: str) -> None:
    """librosa, which compiles for a minute when it is first asked, in the long test of the command."""
    soundfile.write(tmp_path / "a.wav", 0.1 * np.random.default_rng(0).standard_normal(44_100), 44_100)
    rivals.main(name, str(tmp_path / "a.wav"))


def test_a_rival_that_is_not_installed_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.which", lambda name: None)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    found, missing = rivals.commands(Path("a.wav"))
    assert list(found) == ["a band-pass alone", "short over long average", "peaks over the median"]
    assert [sentence.split(":")[0] for sentence in missing] == ["librosa's onsets", "aubio's onsets"]
    monkeypatch.setattr("shutil.which", lambda name: f"/bin/{name}")
    assert rivals.commands(Path("a.wav"))[0]["aubio's onsets"] == ["/bin/aubioonset", "-i", "a.wav"]


# -- how it is told ----------------------------------------------------------------------------------------------


def test_the_tables() -> None:
    one = Compared("smooth noise", "librosa's onsets", 720.0, (_run(1.5, 69.6),) * 3, tuple(map(_run, (3.0, 2.5, 6.0))))
    assert speed_tables.beside([one]).splitlines() == [
        "whole processes  beside            x real time  theirs  ratio                MB  theirs",
        "smooth noise     librosa's onsets  480          240     0.50 (0.25 to 0.60)  70  70",
    ]
    assert speed_tables.beside([one], events=True).splitlines()[1].endswith("the same")
    timed = InMemory("a roast", 606.4, Spread(6.0, 5.5, 6.5), 0.62, Spread(22.6, 20, 25))
    cells = [cell.strip() for cell in speed_tables.in_memory([timed]).splitlines()[1].split("  ") if cell]
    assert cells == ["a roast", "606", "6.00 (5.50 to 6.50)", "0.62", "22.60 (20.00 to 25.00)"]
    assert speed_tables.growth([(1 / 6, _run(2.0)), (8.0, _run(120.0, None))]).splitlines() == [
        "a grainy drum of  x real time  processor seconds an hour  MB",
        "10 min            300          12.0                       70",
        "8 h               240          15.0                       -",
    ]


# -- another revision --------------------------------------------------------------------------------------------


def _git(folder: Path, *words: str) -> None:
    who = ("-c", "user.name=somebody", "-c", "user.email=nobody@example.org")
    subprocess.run(["git", "-C", str(folder), *who, *words], check=True, capture_output=True)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout of two commits, the first one tagged."""
    root = tmp_path / "checkout"
    root.mkdir()
    _git(root, "init", "-q")
    for text in ("before", "after"):
        (root / "file").write_text(text)
        _git(root, "add", "file")
        _git(root, "commit", "-q", "-m", text)
        if text == "before":
            _git(root, "tag", "old")
    return root


def test_a_revision_is_taken_out_of_the_checkout_and_leaves_no_trace(checkout: Path) -> None:
    before = sorted(checkout.rglob("*"))
    with revision("old", root=checkout) as environment:
        place = Path(environment["PYTHONPATH"])
        assert (place / "file").read_text() == "before"
    assert not place.exists()
    assert sorted(checkout.rglob("*")) == before


def test_what_runs_is_the_revision_also_in_the_folder_of_the_checkout(tmp_path: Path) -> None:
    """There the folder itself would else be looked into first."""
    root = tmp_path / "checkout"
    (root / "crackdetect").mkdir(parents=True)
    _git(root, "init", "-q")
    for text in ("before", "after"):
        (root / "crackdetect" / "__init__.py").touch()
        (root / "crackdetect" / "__main__.py").write_text(f"print({text!r})")
        _git(root, "add", "crackdetect")
        _git(root, "commit", "-q", "-m", text)
    with revision("HEAD~1", root=root) as environment:
        command = [sys.executable, "-m", "crackdetect"]
        ran = subprocess.run(command, cwd=root, env=environment, capture_output=True, text=True, check=True)
    assert ran.stdout == "before\n"


@pytest.mark.parametrize("name", ["nowhere", "--all", ""])
def test_an_unknown_revision_is_told(checkout: Path, name: str) -> None:
    with pytest.raises(SettingError, match="is unknown in"):
        commit_of(name, root=checkout)


def test_outside_of_a_checkout_nothing_can_be_compared(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="and .* is none; run it in a clone"):
        commit_of("main", root=tmp_path)


# -- the command -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--against", "main"), "go with --speed"),
        (("--longest", "8"), "go with --speed"),
        (("--speed", "--sets", "1"), "--speed has sounds of its own"),
        (("--speed", "--taught", "2"), "--speed has sounds of its own"),
        (("--speed", "--longest", "8", "--against", "main"), "exclude each other"),
    ],
)
def test_what_does_not_go_together_is_one_sentence(run: Command, arguments: tuple[str, ...], sentence: str) -> None:
    done = run("evaluate", *arguments)
    assert (done.code, done.out) == (2, "")
    assert sentence in done.err
    assert done.err.count("\n") == 1


def test_a_polite_kill_leaves_no_sounds_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speed, "write_sounds", lambda folder, seconds: {})
    folders = []

    def killed() -> None:
        with command._sounds(1.0, total=1) as (folder, *_):
            folders.append(folder)
            (folder / "0.wav").touch()
            signal.raise_signal(signal.SIGTERM)

    with pytest.raises(SystemExit) as left:
        killed()
    assert left.value.code == 128 + signal.SIGTERM
    assert not folders[0].exists()


@pytest.mark.parametrize("end", [subprocess.Popen.terminate, subprocess.Popen.kill], ids=["politely", "at once"])
def test_a_kill_ends_the_command_that_is_measured(end: Callable[[subprocess.Popen[bytes]], None]) -> None:
    measured = "import socket, sys; socket.create_connection(('127.0.0.1', int(sys.argv[1]))).recv(1)"
    measuring = (
        "import sys; from crackdetect.cli import speed as command; from crackdetect.evaluate import speed\n"
        "speed.write_sounds = lambda *args: {}\n"
        "with command._sounds(1.0, total=1): speed.run([sys.executable, '-c', *sys.argv[1:]])"
    )
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(60)
        port = str(server.getsockname()[1])
        with subprocess.Popen([sys.executable, "-c", measuring, measured, port]) as process:
            met, _ = server.accept()
            end(process)
    with met, suppress(ConnectionResetError):
        met.settimeout(10)
        assert met.recv(1) == b""  # the other end has gone


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="not a checkout")
def test_an_unknown_revision_is_one_sentence_of_the_command(run: Command) -> None:
    done = run("evaluate", "--speed", "--against", "no-such-revision")
    assert (done.code, done.out) == (2, "")
    assert "revision 'no-such-revision' is unknown" in done.err


@pytest.mark.long
def test_the_command_tells_and_writes_what_it_measured(
    run: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second or two of each sound, so that it is soon over; the figures are not looked at."""
    pytest.importorskip("librosa")
    monkeypatch.setattr(command, "_QUICK", (0.05, 2))
    monkeypatch.setattr(command, "_LENGTHS_H", (0.005, 1.0))
    done = run("evaluate", "--speed", "--quick", "--json", tmp_path / "speed.json")
    assert done.code == 0, done.err
    for words in ("whole processes", "librosa's onsets", "in memory", "a grainy drum of"):
        assert words in done.out
    content: dict[str, Any] = json.loads((tmp_path / "speed.json").read_text())
    assert set(content) == {"pairs", "in_memory", "growth", "not_run"}
    assert {one["sound"] for one in content["in_memory"]} == set(dict(speed.sounds(1.0)))
