"""The open log: one SQLite file, whose every change is one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from crackdetect.errors import OutputError
from crackdetect.storage import paths, schema
from crackdetect.storage.atomic_file import replace_for_good, sync_folder

FILE = "roasts.sqlite3"


def coming(log: Path) -> Path:
    """The name of a whole file that is to be the log: once it is there, the log is as good as replaced."""
    return log.with_name(f"{log.stem}-coming{log.suffix}")


def finish_replacing(log: Path) -> None:
    """Puts a file that is to be the log in its place, if there is one; a kill in between is made good at the next call.

    What SQLite keeps beside the log goes first, for it would be taken for a part of the new one. Raises OutputError.
    """
    new = coming(log)
    try:
        if not new.exists():
            return
        from filelock import FileLock

        with FileLock(log.with_name(f"{log.name}.lock"), mode=0o600):
            if new.exists():  # else another process has been faster
                for end in ("-wal", "-shm"):
                    log.with_name(log.name + end).unlink(missing_ok=True)
                sync_folder(log.parent)
                replace_for_good(new, log)
    except OSError as error:
        raise OutputError(f"{new} cannot take the place of {log} ({error.strerror}); move it there") from None


class LogFile:
    """The log in ``path``; in the data folder where none is given. Made where there is none.

    A kill leaves the log as it was before a change or as it is after, never between. Two processes may use the same
    file at once; a writer waits for the other.

    Raises LogError (damaged, newer, not a log, busy) and OutputError (cannot be written), from every method.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = paths.data_folder() / FILE if path is None else path
        finish_replacing(self.path)
        self._connection = schema.connect(self.path)

    def close(self) -> None:
        """Lets go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction; nested use joins the outer one, so that several changes become one."""
        db = self._connection
        if db.in_transaction:
            yield db
            return
        with schema.speaking_of(self.path):
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise

    def backup(self, target: Path) -> None:
        """A whole copy in one file, checked, while others may write. Raises OutputError; replaces ``target``."""
        with schema.speaking_of(self.path):
            schema.copy_to(self._connection, target)
