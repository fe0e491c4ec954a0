"""The log itself: one SQLite file that keeps every roast heard and what the person says of it.

Each change is one transaction: a kill leaves the log as it was before or as it is after, never between. Two processes
may use the same file at once; a writer waits for the other.
"""

from __future__ import annotations

import hashlib
import math
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from crackdetect import places
from crackdetect.config import Target
from crackdetect.errors import InputError, LogError, OutputError, SettingError
from crackdetect.events import Event
from crackdetect.log import schema
from crackdetect.log.account import Account, account
from crackdetect.log.order import what_is_wrong
from crackdetect.log.roast import (
    CUPS,
    LIKING,
    MOMENTS,
    TEXTS,
    Crack,
    Density,
    Moment,
    Note,
    Roast,
    Story,
    Trouble,
)
from crackdetect.log.words import clean

FILE = "roasts.sqlite3"
#: A green weight counts as the same within this share (chosen).
SAME_WEIGHT = 0.05
#: Rescuing looks for roasts up to this number where their table cannot be read in one go.
_MOST_NUMBERS = 100_000
#: Columns of ``moments`` that keeping a roast again replaces; corrections stay.
_MOMENT_HEARD = ("heard_s", "earliest_s", "latest_s", "announced_s", "confidence", "marked_s")
#: Columns of ``roasts`` that an account and a roast have alike.
PLAIN = ("source", "samplerate", "model_name", "model_hash", "version", "length_s", "finished", "crack_count")
#: What can be corrected beside the moments.
CORRECTABLE = ("started", *TEXTS, "green_g", "roasted_g", "target")


@dataclass(frozen=True, slots=True)
class Remembered:
    """What holds for the next roast of a coffee. expect: roast times (s) between which first crack is expected."""

    target: Target | None = None
    green_g: float | None = None
    machine: str | None = None
    expect: tuple[float, float] | None = None


class Rescued(NamedTuple):
    """What was saved from a damaged log: roasts, those of them that lack something, rows."""

    roasts: int
    incomplete: int
    rows: int


