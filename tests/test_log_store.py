"""The roast log: what is kept, what outranks what, and that nothing is lost whatever happens to the file."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from roasts import HOSTILE, mark, roast_events

from crackdetect.config import Target
from crackdetect.errors import InputError, LogError, OutputError, SettingError
from crackdetect.events import Event
from crackdetect.roast.state import RoastState, summary_of
from crackdetect.storage import log_keeping, log_rescue, schema
from crackdetect.storage.log_plans import Remembered
from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal.roast_lines import roast_lines

#: What the roast's densest moment, 80 a minute (40 to 160) at 414 s, says of the peak: 40 / 1.645 less, and 0.7 times
#: as far to either side (arithmetic).
PEAK = (414.0, 55.68, 27.68, 111.68)


@pytest.fixture
def log(tmp_path: Path) -> RoastLog:
    return RoastLog(tmp_path / "data" / "roasts.sqlite3")


# -- what is kept ----------------------------------------------------------------------------------------------


def test_a_roast_is_kept_with_all_that_was_heard(log: RoastLog) -> None:
    about = {"coffee": "Lot Seven", "green_g": 200.0, "machine": "small drum", "started": "2026-03-01T18:30:00+01:00"}
    assert log.keep(roast_events(about=about, target="18%")) == "monday"

    roast = log.find("last")
    assert (roast.number, roast.identity, roast.day, roast.coffee, roast.green_g) == (
        1,
        "monday",
        "2026-03-01",
        "Lot Seven",
        200,
    )
    assert roast.target == Target(ratio=0.18)
    assert (roast.model_name, roast.version, roast.samplerate) == ("first-crack", "0.1.0", 44_100)
    # charge at 10 s of the recording, first crack at 400 s, drop at 500 s: arithmetic
    assert roast.first_crack == 390
    assert roast.total == 490
    assert roast.development == 100
    assert roast.ratio == pytest.approx(100 / 490)
    assert roast.moment("first_crack.start").interval_s == (394, 406)
    record = log.record(roast)
    assert (len(record.cracks), len(record.density)) == (20, 5)
    assert record.cracks[1] == (402.0, "first", 0.9, 16.0)
    assert roast.peak == PEAK


def test_the_peak_is_that_of_first_crack(log: RoastLog) -> None:
    """Second crack before the drop, and the beans in the tray after it, are denser; both go into the record."""
    *heard, drop, summary = roast_events()
    rest = {key: drop[key] for key in ("roast_time", "seq", "roast")}
    dense = {"per_minute": 500.0, "low": 400.0, "high": 600.0}
    second = {"earliest": 448.0, "latest": 452.0, "confidence": 0.99}
    log.keep(
        [
            *heard,
            {"type": "second_crack.start", "at": 450.0, "announced_at": 453.0, **rest, **second},
            {"type": "density", "at": 470.0, "announced_at": 470.0, **rest, **dense},
            drop,
            {"type": "density", "at": 505.0, "announced_at": 505.0, **rest, **dense},
            {**summary, "second_crack": 450.0},
        ]
    )
    roast = log.find("last")
    assert len(log.record(roast).density) == 7
    assert roast.peak == PEAK


def test_the_beans_in_the_tray_are_no_peak(log: RoastLog) -> None:
    *heard, drop, summary = roast_events()
    rest = {key: drop[key] for key in ("roast_time", "seq", "roast")}
    dense = {"type": "density", "per_minute": 500.0, "low": 400.0, "high": 600.0}
    log.keep([*heard, drop, {**dense, "at": 505.0, "announced_at": 505.0, **rest}, summary])
    assert log.find("last").peak == PEAK


def test_events_and_their_dicts_are_the_same_roast(log: RoastLog, tmp_path: Path) -> None:
    dicts = roast_events()
    envelope = ("type", "at", "announced_at", "roast_time", "seq", "roast")
    events = [
        Event(*(row[name] for name in envelope), {name: row[name] for name in row if name not in envelope})
        for row in dicts
    ]
    kept, again = RoastState.of(events, whole=True), RoastState.of(dicts, whole=True)
    assert dict(kept.statements) == dict(again.statements)
    assert summary_of(kept) == summary_of(again)


def test_kept_again_what_was_heard_is_replaced_and_what_was_entered_stays(log: RoastLog) -> None:
    log.keep(roast_events(about={"coffee": "Lot Seven", "green_g": 200}))
    log.edit(log.find("1"), values={"roasted_g": 168.0, "coffee": "Lot Seven 2"}, moments={"first_crack.start": 405.0})
    log.note(log.find("1"), text="lemon", cup=0, liking=4)
    log.keep(roast_events(first_crack=410.0, cracks=3, about={"coffee": "Lot Seven"}))

    roast = log.find("1")
    assert (roast.coffee, roast.roasted_g, roast.green_g) == ("Lot Seven 2", 168, 200)
    moment = roast.moment("first_crack.start")
    assert (moment.heard_s, moment.entered_s, moment.at_s, moment.whose) == (410, 405, 405, "corrected")
    assert roast.said["coffee"] == "Lot Seven"
    assert len(log.record(roast).cracks) == 3
    assert [note.text for note in log.record(roast).notes] == ["lemon"]
    assert log.count() == 1


def test_the_persons_mark_outranks_what_was_heard_and_both_stay() -> None:
    events = roast_events(finished=False)
    kept = RoastState.of([*events, mark("first_crack.start", 420.0)])
    assert kept.first_crack is not None
    moment = kept.first_crack.as_moment()
    assert (moment.heard_s, moment.marked_s, moment.at_s) == (400, 420, 420)
    assert moment.interval_s is None


def test_what_was_taken_back_is_not_kept_nor_what_came_with_it() -> None:
    begun = [*roast_events(finished=False), mark("second_crack.start", 414.0), mark("first_crack.not_yet", 415.0)]
    assert RoastState.of(begun).statements.keys() == {"charge", "drop"}
    assert not RoastState.of([*begun, mark("drop.not_yet", 416.0), mark("charge.not_yet", 417.0)]).statements


def test_first_crack_that_began_after_all_is_kept_with_its_new_date() -> None:
    envelope = {"type": "development", "roast": "monday", "at": 470.0, "announced_at": 471.0}
    envelope |= {"roast_time": 460.0, "seq": 30}
    renewed = {"first_crack": 455.0, "first_crack_earliest": 450.0, "first_crack_latest": 460.0, "elapsed": 15.0}
    events = [*roast_events(finished=False), mark("first_crack.not_yet", 415.0), {**envelope, **renewed}]
    kept = RoastState.of(events).first_crack
    assert kept is not None
    moment = kept.as_moment()
    assert (moment.heard_s, moment.interval_s, moment.announced_s) == (455, (450, 460), 471)


def test_a_roast_that_broke_off_is_kept_as_far_as_it_goes(log: RoastLog) -> None:
    log.keep(roast_events(drop=None, finished=False))
    roast = log.find("monday")
    assert not roast.finished
    assert roast.first_crack == 390
    assert roast.development is None
    log.keep(roast_events())
    assert log.find("monday").finished
    assert log.count() == 1


def test_two_files_of_one_name_are_two_roasts_and_one_file_is_one(log: RoastLog, tmp_path: Path) -> None:
    one, other = tmp_path / "a.wav", tmp_path / "b.wav"
    one.write_bytes(b"one")
    other.write_bytes(b"other")
    kept = [log.keep(roast_events(source="file"), recording=path) for path in (one, other, one, other)]
    assert kept == ["monday", "monday-2", "monday", "monday-2"]


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ([], "no events"),
        (roast_events()[1:], "begins with roast.start"),
        ([*roast_events(), *roast_events("tuesday")], "two roasts"),
        ([roast_events()[0], {"type": "crack", "roast": "monday", "at": 1.0, "announced_at": 1.0}], "'crack'"),
        ([roast_events()[0], {"roast": "monday"}], "incomplete"),
    ],
)
def test_what_is_not_one_roast_is_refused_in_a_sentence(
    log: RoastLog, events: list[dict[str, object]], told: str
) -> None:
    with pytest.raises(InputError, match=told):
        log.keep(events)
    assert log.count() == 0


def test_a_plan_is_remembered_until_a_finished_roast_of_the_coffee_is_kept(log: RoastLog) -> None:
    assert log.last_of("lot seven") is None
    log.plan("Lot  Seven", target=Target(ratio=0.18), green_g=200, expect=(480.0, 540.0))
    assert log.last_of("lot seven") == Remembered(Target(ratio=0.18), 200, None, (480.0, 540.0))
    about = {"coffee": "LOT SEVEN", "green_g": 250.0, "machine": "small drum"}
    log.keep(roast_events(about=about, target="1:45", finished=False))
    assert log.last_of("lot seven") == Remembered(Target(ratio=0.18), 200, "small drum", (480.0, 540.0))
    log.keep(roast_events(about=about, target="1:45"))
    assert log.last_of("lot seven") == Remembered(Target(seconds=105), 250, "small drum", None)


def test_a_recording_that_cannot_be_read_does_not_cost_the_roast(log: RoastLog, tmp_path: Path) -> None:
    log.keep(roast_events(), recording=tmp_path / "gone.flac")
    roast = log.find("monday")
    assert (roast.recording, roast.recording_sha256) == (tmp_path / "gone.flac", None)


# -- corrections -----------------------------------------------------------------------------------------------


def test_a_moment_that_did_not_happen_and_a_correction_taken_back(log: RoastLog) -> None:
    log.keep(roast_events())
    roast = log.edit(log.find("1"), moments={"first_crack.start": None})
    assert roast.at_s("first_crack.start") is None
    assert roast.development is None
    roast = log.edit(roast, restore=["first_crack.start"])
    assert roast.at_s("first_crack.start") == 400


def test_a_value_taken_away_is_away_and_comes_back(log: RoastLog) -> None:
    log.keep(roast_events(about={"coffee": "Lot Seven", "green_g": 200}))
    roast = log.edit(log.find("1"), values={"coffee": None, "green_g": None})
    assert (roast.coffee, roast.green_g) == (None, None)
    roast = log.edit(roast, restore=["coffee", "green_g"])
    assert (roast.coffee, roast.green_g) == ("Lot Seven", 200)


@pytest.mark.parametrize(
    ("values", "moments", "told"),
    [
        ({"green_g": 168.0, "roasted_g": 200.0}, {}, "not below the green weight"),
        ({}, {"drop": 5.0}, r"drop 0:05 must come after charge 0:10, counted from the beginning"),
        ({}, {"drop": 405.0, "first_crack.start": 410.0}, "drop 6:35 must come after first crack 6:40; check the two"),
        ({}, {"first_crack.start": 500.0}, "drop 8:10 must come after first crack 8:10"),
        ({}, {"first_crack.end": 390.0}, "first crack end 6:20 must come after first crack 6:30"),
        ({}, {"second_crack.start": 395.0}, "second crack 6:25 must come after first crack 6:30"),
        ({}, {"cooled": 499.0}, "cooled 8:09 must come after drop 8:10"),
        ({}, {"charge": 450.0}, "first crack 6:40 must come after charge 7:30"),
        ({}, {"first_crack.start": None, "first_crack.end": 5.0}, "first crack end 0:05 must come after charge"),
        ({}, {"drop": 590.0}, r"drop 9:40 lies after the end of listening \(8:30\)"),
        ({}, {"cooled": 520.0 + 3_601.0}, "cooled 68:31 lies after the end of listening"),
        ({"started": "2999-01-01"}, {}, "lies in the future"),
        ({}, {"first_crack.start": -3.0}, "out of range"),
        ({"taste": "x"}, {}, "cannot be corrected"),
        ({"started": "yesterday"}, {}, "not a date"),
    ],
)
def test_corrections_that_make_no_sense_change_nothing(
    log: RoastLog, values: dict[str, object], moments: dict[str, float | None], told: str
) -> None:
    log.keep(roast_events())
    before = log.find("1")
    with pytest.raises(SettingError, match=told):
        log.edit(before, values=values, moments=moments)
    assert log.find("1") == before


def test_what_lies_a_little_past_the_end_of_listening_is_believed(log: RoastLog) -> None:
    log.keep(roast_events())  # heard for 520 s
    roast = log.edit(log.find("1"), moments={"drop": 570.0, "cooled": 900.0})
    assert (roast.at_s("drop"), roast.at_s("cooled")) == (570, 900)
    log.keep(roast_events("broken", finished=False))  # nobody knows how long this one went on
    assert log.edit(log.find("broken"), moments={"drop": 800.0}).at_s("drop") == 800


def test_moments_that_were_out_of_order_before_hinder_no_other_correction(log: RoastLog) -> None:
    log.keep(roast_events(charge=450.0))  # given after first crack
    assert log.edit(log.find("1"), values={"coffee": "Lot Seven"}).coffee == "Lot Seven"
    assert log.edit(log.find("1"), moments={"cooled": 510.0}).at_s("cooled") == 510


def test_an_end_that_was_heard_goes_with_its_start(log: RoastLog) -> None:
    end = {"type": "first_crack.end", "earliest": 430.0, "latest": 445.0, "confidence": 0.9, "seq": 99}
    events = roast_events()
    before_drop = next(index for index, event in enumerate(events) if event["type"] == "drop")
    events.insert(before_drop, {**events[0], **end, "at": 440.0, "announced_at": 450.0})
    events[-1]["first_crack_end"] = 440.0
    log.keep(events)
    assert log.find("1").at_s("first_crack.end") == 440
    roast = log.edit(log.find("1"), moments={"first_crack.start": 460.0})
    assert (roast.at_s("first_crack.start"), roast.at_s("first_crack.end")) == (460, None)
    assert log.edit(roast, moments={"first_crack.start": None}).at_s("first_crack.end") is None
    assert log.edit(roast, restore=["first_crack.start"]).at_s("first_crack.end") == 440
    # an end of the person's own is not passed over in silence
    log.edit(roast, moments={"first_crack.end": 445.0})
    with pytest.raises(SettingError, match="first crack end 7:15 must come after first crack 7:30"):
        log.edit(roast, moments={"first_crack.start": 460.0})


def test_deleting_removes_everything_of_the_roast_and_its_number_is_not_given_again(log: RoastLog) -> None:
    log.keep(roast_events("one"))
    log.note(log.find("one"), text="x")
    log.delete([log.find("one")])
    log.keep(roast_events("two"))
    assert log.find("two").number == 2
    with sqlite3.connect(log.path) as plain:
        for table in ("moments", "cracks", "density", "troubles", "notes"):
            assert plain.execute(f"SELECT count(*) FROM {table} WHERE roast = 1").fetchone() == (0,)


# -- finding ---------------------------------------------------------------------------------------------------


def test_last_is_the_roast_put_in_last_whatever_its_day(log: RoastLog) -> None:
    for name, day in (("new", "2026-03-15"), ("old", "2026-02-27")):
        log.keep(roast_events(name, about={"started": f"{day}T10:00:00+00:00"}))
    assert [roast.identity for roast in log.roasts()] == ["new", "old"]
    assert log.find("last").identity == "old"
    with log.writing() as db:  # kept in another zone, and by a program that told whole seconds
        db.execute("UPDATE roasts SET kept = '2026-03-15T10:00:00.500+01:00' WHERE identity = 'old'")
        db.execute("UPDATE roasts SET kept = '2026-03-15T09:30:00+00:00' WHERE identity = 'new'")
    assert log.find("last").identity == "new"
    log.keep(roast_events("old"))  # heard again, its number is told again
    assert log.find("last").identity == "old"


def test_search_by_coffee_words_day_and_weight(log: RoastLog) -> None:
    for name, coffee, day, green in (
        ("a", "Lot Seven", "2026-02-27", 200),
        ("b", "lot  seven", "2026-03-01", 208),
        ("c", "Valley", "2026-03-15", 250),
    ):
        log.keep(roast_events(name, about={"coffee": coffee, "green_g": green, "started": f"{day}T10:00:00+00:00"}))
    log.note(log.find("c"), text="Bergamot and lemon")

    def names(**search: object) -> list[str]:
        return [roast.identity for roast in log.roasts(**search)]  # type: ignore[arg-type]

    assert names() == ["c", "b", "a"]
    assert names(coffee="LOT SEVEN") == ["b", "a"]
    assert names(words="bergamot") == ["c"]
    assert names(words="SEVEN") == ["b", "a"]
    assert names(since="2026-03") == ["c", "b"]
    assert names(until="2026-03-01") == ["b", "a"]
    assert names(green_g=200) == ["b", "a"]  # within 5 %
    assert names(most=1) == ["c"]


def test_a_name_is_found_by_number_whole_or_beginning(log: RoastLog) -> None:
    log.keep(roast_events("2026-03-01T18-30-00"))
    log.keep(roast_events("2026-03-08T18-30-00"))
    assert log.find("2").identity == "2026-03-08T18-30-00"
    assert log.find("2026-03-01").number == 1
    with pytest.raises(SettingError, match="several"):
        log.find("2026-03")
    log.keep(roast_events("20260315"))  # a file's name may be a number
    assert log.find("20260315").number == 3
    for missing in ("7", "nothing", "", "%", "1 OR 1"):
        with pytest.raises(SettingError, match="not in the log"):
            log.find(missing)


# -- the file --------------------------------------------------------------------------------------------------


def test_foreign_keys_and_write_ahead_log_are_on_and_commits_are_on_disk(log: RoastLog) -> None:
    with log.writing() as db:
        assert db.execute("PRAGMA foreign_keys").fetchone()[0] == 1
        assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL, sqlite.org/pragma.html
        assert db.execute("PRAGMA user_version").fetchone()[0] == len(schema.MIGRATIONS)


def columns_of(log: RoastLog) -> list[str]:
    with log.writing() as db:
        return [row["name"] for row in db.execute("PRAGMA table_info(roasts)")]


def test_a_newer_file_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    RoastLog(path).close()
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA user_version = 99")
    before = path.read_bytes()
    with pytest.raises(LogError, match="of version 99, made by a newer crackdetect"):
        RoastLog(path)
    assert path.read_bytes() == before


def test_an_older_file_is_lifted_and_a_copy_of_it_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "roasts.sqlite3"
    with RoastLog(path) as log:
        log.keep(roast_events())
    monkeypatch.setattr(schema, "MIGRATIONS", [*schema.MIGRATIONS, "ALTER TABLE roasts ADD COLUMN altitude REAL;"])
    with RoastLog(path) as log:
        assert log.find("monday").first_crack == 390
        assert "altitude" in columns_of(log)
    with sqlite3.connect(tmp_path / f"roasts-version-{len(schema.MIGRATIONS) - 1}.sqlite3") as old:
        assert old.execute("SELECT identity FROM roasts").fetchall() == [("monday",)]


def test_a_step_that_fails_leaves_the_old_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "roasts.sqlite3"
    RoastLog(path).close()
    monkeypatch.setattr(
        schema,
        "MIGRATIONS",
        [*schema.MIGRATIONS, "ALTER TABLE roasts ADD COLUMN x REAL;\nINSERT INTO nowhere VALUES (1);"],
    )
    with pytest.raises(sqlite3.OperationalError):
        RoastLog(path)
    monkeypatch.undo()
    with RoastLog(path) as log:
        assert "x" not in columns_of(log)


@pytest.mark.parametrize(
    "content", [b"not a database at all, but long enough to be read as one" * 40, b"SQLite format 3\0x"]
)
def test_what_is_no_log_is_refused_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "roasts.sqlite3"
    path.write_bytes(content)
    with pytest.raises(LogError):
        RoastLog(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    with sqlite3.connect(path) as plain:
        plain.execute("CREATE TABLE mine (x)")
    with pytest.raises(LogError, match="not a roast log"):
        RoastLog(path)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be opened"):
        RoastLog(tmp_path / "file" / "roasts.sqlite3")


def test_a_backup_is_whole_while_the_log_is_open(log: RoastLog, tmp_path: Path) -> None:
    log.keep(roast_events())
    log.backup(tmp_path / "copy.sqlite3")
    with RoastLog(tmp_path / "copy.sqlite3") as copy:
        assert copy.record(copy.find("monday")) == log.record(log.find("monday"))


def _damage(path: Path, table: str) -> None:
    """Overwrites the middle of a table's pages."""
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = plain.execute("PRAGMA page_size").fetchone()[0]
        root = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
    plain.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xa5" * size)


