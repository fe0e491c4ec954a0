"""The log's file put right: damage, backups, and a kill in the middle of it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from itertools import count
from pathlib import Path

import pytest
from roasts import roast_events

from crackdetect.storage import log_rescue
from crackdetect.storage.roast_store import RoastLog

#: Ends the process just before its n-th renaming or removing of a file; SQLite's own changes are whole by themselves.
_KILLED = """
import os, sys
from pathlib import Path
from crackdetect.storage import log_rescue
left = int(sys.argv[1])

def hook(event, arguments):
    global left
    if event in ("os.rename", "os.remove"):
        left -= 1
        if left == 0:
            os._exit(9)

sys.addaudithook(hook)
"""
_RESTORE = _KILLED + "log_rescue.restore(Path(sys.argv[2]) / 'backup.sqlite3', Path(sys.argv[2]) / 'log.sqlite3')\n"
_RESCUE = _KILLED + "log_rescue.rescue_in_place(Path(sys.argv[2]) / 'log.sqlite3')\n"
#: Leaves a write-ahead log behind, as a program that was killed does.
_LEFT_OPEN = """
import os, sys
from pathlib import Path
from roasts import roast_events
from crackdetect.storage.roast_store import RoastLog
log = RoastLog(Path(sys.argv[1]))
for number in range(8):
    log.keep(roast_events(f"roast-{number}"))
os._exit(0)
"""
OLD = {f"roast-{number}" for number in range(8)}


def run(code: str, *arguments: object) -> int:
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    return done.returncode


def identities(path: Path) -> set[str]:
    with RoastLog(path) as log:
        return {roast.identity for roast in log.roasts()}


@pytest.mark.parametrize("code", [_RESTORE, _RESCUE], ids=["restore", "rescue"])
def test_a_kill_before_any_renaming_leaves_the_old_log_or_the_new_one(tmp_path: Path, code: str) -> None:
    assert run(_LEFT_OPEN, tmp_path / "before" / "log.sqlite3") == 0
    assert (tmp_path / "before" / "log.sqlite3-wal").stat().st_size > 0
    with RoastLog(tmp_path / "before" / "backup.sqlite3") as backup:
        backup.keep(roast_events("of the backup"))
    for kill in count(1):
        folder = tmp_path / str(kill)
        shutil.copytree(tmp_path / "before", folder)
        finished = run(code, kill, folder) == 0
        there = identities(folder / "log.sqlite3")
        if code == _RESTORE:
            assert there in ([{"of the backup"}] if finished else [OLD, {"of the backup"}]), f"kill {kill}"
        else:
            assert there == OLD, f"kill {kill}"
        if finished:
            break
        assert run(code, 0, folder) == 0, "what a kill left behind must not be in the way"
    assert kill > 3
    if code == _RESTORE:
        assert identities(folder / "log-replaced-1.sqlite3") == OLD


@pytest.mark.skipif(sys.platform == "win32", reason="folders cannot be synced there")
def test_the_disk_has_the_log_before_whole_before_it_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(_LEFT_OPEN, tmp_path / "log.sqlite3") == 0
    with RoastLog(tmp_path / "backup.sqlite3") as backup:
        backup.keep(roast_events("of the backup"))
    done: list[str] = []
    sync, replace = log_rescue.sync_file, log_rescue.replace_for_good

    def synced(path: Path) -> None:
        sync(path)
        done.append(path.name)

    def replaced(path: Path, place: Path) -> None:
        replace(path, place)
        done.append(f"{path.name} is {place.name}")

    monkeypatch.setattr(log_rescue, "sync_file", synced)
    monkeypatch.setattr(log_rescue, "replace_for_good", replaced)
    log_rescue.restore(tmp_path / "backup.sqlite3", tmp_path / "log.sqlite3")
    kept = "log-replaced-1.sqlite3"
    assert done == [
        f"{kept}-wal.part", f"{kept}-wal.part is {kept}-wal", f"{kept}.part", f"{kept}.part is {kept}",
        "log-restored.sqlite3 is log-coming.sqlite3",
    ]  # fmt: skip


def test_the_log_before_is_kept_with_what_was_written_last(tmp_path: Path) -> None:
    assert run(_LEFT_OPEN, tmp_path / "log.sqlite3") == 0
    with RoastLog(tmp_path / "backup.sqlite3") as backup:
        backup.keep(roast_events("of the backup"))
    kept = log_rescue.restore(tmp_path / "backup.sqlite3", tmp_path / "log.sqlite3")
    assert kept == tmp_path / "log-replaced-1.sqlite3"
    assert identities(kept) == OLD
    assert identities(tmp_path / "log.sqlite3") == {"of the backup"}
    assert identities(tmp_path / "backup.sqlite3") == {"of the backup"}
