"""The commands of the log as they are typed: what they print, how they end, what they leave behind."""

from __future__ import annotations

import io
import json
import os
import sqlite3
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from clicks import clicks_in_noise, poisson_times
from conftest import plain_classifier
from rich.console import Console
from rich.table import Table
from roasts import HOSTILE, roast_events

from crackdetect import cli
from crackdetect.errors import LogError
from crackdetect.log import text
from crackdetect.log.store import RoastLog

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: object) -> tuple[int, str, str]:
        code = cli.main([str(argument) for argument in arguments])
        return (code, *capfd.readouterr())

    return command


def fill(*names: str, **kinds: object) -> None:
    with RoastLog() as log:
        for number, name in enumerate(names or ("monday",)):
            about = {"coffee": "Lot Seven", "green_g": 200.0, "started": f"2026-03-{number + 1:02d}T18:30:00+00:00"}
            log.keep(roast_events(name, about=about, **kinds))  # type: ignore[arg-type]


# -- keeping ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recording with a chorus, and a model whose answers on it are known."""
    folder = tmp_path_factory.mktemp("heard")
    sound = clicks_in_noise(
        [5.0, *poisson_times(90, 30, 60, seed=4)], samplerate=16_000, duration_s=60, frequency_hz=3_000
    )
    soundfile.write(folder / "monday.flac", sound, 16_000)
    plain_classifier(folder / "plain.json")
    return folder / "monday.flac", folder / "plain.json"


def test_analyze_keep_puts_the_roast_into_the_log_and_again_is_the_same_roast(
    run: Run, heard: tuple[Path, Path]
) -> None:
    recording, model = heard
    options = (
        "--model",
        model,
        "--charge-at",
        "0:02",
        "--drop-at",
        "0:58",
        "--keep",
        "--coffee",
        "Lot Seven",
        "--green",
        "7oz",
    )
    code, out, err = run("analyze", recording, *options)
    assert code == 0
    assert "kept as roast 1" in err
    start = json.loads(out.splitlines()[0])
    assert start["about"]["coffee"] == "Lot Seven"
    assert start["about"]["green_g"] == pytest.approx(198.446661875)
    assert "started" in start["about"]
    run("log", "edit", "1", "--roasted", "168g")
    assert run("analyze", recording, *options)[0] == 0
    with RoastLog() as log:
        (roast,) = log.roasts()
        assert (roast.coffee, roast.roasted_g, roast.recording) == ("Lot Seven", 168, recording)
        assert roast.crack_count == len(log.story(roast).cracks) > 10


