"""Corrections beside what was heard: who, when, undone, carried from log to log, and never written over."""

from __future__ import annotations

import json
import re
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
from commands import Run
from roasts import HOSTILE, keep_roasts, roast_events

from crackdetect.errors import InputError, LogError, SettingError
from crackdetect.roast.corrections import Corrections, CrackLabel, last_words
from crackdetect.roast.words import clean
from crackdetect.storage import exchange_json, log_correcting, log_keeping, log_rescue, schema
from crackdetect.storage.roast_store import RoastLog


@pytest.fixture
def log(tmp_path: Path) -> RoastLog:
    """Cracks at 400, 402, ... 438 s; first crack heard at 400 s, charge given at 10 s, drop at 500 s."""
    made = RoastLog(tmp_path / "roasts.sqlite3")
    made.keep(roast_events())
    return made


def corrections(log: RoastLog, name: str = "1") -> Corrections:
    return log.record(log.find(name)).corrections


def label(at: float, is_crack: bool | None, when: str = "2026-03-01T10:00:00.000+00:00") -> CrackLabel:
    return CrackLabel(at, is_crack, "Ada", when)


def test_a_label_says_where_what_who_and_when(log: RoastLog) -> None:
    before = datetime.now(UTC).isoformat(timespec="milliseconds")
    for at, is_crack in ((400.0, True), (402.0, False), (404.0, None)):
        log.label_crack(log.find("1"), at, is_crack, by="Ada")
    found = corrections(log)
    assert [(one.at, one.is_crack, one.by) for one in found.labels] == [
        (400.0, True, "Ada"),
        (402.0, False, "Ada"),
        (404.0, None, "Ada"),
    ]
    after = datetime.now(UTC).isoformat(timespec="milliseconds")
    assert all(before <= one.when <= after for one in found.labels)
    assert found.moves == ()


def test_the_last_word_on_a_crack_counts_and_the_others_stay() -> None:
    said = (label(402.0, True), label(400.0, False), label(402.004, False), label(402.02, True))
    assert last_words(said) == (said[1], said[2], said[3])
    kept = Corrections(labels=said)
    assert kept.of_crack(402.0) == said[2]
    assert kept.of_crack(401.0) is None
    assert len(kept.labels) == 4


def test_a_moment_that_is_moved_keeps_what_was_heard_and_how_it_came_to_be(log: RoastLog) -> None:
    log.edit(log.find("1"), moments={"first_crack.start": 405.0}, by="Ada")
    roast = log.edit(log.find("1"), moments={"first_crack.start": 406.0}, by="Bo")
    moment = roast.moment("first_crack.start")
    assert (moment.heard_s, moment.earliest_s, moment.at_s, moment.whose) == (400.0, 394.0, 406.0, "corrected")
    assert [(m.mark, m.was, m.now, m.whose, m.by) for m in corrections(log).moves] == [
        ("first_crack.start", 400.0, 405.0, "heard", "Ada"),
        ("first_crack.start", 405.0, 406.0, "corrected", "Bo"),
    ]
    assert corrections(log).marks["first_crack.start"].now == 406.0
    log.edit(log.find("1"), moments={"first_crack.start": 406.0})  # it is there already
    assert len(corrections(log).moves) == 2
    log.edit(log.find("1"), restore=["first_crack.start"])
    assert corrections(log) == Corrections()
    assert log.find("1").at_s("first_crack.start") == 400.0


def test_undo_goes_back_step_by_step_and_only_from_the_last(log: RoastLog) -> None:
    roast = log.find("1")
    log.edit(roast, moments={"drop": 505.0})
    log.edit(roast, moments={"drop": None})
    log.label_crack(roast, 400.0, False)
    log.label_crack(roast, 400.0, True)
    seen = []
    while (last := log.last_correction(roast)) is not None:
        with pytest.raises(SettingError, match="has just changed"):
            log.undo_correction(roast, last[0] - 1)
        now = log.undo_correction(roast, last[0])
        told = corrections(log).of_crack(400.0)
        seen.append((now.at_s("drop"), now.moment("drop").whose, None if told is None else told.is_crack))
    assert seen == [
        (None, "corrected", False),
        (None, "corrected", None),
        (505.0, "corrected", None),
        (500.0, "marked", None),
    ]


def test_what_cannot_have_been_is_written_down_nowhere(log: RoastLog) -> None:
    with pytest.raises(SettingError, match="must come after"):
        log.edit(log.find("1"), moments={"drop": 300.0})
    assert corrections(log) == Corrections()
    log.delete([log.find("1")])
    with pytest.raises(SettingError, match="no longer in the log"):
        log.label_crack(log_roast(log), 400.0, True)


def log_roast(log: RoastLog):  # type: ignore[no-untyped-def]
    """A roast that was there a moment ago."""
    log.keep(roast_events("gone"))
    roast = log.find("gone")
    log.delete([roast])
    return roast


def test_hearing_the_roast_again_leaves_them(log: RoastLog) -> None:
    log.label_crack(log.find("1"), 400.0, False, by="Ada")
    log.edit(log.find("1"), moments={"drop": 505.0}, by="Ada")
    before = corrections(log)
    log.keep(roast_events(first_crack=401.0))
    assert corrections(log) == before
    assert log.find("1").at_s("drop") == 505.0


