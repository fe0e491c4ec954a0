"""The cautions: all of them once, the short ones where they matter, the same words in the README."""

from __future__ import annotations

from pathlib import Path

import pytest

from crackdetect.events import Event
from crackdetect.roast import cautions
from crackdetect.storage.first_use import is_first_use
from crackdetect.terminal.text_events import TextSink

README = Path(__file__).resolve().parent.parent / "README.md"


def test_all_cautions_are_shown_once_and_the_short_one_ever_after(tmp_path: Path) -> None:
    assert [is_first_use(tmp_path / "data") for _ in range(3)] == [True, False, False]
    assert list(cautions.FIRST_ROAST[1:]) == [f"- {line}" for line in cautions.FIRST_USE]


def test_cautions_that_cannot_be_remembered_are_shown_again(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert [is_first_use(tmp_path / "file" / "data") for _ in range(2)] == [True, True]


def test_a_folder_that_may_not_be_looked_into_keeps_nobody_from_roasting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, **how: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "stat", refuse)
    assert is_first_use(tmp_path / "data")


def test_the_readme_gives_every_caution() -> None:
    safety = README.read_text(encoding="utf-8").partition("## Safety")[2].partition("\n## ")[0]
    text = " ".join(safety.split())
    for line in cautions.FIRST_USE:
        assert line in text


@pytest.mark.parametrize(("source", "cautioned"), [("microphone", True), ("file", False)])
def test_second_crack_and_the_drop_bring_a_caution_at_the_roaster_only(source: str, cautioned: bool) -> None:
    start = {"source": source, "samplerate": 44_100, "model": {"name": "m", "hash": "0" * 8}, "version": "1"}
    told: list[str] = []
    sink = TextSink(told.append, name="Kitchen")
    for seq, (kind, at, fields) in enumerate(
        [
            ("roast.start", 0.0, start),
            ("second_crack.start", 700.0, {"earliest": 698.0, "latest": 702.0, "confidence": 0.9}),
            ("drop", 710.0, {"how": "key"}),
        ]
    ):
        sink.send(Event(kind, at, at, None, seq, "roast", fields))
    text = " ".join(" ".join(told).split())
    assert (cautions.PAST_SECOND_CRACK in text) is cautioned
    assert (cautions.AT_COOLING in text) is cautioned


def test_no_caution_says_that_anything_is_safe() -> None:
    texts = (cautions.ALWAYS, *cautions.FIRST_USE, cautions.PAST_SECOND_CRACK, cautions.AT_COOLING)
    for text in texts:
        assert "safe" not in text.replace("never makes it safe", "")