def test_a_folder_is_kept_file_by_file(run: Run, heard: tuple[Path, Path], tmp_path: Path) -> None:
    recording, model = heard
    folder = tmp_path / "roasts"
    folder.mkdir()
    for name in ("a.flac", "b.flac"):
        (folder / name).write_bytes(recording.read_bytes()[: 10**9])
    (folder / "c.wav").write_bytes(b"not sound")
    code, _, err = run("analyze", folder, "--model", model, "--keep")
    assert code == 3
    assert "kept 2 roasts" in err
    assert [roast["identity"] for roast in _rows(run("log")[1])] == ["b", "a"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
def test_a_file_name_that_is_not_unicode_is_kept_as_far_as_it_can_be_written(
    run: Run, heard: tuple[Path, Path], tmp_path: Path
) -> None:
    recording, model = heard
    folder = tmp_path / "roasts"
    folder.mkdir()
    for name in (b"a.flac", b"b\xff.flac", b"c.flac"):
        (folder / os.fsdecode(name)).write_bytes(recording.read_bytes())
    code, _, err = run("analyze", folder, "--model", model, "--keep")
    assert (code, "kept 3 roasts" in err) == (0, True)
    with RoastLog() as log:
        assert {roast.recording for roast in log.roasts()} == {folder / "a.flac", folder / "b?.flac", folder / "c.flac"}


def test_a_roast_that_cannot_be_kept_is_told_and_the_others_go_on(
    run: Run, heard: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording, model = heard
    for name in ("a.flac", "b.flac"):
        (tmp_path / name).write_bytes(recording.read_bytes())
    real = RoastLog.keep

    def keep(log: RoastLog, events: object, *, recording: Path | None = None) -> str:
        if recording is not None and recording.name == "a.flac":
            raise LogError("the roast log is held by another program; try again")
        return real(log, events, recording=recording)  # type: ignore[arg-type]

    monkeypatch.setattr(RoastLog, "keep", keep)
    code, out, err = run("analyze", "a.flac", "b.flac", "--model", model, "--keep", "--format", "text")
    assert code == 8
    assert "a.flac could not be kept: the roast log is held" in err
    assert "kept 1 roast;" in err
    assert "b.flac" in out


def test_without_keep_nothing_is_kept(run: Run, heard: tuple[Path, Path], home: Path) -> None:
    assert run("analyze", heard[0], "--model", heard[1])[0] == 0
    assert not home.exists()


def _rows(out: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in out.splitlines()]


# -- looking and correcting ------------------------------------------------------------------------------------


def test_an_empty_log_says_how_to_fill_it(run: Run) -> None:
    code, out, _ = run("log", "--format", "text")
    assert code == 0
    assert "--keep" in out
    code, _, err = run("log", "show", "last")
    assert (code, "the roast log is empty" in err) == (2, True)


def test_the_list_shows_the_newest_first_with_the_trades_figures(run: Run) -> None:
    fill("one", "two")
    run("log", "edit", "1", "--roasted", "168g")
    run("log", "note", "1", "fine", "--cup", "right", "--liking", "4")
    out = run("log", "--format", "text")[1]
    first, second = [line.split() for line in out.splitlines() if line.strip().startswith(("1", "2"))][:2]
    assert first[:2] == ["2", "2026-03-02"]
    assert second == [
        "1", "2026-03-01", "Lot", "Seven", "200", "g", "6:30", "1:40", "20.4", "%", "16.0", "%", "right", "4/5",
    ]  # fmt: skip
    assert "None of the 2 roasts" in run("log", "--coffee", "Valley", "--format", "text")[1]


def test_a_correction_counts_from_charge_and_what_was_heard_stays_beside_it(run: Run) -> None:
    fill()
    code, out, _ = run("log", "edit", "monday", "--first-crack", "6:40", "--green", "0.5lb", "--second-crack", "never")
    assert code == 0
    shown = " ".join(out.split())
    assert "first crack 6:40 (corrected); heard 6:30" in shown
    assert "226.8 g (corrected; was 200 g) green" in shown
    assert "second crack did not happen" in shown
    shown = " ".join(run("log", "edit", "1", "--restore", "first-crack", "--restore", "green")[1].split())
    assert "first crack 6:30, between 6:24 and 6:36 (90 % interval)" in shown
    assert "200 g green" in shown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("edit", "1", "--green", "heavy"), "green 'heavy' is not a weight"),
        (("edit", "1", "--first-crack", "soon"), "first-crack 'soon' is not a time"),
        (("edit", "1", "--target", "x%"), "target 'x%'"),
        (("edit", "1"), "nothing to correct"),
        (("edit", "1", "--first-crack", "99:00"), "first crack 99:00 lies after the end of listening (8:30)"),
        (("edit", "1", "--drop", "6:20"), "drop 6:20 must come after first crack 6:30"),
        (("edit", "1", "--started", "2999-01-01"), "lies in the future"),
        (
            ("edit", "1", "--restore", "taste"),
            "choose one of green, roasted, coffee, process, origin, machine, target, ",
        ),
        (("edit", "1", "--restore", "first_crack.start"), "first-crack, first-crack-end, second-crack, drop, cooled"),
        (("note", "1"), "a note needs"),
        (("note", "1", "x", "--on", "May"), "on 'May' is not a day"),
        (("note", "1", "--remove", "9"), "no note 9"),
        (("show", "nowhere"), "not in the log"),
        (("delete", "1"), "asks first"),
        (("compare", "1"), "one roast has nothing to be compared with; name two to 8, or a coffee with --coffee"),
        (("compare", "--coffee", "lot seven"), "the log has one roast of 'lot seven'"),
        (("compare", "--coffee", "lot sevn"), "did you mean 'Lot Seven'?"),
        (("compare",), "name two or more roasts"),
        (("trend", "--coffee", "Valley"), "no roast of 'Valley' is in the log; the log knows 'Lot Seven'"),
        (("export", "x.txt"), "neither .csv nor .jsonl"),
        (("import", "x.csv", "--map", "coffee"), "COLUMN=HEADING"),
        (("--since", "May"), "since 'May' is not a day"),
        (("--since", "9999-99-99"), "since '9999-99-99' is not a day"),
        (("--until", "2026-02-30"), "until '2026-02-30' is not a day"),
        (("--until", "2026-13"), "until '2026-13' is not a day"),
        (("edit", "1", "--started", "0001-01-01"), "started '0001-01-01' is not a date"),
        (("--coffee", "x", "show", "1"), "options before 'show'"),
    ],
)
def test_a_wrong_value_is_named_in_one_sentence(run: Run, arguments: tuple[str, ...], told: str) -> None:
    fill()
    code, _, err = run("log", *arguments)
    assert code == 2
    assert told in err
    assert len(err.strip().splitlines()) <= 2
    assert "Traceback" not in err
    with RoastLog() as log:
        assert log.find("1").said == {}


