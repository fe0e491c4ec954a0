"""Roasts that were cut off: found at the next start, gone on with or closed as they stand."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.audio.gap_meter import clock_through_sleep
from crackdetect.errors import CrackdetectError, InputError, OutputError, SettingError
from crackdetect.model import Model
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import RoastState
from crackdetect.storage import boot_clock
from crackdetect.storage.atomic_file import replace_for_good
from crackdetect.storage.journal import (
    KEPT_NAME,
    OPEN_NAME,
    InUse,
    Journal,
    close_folder,
    held,
    read_events,
    read_journal,
    reopen_folder,
    roasts_folder,
)
from crackdetect.storage.recording import join, parts, take_apart
from crackdetect.storage.roast_store import RoastLog

if TYPE_CHECKING:
    from filelock import BaseFileLock

    from crackdetect.storage.boot_clock import BootTime

#: A roast may still be running when it was cut off at most this long ago, or a closed terminal ended it within the
#: length of the longest roast, ...
RECENT_S = 20 * 60.0
#: ... began at most this long ago (common practice, no source: a small batch takes 8 to 18 minutes, then it cools) ...
LONGEST_ROAST_S = 60 * 60.0
#: ... and did not drop longer ago than a batch cools (common practice, no source: a few minutes).
LONGEST_COOLING_S = 10 * 60.0
_DAMAGED_NAME = "damaged.jsonl"
#: Roasts of the log among which the last one is looked for: their files bear times of the wall clock.
_LOOKED_AT = 3
#: What events of other kinds and sizes than ours can come to when they are read: the journal is a file that anything
#: may have written into, and one that is damaged must not keep anybody from roasting.
_DAMAGE = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)


@dataclass(frozen=True, slots=True)
class CutOff:
    """A roast without its end, or one that only the end of the program ended.

    Attributes
    ----------
    folder, state
        Where it is kept, and what it amounts to.
    started
        When its first sample was, by the wall clock as it stands now; ``None`` where that is not known.
    began_s
        The same by :func:`~crackdetect.audio.gap_meter.clock_through_sleep`, whatever becomes of the wall clock; the
        present moment where it is not known.
    """

    folder: Path
    state: RoastState
    started: datetime | None
    began_s: float = field(init=False)

    def __post_init__(self) -> None:
        now = datetime.now().astimezone()
        since_s = 0.0 if self.started is None else (now - self.started).total_seconds()
        object.__setattr__(self, "began_s", clock_through_sleep() - since_s)

    def ago_s(self, now: datetime) -> float | None:
        """Seconds since the last that was kept of it; ``None`` where the clock does not tell."""
        if self.started is None:
            return None
        ago_s = (now - self.started).total_seconds() - self.state.until
        return ago_s if ago_s >= 0 else None

    def may_still_run(self, now: datetime) -> bool:
        """Whether the beans may still be in the roaster."""
        state, ago_s = self.state, self.ago_s(now)
        if ago_s is None or ago_s > (LONGEST_ROAST_S if state.finished else RECENT_S) or state.cooled is not None:
            return False
        if state.finished and not self._ended_by_the_program:
            return False
        time = state.until + ago_s
        since_drop = 0.0 if state.drop is None else time - state.drop.at
        return time <= LONGEST_ROAST_S and since_drop <= LONGEST_COOLING_S

    @property
    def _ended_by_the_program(self) -> bool:
        at = self.state.interrupted_at
        return at is not None and self.state.until - at < 1.0  # what is left to say comes behind it

    @property
    def was_recorded(self) -> bool:
        """Whether its sound was recorded."""
        return next(parts(self.folder), None) is not None

    def told(self, now: datetime) -> str:
        """What happened, in a sentence without its end."""
        ago_s = self.ago_s(now)
        ago = "" if ago_s is None or ago_s >= 3600 else f", {clock(ago_s)} ago"
        return f"{self.named} was cut off at {clock(self.state.until)}{ago}"

    @property
    def named(self) -> str:
        """Which roast it is, in the middle of a sentence."""
        coffee = f" of {self.state.about.coffee}" if self.state.about.coffee else ""
        return f"the roast{coffee} that began as {self.state.roast}"


def find(data: Path, *, tell: Callable[[str], None] = lambda sentence: None) -> list[CutOff]:
    """Roasts below the data folder that nobody listens to and that are not in the log, the oldest first.

    A journal in which nothing can be read, or that is not as we write it, is set aside.

    Parameters
    ----------
    data
        The data folder.
    tell
        Takes a sentence on each that was set aside, on each that lacks something, and on each folder that cannot be
        written to.
    """
    found: list[CutOff] = []
    try:
        paths = sorted(roasts_folder(data).glob(f"*/{OPEN_NAME}"))
    except OSError as error:
        where = f"the roasts in {roasts_folder(data)} cannot be looked through ({error.strerror})"
        tell(f"{where}; one that was cut off stays there until they can")
        return found
    for path in paths:
        try:
            with _looked_into(path.parent), held(path.parent):
                # another process may have put it into the log meanwhile
                cut_off = _read(path, tell) if path.exists() else None
        except InUse:
            continue
        except OutputError as error:
            tell(str(error))
            continue
        if cut_off is not None:
            found.append(cut_off)
    return found


def _read(path: Path, tell: Callable[[str], None]) -> CutOff | None:
    """None for a journal that was set aside. Raises OutputError."""
    try:
        journaled = read_journal(path.parent)
        state = RoastState.of(journaled.events)
    except (InputError, SettingError, *_DAMAGE) as error:
        if (aside := _set_aside(path)) is not None:
            tell(f"a roast that was cut off cannot be read: {_reason(error)}; it is set aside as {aside}")
        return None
    if journaled.damaged:
        tell(
            f"{journaled.damaged} of {len(journaled.events) + journaled.damaged} lines of the roast {state.roast} were "
            "damaged on the disk and are left out; all others are kept"
        )
    return CutOff(path.parent, state, _started(state, journaled.clock))


def last_ended(data: Path) -> CutOff | None:
    """Of the roasts in the log the one that was heard last, as far as it can be told; ``None`` = there is none."""
    ended: list[CutOff] = []
    try:
        paths = sorted(roasts_folder(data).glob(f"*/{KEPT_NAME}"), key=lambda path: path.stat().st_mtime)
    except OSError:
        return None
    for path in paths[-_LOOKED_AT:]:
        try:
            journaled = read_journal(path.parent)
            state = RoastState.of(journaled.events)
        except (InputError, SettingError, OSError, *_DAMAGE):  # it is in the log, and only a copy
            continue
        ended.append(CutOff(path.parent, state, _started(state, journaled.clock)))
    now = datetime.now().astimezone()
    return min(ended, key=lambda one: math.inf if (ago_s := one.ago_s(now)) is None else ago_s, default=None)


def reopen(cut_off: CutOff) -> None:
    """The roast is gone on with: what had been ended of it is open again.

    Raises OutputError, also where another process has taken it up while the person thought about it.
    """
    with held(cut_off.folder):
        if cut_off.state.finished:
            reopen_folder(cut_off.folder)
            take_apart(cut_off.folder)
        elif not (cut_off.folder / OPEN_NAME).exists():
            raise OutputError("another crackdetect has ended it meanwhile")
    cut_off.state.finished = False


def close(cut_off: CutOff, model: Model) -> str:
    """Ends the roast where it was cut off, with the summary as far as it goes, and keeps it in the log.

    Returns
    -------
    str
        Its identity there.

    Raises
    ------
    OutputError, LogError
        Then it is as it was, for the next start.
    InputError
        Where its events are damaged, which sets them aside.
    """
    folder = cut_off.folder
    with _looked_into(folder), held(folder) as lock:
        if not (folder / OPEN_NAME).exists():
            raise OutputError("another crackdetect has closed it meanwhile")
        try:
            _finish(folder, lock, model)
            whole = RoastState.of(read_events(folder), whole=True)
        except (InputError, SettingError, *_DAMAGE) as error:
            aside = _set_aside(folder / OPEN_NAME)
            raise InputError(f"{_reason(error)}; its events are set aside as {aside}") from error
        return _keep(folder, whole)


def _reason(error: Exception) -> str:
    return str(error) if isinstance(error, CrackdetectError) else f"{type(error).__name__}: {error}"


@contextmanager
def _looked_into(folder: Path) -> Iterator[None]:
    """What the system says of a folder of a roast, in a sentence of ours; all in it stays as it is."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"the roast in {folder} cannot be read ({error.strerror}); check the disk") from error


