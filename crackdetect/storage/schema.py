"""The SQLite file of the log: its tables, its versions, and how it is opened.

Columns that end in ``_s`` are seconds from the first sample, in ``_g`` grams, in ``_db`` decibels. The version is in
``PRAGMA user_version``, the kind of file in ``PRAGMA application_id``.
"""

from __future__ import annotations

import errno
import math
import sqlite3
import time
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from crackdetect.errors import LogError, OutputError, SettingError
from crackdetect.roast.record import TEXTS
from crackdetect.roast.words import clean
from crackdetect.storage.atomic_file import make_own, replace_for_good

#: "crDt", so that another program's file is not taken for ours.
APPLICATION_ID = 0x63724474
#: How long a command waits for another that is writing.
BUSY_S = 10.0

_FIRST = """
CREATE TABLE roasts (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    identity TEXT NOT NULL UNIQUE,
    kept TEXT NOT NULL,
    started TEXT,
    began REAL NOT NULL,
    day TEXT NOT NULL,
    source TEXT, samplerate INTEGER, model_name TEXT, model_hash TEXT, version TEXT,
    coffee TEXT, process TEXT, origin TEXT, machine TEXT, microphone TEXT,
    green_g REAL CHECK (green_g > 0), roasted_g REAL CHECK (roasted_g > 0),
    target TEXT, expect_from_s REAL, expect_to_s REAL,
    length_s REAL NOT NULL, finished INTEGER NOT NULL CHECK (finished IN (0, 1)),
    crack_count INTEGER NOT NULL CHECK (crack_count >= 0),
    peak_at_s REAL, peak_per_minute REAL, peak_low REAL, peak_high REAL,
    recording TEXT, recording_sha256 TEXT
);
CREATE INDEX roasts_by_time ON roasts (began DESC, number DESC);
-- what the person put right afterwards; NULL: left as it was heard or said, '' or 0: taken away
CREATE TABLE entered (
    roast INTEGER PRIMARY KEY REFERENCES roasts (number) ON DELETE CASCADE,
    started TEXT, coffee TEXT, process TEXT, origin TEXT, machine TEXT,
    green_g REAL CHECK (green_g >= 0), roasted_g REAL CHECK (roasted_g >= 0), target TEXT
);
CREATE TABLE moments (
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    what TEXT NOT NULL,
    heard_s REAL, earliest_s REAL, latest_s REAL, announced_s REAL, confidence REAL,
    marked_s REAL,
    entered_s REAL, corrected INTEGER NOT NULL DEFAULT 0 CHECK (corrected IN (0, 1)),
    PRIMARY KEY (roast, what)
) WITHOUT ROWID;
CREATE TABLE cracks (
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    at_s REAL NOT NULL, kind TEXT NOT NULL, probability REAL NOT NULL, snr_db REAL NOT NULL,
    PRIMARY KEY (roast, place)
) WITHOUT ROWID;
CREATE TABLE density (
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    at_s REAL NOT NULL, per_minute REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
    PRIMARY KEY (roast, place)
) WITHOUT ROWID;
CREATE TABLE troubles (
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    at_s REAL NOT NULL, kind TEXT NOT NULL, occurrences INTEGER NOT NULL, message TEXT NOT NULL,
    PRIMARY KEY (roast, place)
) WITHOUT ROWID;
CREATE TABLE notes (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    tasted_on TEXT NOT NULL, text TEXT NOT NULL,
    cup INTEGER CHECK (cup BETWEEN -2 AND 2), liking INTEGER CHECK (liking BETWEEN 1 AND 5)
);
CREATE INDEX notes_by_roast ON notes (roast);
-- the last plan of a coffee, until a roast of it is kept
CREATE TABLE plans (
    coffee TEXT PRIMARY KEY,
    target TEXT, green_g REAL, expect_from_s REAL, expect_to_s REAL, made TEXT NOT NULL
) WITHOUT ROWID;
"""

