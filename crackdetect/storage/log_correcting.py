"""What the person says of a roast afterwards: corrections, tasting notes, and that it is to go."""

from __future__ import annotations

import getpass
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from crackdetect.errors import SettingError
from crackdetect.roast.corrections import CrackLabel
from crackdetect.roast.record import CUPS, LIKING, MOMENTS, Note, Roast, what_is_wrong
from crackdetect.roast.words import clean
from crackdetect.storage.log_reading import LogReading
from crackdetect.storage.schema import CORRECTABLE, CRACK, beginning, correction


class LogCorrecting(LogReading):
    """Changes what is kept; what was heard stays beside it."""

    def edit(
        self,
        roast: Roast,
        *,
        values: Mapping[str, Any] | None = None,
        moments: Mapping[str, float | None] | None = None,
        restore: Sequence[str] = (),
        by: str | None = None,
    ) -> Roast:
        """Corrects a roast; what was heard and said before stays beside it, and of moments who moved them and when.

        Parameters
        ----------
        values
            By a name of CORRECTABLE; ``None`` takes the value away.
        moments
            Seconds from the first sample by a name of MOMENTS; ``None`` says that it did not happen.
        restore
            Names of either whose correction is taken back.
        by
            Who says so; ``None``: see :func:`this_person`.

        Returns
        -------
        Roast
            As it now is.

        Raises
        ------
        SettingError
            For another name, a moment outside the roast or out of order, a start in the future, a roasted weight above
            the green one, or a roast that is no longer there; then nothing has changed.
        """
        values, moments = dict(values or {}), dict(moments or {})
        _check_names(values, moments, restore)
        with self.writing() as db:
            before = self._still_there(roast)
            db.execute("INSERT OR IGNORE INTO entered (roast) VALUES (?)", (roast.number,))
            for name, value in values.items():
                _enter(db, roast, name, value)
            for what, at_s in moments.items():
                _enter_moment(db, roast, what, at_s)
                was = before.moment(what)
                if (was.at_s, was.corrected) != (at_s, True):
                    move = {"what": what, "was_s": was.at_s, "now_s": at_s, "whose": was.whose}
                    _write_down(db, roast, by, move)
            for name in restore:
                _take_back(db, roast, name)
            now = self._still_there(roast)
            _check(now, corrected=[*moments, *(name for name in restore if name in MOMENTS)])
            if "started" in values or "started" in restore:
                began, day = beginning(now.started, datetime.fromisoformat(now.kept))
                db.execute("UPDATE roasts SET began = ?, day = ? WHERE number = ?", (began, day, now.number))
                now = self._still_there(roast)
        return now

    def _still_there(self, roast: Roast) -> Roast:
        found = self._roasts("WHERE number = ?", (roast.number,))
        if not found:
            raise SettingError(f"{roast.name} is no longer in the log; another program has deleted it")
        return found[0]

    def label_crack(self, roast: Roast, at: float, is_crack: bool | None, *, by: str | None = None) -> None:
        """Somebody has listened to a crack, or to a place where none was heard.

        Parameters
        ----------
        at
            Seconds from the first sample; of a crack that was heard as the ``crack`` event has it.
        is_crack
            ``None``: it could not be told.
        by
            Who says so; ``None``: see :func:`this_person`.

        Raises
        ------
        SettingError
            For a roast that is no longer there.
        """
        with self.writing() as db:
            self._still_there(roast)
            _write_down(db, roast, by, {"what": CRACK, "at_s": at, "is_crack": is_crack})

    def undo_correction(self, roast: Roast, number: int) -> Roast:
        """Takes back the last correction of a crack or a moment: what held before it holds again.

        Parameters
        ----------
        number
            As :meth:`last_correction` has it.

        Raises
        ------
        SettingError
            When it is not the last one any more.
        """
        with self.writing() as db:
            last = self.last_correction(roast)
            if last is None or last[0] != number:
                raise SettingError("that has just changed; look again before you undo it")
            db.execute("DELETE FROM corrections WHERE number = ?", (number,))
            one = last[1]
            if not isinstance(one, CrackLabel):
                if one.whose == "corrected":
                    _enter_moment(db, roast, one.mark, one.was)
                else:
                    _forget_moment(db, roast, one.mark)
            return self._still_there(roast)

    def note(
        self,
        roast: Roast,
        *,
        text: str = "",
        cup: int | None = None,
        liking: int | None = None,
        tasted_on: date | None = None,
    ) -> Note:
        """Adds a tasting note.

        Parameters
        ----------
        text
            Free text, of several lines if need be.
        cup, liking
            A key of CUPS, and of LIKING.
        tasted_on
            ``None`` = today.

        Raises
        ------
        SettingError
            For an empty one, or values out of range.
        """
        text = clean(text, lines=True) or ""
        if not text and cup is None and liking is None:
            raise SettingError("a note needs words, a cup or a liking; write at least one of them")
        if cup is not None and cup not in CUPS:
            raise SettingError(f"cup {cup!r} is unknown; choose one of {', '.join(CUPS.values())}")
        if liking is not None and liking not in LIKING:
            raise SettingError(f"liking {liking} is out of range; give 1 ({LIKING[1]}) to 5 ({LIKING[5]})")
        day = tasted_on or date.today()
        with self.writing() as db:
            cursor = db.execute(
                "INSERT INTO notes (roast, tasted_on, text, cup, liking) VALUES (?, ?, ?, ?, ?)",
                (roast.number, day.isoformat(), text, cup, liking),
            )
        return Note(cursor.lastrowid or 0, day, text, cup, liking)

    def remove_note(self, roast: Roast, number: int) -> None:
        """Raises SettingError when the roast has no such note."""
        with self.writing() as db:
            if not db.execute("DELETE FROM notes WHERE roast = ? AND number = ?", (roast.number, number)).rowcount:
                raise SettingError(f"{roast.name} has no note {number}; 'crackdetect log show' numbers its notes")

    def delete(self, roasts: Sequence[Roast]) -> None:
        """All of them or none, with everything heard in them and said of them. Recordings are not touched."""
        with self.writing() as db:
            db.executemany("DELETE FROM roasts WHERE number = ?", [(roast.number,) for roast in roasts])


