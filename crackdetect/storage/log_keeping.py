"""A roast goes into the log: as it was heard, or as another log told it."""

from __future__ import annotations

import hashlib
import math
import re
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from crackdetect.config import Target
from crackdetect.errors import InputError
from crackdetect.events import Event
from crackdetect.roast.corrections import CrackLabel, MarkMove
from crackdetect.roast.record import TEXTS, Crack, Density, Moment, Roast, RoastRecord, Trouble
from crackdetect.roast.state import RoastState
from crackdetect.roast.words import clean
from crackdetect.storage import schema
from crackdetect.storage.journal import roasts_folder
from crackdetect.storage.log_file import LogFile
from crackdetect.storage.schema import CORRECTABLE, CRACK, PLAIN, beginning, correction

#: Columns of ``moments`` that keeping a roast again replaces; corrections stay.
_MOMENT_HEARD = ("heard_s", "earliest_s", "latest_s", "announced_s", "confidence", "marked_s", "confirmed")


class LogKeeping(LogFile):
    """Puts roasts in."""

    def keep(self, events: Iterable[Event | Mapping[str, Any]], *, recording: Path | None = None) -> str:
        """Keeps one roast and returns the identity it is kept under.

        Parameters
        ----------
        events
            Of one roast, from ``roast.start`` on; without a ``summary`` (it broke off) it is kept as far as it goes.
        recording
            Where the sound is; its hash is kept with it where it can be read.

        Raises
        ------
        InputError
            For events that are not one roast.
        """
        return self.keep_roast(RoastState.of(events, whole=True), recording=recording)

    def keep_roast(self, kept: RoastState, *, recording: Path | None = None) -> str:
        """As ``keep``, of a roast that was followed as a whole.

        Kept again, what was heard is replaced and what the person entered stays. Another file that happens to bear the
        same name becomes a roast of its own. The plan of the coffee has served its purpose when a finished roast of it
        comes in.
        """
        digest = None if recording is None else _hash_or_none(recording)
        with self.writing() as db:
            identity = self._identity(kept, digest)
            before = db.execute("SELECT number, finished FROM roasts WHERE identity = ?", (identity,)).fetchone()
            number = self._put(kept, identity, None if before is None else before["number"], recording, digest)
            self._put_moments(number, _moments(kept))
            troubles = (
                Trouble(at_s, clean(kind) or "", count, clean(message) or "")
                for at_s, kind, count, message in kept.series.troubles
            )
            self._put_series(number, kept.series.cracks, kept.series.density, troubles)
            if kept.finished and (before is None or not before["finished"]):
                coffee = schema.folded(clean(kept.about.coffee))
                db.execute("DELETE FROM plans WHERE coffee = ?", (coffee or "",))
        return identity

    def _identity(self, kept: RoastState, digest: str | None) -> str:
        """A live roast is named by its clock; a file's name may be that of another file in another folder."""
        base = clean(kept.roast) or "roast"
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

    def _put(
        self, kept: RoastState, identity: str, number: int | None, recording: Path | None, digest: str | None
    ) -> int:
        db = self._connection
        now = datetime.now().astimezone()
        about = kept.about
        first, last = about.expect or (None, None)
        entered = db.execute("SELECT started FROM entered WHERE roast = ?", (number,)).fetchone()
        started = clean(about.started)
        if number is not None and started is None and not (entered and entered["started"]):
            began, day = db.execute("SELECT began, day FROM roasts WHERE number = ?", (number,)).fetchone()
        else:
            began, day = beginning((entered["started"] if entered else None) or started, now)
        heard = {
            # to the millisecond, as several may be kept within a second
            "kept": now.isoformat(timespec="milliseconds"),
            "began": began,
            "day": day,
            "source": kept.source,
            "samplerate": kept.samplerate,
            "model_name": kept.model["name"],
            "model_hash": kept.model["hash"],
            "version": kept.version,
            "length_s": kept.until,
            "finished": kept.finished,
            "crack_count": kept.series.crack_count,
            **_peak_columns(kept.series.peak),
        }
        said = {
            "started": started,
            **{name: clean(getattr(about, name)) for name in (*TEXTS, "microphone")},
            "green_g": _positive(about.green_g),
            "target": None if kept.settings.target is None else str(kept.settings.target),
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

    def put(self, record: RoastRecord, *, replace: bool = False) -> bool:
        """Keeps a roast as another log told it, corrections and notes included; whether it did.

        One of the same identity that is there already is left alone, or replaced, its number kept. What the log names
        itself (number, numbers of notes) is given anew. Where the recording is, another log cannot know: see
        :meth:`_recording_here`.
        """
        roast = record.roast
        now = {name: getattr(roast, name) for name in CORRECTABLE}
        said = {name: roast.said.get(name, now[name]) for name in CORRECTABLE}
        began, day = beginning(roast.started, datetime.fromisoformat(roast.kept))
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
        }
        with self.writing() as db:
            before = db.execute(
                "SELECT number, recording, recording_sha256 FROM roasts WHERE identity = ?", (roast.identity,)
            ).fetchone()
            values["recording"] = self._recording_here(roast, before)
            if before is not None:
                if not replace:
                    return False
                db.execute("DELETE FROM roasts WHERE number = ?", (before["number"],))
                values["number"] = before["number"]
            number = self._insert(values)
            if roast.said:
                entered = {name: correction(name, now[name]) for name in roast.said}
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
            self._put_series(number, record.cracks, record.density, record.troubles)
            db.executemany(
                "INSERT INTO notes (roast, tasted_on, text, cup, liking) VALUES (?, ?, ?, ?, ?)",
                [(number, note.tasted_on.isoformat(), note.text, note.cup, note.liking) for note in record.notes],
            )
            both: list[CrackLabel | MarkMove] = [*record.corrections.labels, *record.corrections.moves]
            db.executemany(
                "INSERT INTO corrections (roast, what, at_s, is_crack, was_s, now_s, whose, who, made) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(number, *_correction_row(one)) for one in sorted(both, key=lambda one: one.when)],
            )
        return True

    def _recording_here(self, roast: Roast, before: sqlite3.Row | None) -> str | None:
        """Of an imported roast the recording that is known here already, or lies in a roast's folder, by its hash.

        Any other path is not looked at: the file could be anybody's, and on a network.
        """
        from crackdetect.storage.recording import SOUND_NAME  # not before it is needed: it loads numpy

        digest = roast.recording_sha256
        if roast.recording is None or digest is None:
            return None
        if before is not None and before["recording"] is not None and before["recording_sha256"] == digest:
            return before["recording"]  # type: ignore[no-any-return]
        *_, name, file = ("", *re.split(r"[/\\]", str(roast.recording)))  # of any system
        folder = roasts_folder(self.path.parent)
        place = folder / name / SOUND_NAME
        if file != SOUND_NAME or not name.strip(".") or place.resolve().parent.parent != folder.resolve():
            return None
        return _path_text(place) if place.is_file() and _hash_or_none(place) == digest else None

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
        blank = ", ".join(f"{name} = {0 if name == 'confirmed' else 'NULL'}" for name in _MOMENT_HEARD)
        db.execute(f"UPDATE moments SET {blank} WHERE roast = ?", (number,))
        replaced = ", ".join(f"{name} = excluded.{name}" for name in _MOMENT_HEARD)
        db.executemany(
            f"INSERT INTO moments (roast, what, {', '.join(_MOMENT_HEARD)}) VALUES (?, ?{', ?' * len(_MOMENT_HEARD)}) "
            f"ON CONFLICT (roast, what) DO UPDATE SET {replaced}",
            [(number, what, *(getattr(moment, name) for name in _MOMENT_HEARD)) for what, moment in moments.items()],
        )