def test_a_roast_is_shown_with_where_each_value_comes_from(run: Run) -> None:
    events = roast_events(about={"green_g": 200.0, "started": "2026-03-01T18:30:00+00:00"}, source="file")
    for event in events:
        if event["type"] in ("charge", "drop"):
            event |= {"how": "heard", "confidence": 0.9, "announced_at": event["at"] + 20}
    with RoastLog() as log:
        log.keep(events)

    def shown(*arguments: str) -> str:
        return " ".join(run("log", *arguments, *(["--format", "text"] if arguments[0] == "show" else []))[1].split())

    out = shown("show", "1")
    assert "charge 0:10 of the recording, heard, 90 % sure" in out
    assert "drop 8:10, heard, 90 % sure" in out
    assert "started 2026-03-01T18:30:00+00:00 (from the file's time)" in out
    assert "development 1:40, 20.4 % of 8:10 from charge to drop inside the usual 15 to 25 %" in out
    assert out.count("development") == 1
    # given once more as it was
    out = shown("edit", "1", "--green", "200g", "--started", "2026-03-01T18:30:00+00:00", "--drop", "8:20")
    assert "was" not in out
    assert "file's time" not in out
    assert "drop 8:20 (corrected); heard 8:10" in out
    out = shown("edit", "1", "--green", "210g", "--started", "2026-03-01T18:31:00+00:00")
    assert "210 g (corrected; was 200 g) green" in out
    assert "(corrected; was 2026-03-01T18:30:00+00:00)" in out


def test_an_end_heard_before_the_corrected_start_is_shown_as_not_known(run: Run) -> None:
    events = roast_events()
    events[-1]["first_crack_end"] = 440.0
    with RoastLog() as log:
        log.keep(events)
    assert "first crack end  7:10" in run("log", "show", "1", "--format", "text")[1]
    out = " ".join(run("log", "edit", "1", "--first-crack", "7:20")[1].split())
    assert "first crack end not known; heard 7:10, before the corrected first crack" in out