def test_they_go_from_log_to_log_as_json_and_with_their_roast(log: RoastLog, tmp_path: Path) -> None:
    log.label_crack(log.find("1"), 400.0, None, by="Ada")
    log.edit(log.find("1"), moments={"drop": 505.0}, by="Bo")
    log.label_crack(log.find("1"), 402.0, False, by="Ada")
    line = json.dumps(exchange_json.to_json(log.record(log.find("1"))))
    with RoastLog(tmp_path / "other.sqlite3") as other:
        for _ in range(2):
            other.put(exchange_json.from_json(line), replace=True)
        assert corrections(other) == corrections(log)
        last = other.last_correction(other.find("1"))
        assert last is not None
        other.delete([other.find("1")])
        with other.writing() as db:
            assert db.execute("SELECT count(*) FROM corrections").fetchone()[0] == 0
    older = {name: value for name, value in json.loads(line).items() if name != "corrections"}
    assert exchange_json.from_json(json.dumps(older)).corrections == Corrections()


@pytest.mark.parametrize(
    "change",
    [
        {"cracks": []},
        {"cracks": [{"at": 1.0, "is_crack": 1, "by": "a", "when": "2026-03-01T10:00:00"}], "marks": []},
        {"cracks": [{"at": "1", "is_crack": True, "by": "a", "when": "2026-03-01T10:00:00"}], "marks": []},
        {"cracks": [{"at": 1.0, "is_crack": True, "by": "a", "when": "yesterday"}], "marks": []},
        {"cracks": [{"at": 1.0, "is_crack": True, "by": 5, "when": "2026-03-01T10:00:00"}], "marks": []},
        {
            "cracks": [],
            "marks": [{"mark": "lunch", "was": 1, "now": 2, "whose": "heard", "by": "", "when": "2026-03-01"}],
        },
        {
            "cracks": [],
            "marks": [{"mark": "drop", "was": 1, "now": 2, "whose": "nobody", "by": "", "when": "2026-03-01"}],
        },
    ],
)
def test_corrections_that_are_none_are_not_taken_in(log: RoastLog, change: dict[str, object]) -> None:
    changed = {**exchange_json.to_json(log.record(log.find("1"))), "corrections": change}
    with pytest.raises(InputError, match="'corrections'"):
        exchange_json.from_json(json.dumps(changed))


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_can_sign(log: RoastLog, name: str) -> None:
    log.label_crack(log.find("1"), 400.0, True, by=name)
    assert corrections(log).labels[0].by == (clean(name) or "")
    assert exchange_json.from_json(json.dumps(exchange_json.to_json(log.record(log.find("1"))))).corrections == (
        corrections(log)
    )


def test_without_a_name_it_is_the_person_at_the_computer(log: RoastLog, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_correcting.getpass, "getuser", lambda: "ada")
    log.label_crack(log.find("1"), 400.0, True)

    def nobody() -> str:
        raise KeyError("getpwuid(): uid not found: 4242")

    monkeypatch.setattr(log_correcting.getpass, "getuser", nobody)
    log.label_crack(log.find("1"), 402.0, True)
    assert [one.by for one in corrections(log).labels] == ["ada", ""]


def test_a_log_of_the_version_before_takes_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "roasts.sqlite3"
    with monkeypatch.context() as before:
        before.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:2])
        before.setattr(log_keeping, "_MOMENT_HEARD", ("heard_s", "marked_s"))  # as a program of then
        with RoastLog(path) as old:
            old.keep(roast_events())
            with old.writing() as db:
                db.execute("UPDATE moments SET entered_s = 405, corrected = 1 WHERE what = 'first_crack.start'")
    with RoastLog(path) as log:
        assert log.find("1").at_s("first_crack.start") == 405.0
        log.edit(log.find("1"), moments={"first_crack.start": 406.0})
        last = log.last_correction(log.find("1"))
        assert last is not None
        assert log.undo_correction(log.find("1"), last[0]).at_s("first_crack.start") == 405.0


def test_backup_restore_and_rescue_keep_them(log: RoastLog, tmp_path: Path) -> None:
    log.label_crack(log.find("1"), 400.0, False, by="Ada")
    log.edit(log.find("1"), moments={"drop": 505.0}, by="Bo")
    before = corrections(log)
    log.backup(tmp_path / "backup.sqlite3")
    log.close()
    log_rescue.restore(tmp_path / "backup.sqlite3", log.path)
    with RoastLog(log.path) as restored:
        assert corrections(restored) == before
    log_rescue.rescue(log.path, tmp_path / "rescued.sqlite3")
    with RoastLog(tmp_path / "rescued.sqlite3") as rescued:
        assert corrections(rescued) == before


def test_log_show_tells_both(home: Path, run: Run) -> None:
    keep_roasts()
    with RoastLog() as log:
        for number in range(5):
            log.label_crack(
                log.find("1"), 400.0 + 2 * number, (True, True, False, None, True)[number], by="Ada \x1b[2J"
            )
        log.edit(log.find("1"), moments={"first_crack.start": 405.0}, by="Bo")
    told = " ".join(run("log", "show", "1", "--format", "text").out.split())
    assert re.search(r"first crack 6:35 \(corrected\); heard 6:30", told)
    assert re.search(r"moved first crack: 6:30 \(heard\), now 6:35 \(Bo, \d{4}-\d\d-\d\d\)", told)
    assert "listened to 3 cracks, 1 not a crack, 1 that cannot be told (Ada" in told
    assert "\x1b" not in told
    (row,) = run("log", "--format", "jsonl").rows
    assert [one["by"] for one in row["corrections"]["marks"]] == ["Bo"]


def test_a_damaged_row_is_damage_of_the_log(log: RoastLog) -> None:
    log.label_crack(log.find("1"), 400.0, True)
    with sqlite3.connect(log.path) as plain:
        plain.execute("UPDATE corrections SET who = x'00ff'")
    with pytest.raises(LogError, match="damaged"):
        corrections(log)
