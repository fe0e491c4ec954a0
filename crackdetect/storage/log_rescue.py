"""The file of the log put right: what can still be read of a damaged one, and the way back to a backup."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from crackdetect.errors import InputError, LogError, OutputError, SettingError
from crackdetect.storage import schema
from crackdetect.storage.atomic_file import replace_for_good, sync_file
from crackdetect.storage.log_file import LogFile, coming, finish_replacing

#: Rescuing looks for roasts up to this number where their table cannot be read in one go.
_MOST_NUMBERS = 100_000


class Rescued(NamedTuple):
    """What was saved from a damaged log: roasts, those of them that lack something, rows."""

    roasts: int
    incomplete: int
    rows: int


def rescue(damaged: Path, target: Path) -> Rescued:
    """Copies what can still be read of a damaged log into a new one, row by row; the damaged file is not changed.

    A roast whose cracks, density or notes could not all be read counts as incomplete.

    Raises
    ------
    LogError
        When nothing at all can be read.
    InputError
        When there is no such file.
    SettingError, OutputError
        When ``target`` exists, or cannot be written.
    """
    if not damaged.is_file():
        raise InputError(f"{damaged} does not exist; name the damaged log")
    if target.exists():
        raise SettingError(f"{target} is there already; name a new file for what is saved")
    part = target.with_name(target.name + ".part")
    _remove(part)  # what a kill has left
    source = sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro", uri=True)
    source.text_factory = lambda raw: raw.decode("utf-8", "replace")
    hurt: set[int] = set()
    rows = 0
    try:
        with LogFile(part) as saved, saved.writing() as db:
            for table in schema.TABLES:
                columns = [row["name"] for row in db.execute(f"PRAGMA table_info({table})")]
                insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
                keys = [row[0] for row in db.execute("SELECT number FROM roasts")]
                for key, row in _readable(source, table, columns, keys):
                    try:
                        if row is None or schema.odd(columns, row) is not None:
                            raise sqlite3.IntegrityError
                        db.execute(insert, row)
                        rows += 1
                    except (sqlite3.IntegrityError, sqlite3.InterfaceError, OverflowError):
                        hurt.add(key)  # damaged, or of a roast that could not be read
            there = {row[0] for row in db.execute("SELECT number FROM roasts")}
            if not there:
                raise LogError(f"nothing can be read of {damaged}; take the last backup, or keep the recordings again")
        replace_for_good(part, target)
    except OSError as error:
        raise OutputError(f"{target} cannot be written ({error.strerror}); choose another place") from None
    finally:
        source.close()
        _remove(part)
    return Rescued(len(there), len(hurt & there), rows)


def rescue_in_place(log: Path) -> tuple[Rescued, Path | None]:
    """What can still be read becomes the log; returns what was saved, and where the damaged file is kept.

    May be called again after a kill. Raises as ``rescue`` and ``put_in_place`` do; then the log is as it was.
    """
    target = log.with_name(f"{log.stem}-rescuing{log.suffix}")
    _remove(target)  # what a kill has left
    saved = rescue(log, target)
    return saved, put_in_place(target, log)


def _remove(database: Path) -> None:
    for end in ("", "-wal", "-shm"):
        part = database.with_name(database.name + end)
        with contextlib.suppress(OSError):
            if part.exists():
                part.unlink()


def restore(backup: Path, log: Path) -> Path | None:
    """Makes a backup the log; the backup itself stays.

    Returns
    -------
    pathlib.Path or None
        The name under which the log before is kept; None where there was none.

    Raises
    ------
    InputError
        No such file.
    LogError
        No whole log.
    OutputError
        When something cannot be written.
    """
    if not backup.is_file():
        raise InputError(f"{backup} does not exist; name a backup")
    ready = log.with_name(f"{log.stem}-restored{log.suffix}")
    with schema.speaking_of(backup):
        source = sqlite3.connect(f"{backup.resolve().as_uri()}?mode=ro", uri=True)
        try:
            schema.check_kind(source, backup)
            log.parent.mkdir(parents=True, exist_ok=True)
            schema.copy_to(source, ready)
        except OSError as error:
            raise OutputError(f"{log.parent} cannot be made ({error.strerror}); check its permissions") from None
        finally:
            source.close()
    return put_in_place(ready, log)


def put_in_place(saved: Path, log: Path) -> Path | None:
    """Makes a file the log; returns the name under which the one before is kept, None where there was none.

    A kill leaves the old log or the new one, never between: the old one is copied first, with what SQLite keeps beside
    it; then ``saved`` gets a name by which :func:`crackdetect.storage.log_file.finish_replacing` knows that it is to be
    the log, here or at the next opening. Raises OutputError.
    """
    number = 1
    while (kept := log.with_name(f"{log.stem}-replaced-{number}{log.suffix}")).exists():
        number += 1
    there = log.exists()
    try:
        if there:
            _copy_beside(log, kept)
        replace_for_good(saved, coming(log))
    except OSError as error:
        raise OutputError(f"{saved} cannot take the place of {log} ({error.strerror}); move it there") from None
    finish_replacing(log)
    return kept if there else None


def _copy_beside(log: Path, kept: Path) -> None:
    """The write-ahead log first: without its main file it is nothing. Raises OSError."""
    for end in ("-wal", ""):
        part = log.with_name(log.name + end)
        if part.exists():
            copy = kept.with_name(f"{kept.name}{end}.part")
            shutil.copy2(part, copy)
            sync_file(copy)
            replace_for_good(copy, kept.with_name(kept.name + end))


def _readable(
    source: sqlite3.Connection, table: str, columns: Sequence[str], keys: Sequence[int]
) -> Iterator[tuple[int, Sequence[Any] | None]]:
    """The number of the roast and the row; None for a row where some could not be read."""
    query = f"SELECT {', '.join(columns)} FROM {table}"
    place = columns.index("roast") if "roast" in columns else 0
    whole: list[Sequence[Any]] = []
    try:
        whole = source.execute(query).fetchall()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:  # then no row of it can be reached
            return
    else:
        yield from ((row[place] if isinstance(row[place], int) else -1, row) for row in whole)
        return
    if table == "plans":  # of no roast; the next plan makes them anew
        return
    # past a damaged page the rows can still be reached by their key
    key_column = "roast" if "roast" in columns else columns[0]
    for key in keys if key_column == "roast" else range(1, _MOST_NUMBERS):
        try:
            yield from ((key, row) for row in source.execute(f"{query} WHERE {key_column} = ?", (key,)).fetchall())
        except sqlite3.DatabaseError:
            yield key, None
