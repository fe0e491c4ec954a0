"""A kill before every renaming and removing of a file: what is there is old or new, and its rights are as they were.

That of ``log restore`` and ``log rescue`` is tested beside them.
"""

from __future__ import annotations

import shutil
import stat
import sys
from itertools import count
from pathlib import Path

import killed_before
import pytest
from left_behind import leave
from roasts import roast_events

from crackdetect.model import Model
from crackdetect.storage import recovery
from crackdetect.storage.journal import read_events
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="has no such rights")

_BACKUP = """
from crackdetect.storage.roast_store import RoastLog
log = RoastLog(folder / "log.sqlite3")
sys.addaudithook(hook)
log.backup(folder / "backup.sqlite3")
"""
_SETTINGS = """
from crackdetect.listening.recording_choice import keep_choice
sys.addaudithook(hook)
keep_choice(folder / "settings.toml", True)
"""
_KEEP = """
from crackdetect.storage import recovery
os.environ["CRACKDETECT_HOME"] = str(folder)
sys.addaudithook(hook)
recovery.keep(folder / "data" / "roasts" / "evening")
"""
_REOPEN = """
from crackdetect.storage import recovery
os.environ["CRACKDETECT_HOME"] = str(folder)
ended = recovery.last_ended(folder / "data")
sys.addaudithook(hook)
recovery.reopen(ended)
"""


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def identities(path: Path) -> set[str]:
    with RoastLog(path) as log:
        return {roast.identity for roast in log.roasts()}


def test_a_backup_is_the_old_one_or_the_new_one(tmp_path: Path) -> None:
    before = tmp_path / "before"
    with RoastLog(before / "backup.sqlite3") as log:
        log.keep(roast_events("old"))
    with RoastLog(before / "log.sqlite3") as log:
        log.keep(roast_events("new"))
    for kill in count(1):
        folder = Path(shutil.copytree(before, tmp_path / str(kill)))
        finished = killed_before.run(_BACKUP, folder, kill=kill)
        assert identities(folder / "backup.sqlite3") in ([{"new"}] if finished else [{"old"}, {"new"}])
        assert identities(folder / "log.sqlite3") == {"new"}
        assert mode(folder / "backup.sqlite3") == 0o600
        if finished:
            break
    assert kill > 1


def test_the_settings_are_the_old_ones_or_the_new_ones(tmp_path: Path) -> None:
    old = '# mine\nwebhook = ["https://example.org/secret"]\n'
    for kill in count(1):
        folder = tmp_path / str(kill)
        folder.mkdir()
        (folder / "settings.toml").write_text(old)
        (folder / "settings.toml").chmod(0o600)
        finished = killed_before.run(_SETTINGS, folder, kill=kill)
        assert (folder / "settings.toml").read_text() in (old, f"{old}record = true\n")
        assert mode(folder / "settings.toml") == 0o600
        if finished:
            break
    assert kill > 1


def test_a_roast_on_its_way_into_the_log_is_in_it_after_the_next_start(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tmp_path / "before"
    leave(before / "data", "evening", model, ago_s=7200, summary=True)
    for kill in count(1):
        folder = Path(shutil.copytree(before, tmp_path / str(kill)))
        finished = killed_before.run(_KEEP, folder, kill=kill)
        monkeypatch.setenv("CRACKDETECT_HOME", str(folder))
        for cut_off in recovery.find(folder / "data"):
            recovery.close(cut_off, model)
        kept = folder / "data" / "roasts" / "evening"
        with RoastLog() as log:
            (roast,) = log.roasts()
        assert roast.recording == kept / "sound.flac"
        assert roast.recording.stat().st_size > 10_000
        assert not list(kept.glob("sound-*"))
        assert [mode(path) for path in kept.iterdir()] == [0o600] * len(list(kept.iterdir()))
        if finished:
            break
    assert kill > 2


def test_a_roast_that_is_opened_again_is_in_the_log_with_its_sound_whatever_comes(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tmp_path / "before"
    monkeypatch.setenv("CRACKDETECT_HOME", str(before))
    leave(before / "data", "evening", model, ago_s=65)
    (cut_off,) = recovery.find(before / "data")
    recovery.close(cut_off, model)
    for kill in count(1):
        folder = Path(shutil.copytree(before, tmp_path / str(kill)))
        finished = killed_before.run(_REOPEN, folder, kill=kill)
        monkeypatch.setenv("CRACKDETECT_HOME", str(folder))
        for left in recovery.find(folder / "data"):
            recovery.close(left, model)
        kept = folder / "data" / "roasts" / "evening"
        with RoastLog() as log:
            (roast,) = log.roasts()
        assert roast.finished
        assert (kept / "sound.flac").is_file()
        assert read_events(kept)[-1]["type"] == "summary"
        if finished:
            break
    assert kill > 2