def _finish(folder: Path, lock: BaseFileLock, model: Model) -> None:
    """Adds the summary, if there is none: as the events are by now, for another process may have gone on with it."""
    state = RoastState.of(read_events(folder))
    if state.finished:
        return
    pipeline = Pipeline(
        samplerate=state.samplerate, model=model, settings=state.settings, roast=state.roast, state=state
    )
    message = f"the program was ended at {clock(state.until)}; the roast is kept as far as it was heard"
    with closing(Journal(folder, lock=lock)) as journal:
        for event in (*pipeline.notice("interrupted", message=message), *pipeline.finish()):
            journal.send(event)


def keep(folder: Path) -> str:
    """A roast that has its summary goes into the log, with its recording; returns its identity there.

    Raises OutputError, LogError, InputError.
    """
    with _looked_into(folder), held(folder):
        events = read_events(folder)
        if (folder / OPEN_NAME).exists():
            return _keep(folder, RoastState.of(events, whole=True))
    return str(events[0]["roast"])  # another process was faster


def _keep(folder: Path, whole: RoastState) -> str:
    """What is wrong here is wrong with the log or the disk, never with the events: they have been read as a whole."""
    recording = join(folder)
    with RoastLog() as log:
        identity = log.keep_roast(whole, recording=recording)
    close_folder(folder)
    return identity


def _set_aside(path: Path) -> Path | None:
    """Where it is now; ``None`` where it held nothing and is gone."""
    aside = path.with_name(_DAMAGED_NAME)
    try:
        if path.stat().st_size == 0:  # killed before the first event was on the disk
            for one in [*path.parent.glob("*.jsonl"), *parts(path.parent)]:
                if not one.stat().st_size:
                    one.unlink()
            return path.parent if any(path.parent.glob("sound*")) else None
        replace_for_good(path, aside)
    except OSError as error:
        raise OutputError(f"{path} cannot be moved ({error.strerror}); check its permissions") from error
    return aside


def _started(state: RoastState, clock: BootTime | None) -> datetime | None:
    """By the clock that nobody sets, where the computer has not been started anew since; else as it was told."""
    since_s = None if clock is None else boot_clock.now().since(clock)
    if since_s is None:
        return _clock_of(state.about.started)
    return datetime.now().astimezone() - timedelta(seconds=since_s)


def _clock_of(text: str | None) -> datetime | None:
    try:
        clock = None if text is None else datetime.fromisoformat(text)
    except ValueError:
        return None
    return clock if clock is not None and clock.tzinfo is not None else None