class RoastLog:
    """The log in ``path``; in the data folder where none is given. Made where there is none.

    Raises LogError (damaged, newer, not a log, busy) and OutputError (cannot be written), from every method.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = places.data_folder() / FILE if path is None else path
        self._connection = schema.connect(self.path)

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- keeping -------------------------------------------------------------------------------------------

    def keep(self, events: Iterable[Event | Mapping[str, Any]], *, recording: Path | None = None) -> str:
        """Keeps one roast and returns the identity it is kept under.

        events: of one roast, from ``roast.start`` on; without a ``summary`` (it broke off) it is kept as far as it
        goes. Kept again, what was heard is replaced and what the person entered stays. recording: where the sound is;
        its hash is kept with it where it can be read. Another file that happens to bear the same name becomes a roast
        of its own. The plan of the coffee has served its purpose when a finished roast of it comes in.
        Raises InputError for events that are not one roast.
        """
        return self.keep_account(account(events), recording=recording)

    def keep_account(self, kept: Account, *, recording: Path | None = None) -> str:
        """As ``keep``, from an account already made."""
        digest = None if recording is None else _hash_or_none(recording)
        with self._writing() as db:
            identity = self._identity(kept, digest)
            before = db.execute("SELECT number, finished FROM roasts WHERE identity = ?", (identity,)).fetchone()
            number = self._put(kept, identity, None if before is None else before["number"], recording, digest)
            self._put_moments(number, kept.moments)
            self._put_series(number, kept.cracks, kept.density, kept.troubles)
            if kept.finished and (before is None or not before["finished"]):
                coffee = schema.folded(clean(kept.about.get("coffee")))
                db.execute("DELETE FROM plans WHERE coffee = ?", (coffee or "",))
        return identity

    def _identity(self, kept: Account, digest: str | None) -> str:
        """A live roast is named by its clock; a file's name may be that of another file in another folder."""
        base = clean(kept.identity) or "roast"
        if kept.source != "file" or digest is None:
            return base
        name, count = base, 1
        while True:
            row = self._connection.execute(
                "SELECT recording_sha256, source FROM roasts WHERE identity = ?", (name,)
            ).fetchone()
            if row is None or row["recording_sha256"] in (None, digest):
                return name
            count += 1
            name = f"{base}-{count}"

    def _put(self, kept: Account, identity: str, number: int | None, recording: Path | None, digest: str | None) -> int:
        db = self._connection
        now = datetime.now().astimezone()
        about = kept.about
        first, last = about.get("expect") or (None, None)
        entered = db.execute("SELECT started FROM entered WHERE roast = ?", (number,)).fetchone()
        started = clean(about.get("started"))
        if number is not None and started is None and not (entered and entered["started"]):
            began, day = db.execute("SELECT began, day FROM roasts WHERE number = ?", (number,)).fetchone()
        else:
            began, day = _began((entered["started"] if entered else None) or started, now)
        heard = {
            # to the millisecond, as several may be kept within a second
            "kept": now.isoformat(timespec="milliseconds"),
            "began": began,
            "day": day,
            **{name: getattr(kept, name) for name in PLAIN},
            **_peak_columns(kept.peak),
        }
        said = {
            "started": started,
            **{name: clean(about.get(name)) for name in (*TEXTS, "microphone")},
            "green_g": _positive(about.get("green_g")),
            "target": kept.target,
            "expect_from_s": first,
            "expect_to_s": last,
            "recording": None if recording is None else _path_text(recording.resolve()),
            "recording_sha256": digest,
        }
        if number is None:
            return self._insert({"identity": identity, **heard, **said})
        # what was said of the roast when it was first heard is not lost by hearing the recording once more
        changes = [f"{name} = ?" for name in heard] + [f"{name} = coalesce(?, {name})" for name in said]
        values = (*heard.values(), *said.values(), number)
        db.execute(f"UPDATE roasts SET {', '.join(changes)} WHERE number = ?", values)
        return number

    def _insert(self, values: Mapping[str, Any]) -> int:
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        cursor = self._connection.execute(f"INSERT INTO roasts ({names}) VALUES ({marks})", tuple(values.values()))
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def put(self, story: Story, *, replace: bool = False) -> bool:
        """Keeps a roast as another log told it, corrections and notes included; whether it did.

        One of the same identity that is there already is left alone, or replaced, its number kept. What the log names
        itself (number, numbers of notes) is given anew.
        """
        roast = story.roast
        now = {name: getattr(roast, name) for name in CORRECTABLE}
        said = {name: roast.said.get(name, now[name]) for name in CORRECTABLE}
        began, day = _began(roast.started, datetime.fromisoformat(roast.kept))
        first, last = roast.expect or (None, None)
        values = {
            "identity": roast.identity,
            "kept": roast.kept,
            "began": began,
            "day": day,
            **{name: getattr(roast, name) for name in (*PLAIN, "microphone", "recording_sha256")},
            **{name: str(value) if isinstance(value, Target) else value for name, value in said.items()},
            **_peak_columns(roast.peak),
            "expect_from_s": first,
            "expect_to_s": last,
            "recording": None if roast.recording is None else _path_text(roast.recording),
        }
        with self._writing() as db:
            before = db.execute("SELECT number FROM roasts WHERE identity = ?", (roast.identity,)).fetchone()
            if before is not None:
                if not replace:
                    return False
                db.execute("DELETE FROM roasts WHERE number = ?", (before["number"],))
                values["number"] = before["number"]
            number = self._insert(values)
            if roast.said:
                entered = {name: _entered(name, now[name]) for name in roast.said}
                marks = ", ".join("?" * len(entered))
                db.execute(
                    f"INSERT INTO entered (roast, {', '.join(entered)}) VALUES (?, {marks})",
                    (number, *entered.values()),
                )
            names = [field.name for field in fields(Moment)]
            db.executemany(
                f"INSERT INTO moments (roast, what, {', '.join(names)}) VALUES (?, ?{', ?' * len(names)})",
                [(number, what, *(getattr(moment, name) for name in names)) for what, moment in roast.moments.items()],
            )
            self._put_series(number, story.cracks, story.density, story.troubles)
            db.executemany(
                "INSERT INTO notes (roast, tasted_on, text, cup, liking) VALUES (?, ?, ?, ?, ?)",
                [(number, note.tasted_on.isoformat(), note.text, note.cup, note.liking) for note in story.notes],
            )
        return True

    def _put_series(
        self, number: int, cracks: Iterable[Crack], density: Iterable[Density], troubles: Iterable[Trouble]
    ) -> None:
        for table, rows in (("cracks", cracks), ("density", density), ("troubles", troubles)):
            self._connection.execute(f"DELETE FROM {table} WHERE roast = ?", (number,))
            self._connection.executemany(
                f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?)",
                ((number, place, *row) for place, row in enumerate(rows)),
            )

    def _put_moments(self, number: int, moments: Mapping[str, Moment]) -> None:
        """What was heard and marked; corrections that are there already stay."""
        db = self._connection
        db.execute("DELETE FROM moments WHERE roast = ? AND NOT corrected", (number,))
        blank = ", ".join(f"{name} = NULL" for name in _MOMENT_HEARD)
        db.execute(f"UPDATE moments SET {blank} WHERE roast = ?", (number,))
        replaced = ", ".join(f"{name} = excluded.{name}" for name in _MOMENT_HEARD)
        db.executemany(
            f"INSERT INTO moments (roast, what, {', '.join(_MOMENT_HEARD)}) VALUES (?, ?, ?, ?, ?, ?, ?, ?) "
            f"ON CONFLICT (roast, what) DO UPDATE SET {replaced}",
            [(number, what, *(getattr(moment, name) for name in _MOMENT_HEARD)) for what, moment in moments.items()],
        )

    # -- finding and reading -------------------------------------------------------------------------------

    def find(self, name: str) -> Roast:
        """The roast of that number, identity or beginning of an identity; ``last`` is the one put into the log last,
        whatever day it is of: its number was told just now, while its day may only have been guessed from a file.

        Raises SettingError when there is none, or more than one.
        """
        name = name.strip()
        if name == "last":
            latest = self._roasts("ORDER BY julianday(kept) DESC, number DESC LIMIT 1", ())
            if not latest:
                raise SettingError("the roast log is empty; keep a roast first (crackdetect analyze FILE --keep)")
            return latest[0]
        found: list[Roast] = []
        if name.isascii() and name.isdigit() and len(name) < 10:
            found = self._roasts("WHERE number = ?", (int(name),))
        found = (
            found
            or self._roasts("WHERE identity = ?", (name,))
            or self._roasts("WHERE substr(identity, 1, ?) = ? LIMIT 3", (len(name), name))
        )
        if not name or not found:
            raise SettingError(f"roast {name[:80]!r} is not in the log; 'crackdetect log' lists what is there")
        if len(found) > 1:
            raise SettingError(f"{name[:80]!r} begins the names of several roasts; give the number or more of the name")
        return found[0]

    def roasts(
        self,
        *,
        coffee: str | None = None,
        words: str | None = None,
        since: str | None = None,
        until: str | None = None,
        green_g: float | None = None,
        most: int | None = None,
    ) -> list[Roast]:
        """Roasts, newest first. coffee: the whole name, words: a part of any text or note; without regard to case.

        since, until: ``YYYY-MM-DD`` or the beginning of one, both inclusive. green_g: within SAME_WEIGHT.
        """
        where: list[str] = ["1"]
        values: list[Any] = []
        if coffee is not None:
            where.append("folded(coffee_now) = ?")
            values.append(schema.folded(clean(coffee)))
        if words is not None:
            columns = " || ' ' || ".join(f"coalesce({name}_now, '')" for name in TEXTS)
            where.append(
                f"(instr(folded({columns} || ' ' || identity), ?) OR number IN "
                "(SELECT roast FROM notes WHERE instr(folded(text), ?)))"
            )
            values += [schema.folded(clean(words)) or ""] * 2
        if since is not None:
            where.append("substr(day, 1, ?) >= ?")
            values += [len(since), since]
        if until is not None:
            where.append("substr(day, 1, ?) <= ?")
            values += [len(until), until]
        if green_g is not None:
            where.append("abs(green_g_now - ?) <= ?")
            values += [green_g, SAME_WEIGHT * green_g]
        return self._roasts(
            f"WHERE {' AND '.join(where)} ORDER BY began DESC, number DESC LIMIT ?",
            (*values, -1 if most is None else most),
        )

    def count(self) -> int:
        """How many roasts are in the log."""
        with schema.speaking_of(self.path):
            (count,) = self._connection.execute("SELECT count(*) FROM roasts").fetchone()
        return int(count)

    def coffees(self) -> list[str]:
        """Names of all coffees, the one roasted last first."""
        names: dict[str, str] = {}
        with schema.speaking_of(self.path):
            rows = self._connection.execute(f"SELECT coffee_now FROM ({_NOW}) ORDER BY began DESC").fetchall()
        for (name,) in rows:
            if name:
                names.setdefault(schema.folded(name) or "", name)
        return list(names.values())

    def story(self, roast: Roast) -> Story:
        """A roast with all that was heard in it."""
        rows: dict[str, Any] = {}
        with schema.speaking_of(self.path):
            for table, kind in (("cracks", Crack), ("density", Density), ("troubles", Trouble)):
                columns = ", ".join(kind._fields)
                found = self._connection.execute(
                    f"SELECT {columns} FROM {table} WHERE roast = ? ORDER BY place", (roast.number,)
                )
                found.row_factory = None
                rows[table] = tuple(kind._make(row) for row in found)
                for row in rows[table]:
                    schema.check_row(self.path, kind._fields, row)
        return Story(roast, notes=self.notes([roast])[roast.number], **rows)

    def notes(self, roasts: Sequence[Roast]) -> dict[int, tuple[Note, ...]]:
        """Notes by the number of the roast, oldest first."""
        found: dict[int, list[Note]] = {roast.number: [] for roast in roasts}
        with schema.speaking_of(self.path):
            for row in self._of_each("SELECT * FROM notes WHERE roast IN ({}) ORDER BY tasted_on, number", list(found)):
                schema.check_row(self.path, row.keys(), row)
                found[row["roast"]].append(
                    Note(row["number"], date.fromisoformat(row["tasted_on"]), row["text"], row["cup"], row["liking"])
                )
        return {number: tuple(notes) for number, notes in found.items()}

    def last_of(self, coffee: str) -> Remembered | None:
        """What holds for the next roast of a coffee: its plan, and its last roast where the plan says nothing."""
        with schema.speaking_of(self.path):
            plan = self._connection.execute(
                "SELECT * FROM plans WHERE coffee = ?", (schema.folded(clean(coffee)),)
            ).fetchone()
        last = next(iter(self.roasts(coffee=coffee, most=1)), None)
        if plan is None and last is None:
            return None
        planned = (
            Remembered()
            if plan is None
            else Remembered(
                target=_target(plan["target"]),
                green_g=plan["green_g"],
                expect=_pair(plan["expect_from_s"], plan["expect_to_s"]),
            )
        )
        before = last or Roast(0, "", "", "")
        return Remembered(
            target=planned.target or before.target,
            green_g=planned.green_g or before.green_g,
            machine=before.machine,
            expect=planned.expect or before.expect,
        )

    def _roasts(self, tail: str, values: Sequence[Any]) -> list[Roast]:
        with schema.speaking_of(self.path):
            rows = self._connection.execute(f"SELECT * FROM ({_NOW}) {tail}", values).fetchall()
            moments: dict[int, dict[str, Moment]] = {row["number"]: {} for row in rows}
            names = [field.name for field in fields(Moment)]
            for row in rows:
                schema.check_row(self.path, row.keys(), row)
            for row in self._of_each("SELECT * FROM moments WHERE roast IN ({})", list(moments)):
                schema.check_row(self.path, row.keys(), row)
                moment = {name: row[name] for name in names}
                moments[row["roast"]][row["what"]] = Moment(**{**moment, "corrected": bool(row["corrected"])})
        return [_roast(row, moments[row["number"]]) for row in rows]

    def _of_each(self, query: str, numbers: Sequence[int]) -> Iterator[sqlite3.Row]:
        for start in range(0, len(numbers), 500):  # a query takes so many values at once
            part = numbers[start : start + 500]
            yield from self._connection.execute(query.format(", ".join("?" * len(part))), part)

    # -- what the person says ------------------------------------------------------------------------------

    def edit(
        self,
        roast: Roast,
        *,
        values: Mapping[str, Any] | None = None,
        moments: Mapping[str, float | None] | None = None,
        restore: Sequence[str] = (),
    ) -> Roast:
        """Corrections; what was heard and said before stays beside them. Returns the roast as it now is.

        values: by a name of CORRECTABLE; None takes the value away. moments: seconds from the first sample by a name
        of MOMENTS; None says that it did not happen. restore: names of either whose correction is taken back.
        Raises SettingError for another name, a moment outside the roast or out of order, a start in the future, or a
        roasted weight above the green one.
        """
        values, moments = dict(values or {}), dict(moments or {})
        unknown = [name for name in values if name not in CORRECTABLE] + [
            what for what in moments if what not in MOMENTS
        ]
        unknown += [name for name in restore if name not in (*CORRECTABLE, *MOMENTS)]
        if unknown:
            raise SettingError(
                f"{unknown[0]!r} cannot be corrected; choose one of {', '.join((*CORRECTABLE, *MOMENTS))}"
            )
        with self._writing() as db:
            db.execute("INSERT OR IGNORE INTO entered (roast) VALUES (?)", (roast.number,))
            for name, value in values.items():
                entered = _entered(name, value)
                if name == "started" and entered and datetime.fromisoformat(entered).timestamp() > _latest_start():
                    raise SettingError(f"started {entered} lies in the future; give the day on which it was roasted")
                db.execute(f"UPDATE entered SET {name} = ? WHERE roast = ?", (entered, roast.number))
            for what, at_s in moments.items():
                db.execute(
                    "INSERT INTO moments (roast, what, entered_s, corrected) VALUES (?, ?, ?, 1) "
                    "ON CONFLICT (roast, what) DO UPDATE SET entered_s = excluded.entered_s, corrected = 1",
                    (roast.number, what, at_s),
                )
            for name in restore:
                if name in MOMENTS:
                    db.execute(
                        "UPDATE moments SET entered_s = NULL, corrected = 0 WHERE roast = ? AND what = ?",
                        (roast.number, name),
                    )
                else:
                    db.execute(f"UPDATE entered SET {name} = NULL WHERE roast = ?", (roast.number,))
            found = self._roasts("WHERE number = ?", (roast.number,))
            if not found:
                raise SettingError(f"{roast.name} is no longer in the log; another program has deleted it")
            now = found[0]
            _check(now, corrected=[*moments, *(name for name in restore if name in MOMENTS)])
            if "started" in values or "started" in restore:
                began, day = _began(now.started, datetime.fromisoformat(now.kept))
                db.execute("UPDATE roasts SET began = ?, day = ? WHERE number = ?", (began, day, now.number))
                (now,) = self._roasts("WHERE number = ?", (roast.number,))
        return now

    def note(
        self,
        roast: Roast,
        *,
        text: str = "",
        cup: int | None = None,
        liking: int | None = None,
        tasted_on: date | None = None,
    ) -> Note:
        """Adds a tasting note. Raises SettingError for an empty one or values out of range."""
        text = clean(text, lines=True) or ""
        if not text and cup is None and liking is None:
            raise SettingError("a note needs words, a cup or a liking; write at least one of them")
        if cup is not None and cup not in CUPS:
            raise SettingError(f"cup {cup!r} is unknown; choose one of {', '.join(CUPS.values())}")
        if liking is not None and liking not in LIKING:
            raise SettingError(f"liking {liking} is out of range; give 1 ({LIKING[1]}) to 5 ({LIKING[5]})")
        day = tasted_on or date.today()
        with self._writing() as db:
            cursor = db.execute(
                "INSERT INTO notes (roast, tasted_on, text, cup, liking) VALUES (?, ?, ?, ?, ?)",
                (roast.number, day.isoformat(), text, cup, liking),
            )
        return Note(cursor.lastrowid or 0, day, text, cup, liking)

    def remove_note(self, roast: Roast, number: int) -> None:
        """Raises SettingError when the roast has no such note."""
        with self._writing() as db:
            if not db.execute("DELETE FROM notes WHERE roast = ? AND number = ?", (roast.number, number)).rowcount:
                raise SettingError(f"{roast.name} has no note {number}; 'crackdetect log show' numbers its notes")

    def delete(self, roasts: Sequence[Roast]) -> None:
        """All of them or none, with everything heard in them and said of them. Recordings are not touched."""
        with self._writing() as db:
            db.executemany("DELETE FROM roasts WHERE number = ?", [(roast.number,) for roast in roasts])

    def plan(
        self,
        coffee: str,
        *,
        target: Target | None,
        green_g: float | None,
        expect: tuple[float, float] | None,
    ) -> None:
        """What the next roast of a coffee is to be; remembered until a roast of it is kept."""
        first, last = expect or (None, None)
        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO plans VALUES (?, ?, ?, ?, ?, ?)",
                (
                    schema.folded(clean(coffee)),
                    None if target is None else str(target),
                    green_g,
                    first,
                    last,
                    datetime.now().astimezone().isoformat(timespec="seconds"),
                ),
            )

    # -- the file ------------------------------------------------------------------------------------------

    def backup(self, target: Path) -> None:
        """A whole copy in one file, checked, while others may write. Raises OutputError; replaces ``target``."""
        with schema.speaking_of(self.path):
            schema.copy_to(self._connection, target)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction; nested use joins the outer one."""
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

    def together(self) -> Any:
        """A context in which several changes become one transaction."""
        return self._writing()


def rescue(damaged: Path, target: Path) -> Rescued:
    """Copies what can still be read of a damaged log into a new one, row by row; the damaged file is not changed.

    A roast whose cracks, density or notes could not all be read counts as incomplete. Raises LogError when nothing at
    all can be read, InputError when there is no such file, OutputError when ``target`` exists or cannot be written.
    """
    if not damaged.is_file():
        raise InputError(f"{damaged} does not exist; name the damaged log")
    if target.exists():
        raise SettingError(f"{target} is there already; name a new file for what is saved")
    source = sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro", uri=True)
    source.text_factory = lambda raw: raw.decode("utf-8", "replace")
    hurt: set[int] = set()
    rows = 0
    try:
        with RoastLog(target) as saved, saved.together() as db:
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
    except LogError:
        for end in ("", "-wal", "-shm"):
            target.with_name(target.name + end).unlink(missing_ok=True)
        raise
    finally:
        source.close()
    return Rescued(len(there), len(hurt & there), rows)


def restore(backup: Path, log: Path) -> Path | None:
    """Makes a backup the log; the backup itself stays. Returns the name under which the log before is kept, None where
    there was none. Raises InputError (no such file), LogError (no whole log), OutputError.
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

    What SQLite keeps beside the log goes with the old one, for it would be taken for a part of the new one.
    Raises OutputError.
    """
    number = 1
    while (kept := log.with_name(f"{log.stem}-replaced-{number}{log.suffix}")).exists():
        number += 1
    there = log.exists()
    try:
        for end in ("-wal", "-shm", ""):
            part = log.with_name(log.name + end)
            if part.exists():
                part.replace(kept.with_name(kept.name + end))
        saved.replace(log)
    except OSError as error:
        raise OutputError(f"{saved} cannot take the place of {log} ({error.strerror}); move it there") from None
    return kept if there else None


def _readable(
    source: sqlite3.Connection, table: str, columns: Sequence[str], keys: Sequence[int]
) -> Iterator[tuple[int, Sequence[Any] | None]]:
    """The number of the roast and the row; None for a row where some could not be read."""
    query = f"SELECT {', '.join(columns)} FROM {table}"
    place = columns.index("roast") if "roast" in columns else 0
    whole: list[Sequence[Any]] = []
    try:
        whole = source.execute(query).fetchall()
    except sqlite3.DatabaseError:
        pass
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


def _hash_or_none(path: Path) -> str | None:
    """A recording that cannot be read must not cost the roast."""
    try:
        return sha256_of(path)
    except InputError:
        return None


def sha256_of(path: Path) -> str:
    """Of a file, hexadecimal. Raises InputError when it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"recording {path} cannot be read ({error.strerror}); check its name") from None