def test_a_roast_is_broken_between_words_at_a_narrow_terminal(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(target="20%")
    monkeypatch.setattr(text, "columns", lambda: 40)
    out = run("log", "show", "1", "--format", "text")[1]
    assert max(map(len, out.splitlines())) <= 40
    assert f"\n{'':19}model first-crack\n{'':19}30ca0027\n" in out


def test_what_was_changed_is_told_with_number_and_coffee(run: Run) -> None:
    fill("one", "two")
    out = run("log", "edit", "one", "--roasted", "168g")[1]
    assert out.startswith("Roast 1: Lot Seven, 2026-03-01\n")
    out = run("log", "note", "last", "lemon")[1]
    assert out.startswith("Roast 2: Lot Seven, 2026-03-02\n  note 1 ")
    assert run("log", "note", "2", "--remove", "1")[1] == "removed note 1 of roast 2 (Lot Seven)\n"


def test_delete_with_yes(run: Run) -> None:
    fill("one", "two", "three")
    code, out, _ = run("log", "delete", "1", "three", "--yes")
    assert (code, out) == (0, "deleted 2 roasts\n")
    assert [row["identity"] for row in _rows(run("log")[1])] == ["two"]


# -- files -----------------------------------------------------------------------------------------------------


def test_export_delete_import_is_the_same_log(run: Run, tmp_path: Path) -> None:
    fill("one", "two")
    run("log", "edit", "1", "--roasted", "168g", "--drop", "8:15")
    run("log", "note", "2", "lemon")
    before = run("log", "export", "-")[1]
    assert run("log", "export", "roasts.jsonl")[0] == 0
    assert (tmp_path / "roasts.jsonl").read_text(encoding="utf-8") == before
    run("log", "delete", "1", "2", "--yes")
    assert run("log", "import", "roasts.jsonl")[:2] == (0, "took in 2 roasts\n")
    assert run("log", "export", "-")[1] == before
    code, out, err = run("log", "import", "roasts.jsonl")
    assert (code, out) == (0, "took in 0 roasts\n")
    assert "left out 2" in err


def test_a_line_that_cannot_be_read_takes_in_nothing(run: Run, tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_text("Bean,Green\nHill,200g\nValley,much\n", encoding="utf-8")
    code, _, err = run("log", "import", "old.csv", "--map", "coffee=Bean", "--map", "green_g=Green")
    assert code == 3
    assert "line 3: green_g 'much" in err
    assert run("log")[1] == ""


def test_a_bad_line_behind_good_ones_takes_in_nothing_and_is_named(run: Run, tmp_path: Path) -> None:
    fill("one", "two")
    run("log", "export", "roasts.jsonl")
    run("log", "delete", "1", "2", "--yes")
    lines = (tmp_path / "roasts.jsonl").read_text().splitlines()
    lines[1] = json.dumps({**json.loads(lines[1]), "crack_count": 10**30})
    (tmp_path / "roasts.jsonl").write_text("\n".join(lines))
    code, _, err = run("log", "import", "roasts.jsonl")
    assert code == 3
    assert "line 2: its field 'crack_count'" in err
    assert run("log")[1] == ""


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_is_not_waited_for(run: Run, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    code, _, err = run("log", "import", "pipe.csv")
    assert (code, "not an ordinary file" in err) == (3, True)


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO notes (roast, tasted_on, text) VALUES (1, 'nonsense', 'x')",
        "UPDATE roasts SET length_s = 'abc' WHERE number = 1",
        "UPDATE roasts SET samplerate = x'00' WHERE number = 1",
        "UPDATE roasts SET kept = 'nonsense' WHERE number = 1",
        "UPDATE roasts SET day = 'x' WHERE number = 1",
        "UPDATE roasts SET coffee = x'ff' WHERE number = 1",
        "UPDATE roasts SET length_s = 9e999 WHERE number = 1",
        "UPDATE moments SET heard_s = 'x'",
        "UPDATE cracks SET snr_db = 'x' WHERE roast = 1",
        "DROP TABLE notes",
        "DROP TABLE cracks",
    ],
)
def test_values_that_cannot_be_are_damage_and_the_rest_is_rescued(run: Run, home: Path, statement: str) -> None:
    fill("one", "two")
    path = home / "data" / "roasts.sqlite3"
    with closing(sqlite3.connect(path)) as database:
        database.execute(statement)
        database.commit()
    code, _, err = run("log", "show", "1")
    assert (code, "is damaged" in err, "log rescue" in err) == (8, True, True)
    code, out, _ = run("log", "rescue")
    assert code == 0
    assert out.startswith("saved ")
    assert run("log", "show", "last", "--format", "text")[0] == 0


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("missing.csv", None, "cannot be read"),
        ("latin.csv", b"Bean\n\xe9\xff\n", "not text in UTF-8"),
        ("broken.jsonl", b"{\n", "line 1: it is not a line of JSON"),
        ("events.jsonl", b'{"type": "roast.start"}\n', "line 1: it is not a roast"),
        ("deep.jsonl", b'{"format":' + b"[" * 5_000, "line 1: it is not a line of JSON"),
    ],
)
def test_files_that_cannot_be_imported(run: Run, tmp_path: Path, name: str, content: bytes | None, told: str) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    code, _, err = run("log", "import", name)
    assert code == 3
    assert told in err


