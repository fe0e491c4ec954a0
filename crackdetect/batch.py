"""Recordings heard from end to end: one, or many with worker processes; the answers do not depend on which.

There is no second algorithm here: each recording goes through the same pipeline, block by block, as a microphone.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

from crackdetect import model_files
from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.config import About, Settings
from crackdetect.errors import CrackdetectError, InputError
from crackdetect.events import Event, clock
from crackdetect.pipeline import Pipeline
from crackdetect.recordings import RecordingSource, open_recording
from crackdetect.session import Sink, listen
from crackdetect.streams import StreamSource
from crackdetect.workers import each

Recording = RecordingSource | StreamSource

#: Exit code of a file command that the person interrupted (128 + SIGINT, as shells have it).
INTERRUPTED = 130
#: Below this share of usable seconds a recording holds nothing that can be heard (chosen).
USABLE_SHARE = 0.01
#: Second crack's spectral peak is near 15 kHz (from memory of Wilson, JASA 135, EL265, 2014).
SECOND_CRACK_PEAK_HZ = 15_000
#: First crack can be announced after this much listening.
READY_S = 20.0


class Playback:
    """A recording whose blocks pass at a chosen pace, with word of how far it is.

    speed: times real time, None = as fast as possible. progress: told the seconds let through so far.
    ended: whether all of it has passed.
    """

    duration_s: float | None

    def __init__(
        self, source: Recording, *, speed: float | None = None, progress: Callable[[float], None] | None = None
    ) -> None:
        self._source = source
        self._speed = speed
        self._progress = progress
        self.samplerate = source.samplerate
        self.kind: Literal["file", "stdin"] = source.kind
        self.name = source.name
        self.duration_s = source.duration_s
        self.ended = False

    def __iter__(self) -> Iterator[Block]:
        began = time.monotonic()
        position = 0
        for block in self._source:
            position += len(block.samples)
            passed_s = position / self.samplerate
            if self._speed is not None:
                # a microphone gives a block when its last sample has sounded
                time.sleep(max(0.0, began + passed_s / self._speed - time.monotonic()))
            yield block
            if self._progress is not None:
                self._progress(passed_s)
        self.ended = True

    def close(self) -> None:
        self._source.close()


def hear(
    source: Recording,
    pipeline: Pipeline,
    sinks: Sequence[Sink],
    *,
    say: Callable[[str], None],
    speed: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> int:
    """A recording from end to end, through the same loop as a microphone; returns the exit code.

    say: takes one sentence for each thing that went wrong. See :class:`Playback` for speed and progress.
    When the source fails or the person interrupts, the events of what was heard and the summary are sent all the
    same. Raises BrokenPipeError when the reader of the events has gone before the end.
    """
    stop = threading.Event()
    playback = Playback(source, speed=speed, progress=progress)
    code = listen(playback, pipeline, sinks, stop=stop, end_on_closed_pipe=True, say=say)
    if stop.is_set():
        return INTERRUPTED
    if code == 0 and not playback.ended:
        raise BrokenPipeError
    return code


# -- what is to be said of a recording -------------------------------------------------------------------------


def rate_note(samplerate: int) -> str | None:
    """What a low sample rate costs, in one sentence; None when it costs nothing that matters."""
    if samplerate >= 2 * SECOND_CRACK_PEAK_HZ:
        return None
    limit = f"at {samplerate:,} Hz nothing above {samplerate / 2000:g} kHz is heard"
    if samplerate > 16_000:
        return f"{limit}: second crack, brightest near 15 kHz, is harder to tell from first"
    if samplerate > 10_000:
        return f"{limit}: second crack's brightness near 15 kHz is lost, and weak cracks are missed more often"
    return (
        f"{limit}: only the lower part of each crack is left, so weak cracks are missed, second crack can hardly be "
        "told from first, and first crack is announced later"
    )


def length_note(duration_s: float) -> str | None:
    """Said of a recording in which first crack cannot have been announced."""
    if duration_s >= READY_S:
        return None
    return f"only {duration_s:.1f} s of sound: first crack can be announced after {READY_S:.0f} s of listening"


def check_audible(source: Recording, pipeline: Pipeline) -> None:
    """Raises InputError when a recording that has been heard to its end held nothing that can be heard."""
    health = pipeline.health
    if health.usable_share > USABLE_SHARE:
        return
    if health.clipped_seconds > health.silent_seconds:
        reason = "is clipped throughout; turn the microphone's level down and record again"
    elif health.totals["invalid_samples"] > 0.5 * health.seconds * health.samplerate:
        reason = "holds no sound but samples that are not numbers throughout; write it again as 16-bit WAV"
    else:
        reason = "is silent or constant throughout; check that the microphone was connected and not muted"
    raise InputError(f"{source.name} {reason}")


def opening_notes(source: Recording) -> list[str]:
    """Sentences on a recording that has been opened: which channel is heard and why, what its rate costs."""
    notes = [source.channel_note, rate_note(source.samplerate), *source.notes]
    return [note for note in notes if note]


def too_late(settings: Settings, duration_s: float) -> list[str]:
    """Names of the given times that lie past the end of a recording, which nobody can have meant."""
    given = {"charge-at": settings.charge_at, "drop-at": settings.drop_at}
    return [name for name, at_s in given.items() if at_s is not None and at_s > duration_s]


def closing_notes(source: Recording, pipeline: Pipeline, *, told: Sequence[str], to_its_end: bool = True) -> list[str]:
    """Sentences on a recording that has been heard, without those told already.

    to_its_end: whether all of it was heard; what was given for later than that could else still have come.
    """
    notes = [*source.notes, length_note(pipeline.duration_s)]
    if to_its_end:
        given = {"charge-at": pipeline.settings.charge_at, "drop-at": pipeline.settings.drop_at}
        notes += [
            f"{name} {clock(given[name])} lies after the end of the recording ({clock(pipeline.duration_s)}) and was "
            "left out of account"
            for name in too_late(pipeline.settings, pipeline.duration_s)
        ]
    return [note for note in notes if note and note not in told]


# -- several -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Job:
    """One file to hear. roast: its identity in the events. model: a model file, None = the shipped one. about: what
    the person said of it. dated: whether its start is worked out from the file (see :func:`dated_by_file`).
    """

    path: Path
    roast: str
    settings: Settings
    channel: int | None = None
    model: Path | None = None
    about: About = field(default_factory=About)
    dated: bool = False


@dataclass(slots=True)
class AllEvents:
    """A sink that keeps every event."""

    events: list[Event] = field(default_factory=list)

    def send(self, event: Event) -> None:
        self.events.append(event)


@dataclass(slots=True)
class Report:
    """What became of a job.

    notes: sentences. tags: the same in a word or two, for a table. errors: sentences on what failed (the events of
    what was heard are there all the same). exit_code: as of a command on this file alone.
    """

    job: Job
    events: list[Event] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    exit_code: int = 0

    def send(self, event: Event) -> None:
        """A report is a sink."""
        self.events.append(event)

    @property
    def summary(self) -> dict[str, Any] | None:
        if self.events and self.events[-1].type == "summary":
            return dict(self.events[-1].fields)
        return None


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
    """``about`` with the start of a recording: its length before the file's modification time, for a recorder writes
    the last sample when the roast ends. A file that was edited or copied later says a later time.
    """
    if duration_s is None or about.started is not None:
        return about
    try:
        end = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
        return replace(about, started=(end - timedelta(seconds=duration_s)).isoformat(timespec="seconds"))
    except (OSError, OverflowError, ValueError):  # a time that no calendar has
        return about


@lru_cache(maxsize=1)
def load_model(path: Path | None) -> Model:
    """The model of ``--model``, or the shipped one. Raises ModelError."""
    return model_files.shipped() if path is None else model_files.load(path)


def hear_file(job: Job) -> Report:
    """One file from end to end. Whatever is wrong with it becomes a sentence of the report."""
    report = Report(job)
    try:
        model = load_model(job.model)
        with closing(open_recording(job.path, channel=job.channel)) as source:
            report.notes += opening_notes(source)
            about = dated_by_file(job.about, job.path, source.duration_s) if job.dated else job.about
            pipeline = Pipeline(
                samplerate=source.samplerate, model=model, settings=job.settings, roast=job.roast, about=about
            )
            report.exit_code = hear(source, pipeline, [report], say=report.errors.append)
            whole = report.exit_code != INTERRUPTED
            report.notes += closing_notes(source, pipeline, told=report.notes, to_its_end=whole)
            report.tags += _tags(source, pipeline)
            if report.exit_code == 0:
                check_audible(source, pipeline)
                report.exit_code = InputError.exit_code if source.truncated else 0
    except CrackdetectError as error:
        report.errors.append(str(error))
        report.exit_code = error.exit_code
    return report


def _tags(source: Recording, pipeline: Pipeline) -> list[str]:
    channel = (source.channel_note or "").partition(":")[0].partition(",")[0]
    rate = f"{source.samplerate:,} Hz" if rate_note(source.samplerate) else ""
    short = f"{pipeline.duration_s:.0f} s only" if length_note(pipeline.duration_s) else ""
    late = [f"{name} past its end" for name in too_late(pipeline.settings, pipeline.duration_s)]
    return [tag for tag in ("breaks off" if source.truncated else "", short, *late, rate, channel) if tag]


def hear_files(jobs: Sequence[Job], *, workers: int = 1, cluster: str | None = None) -> Iterator[Report]:
    """Reports in the order of the jobs, each as soon as it and all before it are done.

    workers: processes at work at once, 1 = none but this one. cluster: see ``workers.each``. Raises CrackdetectError
    when a worker dies, what ``workers.each`` raises, and
    KeyboardInterrupt after the report of a file in which the person interrupted.
    """
    if cluster is not None:
        yield from (report for _, report in each(hear_file, jobs, cluster=cluster, ordered=True))
        return
    workers = min(workers, len(jobs))
    if workers <= 1:
        reports = map(hear_file, jobs)
        yield from _until_interrupt(reports)
        return
    # spawn is the one way that works alike on all systems and with threads about
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
    try:
        yield from _until_interrupt(_from_pool(pool, jobs, workers))
    except BrokenProcessPool:
        raise CrackdetectError("a worker process ended without an answer (out of memory?); use --jobs 1") from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _from_pool(pool: ProcessPoolExecutor, jobs: Sequence[Job], workers: int) -> Iterator[Report]:
    """A few jobs are under way at a time, so that a folder of any size is held in bounded memory."""
    waiting: deque[Future[Report]] = deque()
    for job in jobs:
        waiting.append(pool.submit(hear_file, job))
        if len(waiting) >= 2 * workers:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def _until_interrupt(reports: Iterator[Report]) -> Iterator[Report]:
    for report in reports:
        yield report
        if report.exit_code == INTERRUPTED:
            raise KeyboardInterrupt