#: Columns of ``roasts`` that are kept as they were heard.
PLAIN = ("source", "samplerate", "model_name", "model_hash", "version", "length_s", "finished", "crack_count")
#: What the person can correct beside the moments: columns of ``entered``.
CORRECTABLE = ("started", *TEXTS, "green_g", "roasted_g", "target")

#: A cup can also tell of heat that stalled: 3.
_STALLED = """
CREATE TABLE notes_with_stalled (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    tasted_on TEXT NOT NULL, text TEXT NOT NULL,
    cup INTEGER CHECK (cup BETWEEN -2 AND 3), liking INTEGER CHECK (liking BETWEEN 1 AND 5)
);
INSERT INTO notes_with_stalled SELECT number, roast, tasted_on, text, cup, liking FROM notes;
DROP TABLE notes;
ALTER TABLE notes_with_stalled RENAME TO notes;
CREATE INDEX notes_by_roast ON notes (roast);
"""

#: What was put right afterwards, one row each time: a crack that was listened to, or a moment that was moved.
_CORRECTIONS = """
CREATE TABLE corrections (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    roast INTEGER NOT NULL REFERENCES roasts (number) ON DELETE CASCADE,
    what TEXT NOT NULL,
    -- of a crack: where it is; NULL: it could not be told
    at_s REAL, is_crack INTEGER CHECK (is_crack IN (0, 1)),
    -- of a moment: before and after, and whose word it was before
    was_s REAL, now_s REAL, whose TEXT,
    who TEXT NOT NULL, made TEXT NOT NULL
);
CREATE INDEX corrections_by_roast ON corrections (roast);
"""

#: ``what`` of a row of ``corrections`` that is of a crack and not of a moment.
CRACK = "crack"

#: A yes of the person to what was heard.
_CONFIRMED = """
ALTER TABLE moments ADD COLUMN confirmed INTEGER NOT NULL DEFAULT 0 CHECK (confirmed IN (0, 1));
"""

#: One script a version: the first makes a new file, each further one lifts a file of the version before.
MIGRATIONS: list[str] = [_FIRST, _STALLED, _CORRECTIONS, _CONFIRMED]
#: Small tables, looked through on every opening; the long ones are looked through by a backup, and a damaged page of
#: theirs shows when it is read.
CHECKED = ("roasts", "entered", "moments", "notes", "corrections", "plans")
#: Columns of text, with those of a view that shows them as they now are; all others are numbers.
_DATES = frozenset({"kept", "day", "tasted_on"})
_PLAIN_TEXTS = ("started", "coffee", "process", "origin", "machine", "target")
_WORDS = _DATES.union(
    ("identity", "source", "model_name", "model_hash", "version", "microphone", "recording", "recording_sha256"),
    ("what", "kind", "message", "text", "made", "who", "whose"),
    _PLAIN_TEXTS,
    (f"{name}_now" for name in _PLAIN_TEXTS),
)
#: Tables in the order in which they can be filled again.
TABLES = ("roasts", "entered", "moments", "cracks", "density", "troubles", "notes", "corrections", "plans")


def folded(text: Any) -> str | None:
    """As names are compared: without regard to case, kind of width, and runs of white space; None stays.

    A damaged log hands over values of any kind.
    """
    return None if text is None else " ".join(unicodedata.normalize("NFKC", str(text)).casefold().split())


