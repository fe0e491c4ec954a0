"""Roasts that were cut off: found at the next start, gone on with or closed as they stand."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from crackdetect.classify import Model
from crackdetect.errors import CrackdetectError, InputError, OutputError, SettingError
from crackdetect.events import clock
from crackdetect.keeping.journal import OPEN_NAME, InUse, Journal, close_folder, held, read_events, roasts_folder
from crackdetect.keeping.recording import join, parts
from crackdetect.log.store import RoastLog
from crackdetect.pipeline import Pipeline
from crackdetect.so_far import SoFar

#: A roast may still be running when it was cut off at most this long ago ...
RECENT_S = 20 * 60.0
#: ... began at most this long ago (common practice, no source: a small batch takes 8 to 18 minutes, then it cools) ...
LONGEST_ROAST_S = 60 * 60.0
#: ... and did not drop longer ago than a batch cools (common practice, no source: a few minutes).
LONGEST_COOLING_S = 10 * 60.0
_DAMAGED_NAME = "damaged.jsonl"
#: What events of other kinds and sizes than ours can come to on their way into the log: the journal is a file that
#: anything may have written into, and one that is damaged must not keep anybody from roasting. Of SQLite only what it
#: says of values: trouble with the log itself leaves the journal as it is.
_DAMAGE = (
    *(ArithmeticError, AttributeError, LookupError, TypeError, ValueError),
    *(sqlite3.DataError, sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError),
)


@dataclass(frozen=True, slots=True)
class CutOff:
    """A roast without its end. started: wall clock at its first sample, ``None`` where that is not known."""

    folder: Path
    so_far: SoFar
    started: datetime | None

    def ago_s(self, now: datetime) -> float | None:
        """Seconds since the last that was kept of it; ``None`` where the clock does not tell."""
        if self.started is None:
            return None
        ago_s = (now - self.started).total_seconds() - self.so_far.until
        return ago_s if ago_s >= 0 else None

    def may_still_run(self, now: datetime) -> bool:
        so_far, ago_s = self.so_far, self.ago_s(now)
        if ago_s is None or ago_s > RECENT_S or so_far.finished or so_far.cooled is not None:
            return False
        time = so_far.until + ago_s
        since_drop = 0.0 if so_far.drop is None else time - so_far.drop
        return time <= LONGEST_ROAST_S and since_drop <= LONGEST_COOLING_S

    @property
    def was_recorded(self) -> bool:
        return next(parts(self.folder), None) is not None

    def told(self, now: datetime) -> str:
        """What happened, in a sentence without its end."""
        so_far, ago_s = self.so_far, self.ago_s(now)
        coffee = f" of {so_far.about.coffee}" if so_far.about.coffee else ""
        ago = "" if ago_s is None or ago_s >= 3600 else f", {clock(ago_s)} ago"
        return f"the roast{coffee} that began as {so_far.roast} was cut off at {clock(so_far.until)}{ago}"


def find(data: Path, *, tell: Callable[[str], None] = lambda sentence: None) -> list[CutOff]:
    """Roasts below the data folder that nobody listens to and that are not in the log, the oldest first.

    A journal in which nothing can be read, or that is not as we write it, is set aside. tell: takes a sentence on each
    that was, and on each folder that cannot be written to.
    """
    found = []
    for path in sorted(roasts_folder(data).glob(f"*/{OPEN_NAME}")):
        folder = path.parent
        try:
            with held(folder):
                if not path.exists():  # another process has put it into the log meanwhile
                    continue
                try:
                    so_far = SoFar.of(read_events(folder))
                except (InputError, OSError) as error:
                    if (aside := _set_aside(path)) is not None:
                        tell(f"a roast that was cut off cannot be read: {error}; it is set aside as {aside}")
                    continue
        except InUse:
            continue
        except OutputError as error:
            tell(str(error))
            continue
        found.append(CutOff(folder, so_far, _clock_of(so_far.about.started)))
    return found


def close(cut_off: CutOff, model: Model) -> str:
    """Ends the roast where it was cut off, with the summary as far as it goes, and keeps it in the log.

    Returns its identity there. Raises OutputError, LogError: then it is as it was, for the next start; InputError where
    its events are damaged, which sets them aside.
    """
    folder = cut_off.folder
    with held(folder) as lock:
        if not (folder / OPEN_NAME).exists():
            raise OutputError("another crackdetect has closed it meanwhile")
        try:
            so_far = SoFar.of(read_events(folder))  # as it is by now, for another process may have gone on with it
            if not so_far.finished:
                pipeline = Pipeline(
                    samplerate=so_far.samplerate,
                    model=model,
                    settings=so_far.settings,
                    roast=so_far.roast,
                    so_far=so_far,
                )
                message = f"the program was ended at {clock(so_far.until)}; the roast is kept as far as it was heard"
                with closing(Journal(folder, lock=lock)) as journal:
                    for event in (*pipeline.notice("interrupted", message=message), *pipeline.finish()):
                        journal.send(event)
            return _keep(folder)
        except OSError as error:
            raise OutputError(f"{folder} cannot be read ({error.strerror}); check its permissions") from error
        except (InputError, SettingError, *_DAMAGE) as error:
            reason = error if isinstance(error, CrackdetectError) else f"{type(error).__name__}: {error}"
            raise InputError(f"{reason}; its events are set aside as {_set_aside(folder / OPEN_NAME)}") from error


def keep(folder: Path) -> str:
    """A roast that has its summary goes into the log, with its recording; returns its identity there.

    Raises OutputError, LogError, InputError.
    """
    with held(folder):
        if (folder / OPEN_NAME).exists():
            return _keep(folder)
    return str(read_events(folder)[0]["roast"])  # another process was faster


def _keep(folder: Path) -> str:
    events: Iterable[Mapping[str, Any]] = read_events(folder)
    recording = join(folder)
    with RoastLog() as log:
        identity = log.keep(events, recording=recording)
    close_folder(folder)
    return identity


def _set_aside(path: Path) -> Path | None:
    """Where it is now; ``None`` where it held nothing and is gone."""
    aside = path.with_name(_DAMAGED_NAME)
    try:
        if path.stat().st_size == 0 and not any(path.parent.glob("sound*")):
            path.unlink()  # killed before the first event: nothing was heard
            return None
        os.replace(path, aside)
    except OSError as error:
        raise OutputError(f"{path} cannot be moved ({error.strerror}); check its permissions") from error
    return aside


def _clock_of(text: str | None) -> datetime | None:
    try:
        clock = None if text is None else datetime.fromisoformat(text)
    except ValueError:
        return None
    return clock if clock is not None and clock.tzinfo is not None else None
