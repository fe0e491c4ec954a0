"""Recordings heard from end to end: one, or many with worker processes; the answers do not depend on which.

There is no second algorithm here: each recording goes through the same pipeline, block by block, as a microphone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from crackdetect.audio.files import open_recording
from crackdetect.audio.playback import Playback
from crackdetect.audio.recording_notes import Recording, closing_notes, opening_notes, tags, why_inaudible
from crackdetect.config import About, Settings
from crackdetect.errors import CrackdetectError, InputError, OutputError
from crackdetect.events import Event, Sink
from crackdetect.interface import pipeline_for
from crackdetect.model import Model, load_model
from crackdetect.pipeline import Pipeline
from crackdetect.running import heard_before
from crackdetect.running.loop import listen
from crackdetect.running.parallel import imap_until_interrupted
from crackdetect.storage import machine_profiles, paths

#: Exit code of a file command that the person interrupted (128 + SIGINT, as shells have it).
INTERRUPTED = 130


def hear(
    source: Recording,
    pipeline: Pipeline,
    sinks: Sequence[Sink],
    *,
    say: Callable[[str], None],
    speed: float | None = None,
    progress: Callable[[float], None] | None = None,
    stop: threading.Event | None = None,
) -> int:
    """A recording from end to end, through the same loop as a microphone.

    When the source fails or the person interrupts, the events of what was heard and the summary are sent all the same.

    Parameters
    ----------
    say
        Takes one sentence for each thing that went wrong.
    speed, progress
        See :class:`crackdetect.audio.playback.Playback`.
    stop
        Set when the person interrupts, here or elsewhere.

    Returns
    -------
    int
        The exit code; INTERRUPTED when the person ended it.

    Raises
    ------
    BrokenPipeError
        When the reader of the events has gone before the end.
    """
    stop = threading.Event() if stop is None else stop
    playback = Playback(source, speed=speed, progress=progress)
    code = listen(playback, pipeline, sinks, stop=stop, end_on_closed_pipe=True, say=say)
    if stop.is_set():
        return INTERRUPTED
    if code == 0 and not playback.ended:
        raise BrokenPipeError
    return code


@dataclass(frozen=True, slots=True)
class Heard:
    """What became of a recording.

    Attributes
    ----------
    exit_code
        0; 3 when it breaks off or holds nothing that can be heard; INTERRUPTED; else that of the error that ended it.
    audible
        False when it was heard to its end and held nothing that can be heard.
    tags
        What is special about it, in a word or two each, for a table.
    """

    exit_code: int
    audible: bool
    tags: tuple[str, ...]


def hear_recording(
    source: Recording,
    *,
    roast: str,
    settings: Settings,
    model: Path | None,
    about: About,
    sinks: Sequence[Sink],
    say: Callable[[str], None],
    note: Callable[[str], None],
    progress: Callable[[float], None] | None = None,
    stop: threading.Event | None = None,
    untaught: bool = False,
) -> Heard:
    """A recording that has been opened, from end to end, with all that is to be said of it; it is closed.

    Parameters
    ----------
    roast
        Identity of the roast in the events.
    model
        A model file, ``None`` = the shipped one.
    say, note
        Take one sentence for each thing that went wrong, and for each that is worth knowing.
    progress
        Takes the seconds heard so far.
    stop
        Set when the person interrupts, here or elsewhere.
    untaught
        Without what is known of the machine that ``about`` names.

    Raises
    ------
    ModelError
        When the model cannot be used.
    BrokenPipeError
        When the reader of the events has gone before the end.
    """
    with closing(source):
        knowing = _knowing(model, None if untaught else about.machine, note=note)
        pipeline = pipeline_for(source, settings, model=knowing, roast=roast, about=about)
        told = opening_notes(source)
        for sentence in told:
            note(sentence)
        code = hear(source, pipeline, sinks, say=say, progress=progress, stop=stop)
    to_its_end = code != INTERRUPTED
    for sentence in closing_notes(source, pipeline, told=told, to_its_end=to_its_end):
        note(sentence)
    why = why_inaudible(source, pipeline) if code == 0 else None
    if why is not None:
        say(why)
    if code == 0 and (why is not None or source.truncated):
        code = InputError.exit_code
    return Heard(code, why is None, tuple(tags(source, pipeline, to_its_end=to_its_end)))


def _knowing(path: Path | None, machine: str | None, *, note: Callable[[str], None]) -> Model:
    """The model, with what is known of the machine that was named."""
    model = load_once(path)
    if machine is None:
        return model
    return machine_profiles.knowing(model, machine, data=paths.data_folder(), note=note)


# -- several -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Job:
    """One file to hear.

    Attributes
    ----------
    path : pathlib.Path
    roast : str
        Its identity in the events.
    settings : Settings
    channel : int or None
        From 1; None = where cracks stand out best.
    model : pathlib.Path or None
        A model file; None = the shipped one.
    about : About
        What the person said of it.
    dated : bool
        Whether its start is worked out from the file (see :func:`dated_by_file`).
    kept : pathlib.Path or None
        Folder in which the answer is looked for, and kept (see :mod:`running.heard_before`); None = it is heard anew.
    untaught : bool
        See :func:`hear_recording`.
    """

    path: Path
    roast: str
    settings: Settings
    channel: int | None = None
    model: Path | None = None
    about: About = field(default_factory=About)
    dated: bool = False
    kept: Path | None = None
    untaught: bool = False


@dataclass(slots=True)
class AllEvents:
    """A sink that keeps every event."""

    events: list[Event] = field(default_factory=list)

    def send(self, event: Event) -> None:
        """Keeps the event."""
        self.events.append(event)

    @property
    def summary(self) -> dict[str, Any] | None:
        """Fields of the ``summary``, which is the last event of a roast; None before it."""
        if self.events and self.events[-1].type == "summary":
            return dict(self.events[-1].fields)
        return None


@dataclass(slots=True)
class Report(AllEvents):
    """What became of a job; a sink of its events.

    Attributes
    ----------
    notes, tags
        Sentences worth telling; the same in a word or two each, for a table.
    errors
        Sentences on what failed; the events of what was heard are there all the same.
    exit_code
        As of a command on this file alone.
    before
        Whether it was heard in an earlier run.
    """

    job: Job = field(kw_only=True)
    notes: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    exit_code: int = 0
    before: bool = False

    @property
    def duration_s(self) -> float:
        """Seconds of sound that were heard."""
        return self.events[-1].at if self.summary is not None else 0.0


def roast_names(paths: Sequence[Path]) -> list[str]:
    """A different name for each file: its stem, with a number where stems are equal."""
    names: list[str] = []
    taken: set[str] = set()
    for path in paths:
        stem = path.stem or "roast"
        name, number = stem, 1
        while name in taken:
            number += 1
            name = f"{stem}-{number}"
        taken.add(name)
        names.append(name)
    return names


def dated_by_file(about: About, path: Path, duration_s: float | None) -> About:
    """``about`` with the start of a recording: its length before the file's modification time.

    A recorder writes the last sample when the roast ends. A file that was edited or copied later says a later time.
    """
    if duration_s is None or about.started is not None:
        return about
    try:
        end = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
        return replace(about, started=(end - timedelta(seconds=duration_s)).isoformat(timespec="seconds"))
    except (OSError, OverflowError, ValueError):  # a time that no calendar has
        return about


@lru_cache(maxsize=1)
def load_once(path: Path | None) -> Model:
    """The model of many recordings, read and checked once a process. path: see ``load_model``. Raises ModelError."""
    return load_model(path)


def hear_file(job: Job, stop: threading.Event | None = None) -> Report:
    """One file from end to end, or until ``stop``. Whatever is wrong with it becomes a sentence of the report."""
    report = Report(job=job)
    if stop is not None and stop.is_set():
        report.exit_code = INTERRUPTED
        return report
    try:
        kept = None if job.kept is None else _place(job, job.kept)
        if kept is not None and (known := heard_before.load(kept)) is not None:
            report.events, report.notes, report.tags, report.before = *known, True
            return report
        source = open_recording(job.path, channel=job.channel)
        heard = hear_recording(
            source,
            roast=job.roast,
            settings=job.settings,
            model=job.model,
            about=dated_by_file(job.about, job.path, source.duration_s) if job.dated else job.about,
            sinks=[report],
            say=report.errors.append,
            note=report.notes.append,
            stop=stop,
            untaught=job.untaught,
        )
        report.exit_code, report.tags = heard.exit_code, list(heard.tags)
        if kept is not None and report.exit_code == 0:
            try:
                heard_before.save(heard_before.Kept(report.events, report.notes, report.tags), kept)
            except OutputError as error:  # it was heard all the same
                report.notes.append(str(error))
                report.exit_code = error.exit_code
    except CrackdetectError as error:
        report.errors.append(str(error))
        report.exit_code = error.exit_code
    return report


def _place(job: Job, folder: Path) -> Path | None:
    """Where the answer to a job is kept; None where the file cannot be read, which is told when it is opened."""
    model = _knowing(job.model, None if job.untaught else job.about.machine, note=lambda _: None)
    said = [model.digest, job.roast, job.settings.as_fields(), job.about.as_fields(), job.channel]
    try:
        modified = job.path.stat().st_mtime_ns if job.dated else None
        return heard_before.place(job.path, depends_on=[*said, modified], folder=folder)
    except OSError:
        return None


def hear_files(jobs: Sequence[Job], *, workers: int = 1, cluster: str | None = None) -> Iterator[tuple[int, Report]]:
    """Number of each job and its report, as they end.

    Parameters
    ----------
    workers
        Processes at work at once, 1 = none but this one.
    cluster
        See :func:`crackdetect.running.parallel.imap`; raises what that raises.

    Raises
    ------
    KeyboardInterrupt
        After the reports of the files in which the person interrupted.
    """
    many = min(workers, len(jobs))
    for number, report in imap_until_interrupted(hear_file, jobs, jobs=many, cluster=cluster, lost=_lost):
        if report.events or report.exit_code != INTERRUPTED:  # else nothing of it was heard
            yield number, report


def _lost(job: Job) -> Report:
    why = f"{job.path} could not be heard: every process that took it ended without an answer (out of memory?)"
    return Report(job=job, errors=[f"{why}; hear it alone, or with fewer --jobs"], exit_code=CrackdetectError.exit_code)