def connect(path: Path) -> sqlite3.Connection:
    """Opens the log, makes it where there is none, lifts an older one to the present version.

    Foreign keys are on, the journal is a write-ahead log, every commit is on disk before it is called done. On a disk
    that takes nothing a log can still be read.
    Raises LogError (damaged, of a newer version, not a log, held by another program) and OutputError (cannot be made).
    """
    may_write = True
    try:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            make_own(path)
        except OSError as error:
            if error.errno not in (errno.EROFS, errno.EACCES) or not path.is_file():
                raise
            may_write = False
        connection = sqlite3.connect(
            path if may_write else _to_read(path), timeout=BUSY_S, isolation_level=None, uri=not may_write
        )
    except (OSError, sqlite3.OperationalError) as error:
        raise OutputError(f"the roast log {path} cannot be opened ({_reason(error)}); check its folder") from None
    try:
        with speaking_of(path):
            _prepare(connection, path, may_write=may_write)
    except BaseException:
        connection.close()
        raise
    return connection


def _to_read(path: Path) -> str:
    """An address for SQLite. What it keeps beside a log cannot be made there, nor is needed where the log is whole."""
    wal = path.with_name(f"{path.name}-wal")
    whole = not wal.exists() or wal.stat().st_size == 0
    return f"{path.resolve().as_uri()}?mode=ro{'&immutable=1' if whole else ''}"


def _prepare(connection: sqlite3.Connection, path: Path, *, may_write: bool) -> None:
    connection.row_factory = sqlite3.Row
    connection.create_function("folded", 1, folded, deterministic=True)
    connection.execute("PRAGMA foreign_keys = ON")
    version = check_kind(connection, path)
    if may_write:
        _to_write_ahead(connection)
        connection.execute("PRAGMA synchronous = FULL")
    if version < len(MIGRATIONS):
        _lift(connection, path)
        return
    if not _made(tuple(MIGRATIONS)) <= _tables_of(connection):
        raise sqlite3.DatabaseError("its tables are not as they were made")
    for table in CHECKED:
        (found,) = connection.execute(f"PRAGMA quick_check({table})").fetchone()
        if found != "ok":
            raise sqlite3.DatabaseError(str(found).splitlines()[0])


@lru_cache(maxsize=2)
def _made(scripts: tuple[str, ...]) -> frozenset[tuple[str, str]]:
    """Names and statements of all that a new log is made of, as SQLite keeps them."""
    with closing(sqlite3.connect(":memory:")) as new:
        for script in scripts:
            new.executescript(script)
        return _tables_of(new)


def _tables_of(connection: sqlite3.Connection) -> frozenset[tuple[str, str]]:
    return frozenset(
        map(tuple, connection.execute("SELECT name, sql FROM sqlite_master WHERE sql NOT NULL").fetchall())
    )


