"""``crackdetect analyze``."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from crackdetect.cli.options import (
    about_of,
    channel_option,
    cluster_option,
    hearing_options,
    is_text,
    jobs_of,
    jobs_option,
    model_option,
    roast_now,
    roast_options,
    settings_of,
    untaught_option,
)
from crackdetect.errors import CrackdetectError, InputError, SettingError
from crackdetect.terminal.lines import complain, tell

if TYPE_CHECKING:
    from crackdetect.audio.recording_notes import Recording
    from crackdetect.config import About, Sensitivity, Settings
    from crackdetect.events import Event
    from crackdetect.running.recordings import Report
    from crackdetect.terminal.tables import Row


class Wanted(NamedTuple):
    """How every recording is heard and told. A tuple, for the import of dataclasses would slow the help down.

    Attributes
    ----------
    settings, about
        What is known and wanted of each roast.
    model
        A model file, ``None`` = the shipped one.
    channel
        From 1, ``None`` = where cracks stand out best.
    text
        Lines and tables to read, else JSON Lines.
    save
        Whether each roast goes into the log.
    untaught
        Without what is known of the machine.
    """

    settings: Settings
    about: About
    model: Path | None
    channel: int | None
    text: bool
    save: bool
    untaught: bool


@click.command(name="analyze")
@click.argument("files", nargs=-1, required=True, type=click.Path(), metavar="FILE...")
@channel_option
@hearing_options
@click.option(
    "--charge-at",
    metavar="TIME",
    help="When the beans went in, from the beginning of the recording (0:30). Else listened for; many are missed.",
)
@click.option(
    "--drop-at", metavar="TIME", help="When the beans left the roaster (11:20). Else listened for; many are missed."
)
@jobs_option("Files heard at the same time.", default=None)
@cluster_option
@click.option(
    "--resume",
    is_flag=True,
    help="Keep what is heard of several files, and hear none again that an earlier --resume has kept: an interrupted "
    "run goes on where it was. A file, model or setting that has changed is heard again.",
)
@click.option("--save", is_flag=True, help="Save each roast in the log (see 'crackdetect log').")
@roast_options
@model_option
@untaught_option
@click.option("--samplerate", "--rate", type=int, metavar="HZ", help="Of raw samples on standard input.")
@click.option("--channels", type=click.IntRange(1, 64), help="Of raw samples on standard input.  [default: 1]")
@click.option(
    "--sample-format",
    type=click.Choice(["s16", "s24", "s32", "f32"]),
    help="Of raw samples on standard input, little-endian.  [default: s16]",
)
def command(
    files: tuple[str, ...],
    channel: int | None,
    form: str | None,
    target: str | None,
    sensitivity: Sensitivity | None,
    charge_at: str | None,
    drop_at: str | None,
    jobs: int | None,
    cluster: str | None,
    resume: bool,
    save: bool,
    model_path: Path | None,
    untaught: bool,
    samplerate: int | None,
    channels: int | None,
    sample_format: str | None,
    **said: str | None,
) -> None:
    """Hear recordings: first crack, crack rate, development.

    FILE is a WAV, FLAC, AIFF, OGG, MP3 or W64 file of 8 to 192 kHz, a folder of them, or - for WAV or raw samples on
    standard input. One recording is told as it goes, several make a table. Given times hold for every file.

    With --save each goes into the roast log; heard again, it is the same roast, and what you entered stays. Its day is
    worked out from the file's modification time and can be corrected there.

    Exit codes: 0 done, 3 a recording could not be heard or breaks off (the others are heard all the same), 130
    interrupted; what was heard is told in each case.

    Example: crackdetect analyze roast.flac --charge-at 0:30 --drop-at 11:20 --target 18%
    """
    settings = settings_of(charge_at=charge_at, drop_at=drop_at, target=target, sensitivity=sensitivity)
    wanted = Wanted(settings, about_of(**said), model_path, channel, is_text(form), save, untaught)
    if save:
        from crackdetect.storage.roast_store import RoastLog

        RoastLog().close()  # what is wrong with the log is told before anything is heard
    raw = {"samplerate": samplerate, "channels": channels, "sample-format": sample_format}
    if "-" in files:
        if len(files) > 1:
            raise SettingError("- (standard input) cannot be heard together with files; give it alone")
        from crackdetect.audio.files import open_stdin

        stream = open_stdin(
            sys.stdin.buffer, samplerate=samplerate, channels=channels, sample_format=sample_format, channel=channel
        )
        # what came through a pipe has no name of its own
        raise click.exceptions.Exit(_analyze_one(stream, f"stdin-{roast_now()}" if save else "stdin", wanted))
    for option, value in raw.items():
        if value is not None:
            raise SettingError(f"--{option} describes raw samples on standard input; leave it out for files")
    paths, missing = _find(files)
    if len(paths) == 1 and not missing and cluster is None:
        from crackdetect.audio.files import open_recording
        from crackdetect.running.recordings import roast_names

        source = open_recording(paths[0], channel=channel)
        raise click.exceptions.Exit(_analyze_one(source, roast_names(paths)[0], wanted, file=paths[0]))
    code = _analyze_many(paths, wanted, workers=jobs_of(jobs), cluster=cluster, resume=resume)
    raise click.exceptions.Exit(code or (InputError.exit_code if missing else 0))


def _find(files: Sequence[str]) -> tuple[list[Path], bool]:
    """Every file once, in the order given, and whether an argument held none (which is told)."""
    from crackdetect.audio.files import find_recordings

    paths: list[Path] = []
    missing = False
    for file in files:
        try:
            paths += find_recordings([file])
        except InputError as error:
            complain(str(error))
            missing = True
    return list(dict.fromkeys(paths)), missing


def _save(events: Sequence[Event], file: Path | None) -> int:
    """Puts a roast into the log; its number there. Raises LogError, OutputError."""
    from crackdetect.storage.roast_store import RoastLog

    with RoastLog() as log:
        return log.find(log.keep(events, recording=file)).number


# -- one recording ---------------------------------------------------------------------------------------------


def _analyze_one(source: Recording, roast: str, wanted: Wanted, *, file: Path | None = None) -> int:
    """Tells one recording as it goes; the exit code. file: where it lies, ``None`` of a stream."""
    from crackdetect.running import recordings
    from crackdetect.terminal.progress import progress_line
    from crackdetect.terminal.text_events import event_sink

    gathered = recordings.AllEvents()
    about = wanted.about
    if wanted.save and file is not None:
        about = recordings.dated_by_file(about, file, source.duration_s)
    with progress_line("heard", total=source.duration_s) as line:
        sink = event_sink(wanted.text, name=source.name, write=line.write)
        heard = recordings.hear_recording(
            source,
            roast=roast,
            settings=wanted.settings,
            model=wanted.model,
            about=about,
            sinks=[sink, gathered] if wanted.save else [sink],
            say=line.complain,
            note=line.note,
            progress=line.advance,
            untaught=wanted.untaught,
        )
    interrupted = heard.exit_code == recordings.INTERRUPTED
    if wanted.save and heard.audible and not interrupted:
        number = _save(gathered.events, file)
        tell(f"Roast {number} saved; 'crackdetect log show {number}' shows it")
    elif wanted.save and interrupted:
        complain("interrupted, so the roast was not saved; hear it again to save it")
    elif interrupted:
        complain("interrupted")
    return heard.exit_code


# -- several ---------------------------------------------------------------------------------------------------


def _analyze_many(paths: Sequence[Path], wanted: Wanted, *, workers: int, cluster: str | None, resume: bool) -> int:
    """Tells several recordings, each when it has been heard; the exit code."""
    from crackdetect.running import recordings
    from crackdetect.storage.paths import cache_folder
    from crackdetect.terminal.progress import progress_line
    from crackdetect.terminal.tables import print_table, results_table

    recordings.load_once(wanted.model)  # a bad one is told once, not for every file
    jobs = [
        recordings.Job(
            path,
            roast,
            wanted.settings,
            wanted.channel,
            wanted.model,
            wanted.about,
            dated=wanted.save,
            kept=cache_folder() / "analyze" if resume else None,
            untaught=wanted.untaught,
        )
        for path, roast in zip(paths, recordings.roast_names(paths), strict=True)
    ]
    sizes = [_size(path) for path in paths]  # bytes: the time left is told by them, for some recordings are longer
    done: dict[int, Report] = {}
    told = passed = code = 0
    heard_s = now_s = 0.0
    saved: list[int] = []
    began = time.monotonic()
    broken: CrackdetectError | None = None

    def keep(report: Report) -> None:
        """As soon as it has been heard: what ends this waits for no other."""
        nonlocal code
        if wanted.save and report.exit_code != recordings.INTERRUPTED and not report.errors:
            try:
                saved.append(_save(report.events, report.job.path))
            except CrackdetectError as failure:  # of this roast alone: the others go on
                line.complain(f"{report.job.path} could not be saved: {failure}")
                code = code or failure.exit_code

    def tell_in_turn(report: Report) -> None:
        """In the order of the files, whichever ends first."""
        nonlocal code
        if not wanted.text:
            for event in report.events:
                line.write(event.to_json())
        code = code or report.exit_code
        del report.events[1:-1]  # the rest tells of it what its summary says

    with progress_line("recordings", total=sum(sizes)) as line:
        try:
            for number, report in recordings.hear_files(jobs, workers=workers, cluster=cluster):
                done[number] = report
                keep(report)
                if wanted.text:
                    line.say(_as_it_ends(report))
                passed += sizes[number]
                line.advance(passed)
                heard_s += report.duration_s
                now_s += 0.0 if report.before else report.duration_s
                line.label(_so_far(len(done), heard_s, now_s / max(time.monotonic() - began, 1e-3), of=len(jobs)))
                while told in done:
                    tell_in_turn(done[told])
                    told += 1
        except KeyboardInterrupt:
            code = recordings.INTERRUPTED
        except CrackdetectError as error:  # of the workers; what was heard is told first
            broken = error
        reports = [done[number] for number in sorted(done)]
        for report in reports[told:]:
            tell_in_turn(report)
    if wanted.save:
        tell(f"Saved {_numbered(saved)}; 'crackdetect log' lists what there is")
    for report in reports:
        if not wanted.text and report.job.roast != report.job.path.stem:
            tell(f"note: {report.job.path} is called {report.job.roast} here, for another has its name")
    _tell_notes(reports)
    _tell_failures(reports, of=len(jobs))
    if wanted.text and reports:
        print_table(results_table([_row(report) for report in reports], charge=wanted.settings.charge_at))
    if broken is not None:
        raise broken
    if code == recordings.INTERRUPTED:
        complain("interrupted")
    return code


def _size(path: Path) -> int:
    """Bytes, at least 1; why a file cannot be read is told when it is heard."""
    try:
        return max(1, path.stat().st_size)
    except OSError:
        return 1


def _numbered(saved: Sequence[int]) -> str:
    """Roasts that went into the log, by their numbers there."""
    if len(saved) < 2:
        return f"roast {saved[0]}" if saved else "no roast"
    first, last = min(saved), max(saved)
    together = f" ({first} to {last})" if last - first < len(saved) else ""  # some may have been there before
    return f"{len(saved)} roasts{together}"


def _row(report: Report) -> Row:
    from crackdetect.terminal.tables import Row

    tags = tuple(report.tags)
    if report.errors:
        tags += ("failed, see its message",)
    samplerate = report.events[0].fields["samplerate"] if report.events else None
    return Row(report.job.path.name, report.summary, tags, samplerate)


def _as_it_ends(report: Report) -> str:
    """A recording in one line."""
    from crackdetect.notation import clock

    words = [clock(report.duration_s)] if report.summary is not None else []
    if report.summary is not None:
        first_crack = report.summary["first_crack"]
        words.append("no first crack" if first_crack is None else f"first crack at {clock(first_crack)}")
    if report.before:
        words.append("heard before")
    if report.errors:
        words.append("failed")
    return f"{report.job.path}: {', '.join(words)}"


def _so_far(done: int, heard_s: float, speed: float, *, of: int) -> str:
    """What several recordings have come to. speed: seconds of sound heard in a second."""
    return f"{done} of {of} recordings, {heard_s / 60:.0f} min, {speed:.0f}x real time"


def _tell_failures(reports: Sequence[Report], *, of: int) -> None:
    """Each that failed, with its reason."""
    failed = [report for report in reports if report.errors]
    for report in failed:
        for error in report.errors:
            complain(error)
    if failed and of > len(failed):
        complain(f"{len(failed)} of {of} recordings failed, see above; the others were heard")


def _tell_notes(reports: Sequence[Report]) -> None:
    """Each note once, with the first file that it is about and how many more."""
    notes: dict[str, list[str]] = {}
    for report in reports:
        for note in report.notes:
            notes.setdefault(note, []).append(str(report.job.path))
    for note, names in notes.items():
        others = f" and {len(names) - 1} more" if len(names) > 1 else ""
        tell(f"note: {note}" if names[0] in note else f"note: {names[0]}{others}: {note}")
