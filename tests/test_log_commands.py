"""``crackdetect log``: how roasts get in, the list, one roast, corrections, notes."""

from __future__ import annotations

import json
import os
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import Run
from roasts import HOSTILE, WRONG_RATE, keep_roasts, roast_events, with_wrong_rate

from crackdetect.errors import LogError
from crackdetect.storage import paths, unsaid_sounds
from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal import roast_lines

pytestmark = pytest.mark.usefixtures("home")


# -- keeping ---------------------------------------------------------------------------------------------------


@pytest.fixture
def heard(roast: Path, plain: Path) -> tuple[Path, Path]:
    """A recording with a chorus, and a model whose answers on it are known."""
    return roast, plain


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
        "--save",
        "--coffee",
        "Lot Seven",
        "--batch",
        "7oz",
    )
    code, out, err = run("analyze", recording, *options)
    assert code == 0
    assert "Roast 1 saved" in err
    start = json.loads(out.splitlines()[0])
    assert start["about"]["coffee"] == "Lot Seven"
    assert start["about"]["green_g"] == pytest.approx(198.446661875)
    assert "started" in start["about"]
    run("log", "edit", "1", "--roasted", "168g")
    assert run("analyze", recording, *options)[0] == 0
    with RoastLog() as log:
        (roast,) = log.roasts()
        assert (roast.coffee, roast.roasted_g, roast.recording) == ("Lot Seven", 168, recording)
        assert roast.crack_count == len(log.record(roast).cracks) > 10


def test_a_folder_is_kept_file_by_file(run: Run, heard: tuple[Path, Path], tmp_path: Path) -> None:
    recording, model = heard
    folder = tmp_path / "roasts"
    folder.mkdir()
    for name in ("a.flac", "b.flac"):
        (folder / name).write_bytes(recording.read_bytes()[: 10**9])
    (folder / "c.wav").write_bytes(b"not sound")
    code, _, err = run("analyze", folder, "--model", model, "--save")
    assert code == 3
    assert "Saved 2 roasts (1 to 2); " in err
    assert {roast["identity"] for roast in run("log").rows} == {"a", "b"}  # numbered as they end


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
def test_a_file_name_that_is_not_unicode_is_kept_as_far_as_it_can_be_written(
    run: Run, heard: tuple[Path, Path], tmp_path: Path
) -> None:
    recording, model = heard
    folder = tmp_path / "roasts"
    folder.mkdir()
    for name in (b"a.flac", b"b\xff.flac", b"c.flac"):
        (folder / os.fsdecode(name)).write_bytes(recording.read_bytes())
    code, _, err = run("analyze", folder, "--model", model, "--save")
    assert (code, "Saved 3 roasts" in err) == (0, True)
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
    code, out, err = run("analyze", "a.flac", "b.flac", "--model", model, "--save", "--format", "text")
    assert code == 8
    assert "a.flac could not be saved: the roast log is held" in err
    assert "Saved roast 1;" in err
    assert "b.flac" in out


def test_without_keep_nothing_is_kept(run: Run, heard: tuple[Path, Path], home: Path) -> None:
    assert run("analyze", heard[0], "--model", heard[1])[0] == 0
    assert not home.exists()


def test_the_start_of_a_file_is_its_length_before_its_last_change(run: Run, heard: tuple[Path, Path]) -> None:
    os.utime(heard[0], (1_772_000_060, 1_772_000_060))
    run("analyze", heard[0], "--model", heard[1], "--save")
    with RoastLog() as log:
        started = log.find("last").started
    assert started is not None
    assert datetime.fromisoformat(started).timestamp() == 1_772_000_000
    assert np.isclose(soundfile.info(heard[0]).duration, 60)


# -- looking and correcting ------------------------------------------------------------------------------------


def test_an_empty_log_says_how_to_fill_it(run: Run) -> None:
    code, out, _ = run("log", "--format", "text")
    assert code == 0
    assert "--save" in out
    code, _, err = run("log", "show", "last")
    assert (code, "the roast log is empty" in err) == (2, True)


def test_a_roast_whose_times_are_all_off_is_shown_as_that(run: Run) -> None:
    with RoastLog() as log:
        log.keep(with_wrong_rate(roast_events()))
    shown = " ".join(run("log", "show", "1", "--format", "text")[1].split())
    assert f"all times {WRONG_RATE} name monday" in shown