def check_kind(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a log, 0 for an empty file. Raises LogError for what is no log, or a newer one."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if mark != APPLICATION_ID and (tables or version):
        raise LogError(f"{path} is a database, but not a roast log of crackdetect; name another file")
    if version < 0:
        raise _damaged(path, f"its version is {version}")
    if version > len(MIGRATIONS):
        raise LogError(
            f"the roast log {path} is of version {version}, made by a newer crackdetect; this one knows up to "
            f"{len(MIGRATIONS)}: update crackdetect, the log is left as it is"
        )
    return int(version)


def is_log(path: Path) -> bool:
    """Whether a file is a roast log, by its first bytes alone. Raises OSError."""
    with path.open("rb") as file:
        head = file.read(100)  # https://sqlite.org/fileformat.html: the application id stands at 68
    return head.startswith(b"SQLite format 3\0") and int.from_bytes(head[68:72], "big") == APPLICATION_ID


def _to_write_ahead(connection: sqlite3.Connection) -> None:
    """The switch needs the file for itself, and does not wait for it by the busy timeout."""
    deadline = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _lift(connection: sqlite3.Connection, path: Path) -> None:
    """All steps in one transaction: a kill leaves the old version. A copy of the old one is kept beside it."""
    (before,) = connection.execute("PRAGMA user_version").fetchone()
    if before:
        copy_to(connection, path.with_name(f"{path.stem}-version-{before}{path.suffix}"))
    connection.execute("BEGIN EXCLUSIVE")
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()  # another process may have been faster
        for number in range(version, len(MIGRATIONS)):
            for statement in _statements(MIGRATIONS[number]):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _statements(script: str) -> Iterator[str]:
    """One by one, for executescript would commit first."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def copy_to(connection: sqlite3.Connection, target: Path) -> None:
    """An online copy, whole or not at all; checked from end to end. Raises OutputError, sqlite3.Error."""
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        make_own(part)
        copy = sqlite3.connect(part, isolation_level=None)
        try:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
            (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
        finally:
            copy.close()
        if found != "ok":
            raise sqlite3.DatabaseError(str(found).splitlines()[0])
        replace_for_good(part, target)
    except (OSError, sqlite3.OperationalError) as error:
        raise OutputError(f"the copy {target} cannot be written ({_reason(error)}); choose another place") from None
    finally:
        part.unlink(missing_ok=True)


def check_row(path: Path, names: Iterable[str], row: Iterable[Any]) -> None:
    """Raises LogError for a row that this program cannot have written."""
    if (reason := odd(names, row)) is not None:
        raise _damaged(path, reason)


def odd(names: Iterable[str], row: Iterable[Any]) -> str | None:
    """What in a row is of another kind than its column, in words: SQLite keeps any value in any column."""
    for name, value in zip(names, row, strict=True):
        if value is None:
            continue
        if name in _WORDS:
            fits = isinstance(value, str)
            if fits and name in _DATES:
                try:
                    (datetime if name == "kept" else date).fromisoformat(value)
                except ValueError:
                    fits = False
        else:
            fits = isinstance(value, int | float) and math.isfinite(value)
        if not fits:
            return f"{name} is {value!r:.40}"
    return None


def _damaged(path: Path, reason: str) -> LogError:
    return LogError(
        f"the roast log {path} is damaged ({reason}); 'crackdetect log rescue' saves what can still be read, the "
        "damaged file is kept"
    )


@contextmanager
def speaking_of(path: Path) -> Iterator[None]:
    """Turns what SQLite says into one sentence: LogError or OutputError.

    A defect of ours stays what it is: that the tables are as we made them is checked on opening.
    """
    try:
        yield
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
        # of a text that is none, before ``folded`` is asked; that itself takes anything
        foreign = {"unsupported file format", "user-defined function raised exception"}
        foreign.update(f"no such table: {table}" for table in TABLES)
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or str(error) in foreign:
            raise _damaged(path, _reason(error)) from None
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise LogError(f"the roast log {path} is held by another program; try again when that has ended") from None
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR):
            raise OutputError(
                f"the roast log {path} cannot be written ({_reason(error)}); free some space or check its permissions"
            ) from None
        raise
    except UnicodeDecodeError:  # in a text, or in SQLite's own words on a name that is damaged
        raise _damaged(path, "a text in it is none") from None


def _reason(error: OSError | sqlite3.Error) -> str:
    return (getattr(error, "strerror", None) or str(error)).rstrip(".")


def correction(name: str, value: Any) -> Any:
    """How a correction is written down; an empty text or 0 stands for "taken away"."""
    if name.endswith("_g"):
        return 0.0 if value is None else float(value)
    if name == "started" and value is not None:
        try:
            value = datetime.fromisoformat(str(value)).astimezone().isoformat(timespec="seconds")
        except (ValueError, OverflowError, OSError):  # a time that no calendar has
            raise SettingError(f"started {value!r} is not a date and time; write it as 2026-03-01T18:30") from None
    return "" if value is None else clean(str(value)) or ""


def beginning(started: str | None, otherwise: datetime) -> tuple[float, str]:
    """Seconds since the epoch, and the day where it began."""
    try:
        began = otherwise if not started else datetime.fromisoformat(started)
        return began.timestamp(), began.date().isoformat()
    except (ValueError, OverflowError, OSError):  # no date, or one that no calendar reaches
        return otherwise.timestamp(), otherwise.date().isoformat()
