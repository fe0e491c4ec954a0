"""What the log has: roasts found by name, number or words, and everything that is kept of one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any

from crackdetect.config import Target
from crackdetect.errors import SettingError
from crackdetect.roast.corrections import Corrections, CrackLabel, MarkMove
from crackdetect.roast.record import TEXTS, Crack, Density, Moment, Note, Roast, RoastRecord, Trouble
from crackdetect.roast.words import clean
from crackdetect.storage import schema
from crackdetect.storage.log_file import LogFile
from crackdetect.storage.schema import CORRECTABLE, CRACK

#: A green weight counts as the same within this share (chosen).
SAME_WEIGHT = 0.05


class LogReading(LogFile):
    """Finds and reads; changes nothing."""

    def find(self, name: str) -> Roast:
        """The roast of that number, identity or beginning of an identity.

        ``last`` is the one put into the log last, whatever day it is of: its number was told just now, while its day
        may only have been guessed from a file. Raises SettingError when there is none, or more than one.
        """
        name = name.strip()
        if name == "last":
            latest = self._roasts("ORDER BY julianday(kept) DESC, number DESC LIMIT 1", ())
            if not latest:
                raise SettingError("the roast log is empty; save a roast first (crackdetect analyze FILE --save)")
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

    def of_recording(self, digest: str) -> Roast | None:
        """The roast whose recording has this hash; the last one put in where there are several."""
        found = self._roasts("WHERE recording_sha256 = ? ORDER BY number DESC LIMIT 1", (digest,))
        return found[0] if found else None

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
        """Roasts, newest first, that are all of what is asked for.

        Parameters
        ----------
        coffee, words
            The whole name of the coffee; a part of any text or note. Without regard to case.
        since, until
            ``YYYY-MM-DD`` or the beginning of one, both inclusive.
        green_g
            Green weight, grams, within SAME_WEIGHT.
        most
            How many at most; ``None`` = all.
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

    def record(self, roast: Roast) -> RoastRecord:
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
        return RoastRecord(
            roast, notes=self.notes([roast])[roast.number], corrections=self.corrections([roast])[roast.number], **rows
        )

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

    def corrections(self, roasts: Sequence[Roast]) -> dict[int, Corrections]:
        """What was put right in cracks and moments, with who and when, by the number of the roast.

        A moment that was corrected before the log kept that (version 2 of its tables) has no entry here.
        """
        labels: dict[int, list[CrackLabel]] = {roast.number: [] for roast in roasts}
        moves: dict[int, list[MarkMove]] = {roast.number: [] for roast in roasts}
        with schema.speaking_of(self.path):
            for row in self._of_each("SELECT * FROM corrections WHERE roast IN ({}) ORDER BY number", list(labels)):
                schema.check_row(self.path, row.keys(), row)
                one = correction_of(row)
                if isinstance(one, CrackLabel):
                    labels[row["roast"]].append(one)
                else:
                    moves[row["roast"]].append(one)
        return {number: Corrections(tuple(labels[number]), tuple(moves[number])) for number in labels}

    def last_correction(self, roast: Roast) -> tuple[int, CrackLabel | MarkMove] | None:
        """The one that undo takes back, with its number in the log; ``None`` where there is none."""
        query = "SELECT * FROM corrections WHERE roast = ? ORDER BY number DESC LIMIT 1"
        with schema.speaking_of(self.path):
            row = self._connection.execute(query, (roast.number,)).fetchone()
            if row is None:
                return None
            schema.check_row(self.path, row.keys(), row)
        return row["number"], correction_of(row)

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
                moments[row["roast"]][row["what"]] = Moment(
                    **{**moment, "corrected": bool(row["corrected"]), "confirmed": bool(row["confirmed"])}
                )
        return [_roast(row, moments[row["number"]]) for row in rows]

    def _of_each(self, query: str, numbers: Sequence[int]) -> Iterator[sqlite3.Row]:
        for start in range(0, len(numbers), 500):  # a query takes so many values at once
            part = numbers[start : start + 500]
            yield from self._connection.execute(query.format(", ".join("?" * len(part))), part)


def correction_of(row: sqlite3.Row) -> CrackLabel | MarkMove:
    """A row of ``corrections``."""
    if row["what"] == CRACK:
        told = row["is_crack"]
        return CrackLabel(row["at_s"] or 0.0, None if told is None else bool(told), row["who"], row["made"])
    return MarkMove(row["what"], row["was_s"], row["now_s"], row["whose"] or "", row["who"], row["made"])


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
        **{**now, "target": target_of(now["target"])},
        expect=pair(row["expect_from_s"], row["expect_to_s"]),
        finished=bool(row["finished"]),
        crack_count=row["crack_count"],
        peak=None if peak[1] is None else Density(*(0.0 if value is None else value for value in peak)),
        recording=None if row["recording"] is None else Path(row["recording"]),
        recording_sha256=row["recording_sha256"],
        moments=moments,
        said={name: row[name] for name in CORRECTABLE if row[f"{name}_corrected"]},
    )


def target_of(text: str | None) -> Target | None:
    """Of a stored one; what a newer or another program wrote there is no target of ours."""
    if not text:
        return None
    try:
        return Target.of_record(text)
    except SettingError:
        return None


def pair(first: float | None, last: float | None) -> tuple[float, float] | None:
    """Both, or None where one is missing."""
    return None if first is None or last is None else (first, last)