def test_every_column_is_told_with_its_meaning(run: Run) -> None:
    out = run("log", "export", "x.csv", "--columns")[1]
    assert "first_crack_s            first-crack start, seconds from charge" in out


def test_a_backup_is_not_written_over_by_mistake(run: Run, tmp_path: Path) -> None:
    fill()
    assert run("log", "backup", "copy.sqlite3")[0] == 0
    code, _, err = run("log", "backup", "copy.sqlite3")
    assert (code, "is there already" in err) == (2, True)
    assert run("log", "backup", "copy.sqlite3", "--replace")[0] == 0
    assert run("log", "backup", tmp_path / "nowhere" / "copy.sqlite3")[0] == 6
    (tmp_path / "roast.wav").write_bytes(b"RIFF" + bytes(200))
    code, _, err = run("log", "backup", "roast.wav", "--replace")
    assert (code, "no roast log" in err) == (2, True)
    assert (tmp_path / "roast.wav").read_bytes() == b"RIFF" + bytes(200)
    (tmp_path / "latest").symlink_to("copy.sqlite3")
    assert run("log", "backup", "latest", "--replace")[0] == 0
    assert (tmp_path / "latest").is_symlink()


def test_an_export_is_not_written_over_by_mistake(run: Run, tmp_path: Path) -> None:
    fill()
    for name in ("roasts.csv", "roasts.jsonl"):
        (tmp_path / name).write_text("mine")
        code, _, err = run("log", "export", name)
        assert (code, err) == (2, f"crackdetect: {name} is there already; name another file, or add --replace\n")
        assert (tmp_path / name).read_text() == "mine"
        assert run("log", "export", name, "--replace")[0] == 0
        assert "Lot Seven" in (tmp_path / name).read_text()


def test_restore_goes_back_to_a_backup_and_keeps_what_was(run: Run, home: Path, tmp_path: Path) -> None:
    fill("one", "two")
    run("log", "backup", "copy.sqlite3")
    run("log", "delete", "1", "--yes")
    code, out, _ = run("log", "restore", "copy.sqlite3")
    assert (code, out.splitlines()[0]) == (0, "the log has 2 roasts again")
    with RoastLog(home / "data" / "roasts-replaced-1.sqlite3") as before:
        assert [roast.identity for roast in before.roasts()] == ["two"]
    (tmp_path / "other.sqlite3").write_bytes(b"something else altogether" * 50)
    assert run("log", "restore", "other.sqlite3")[0] == 8
    assert run("log", "restore", "missing.sqlite3")[0] == 3
    assert len(_rows(run("log")[1])) == 2


def test_a_damaged_log_is_told_with_exit_code_8_and_rescued_in_place(run: Run, home: Path) -> None:
    fill("one", "two")
    path = home / "data" / "roasts.sqlite3"
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        root = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'plans'").fetchone()[0]
    plain.close()
    content = bytearray(path.read_bytes())
    content[(root - 1) * 4096 : root * 4096] = b"\xa5" * 4096
    path.write_bytes(content)
    code, _, err = run("log")
    assert code == 8
    assert "is damaged" in err
    assert "crackdetect log rescue" in err
    code, out, _ = run("log", "rescue")
    assert code == 0
    assert out.startswith("saved 2 roasts, all of them whole")
    assert len(_rows(run("log")[1])) == 2
    assert (home / "data" / "roasts-replaced-1.sqlite3").read_bytes() == bytes(content)