def test_a_damaged_log_is_told_and_what_can_be_read_is_saved(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    with RoastLog(path) as log:
        for number in range(30):
            log.keep(roast_events(f"roast-{number}"))
    _damage(path, "notes")
    with pytest.raises(LogError, match="damaged.*crackdetect log rescue"):
        RoastLog(path)
    before = path.read_bytes()
    saved = log_rescue.rescue(path, tmp_path / "saved.sqlite3")
    assert saved.roasts == 30
    assert path.read_bytes() == before
    with RoastLog(tmp_path / "saved.sqlite3") as rescued:
        assert rescued.count() == 30
        assert len(rescued.record(rescued.find("roast-7")).cracks) == 20


def test_damage_among_the_cracks_costs_the_roasts_it_hit_only(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    with RoastLog(path) as log:
        for number in range(60):
            log.keep(roast_events(f"roast-{number}", cracks=100))
    size = 4096
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        root = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'cracks'").fetchone()[0]
    plain.close()
    content = bytearray(path.read_bytes())
    # a leaf of the tree below the root: its number stands in the root's cells (sqlite.org/fileformat2.html, 1.6)
    page = content[(root - 1) * size : root * size]
    cell = int.from_bytes(page[12 + 40 : 12 + 42], "big")
    leaf = int.from_bytes(page[cell : cell + 4], "big")
    content[(leaf - 1) * size : leaf * size] = b"\xa5" * size
    path.write_bytes(content)
    saved = log_rescue.rescue(path, tmp_path / "saved.sqlite3")
    assert saved.roasts == 60
    assert 1 <= saved.incomplete <= 4


def test_nothing_that_can_be_read_leaves_no_file_behind(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    path.write_bytes(b"\xa5" * 9_000)
    with pytest.raises(LogError, match="nothing can be read"):
        log_rescue.rescue(path, tmp_path / "saved.sqlite3")
    assert [file.name for file in tmp_path.iterdir()] == ["roasts.sqlite3"]


def test_in_a_file_that_is_no_database_no_row_is_looked_for_by_its_key(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    path.write_bytes(b"\xa5" * 9_000)
    with contextlib.closing(sqlite3.connect(path)) as source:
        assert list(log_rescue._readable(source, "roasts", ["number"], [])) == []


# -- kills and neighbours --------------------------------------------------------------------------------------

_WRITER = """
import sys
from pathlib import Path
from roasts import roast_events
from crackdetect.storage.roast_store import RoastLog
log = RoastLog(Path(sys.argv[1]))
number = 0
while True:
    name = f"{sys.argv[2]}-{number}"
    log.keep(roast_events(name, cracks=100))
    log.note(log.find(name), text="kept")
    print(name, flush=True)
    number += 1
    if number == int(sys.argv[3]):
        break
"""


def _writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(path), name, str(count)],
        cwd=Path(__file__).parent,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_kill_at_any_moment_leaves_every_roast_that_was_finished(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    RoastLog(path).close()
    moments = random.Random(5)
    finished: list[str] = []
    for kill in range(8):
        writer = _writer(path, f"kill-{kill}", 0)
        assert writer.stdout is not None
        finished.append(writer.stdout.readline().strip())
        time.sleep(moments.uniform(0, 0.15))
        writer.send_signal(signal.SIGKILL)
        finished += writer.stdout.read().split()
        writer.wait()
        writer.stdout.close()
    with RoastLog(path) as log:
        log.backup(tmp_path / "whole.sqlite3")  # which is checked from end to end
        there = {roast.identity: roast for roast in log.roasts()}
        assert set(finished) <= there.keys()
        for name in finished:
            record = log.record(there[name])
            assert (len(record.cracks), len(record.density)) == (100, 5)
        # the one under way is there whole or not at all
        for roast in there.values():
            assert len(log.record(roast).cracks) == 100


def test_two_processes_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "roasts.sqlite3"
    writers = [_writer(path, name, 12) for name in ("left", "right")]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0]
    for writer in writers:
        assert writer.stdout is not None
        writer.stdout.close()
    with RoastLog(path) as log:
        assert log.count() == 24


# -- hostile text ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_any_name_is_kept_and_found_again(log: RoastLog, text: str) -> None:
    log.keep(roast_events(text, about={"coffee": text, "origin": text}))
    roast = log.find("1")
    log.note(roast, text=text)
    assert roast.coffee
    assert log.find(roast.identity).number == 1
    assert [found.number for found in log.roasts(coffee=roast.coffee)] == [1]
    assert not any(ord(letter) < 32 for letter in roast.coffee)
    assert log.find("1").first_crack == 390


def test_a_note_needs_something_and_stays_in_range(log: RoastLog) -> None:
    log.keep(roast_events())
    roast = log.find("1")
    for wrong in ({}, {"text": "  "}, {"cup": 4}, {"liking": 6}):
        with pytest.raises(SettingError):
            log.note(roast, **wrong)  # type: ignore[arg-type]
    note = log.note(roast, text="dry", tasted_on=date(2026, 3, 4))
    with pytest.raises(SettingError, match="has no note"):
        log.remove_note(roast, note.number + 1)
    log.remove_note(roast, note.number)
    assert log.record(roast).notes == ()


def test_a_log_of_the_version_before_takes_a_stalled_cup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "roasts.sqlite3"
    with monkeypatch.context() as before:
        before.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
        before.setattr(log_keeping, "_MOMENT_HEARD", ("heard_s", "marked_s"))  # as a program of then
        with RoastLog(path) as old:
            old.keep(roast_events())
    with closing(sqlite3.connect(path)) as old_file, old_file:
        old_file.execute("INSERT INTO notes (roast, tasted_on, text, cup) VALUES (1, '2026-03-04', 'dry', -1)")
    with RoastLog(path) as log:
        made = log.note(log.find("1"), cup=3)
        notes = log.notes([log.find("1")])[1]
    assert [(note.text, note.cup) for note in notes] == [("dry", -1), ("", 3)]
    assert made.number == 2


def test_a_yes_to_the_announcement_is_kept_as_long_as_first_crack_stands_as_heard(
    log: RoastLog, tmp_path: Path
) -> None:
    yes = {"type": "mark", "at": 470.0, "announced_at": 470.0, "what": "first_crack.confirmed"}
    for name, more in (
        ("yes", [yes]),
        ("moved", [yes, yes | {"what": "first_crack.start", "at": 475.0}]),
        ("plain", []),
    ):
        *events, summary = roast_events(name)
        rest = {key: events[-1][key] for key in ("roast", "seq", "roast_time")}
        log.keep([*events, *(rest | one for one in more), summary])
    confirmed = {name: log.find(name).moment("first_crack.start").confirmed for name in ("yes", "moved", "plain")}
    assert confirmed == {"yes": True, "moved": False, "plain": False}
    assert any("confirmed by you" in line for line in roast_lines(log.record(log.find("yes"))))
    with RoastLog(tmp_path / "other.sqlite3") as other:
        other.put(log.record(log.find("yes")))
        assert other.find("yes").moment("first_crack.start").confirmed
