"""``crackdetect demo``: the live path, the truth beside it, the caution at its end."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import pytest
import soundfile
from commands import RATE, SOUND, Run, expected_events

from crackdetect import model as model_files
from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block
from crackdetect.config import Settings, Target
from crackdetect.listening import demonstration
from crackdetect.pipeline import Pipeline
from crackdetect.synth.truth import Truth, TruthEvent
from crackdetect.terminal import board


class Headless(board.Board):
    """The board without a terminal."""

    def run(self, **options: Any) -> None:
        super().run(headless=True, size=(80, 24))


@pytest.fixture
def small_demo(tmp_path: Path, plain: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A demonstration of one minute in place of the shipped one, heard by the model whose answers are known."""
    soundfile.write(tmp_path / "demo_roast.flac", SOUND, RATE)
    events = (TruthEvent(5.0, "stray", 20.0, "stray"), TruthEvent(6.0, "distractor", float("-inf"), "knock"))
    truth = Truth(RATE, 60.0, 2.0, 30.0, None, None, 55.0, 90.0, events)
    (tmp_path / "demo_roast.json").write_text(truth.to_json(), encoding="utf-8")
    model = model_files.load(plain)
    monkeypatch.setattr(model_files, "data_folder", lambda name: tmp_path)
    monkeypatch.setattr(model_files, "shipped", lambda: model)
    return tmp_path


def test_the_demo_tells_ends_with_the_truth_and_the_caution(run: Run, small_demo: Path) -> None:
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
    run: Run, small_demo: Path, monkeypatch: pytest.MonkeyPatch
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


@pytest.mark.parametrize(("speed", "blocks"), [((), 20), (("--speed", 1000), 600)])
def test_lines_for_which_nobody_waits_are_heard_in_long_blocks(
    run: Run, small_demo: Path, monkeypatch: pytest.MonkeyPatch, speed: tuple[object, ...], blocks: int
) -> None:
    push, heard = Pipeline.push, []

    def counted(self: Pipeline, block: Block) -> Any:
        heard.append(block)
        return push(self, block)

    monkeypatch.setattr(Pipeline, "push", counted)
    assert run("demo", "--format", "jsonl", *speed).code == 0
    assert len(heard) == blocks


def test_the_demo_is_the_live_path(run: Run, small_demo: Path, plain: Path) -> None:
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
    own = Settings(charge_at=2.0, drop_at=55.0, target=Target(seconds=15))
    assert done.out.splitlines() == expected_events(
        model_files.load(plain), small_demo / "demo_roast.flac", "demo_roast", own
    )


def test_the_board_shows_the_same_roast(
    small_demo: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(board, "Board", Headless)
    source = open_recording(small_demo / "demo_roast.flac", block_s=0.1)
    settings = Settings(charge_at=2.0, drop_at=55.0)
    pipeline = Pipeline(samplerate=source.samplerate, model=model_files.load(plain), settings=settings)
    told: list[str] = []
    shown = demonstration.show(source, pipeline, speed=100, from_s=20, sound=False, say=told.append)
    assert (shown.exit_code, shown.ended_by_person, told) == (0, False, [])
    whole = expected_events(model_files.load(plain), small_demo / "demo_roast.flac", "roast", settings)
    assert shown.summary is not None
    assert json.loads(whole[-1])["first_crack"] == shown.summary["first_crack"]


def test_a_demonstration_is_ended_by_its_key(small_demo: Path, plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Ended(Headless):
        def on_mount(self) -> None:
            self.set_timer(0.1, self.action_help_quit)

    monkeypatch.setattr(board, "Board", Ended)
    source = open_recording(small_demo / "demo_roast.flac", block_s=0.1)
    pipeline = Pipeline(samplerate=source.samplerate, model=model_files.load(plain))
    shown = demonstration.show(source, pipeline, speed=1, from_s=0, sound=False, say=print)
    assert (shown.exit_code, shown.ended_by_person) == (0, True)
    assert shown.summary is not None