# -- several ---------------------------------------------------------------------------------------------------


def test_compare_shows_them_side_by_side_and_says_what_differs(run: Run) -> None:
    with RoastLog() as log:
        for name, drop in (("one", 480.0), ("two", 540.0)):
            log.keep(roast_events(name, drop=drop, about={"coffee": "Lot Seven"}))
    out = run("log", "compare", "one", "two", "--format", "text")[1]
    assert "6:30 ±6s" in out
    assert "Development differs most: 1:20 in roast 1, 2:20 in roast 2, 60 s apart" in " ".join(out.split())
    assert len(_rows(run("log", "compare", "--coffee", "lot seven")[1])) == 2


def test_trend_says_how_repeatable(run: Run) -> None:
    fill("one", "two", "three", target="1:45")
    out = run("log", "trend", "--coffee", "Lot Seven", "--format", "text")[1]
    assert "you dropped 5 s short of it on average, with a spread of 0 s" in " ".join(out.split())


def test_plan_expects_first_crack_and_is_remembered(run: Run) -> None:
    fill("one", "two", "three")
    code, out, _ = run("plan", "--coffee", "LOT SEVEN", "--green", "200g", "--target", "20%")
    assert code == 0
    assert out.startswith("Plan for Lot Seven, 200 g, target 20%")
    # three first cracks at 6:30: drop at 390 s / 0.8 = 487.5 s
    assert "8:08 if it begins at 6:30" in out
    assert "never leave a roast" in " ".join(out.split())
    with RoastLog() as log:
        remembered = log.last_of("lot seven")
    assert remembered is not None
    assert (str(remembered.target), remembered.green_g, remembered.expect) == ("20%", 200, (375, 405))


def test_a_plan_that_is_only_shown_is_not_remembered(run: Run) -> None:
    assert run("plan", "--coffee", "New", "--target", "18%", "--forget")[0] == 0
    with RoastLog() as log:
        assert log.last_of("New") is None


def test_a_plan_of_an_unknown_coffee_asks_whether_another_was_meant(run: Run) -> None:
    fill()
    for weight in ((), ("--green", "250g")):
        out = " ".join(run("plan", "--coffee", "lot sven", *weight)[1].split())
        assert "no roast of this coffee is in the log yet; did you mean 'Lot Seven'?" in out
        assert "remembered" not in out
    assert "check the name with 'crackdetect log'" in " ".join(run("plan", "--coffee", "Valley")[1].split())
    with RoastLog() as log:
        assert log.last_of("lot sven") is None
        assert log.last_of("Valley") is None
    out = " ".join(run("plan", "--coffee", "Valley", "--target", "18%")[1].split())
    assert "remembered target 18%, for the next 'crackdetect listen' of this coffee" in out
    with RoastLog() as log:
        assert log.last_of("Valley") is not None
    assert "did you mean 'Lot Seven'?" in run("log", "trend", "--coffee", "Lot Sven")[2]


def test_what_a_plan_remembers_is_told(run: Run) -> None:
    fill("one", "two", "three")
    out = " ".join(run("plan", "--coffee", "Lot Seven")[1].split())
    assert "remembered first crack expected 6:15-6:45, 200 g, for the next" in out


def test_tables_fit_a_terminal_of_80_columns(run: Run) -> None:
    with RoastLog() as log:
        about = {"coffee": "a coffee with a rather long name", "green_g": 1134.0}
        for name in ("one", "two", "three"):
            log.keep(roast_events(name, first_crack=910.0, drop=1_300.0, target="1:45", about=about))
            log.edit(log.find(name), values={"roasted_g": 962.5})
            log.note(log.find(name), cup=2, liking=2)
    for arguments in (("log",), ("log", "trend", "--coffee", about["coffee"]), ("log", "compare", "1", "2", "3")):
        out = run(*arguments, "--format", "text")[1]
        assert max(map(len, out.splitlines())) <= 80
        assert "bitter 2/5" in out
        assert "15:00" in out