def _check_names(values: Iterable[str], moments: Iterable[str], restore: Iterable[str]) -> None:
    unknown = [name for name in values if name not in CORRECTABLE] + [what for what in moments if what not in MOMENTS]
    unknown += [name for name in restore if name not in (*CORRECTABLE, *MOMENTS)]
    if unknown:
        raise SettingError(f"{unknown[0]!r} cannot be corrected; choose one of {', '.join((*CORRECTABLE, *MOMENTS))}")


def _enter(db: sqlite3.Connection, roast: Roast, name: str, value: Any) -> None:
    entered = correction(name, value)
    if name == "started" and entered and datetime.fromisoformat(entered).timestamp() > _latest_start():
        raise SettingError(f"started {entered} lies in the future; give the day on which it was roasted")
    db.execute(f"UPDATE entered SET {name} = ? WHERE roast = ?", (entered, roast.number))


def this_person() -> str:
    """The name under which whoever runs this is known to the computer; nothing where it knows none."""
    try:
        return clean(getpass.getuser()) or ""
    except (OSError, KeyError, ImportError):  # of a user without an entry, by system and version
        return ""


def _write_down(db: sqlite3.Connection, roast: Roast, by: str | None, values: Mapping[str, Any]) -> None:
    who = this_person() if by is None else clean(by) or ""
    row = {"roast": roast.number, **values, "who": who, "made": datetime.now(UTC).isoformat(timespec="milliseconds")}
    marks = ", ".join("?" * len(row))
    db.execute(f"INSERT INTO corrections ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))


def _enter_moment(db: sqlite3.Connection, roast: Roast, what: str, at_s: float | None) -> None:
    db.execute(
        "INSERT INTO moments (roast, what, entered_s, corrected) VALUES (?, ?, ?, 1) "
        "ON CONFLICT (roast, what) DO UPDATE SET entered_s = excluded.entered_s, corrected = 1",
        (roast.number, what, at_s),
    )


def _forget_moment(db: sqlite3.Connection, roast: Roast, what: str) -> None:
    taken = "UPDATE moments SET entered_s = NULL, corrected = 0 WHERE roast = ? AND what = ?"
    db.execute(taken, (roast.number, what))


def _take_back(db: sqlite3.Connection, roast: Roast, name: str) -> None:
    if name in MOMENTS:
        _forget_moment(db, roast, name)
        db.execute("DELETE FROM corrections WHERE roast = ? AND what = ?", (roast.number, name))
    else:
        db.execute(f"UPDATE entered SET {name} = NULL WHERE roast = ?", (roast.number,))


def _latest_start() -> float:
    """Seconds since the epoch; clocks of two computers may differ by a minute."""
    return datetime.now().timestamp() + 60.0


def _check(roast: Roast, *, corrected: Sequence[str]) -> None:
    """Raises SettingError when the corrections do not make sense together. corrected: moments just corrected."""
    if roast.green_g is not None and roast.roasted_g is not None and roast.roasted_g >= roast.green_g:
        raise SettingError(
            f"roasted weight {roast.roasted_g:g} g is not below the green weight {roast.green_g:g} g; "
            "check which of the two is which"
        )
    if (sentence := what_is_wrong(roast, corrected)) is not None:
        raise SettingError(sentence)