def test_the_list_shows_the_newest_first_with_the_trades_figures(run: Run) -> None:
    keep_roasts("one", "two")
    run("log", "edit", "1", "--roasted", "168g")
    run("log", "note", "1", "fine", "--cup", "balanced", "--liking", "4")
    out = run("log", "--format", "text")[1]
    first, second = [line.split() for line in out.splitlines() if line.strip().startswith(("1", "2"))][:2]
    assert first[:2] == ["2", "2026-03-02"]
    assert second == [
        "1", "2026-03-01", "Lot", "Seven", "200", "g", "6:30", "1:40", "20.4", "%", "16.0", "%", "balanced", "4",
    ]  # fmt: skip
    assert "None of the 2 roasts" in run("log", "--coffee", "Valley", "--format", "text")[1]


def test_a_correction_counts_from_charge_and_what_was_heard_stays_beside_it(run: Run) -> None:
    keep_roasts()
    code, out, _ = run("log", "edit", "monday", "--first-crack", "6:40", "--batch", "0.5lb", "--second-crack", "never")
    assert code == 0
    shown = " ".join(out.split())
    assert "first crack 6:40 (corrected); heard 6:30" in shown
    assert "226.8 g (corrected; was 200 g) green" in shown
    assert "second crack did not happen" in shown
    shown = " ".join(run("log", "edit", "1", "--restore", "first-crack", "--restore", "batch")[1].split())
    assert "first crack 6:30, between 6:24 and 6:36 (90 % interval)" in shown
    assert "200 g green" in shown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("edit", "1", "--batch", "heavy"), "batch 'heavy' is not a weight"),
        (("edit", "1", "--first-crack", "soon"), "first-crack 'soon' is not a time"),
        (("edit", "1", "--target", "x%"), "target 'x%'"),
        (("edit", "1"), "nothing to correct"),
        (("edit", "1", "--first-crack", "99:00"), "first crack 99:00 lies after the end of listening (8:30)"),
        (("edit", "1", "--drop", "6:20"), "drop 6:20 must come after first crack 6:30"),
        (("edit", "1", "--started", "2999-01-01"), "lies in the future"),
        (
            ("edit", "1", "--restore", "taste"),
            "choose one of batch, roasted, coffee, process, origin, machine, target, ",
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
    keep_roasts()
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
    out = shown("edit", "1", "--batch", "200g", "--started", "2026-03-01T18:30:00+00:00", "--drop", "8:20")
    assert "was" not in out
    assert "file's time" not in out
    assert "drop 8:20 (corrected); heard 8:10" in out
    out = shown("edit", "1", "--batch", "210g", "--started", "2026-03-01T18:31:00+00:00")
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
    keep_roasts(target="20%")
    monkeypatch.setattr(roast_lines, "columns", lambda: 40)
    out = run("log", "show", "1", "--format", "text")[1]
    assert max(map(len, out.splitlines())) <= 40
    assert f"\n{'':19}model first-crack\n{'':19}30ca0027\n" in out


def test_what_was_changed_is_told_with_number_and_coffee(run: Run) -> None:
    keep_roasts("one", "two")
    out = run("log", "edit", "one", "--roasted", "168g")[1]
    assert out.startswith("Roast 1: Lot Seven, 2026-03-01\n")
    out = run("log", "note", "last", "lemon")[1]
    assert out.startswith("Roast 2: Lot Seven, 2026-03-02\n  note 1 ")
    assert run("log", "note", "2", "--remove", "1")[1] == "removed note 1 of roast 2 (Lot Seven)\n"


def test_delete_with_yes(run: Run) -> None:
    keep_roasts("one", "two", "three")
    code, out, _ = run("log", "delete", "1", "three", "--yes")
    assert (code, out) == (0, "deleted 2 roasts\n")
    assert [row["identity"] for row in run("log").rows] == ["two"]


def test_with_the_last_roast_of_a_recording_goes_what_was_kept_of_its_sounds(run: Run) -> None:
    keep_roasts("one", "two")
    folder = paths.data_folder()
    with RoastLog() as log:
        with log.writing() as db:
            db.execute("UPDATE roasts SET recording_sha256 = ?", ("ab" * 32,))
        unsaid_sounds.keep(log.find("1"), [(1.0, 0.4)], folder=folder)
    (path,) = folder.rglob("*.sounds")
    assert os.name == "nt" or path.stat().st_mode & 0o777 == 0o600
    assert run("log", "delete", "1", "--yes").code == 0
    assert path.exists()
    assert run("log", "delete", "2", "--yes").code == 0
    assert not path.exists()


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