def drawn(tables: Sequence[Table], width: int) -> list[str]:
    screen = Console(width=width, file=io.StringIO())
    with screen.capture() as captured:
        for table in tables:
            screen.print(table)
    return [line.rstrip() for line in captured.get().splitlines()]


@pytest.mark.parametrize(
    ("width", "left_out"),
    [(80, ()), (79, ("loss",)), (60, ("loss", "cup")), (40, ("loss", "cup", "green", "ratio", "day"))],
)
def test_a_narrow_list_leaves_out_loss_and_cup_first_and_cuts_nothing(width: int, left_out: tuple[str, ...]) -> None:
    fill("one", "two")
    with RoastLog() as log:
        log.edit(log.find("1"), values={"roasted_g": 168.0, "coffee": "Terrace Lot 4"})
        log.note(log.find("1"), cup=2, liking=4)
        roasts = log.roasts()
        rows = drawn([text.list_table(roasts, log.notes(roasts), total=2, width=width)], width)
    cells = {"no.": "1", "day": "2026-03-01", "coffee": "Terrace Lot 4", "green": "200 g", "crack": "6:30"}
    cells |= {"dev.": "1:40", "ratio": "20.4 %", "loss": "16.0 %", "cup": "bitter 4/5"}
    kept = {title: cell for title, cell in cells.items() if title not in left_out}
    assert rows[2].split() == list(kept)
    assert "  ".join(rows[5].split()) == "  ".join(" ".join(kept.values()).split())
    assert (", ".join(left_out) in " ".join(rows)) or not left_out


@pytest.mark.parametrize(("width", "count", "tables"), [(80, 6, 1), (80, 8, 2), (60, 3, 1), (40, 5, 3), (200, 8, 1)])
def test_a_comparison_cuts_no_figure_however_narrow(width: int, count: int, tables: int) -> None:
    fill(*(f"roast-{number}" for number in range(count)))
    with RoastLog() as log:
        roasts = log.roasts()[::-1]
        for roast in roasts:
            log.note(roast, cup=2, liking=4)
        made = text.compare_tables(roasts, log.notes(roasts), width=width)
        rows = drawn(made, width)
    assert len(made) == tables
    shown = " ".join(rows)
    assert "…" not in shown
    assert shown.count("6:30 ±6s") == count
    assert sum(f"{day}03-{number + 1:02d}" in shown for day in ("2026-", "26-") for number in range(count)) >= count
    assert shown.count("4/5") == count


# -- hostile names ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [text for text in HOSTILE if "\x00" not in text and "\ud800" not in text])
def test_no_name_upsets_a_terminal_or_a_table(run: Run, text: str) -> None:
    with RoastLog() as log:
        log.keep(roast_events(text, about={"coffee": text, "process": text}))
        log.note(log.find("1"), text=text)
    for arguments in (
        ("log", "--format", "text"),
        ("log", "show", "1", "--format", "text"),
        ("plan", "--coffee", text),
    ):
        code, out, _ = run(*arguments)
        assert code == 0
        assert not any(ord(letter) < 32 and letter != "\n" for letter in out)
        assert "\u202e" not in out
        assert max(map(len, out.splitlines())) < 210


def test_the_start_of_a_file_is_its_length_before_its_last_change(run: Run, heard: tuple[Path, Path]) -> None:
    import os
    from datetime import datetime

    os.utime(heard[0], (1_772_000_060, 1_772_000_060))
    run("analyze", heard[0], "--model", heard[1], "--keep")
    with RoastLog() as log:
        started = log.find("last").started
    assert started is not None
    assert datetime.fromisoformat(started).timestamp() == 1_772_000_000
    assert np.isclose(soundfile.info(heard[0]).duration, 60)
