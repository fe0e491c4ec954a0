"""Messages that wait, on the disk: written before the first try, gone only when the endpoint has taken them."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from crackdetect.errors import OutputError
from crackdetect.webhook.envelope import Message

FILE_NAME = "webhook.sqlite3"
_VERSION = 1
_TABLES = """
CREATE TABLE waiting (
    place INTEGER PRIMARY KEY AUTOINCREMENT,
    address TEXT NOT NULL,
    id TEXT NOT NULL,
    type TEXT NOT NULL,
    body TEXT NOT NULL,
    written REAL NOT NULL,
    tries INTEGER NOT NULL DEFAULT 0,
    not_before REAL NOT NULL DEFAULT 0,
    answer TEXT,
    set_aside INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX waiting_by_address ON waiting (address, set_aside, place);
CREATE TABLE gone (address TEXT PRIMARY KEY, since REAL NOT NULL);
"""


#: As a message is read, of the kinds that were put in whatever a damaged file holds; times are seconds of this age.
_COLUMNS = (
    "place",
    *(f"coalesce(CAST({name} AS TEXT), '')" for name in ("address", "id", "type", "body")),
    "min(max(CAST(written AS REAL), 0.0), 1e10)",
    "min(max(CAST(tries AS INTEGER), 0), 1000000)",
    "min(max(CAST(not_before AS REAL), 0.0), 1e10)",
    "CAST(answer AS TEXT)",
    "set_aside IS NOT 0",
)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message in the outbox.

    Attributes
    ----------
    place : int
        Its number in the order of sending.
    address, id, type, body : str
        Where to, and what (see ``envelope.Message``).
    written, not_before : float
        Unix seconds.
    tries : int
        Made so far.
    answer : str or None
        To the last one.
    set_aside : int
        1 = not tried any more, as it alone is refused or the endpoint is gone.
    """

    place: int
    address: str
    id: str
    type: str
    body: str
    written: float
    tries: int
    not_before: float
    answer: str | None
    set_aside: int


class Outbox:
    """Messages that wait on the disk until a receiver has taken them; for several threads and processes.

    Every change is on the disk when the call returns.

    Parameters
    ----------
    path : pathlib.Path
        Of the database, made if missing, readable by this user only (addresses can be secrets).

    Raises
    ------
    OutputError
        When the disk does not take it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
            self._database = sqlite3.connect(path, timeout=10, isolation_level=None, check_same_thread=False)
            self._database.text_factory = lambda text: text.decode("utf-8", "replace")  # what is not text is damaged
        except (OSError, sqlite3.Error) as error:
            reason = getattr(error, "strerror", None) or error
            raise OutputError(f"webhook messages cannot be kept in {path} ({reason}); check the disk") from error
        try:
            with self._guarded() as database:
                database.execute("PRAGMA journal_mode = WAL")
                database.execute("PRAGMA synchronous = FULL")
            with self._changes() as database:
                version = database.execute("PRAGMA user_version").fetchone()[0]
                if version == 0:
                    for statement in _TABLES.split(";"):
                        database.execute(statement)
                    database.execute(f"PRAGMA user_version = {_VERSION}")
            if version not in (0, _VERSION):
                raise OutputError(f"{path} was written by a newer crackdetect; update this one, or move the file away")
            with self._guarded() as database:
                _check(database)
        except OutputError:
            self._database.close()
            raise

    def close(self) -> None:
        """Closes the database; what waits in it stays."""
        with self._lock:
            self._database.close()

    # -- in and out ----------------------------------------------------------------------------------------------

    def put(self, message: Message, addresses: Sequence[str]) -> None:
        """Puts in a message for each address, in one transaction; not for those that are gone."""
        now = time.time()
        with self._changes() as database:
            database.executemany(
                "INSERT INTO waiting (address, id, type, body, written) SELECT ?, ?, ?, ?, ? "
                "WHERE NOT EXISTS (SELECT 1 FROM gone WHERE address = ?)",
                [(address, message.id, message.type, message.body, now, address) for address in addresses],
            )

    def first(self, address: str) -> Waiting | None:
        """The next to be sent."""
        rows = self._read("WHERE address = ? AND set_aside = 0 ORDER BY place LIMIT 1", (address,))
        return rows[0] if rows else None

    def taken(self, place: int) -> None:
        """The receiver has taken a message: it is forgotten."""
        with self._changes() as database:
            database.execute("DELETE FROM waiting WHERE place = ?", (place,))

    def put_off(self, place: int, *, until: float, answer: str, set_aside: bool = False) -> None:
        """A try failed.

        Parameters
        ----------
        place
            Of the message.
        until
            Unix seconds before which there is no other.
        answer
            What the endpoint said, in words.
        set_aside
            Whether it is not tried any more.
        """
        with self._changes() as database:
            database.execute(
                "UPDATE waiting SET tries = tries + 1, not_before = ?, answer = ?, set_aside = ? WHERE place = ?",
                (until, answer, set_aside, place),
            )

    def leave(self, address: str, *, answer: str) -> None:
        """The endpoint wants nothing any more (410): what waits is set aside, and nothing new is put in."""
        with self._changes() as database:
            database.execute("INSERT OR REPLACE INTO gone VALUES (?, ?)", (address, time.time()))
            database.execute("UPDATE waiting SET set_aside = 1, answer = ? WHERE address = ?", (answer, address))

    def welcome(self, address: str) -> None:
        """The endpoint takes messages (again), those set aside among them."""
        with self._changes() as database:
            database.execute("DELETE FROM gone WHERE address = ?", (address,))
            database.execute("UPDATE waiting SET set_aside = 0, not_before = 0 WHERE address = ?", (address,))

    def hurry(self) -> None:
        """All that was put off may be tried at once."""
        with self._changes() as database:
            database.execute("UPDATE waiting SET not_before = 0")

    def forget(self) -> int:
        """Throws everything away that waits; returns how many."""
        with self._changes() as database:
            return database.execute("DELETE FROM waiting").rowcount

    # -- looking -------------------------------------------------------------------------------------------------

    def pending(self) -> list[Waiting]:
        """All that wait, in the order of sending."""
        return self._read("ORDER BY place", ())

    def count(self, address: str) -> tuple[int, str | None]:
        """How many wait for an address, those set aside among them, and the answer to the first that has one."""
        with self._guarded() as database:
            (count,) = database.execute("SELECT count(*) FROM waiting WHERE address = ?", (address,)).fetchone()
            answered = "SELECT answer FROM waiting WHERE address = ? AND answer IS NOT NULL ORDER BY place LIMIT 1"
            row = database.execute(answered, (address,)).fetchone()
        return count, None if row is None else row[0]

    def addresses(self) -> list[str]:
        """Those for which something waits to be sent."""
        with self._guarded() as database:
            rows = database.execute("SELECT DISTINCT address FROM waiting WHERE set_aside = 0 ORDER BY address")
            return [row[0] for row in rows.fetchall()]

    def is_gone(self, address: str) -> bool:
        """Whether the receiver at this address has said that it is gone for good."""
        with self._guarded() as database:
            return database.execute("SELECT 1 FROM gone WHERE address = ?", (address,)).fetchone() is not None

    # -- the database --------------------------------------------------------------------------------------------

    def _read(self, condition: str, values: tuple[object, ...]) -> list[Waiting]:
        with self._guarded() as database, closing(database.cursor()) as cursor:
            rows = cursor.execute(f"SELECT {', '.join(_COLUMNS)} FROM waiting {condition}", values).fetchall()
        return [Waiting(*row) for row in rows]

    @contextmanager
    def _guarded(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            try:
                yield self._database
            except UnicodeDecodeError as error:  # SQLite's own words on a name that is damaged
                raise OutputError(_damaged(self.path, "a name in it is not text")) from error
            except sqlite3.Error as error:
                code = getattr(error, "sqlite_errorcode", 0) & 0xFF
                if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                    raise OutputError(_damaged(self.path, error)) from error
                if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise OutputError(
                        f"webhook messages cannot be kept in {self.path} for now: another program holds it; end that"
                    ) from error
                raise OutputError(
                    f"webhook messages cannot be kept in {self.path} ({error}); free some space, or move the file away"
                ) from error

    @contextmanager
    def _changes(self) -> Iterator[sqlite3.Connection]:
        with self._guarded() as database:
            database.execute("BEGIN IMMEDIATE")
            try:
                yield database
            except BaseException:
                database.rollback()
                raise
            database.execute("COMMIT")


def _check(database: sqlite3.Connection) -> None:
    """Raises sqlite3.DatabaseError where the tables are not as they were made, or hold what they cannot."""
    there = database.execute("SELECT sql FROM sqlite_master WHERE sql NOT NULL AND name NOT LIKE 'sqlite%'").fetchall()
    made = {statement.strip() for statement in _TABLES.split(";")} - {""}
    if {row[0] for row in there} != made:
        raise _Damage("its tables are not as they were made")
    (found,) = database.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise _Damage(str(found).splitlines()[0])


class _Damage(sqlite3.DatabaseError):
    sqlite_errorcode = sqlite3.SQLITE_CORRUPT


def _damaged(path: Path, why: object) -> str:
    return (
        f"the webhook messages in {path} cannot be read, the file is damaged ({why}); move the file away: what waits "
        "in it is not sent, the roast log has the roasts"
    )
