"""``crackdetect first``: the steps in their order, what is skipped, what is remembered, and what ``listen`` gets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import RATE, EndingMicrophone, Run

from crackdetect.audio import microphone
from crackdetect.blocks import Block
from crackdetect.cli import listen as listen_command
from crackdetect.errors import DeviceError, SettingError
from crackdetect.listening import first_roast
from crackdetect.listening.recording_choice import keep_choice
from crackdetect.roast import cautions
from crackdetect.sound import player
from crackdetect.storage import paths
from crackdetect.storage.first_use import remember, was_seen
from crackdetect.terminal import question


class Machine(EndingMicrophone):
    """A running machine without beans: noise."""

    def __iter__(self) -> Any:
        yield Block(np.random.default_rng(3).normal(0, 0.003, 6 * RATE).astype(np.float32))


class Player:
    played: list[str] = []

    def __init__(self, **options: object) -> None: ...

    def play(self, name: str, *, enough: Callable[[], bool]) -> None:
        self.played.append(name)


class Person:
    """Answers as it is told; keeps what was asked."""

    def __init__(self, patch: pytest.MonkeyPatch, *, skips: bool = False, typed: dict[str, str] | None = None) -> None:
        self.asked: list[str] = []
        self.skips, self.typed = skips, typed or {}
        patch.setattr(first_roast, "confirmed", self.confirmed)
        patch.setattr(first_roast, "yes_or_no", self.yes)
        patch.setattr(first_roast, "answered", self.answer)

    def confirmed(self, what: str, *, skip: bool = True) -> bool:
        self.asked.append(what)
        return not (skip and self.skips)

    def yes(self, what: str, default: bool) -> bool:
        self.asked.append(what)
        return not what.startswith(("Listen once more", "Once more"))

    def answer(self, what: str, *, default: str, read: Callable[[str], Any]) -> Any:
        self.asked.append(what)
        return read(self.typed.get(what.partition(",")[0], default))


@pytest.fixture(autouse=True)
def computer(monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
    Player.played = []
    monkeypatch.setattr(microphone, "MicrophoneSource", Machine)
    monkeypatch.setattr(player, "Player", Player)
    monkeypatch.setattr("crackdetect.sound.voice.find_voice", lambda **_: None)


def guided(data: Path, **options: Any) -> dict[str, Any]:
    return first_roast.guide(data, {"device": None, "channel": None}, again=False, **options)


def test_all_steps_in_their_order_and_three_answers_with_defaults(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    person = Person(monkeypatch)
    told = guided(tmp_path)
    out = capsys.readouterr().out
    steps = [out.index(f"{n} OF 5") for n in range(1, 6)]
    assert steps == sorted(steps)
    for line in cautions.FIRST_USE:
        assert line in " ".join(out.split())
    assert "[mic]" in out
    assert "First crack is announced some 21 s after it begins" in out  # in words, of what was measured
    assert Player.played == ["first_crack"]
    assert "Did you hear it, above the machine?" in person.asked
    assert told == {
        "device": None,
        "channel": None,
        "coffee": "First coffee",
        "batch": "200g",
        "target": "1:30",
        "record": False,
    }
    assert max(map(len, out.splitlines())) <= 80


def test_what_was_seen_is_not_shown_again_and_what_was_skipped_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    Person(monkeypatch, skips=True)
    guided(tmp_path)
    capsys.readouterr()
    assert was_seen(tmp_path, "cautions")  # safety cannot be skipped
    Person(monkeypatch)
    guided(tmp_path)
    second = capsys.readouterr().out
    assert "Safety: seen before" in second
    assert "2 OF 5" in second
    guided(tmp_path)
    third = capsys.readouterr().out
    assert third.count("seen before") == 4
    assert "5 OF 5" in third
    first_roast.guide(tmp_path, {}, again=True)
    assert "seen before" not in capsys.readouterr().out


def test_a_machine_that_cannot_be_heard_and_no_sound_are_told_and_end_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def missing(*_: object, **__: object) -> None:
        raise DeviceError("no microphone was found; plug one in")

    class Silent(Player):
        def play(self, name: str, *, enough: Callable[[], bool]) -> None:
            raise DeviceError("no sound can be played; connect a loudspeaker")

    monkeypatch.setattr(microphone, "MicrophoneSource", missing)
    monkeypatch.setattr(player, "Player", Silent)
    Person(monkeypatch)
    assert guided(tmp_path)["target"] == "1:30"
    out = " ".join(capsys.readouterr().out.split())
    assert "No microphone was found; plug one in." in out
    assert "It says NO SOUND as long as that is so." in out
    assert not was_seen(tmp_path, "sound")


def test_answers_are_checked_and_given_options_are_the_defaults(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    Person(monkeypatch, typed={"Target": "18%"})
    given = {"coffee": "Meadow Lane", "batch": "150g", "target": None, "volume": 60}
    told = first_roast.guide(tmp_path, given, again=False)
    assert (told["coffee"], told["batch"], told["target"], told["volume"]) == ("Meadow Lane", "150g", "18%", 60)
    Person(monkeypatch, typed={"Target": "18"})
    with pytest.raises(SettingError, match="seconds or percent"):  # which the terminal asks again for
        guided(tmp_path)


def test_a_choice_about_recording_that_was_made_stays(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    keep_choice(paths.settings_file(), True)
    Person(monkeypatch)
    assert "record" not in guided(tmp_path)


def test_listen_offers_it_once_and_hands_on_what_was_said(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    heard: list[dict[str, Any]] = []
    monkeypatch.setattr(question, "can_answer", lambda: True)
    monkeypatch.setattr(listen_command, "listen", lambda given, **_: heard.append(given) or 0)
    person = Person(monkeypatch)
    assert run("listen", "--coffee", "Meadow Lane").code == 0
    assert person.asked[0].startswith("This is your first start.")
    assert (heard[0]["coffee"], heard[0]["target"]) == ("Meadow Lane", "1:30")
    run("listen", "--coffee", "Meadow Lane")
    assert sum(asked.startswith("This is your first start.") for asked in person.asked) == 1
    assert heard[1]["target"] is None


def test_who_has_roasted_before_is_offered_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    remember(tmp_path, "cautions")
    person = Person(monkeypatch)
    assert not first_roast.offered(tmp_path)
    assert person.asked == []


def test_without_a_terminal_it_says_what_to_do_instead(run: Run) -> None:
    done = run("first")
    assert (done.code, done.out) == (2, "")
    assert "'crackdetect listen' listens without questions" in done.err
