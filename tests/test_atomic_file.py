"""Files that are there whole or not at all: the order in which the disk gets them, and what is never replaced."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from crackdetect.errors import OutputError, SettingError
from crackdetect.storage import atomic_file
from crackdetect.storage.atomic_file import whole_file


def write(path: Path, text: str, *, replace: bool = False) -> None:
    with whole_file(path, replace=replace) as part:
        part.write_text(text)


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"

    def interrupted() -> None:
        with whole_file(path, replace=False) as part:
            part.write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []
    write(path, "whole")
    assert path.read_text() == "whole"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(sys.platform == "win32", reason="folders cannot be synced there")
def test_the_disk_has_the_content_before_the_name_and_the_name_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync(2): the file's own does not make sure of its entry in the folder, which takes one of the folder's."""
    done: list[str] = []
    fsync, replace = os.fsync, os.replace

    def synced(descriptor: int) -> None:
        fsync(descriptor)
        done.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "content")

    def renamed(path: Path, place: Path) -> None:
        replace(path, place)
        done.append("name")

    monkeypatch.setattr(atomic_file.os, "fsync", synced)
    monkeypatch.setattr(atomic_file.os, "replace", renamed)
    write(tmp_path / "out.csv", "x")
    assert done == ["content", "name", "folder"]


def test_what_is_there_stays_unless_it_may_go(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("mine")
    with pytest.raises(SettingError, match="is there already; name another file, or add --replace"):
        write(path, "new")
    assert path.read_text() == "mine"
    write(path, "new", replace=True)
    assert path.read_text() == "new"
    with pytest.raises(SettingError, match="not an ordinary file"):
        write(tmp_path, "new", replace=True)


@pytest.mark.skipif(sys.platform == "win32", reason="has no such rights")
def test_the_rights_of_what_is_replaced_stay(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("mine")
    path.chmod(0o600)
    write(path, "new", replace=True)
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        write(tmp_path / "file" / "out.csv", "x")