# -- rows and values -------------------------------------------------------------------------------------------


def _now(name: str, nothing: str) -> str:
    """A column as it stands: the correction before what was said; the value for "nothing" takes it away."""
    return (
        f"CASE WHEN entered.{name} IS NULL THEN roasts.{name} ELSE nullif(entered.{name}, {nothing}) END "
        f"AS {name}_now, entered.{name} IS NOT NULL AS {name}_corrected"
    )


_NOW = (
    "SELECT roasts.*, "
    + ", ".join(_now(name, "0" if name.endswith("_g") else "''") for name in CORRECTABLE)
    + " FROM roasts LEFT JOIN entered ON entered.roast = roasts.number"
)


def _roast(row: sqlite3.Row, moments: Mapping[str, Moment]) -> Roast:
    peak = tuple(row[name] for name in ("peak_at_s", "peak_per_minute", "peak_low", "peak_high"))
    now = {name: row[f"{name}_now"] for name in CORRECTABLE}
    return Roast(
        number=row["number"],
        identity=row["identity"],
        day=row["day"],
        kept=row["kept"],
        **{
            name: row[name]
            for name in ("source", "samplerate", "model_name", "model_hash", "version", "microphone", "length_s")
        },
        **{**now, "target": _target(now["target"])},
        expect=_pair(row["expect_from_s"], row["expect_to_s"]),
        finished=bool(row["finished"]),
        crack_count=row["crack_count"],
        peak=None if peak[1] is None else Density(*(0.0 if value is None else value for value in peak)),
        recording=None if row["recording"] is None else Path(row["recording"]),
        recording_sha256=row["recording_sha256"],
        moments=moments,
        said={name: row[name] for name in CORRECTABLE if row[f"{name}_corrected"]},
    )