def _correction_row(one: CrackLabel | MarkMove) -> tuple[Any, ...]:
    if isinstance(one, CrackLabel):
        return (CRACK, one.at, one.is_crack, None, None, None, one.by, one.when)
    return (one.mark, None, None, one.was, one.now, one.whose, one.by, one.when)


def _moments(kept: RoastState) -> dict[str, Moment]:
    """What was said of each moment; a yes to what was heard counts as long as it stands as it was heard."""
    moments = {what: said.as_moment() for what, said in kept.statements.items()}
    start = moments.get("first_crack.start")
    if kept.confirmed and start is not None and start.whose == "heard":
        moments["first_crack.start"] = replace(start, confirmed=True)
    return moments


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


def _path_text(path: Path) -> str:
    """A name of bytes that are not UTF-8 cannot be stored as it is; the file is then not found again by it."""
    return str(path).encode("utf-8", "replace").decode("utf-8")


def _positive(weight: Any) -> float | None:
    return float(weight) if isinstance(weight, int | float) and 0 < weight < math.inf else None


def _peak_columns(peak: Density | None) -> dict[str, float | None]:
    at_s, per_minute, low, high = peak or (None, None, None, None)
    return {"peak_at_s": at_s, "peak_per_minute": per_minute, "peak_low": low, "peak_high": high}
