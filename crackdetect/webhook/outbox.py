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


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message in the outbox.

    place: its number in the order of sending. written, not_before: Unix seconds. tries: made so far. answer: to the
    last one. set_aside: 1 = not tried any more, as it alone is refused or the endpoint is gone.
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
    """path: of the database, made if missing, readable by this user only (addresses can be secrets).

    May be used by several threads and processes. Every change is on the disk when the call returns. Raises OutputError
    when the disk does not take it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
            self._database = sqlite3.connect(path, timeout=10, isolation_level=None, check_same_thread=False)
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
        except OutputError:
            self._database.close()
            raise
        if version not in (0, _VERSION):
            self._database.close()
            raise OutputError(f"{path} was written by a newer crackdetect; update this one, or move the file away")

    def close(self) -> None:
        with self._lock:
            self._database.close()

    # -- in and out ----------------------------------------------------------------------------------------------

    def put(self, message: Message, addresses: Sequence[str]) -> None:
        """For each address one, in one transaction; not for those that are gone."""
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
        with self._changes() as database:
            database.execute("DELETE FROM waiting WHERE place = ?", (place,))

    def put_off(self, place: int, *, until: float, answer: str, set_aside: bool = False) -> None:
        """A try failed. until: Unix seconds before which there is no other."""
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

    def addresses(self) -> list[str]:
        """Those for which something waits to be sent."""
        with self._guarded() as database:
            rows = database.execute("SELECT DISTINCT address FROM waiting WHERE set_aside = 0 ORDER BY address")
            return [row[0] for row in rows.fetchall()]

    def is_gone(self, address: str) -> bool:
        with self._guarded() as database:
            return database.execute("SELECT 1 FROM gone WHERE address = ?", (address,)).fetchone() is not None

    # -- the database --------------------------------------------------------------------------------------------

    def _read(self, condition: str, values: tuple[object, ...]) -> list[Waiting]:
        columns = "place, address, id, type, body, written, tries, not_before, answer, set_aside"
        with self._guarded() as database, closing(database.cursor()) as cursor:
            rows = cursor.execute(f"SELECT {columns} FROM waiting {condition}", values).fetchall()
        return [Waiting(*row) for row in rows]

    @contextmanager
    def _guarded(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            try:
                yield self._database
            except sqlite3.Error as error:
                if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
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
