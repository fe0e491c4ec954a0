"""``crackdetect log`` with files: export and import, backup, restore and rescue."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from commands import Run
from roasts import keep_roasts

from crackdetect.storage import schema
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.usefixtures("home")


# -- files -----------------------------------------------------------------------------------------------------


def test_export_delete_import_is_the_same_log(run: Run, tmp_path: Path) -> None:
    keep_roasts("one", "two")
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
    keep_roasts("one", "two")
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
    keep_roasts("one", "two")
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


def test_a_log_on_a_disk_that_takes_nothing_can_be_looked_at(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a disk that the system has set to read only after an error."""
    keep_roasts("one", "two")
    shown = run("log", "export", "-")

    def refuse(path: Path) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(schema, "make_own", refuse)
    assert run("log", "export", "-") == shown
    code, _, err = run("log", "note", "1", "lemon")
    assert (code, "cannot be written" in err) == (6, True)
    assert run("log", "export", "-") == shown


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
    keep_roasts()
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
    keep_roasts()
    for name in ("roasts.csv", "roasts.jsonl"):
        (tmp_path / name).write_text("mine")
        code, _, err = run("log", "export", name)
        assert (code, err) == (2, f"crackdetect: {name} is there already; name another file, or add --replace\n")
        assert (tmp_path / name).read_text() == "mine"
        assert run("log", "export", name, "--replace")[0] == 0
        assert "Lot Seven" in (tmp_path / name).read_text()


def test_restore_goes_back_to_a_backup_and_keeps_what_was(run: Run, home: Path, tmp_path: Path) -> None:
    keep_roasts("one", "two")
    run("log", "backup", "copy.sqlite3")
    run("log", "delete", "1", "--yes")
    code, out, _ = run("log", "restore", "copy.sqlite3")
    assert (code, out.splitlines()[0]) == (0, "the log has 2 roasts again")
    with RoastLog(home / "data" / "roasts-replaced-1.sqlite3") as before:
        assert [roast.identity for roast in before.roasts()] == ["two"]
    (tmp_path / "other.sqlite3").write_bytes(b"something else altogether" * 50)
    assert run("log", "restore", "other.sqlite3")[0] == 8
    assert run("log", "restore", "missing.sqlite3")[0] == 3
    assert len(run("log").rows) == 2


def test_a_damaged_log_is_told_with_exit_code_8_and_rescued_in_place(run: Run, home: Path) -> None:
    keep_roasts("one", "two")
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
    assert len(run("log").rows) == 2
    assert (home / "data" / "roasts-replaced-1.sqlite3").read_bytes() == bytes(content)