def _path_text(path: Path) -> str:
    """A name of bytes that are not UTF-8 cannot be stored as it is; the file is then not found again by it."""
    return str(path).encode("utf-8", "replace").decode("utf-8")


def _positive(weight: Any) -> float | None:
    return float(weight) if isinstance(weight, int | float) and 0 < weight < math.inf else None


def _peak_columns(peak: Density | None) -> dict[str, float | None]:
    at_s, per_minute, low, high = peak or (None, None, None, None)
    return {"peak_at_s": at_s, "peak_per_minute": per_minute, "peak_low": low, "peak_high": high}


def _target(text: str | None) -> Target | None:
    """Of a stored one; what a newer or another program wrote there is no target of ours."""
    if not text:
        return None
    try:
        return Target.of_record(text)
    except SettingError:
        return None


def _pair(first: float | None, last: float | None) -> tuple[float, float] | None:
    return None if first is None or last is None else (first, last)


def _entered(name: str, value: Any) -> Any:
    """How a correction is written down; an empty text or 0 stands for "taken away"."""
    if name.endswith("_g"):
        return 0.0 if value is None else float(value)
    if name == "started" and value is not None:
        try:
            value = datetime.fromisoformat(str(value)).astimezone().isoformat(timespec="seconds")
        except (ValueError, OverflowError, OSError):  # a time that no calendar has
            raise SettingError(f"started {value!r} is not a date and time; write it as 2026-03-01T18:30") from None
    return "" if value is None else clean(str(value)) or ""


def _latest_start() -> float:
    """Seconds since the epoch; clocks of two computers may differ by a minute."""
    return datetime.now().timestamp() + 60.0


def _began(started: str | None, otherwise: datetime) -> tuple[float, str]:
    """Seconds since the epoch, and the day where it began."""
    try:
        began = otherwise if not started else datetime.fromisoformat(started)
        return began.timestamp(), f"{began:%Y-%m-%d}"
    except (ValueError, OverflowError, OSError):  # no date, or one that no calendar reaches
        return otherwise.timestamp(), f"{otherwise:%Y-%m-%d}"


def _check(roast: Roast, *, corrected: Sequence[str]) -> None:
    """Raises SettingError when the corrections do not make sense together. corrected: moments just corrected."""
    if roast.green_g is not None and roast.roasted_g is not None and roast.roasted_g >= roast.green_g:
        raise SettingError(
            f"roasted weight {roast.roasted_g:g} g is not below the green weight {roast.green_g:g} g; "
            "check which of the two is which"
        )
    if (sentence := what_is_wrong(roast, corrected)) is not None:
        raise SettingError(sentence)
