"""The command line: arguments to objects, errors to one sentence and an exit code. Nothing else is decided here.

Everything heavy is imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import difflib
import errno
import importlib
import io
import math
import os
import sys
import textwrap
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from crackdetect import __version__
from crackdetect.errors import CrackdetectError, InputError, MissingPartError, OutputError, SettingError
from crackdetect.options import (
    NumberRange,
    about_of,
    complain,
    complainer,
    given_channel,
    given_charge,
    given_model,
    is_text,
    of_the_roast,
    on_cluster,
    roast_now,
    settings_of,
    shared,
    sink_of,
    target_of,
    tell,
    teller,
)

if TYPE_CHECKING:
    from crackdetect.batch import Recording, Report
    from crackdetect.config import About, Sensitivity, Settings
    from crackdetect.events import Event
    from crackdetect.log.store import RoastLog

#: Commands that live in a module of their own: the module, and one line for the list of commands.
_ELSEWHERE = {
    "listen": ("crackdetect.listening.command", "Hear a roast through a microphone, live."),
    "mic": ("crackdetect.mic.command", "Check a microphone before the roast."),
    "settings": ("crackdetect.settings.command", "Show what holds for the next roast, and where it comes from."),
    "webhook": ("crackdetect.webhook.command", "Send events to other programs: try, look, receive."),
    "log": ("crackdetect.log.command", "Every roast that was kept: list, look, correct, taste, compare."),
    "report": ("crackdetect.report.command", "One roast as a page to read, print and keep, and as figures."),
    "plan": ("crackdetect.log.plan_command", "The next batch, from the roasts of that coffee."),
    "train": ("crackdetect.train.command", "Fit the small classifier that tells cracks from other sounds."),
    "evaluate": ("crackdetect.evaluate.command", "Score the whole path against known truth."),
}
_TRAIN_PACKAGES = ("sklearn", "librosa", "joblib")
DEFECT = 1
#: Exit code of a command that was interrupted with Ctrl-C (128 + SIGINT, as shells have it).
INTERRUPTED = 130
TRACEBACK = "CRACKDETECT_TRACEBACK"


class _Commands(click.Group):
    """A group that imports a command from elsewhere only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        first = ["demo", "analyze", "listen", "mic", "settings"]
        return [*first, "synth", *(name for name in _ELSEWHERE if name not in first)]

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        # click knows only the commands of this module, and some versions propose none
        near = [] if ctx.resilient_parsing else difflib.get_close_matches(args[0], self.list_commands(ctx), n=1)
        if near and near[0] != args[0]:
            raise click.UsageError(f"No such command {args[0]!r}. Did you mean {near[0]!r}?", ctx)
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _ELSEWHERE:
            return super().get_command(ctx, cmd_name)
        command: click.Command = importlib.import_module(_ELSEWHERE[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = []
        for name in self.list_commands(ctx):
            own = super().get_command(ctx, name)
            rows.append((name, _ELSEWHERE[name][1] if own is None else own.get_short_help_str(80)))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="%(prog)s %(version)s")
def cli() -> None:
    """Hear first crack in a coffee roast, date its start, time development.

    Begin with: crackdetect demo

    \b
    Exit codes: 0 done, 1 a defect of crackdetect, 2 usage or setting,
    3 a recording, 4 the microphone or audio system, 5 the model file,
    6 output could not be written, 7 an optional part is missing,
    8 the roast log, 130 interrupted.
    """


# -- demo ------------------------------------------------------------------------------------------------------


@cli.command()
@click.option(
    "--speed",
    type=NumberRange(0.1, 1000),
    help="Times real time: 1 is as it happened. Default: as fast as the computer can.",
)
@shared
def demo(speed: float | None, form: str | None, target: str | None, sensitivity: Sensitivity | None) -> None:
    """Hear the synthetic roast that comes with the program, as if live.

    Blocks of a tenth of a second go down the same path as a microphone's. At the end: the summary of the roast, and
    beside it what is true of this recording, which is known because it is synthetic.

    Example: crackdetect demo --speed 20
    """
    from crackdetect import batch, cautions, console, model_files
    from crackdetect.config import Settings
    from crackdetect.pipeline import Pipeline
    from crackdetect.recordings import open_recording

    path = model_files.data_folder("recordings_synthetic") / "demo_roast.flac"
    truth = _demo_truth(path.with_suffix(".json"))
    settings = Settings(
        charge_at=truth["charge"],
        drop_at=truth["drop"],
        target=target_of(target or "1:30"),
        sensitivity=sensitivity or "usual",
    )
    text = is_text(form)
    source = open_recording(path, block_s=0.1)
    pipeline = Pipeline(
        samplerate=source.samplerate, model=model_files.shipped(), settings=settings, roast="demo_roast"
    )
    width = console.columns()
    about = textwrap.fill(
        "A demonstration on a synthetic roast: charge and drop are given, as you would mark them; the rest is heard.",
        width,
    )
    last: list[Event] = []
    with console.progress_line("roast", total=source.duration_s) as line:
        if text:
            line.write(about)
        else:
            line.say(about)
        sink = sink_of(text, name="Synthetic roast", write=line.write)
        code = batch.hear(
            source,
            pipeline,
            [sink, console.LastEvent(last)],
            say=complainer(line.say),
            speed=speed,
            progress=line.advance,
        )
    say = teller(text)
    if code == 0 and last and last[0].type == "summary":
        say("")
        for row in console.truth_lines(last[0].fields, truth, width=width):
            say(row)
    if code == INTERRUPTED:
        complain("interrupted")
    say("")
    say(textwrap.fill(f"This was a demonstration. {cautions.ALWAYS}", width))
    raise click.exceptions.Exit(code)


def _demo_truth(path: Path) -> dict[str, float | None]:
    """What of the truth the demonstration needs. Raises InputError."""
    from crackdetect.synth.truth import Truth

    try:
        truth = Truth.from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"{path} is missing or damaged, it comes with crackdetect; reinstall it") from None
    return {
        "charge": truth.charge_s,
        "drop": truth.drop_s,
        "first_crack": truth.first_crack_start_s,
        "first_crack_end": truth.first_crack_end_s,
        "second_crack": truth.second_crack_start_s,
        "cracks": float(sum(event.kind != "distractor" for event in truth.events)),
    }


# -- analyze ---------------------------------------------------------------------------------------------------


@cli.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@given_channel
@shared
@given_charge
@click.option(
    "--drop-at", metavar="TIME", help="When the beans left the roaster (11:20). Else listened for; many are missed."
)
@click.option("--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Files heard at the same time.")
@on_cluster
@click.option("--keep", is_flag=True, help="Keep each roast in the log (see 'crackdetect log').")
@of_the_roast
@given_model
@click.option("--samplerate", "--rate", type=int, metavar="HZ", help="Of raw samples on standard input.")
@click.option("--channels", type=click.IntRange(1, 64), help="Of raw samples on standard input.  [default: 1]")
@click.option(
    "--sample-format",
    type=click.Choice(["s16", "s24", "s32", "f32"]),
    help="Of raw samples on standard input, little-endian.  [default: s16]",
)
def analyze(
    files: tuple[str, ...],
    channel: int | None,
    form: str | None,
    target: str | None,
    sensitivity: Sensitivity | None,
    charge_at: str | None,
    drop_at: str | None,
    jobs: int,
    cluster: str | None,
    keep: bool,
    model_path: Path | None,
    samplerate: int | None,
    channels: int | None,
    sample_format: str | None,
    **said: str | None,
) -> None:
    """Hear recordings: first crack, crack density, development.

    FILE is a WAV, FLAC, AIFF, OGG, MP3 or W64 file of 8 to 192 kHz, a folder of them, or - for WAV or raw samples on
    standard input. One recording is told as it goes, several make a table. Given times hold for every file.

    With --keep each goes into the roast log; heard again, it is the same roast, and what you entered stays. Its day is
    worked out from the file's modification time and can be corrected there.

    Exit codes: 0 done, 3 a recording could not be heard or breaks off (the others are heard all the same), 130
    interrupted; what was heard is told in each case.

    Example: crackdetect analyze roast.flac --charge-at 0:30 --drop-at 11:20 --target 18%
    """
    text = is_text(form)
    settings = settings_of(charge_at=charge_at, drop_at=drop_at, target=target, sensitivity=sensitivity)
    about = about_of(**said)
    if keep:
        _open_log().close()  # what is wrong with the log is told before anything is heard
    if "-" in files:
        if len(files) > 1:
            raise SettingError("- (standard input) cannot be heard together with files; give it alone")
        from crackdetect.recordings import open_stdin

        stream = open_stdin(
            sys.stdin.buffer, samplerate=samplerate, channels=channels, sample_format=sample_format, channel=channel
        )
        # what came through a pipe has no name of its own
        name = f"stdin-{roast_now()}" if keep else "stdin"
        raise click.exceptions.Exit(_analyze_one(stream, name, settings, model_path, text, about=about, keep=keep))
    for option, value in (("samplerate", samplerate), ("channels", channels), ("sample-format", sample_format)):
        if value is not None:
            raise SettingError(f"--{option} describes raw samples on standard input; leave it out for files")
    paths, failed = _find(files)
    if len(paths) == 1 and not failed and cluster is None:
        from crackdetect.batch import roast_names
        from crackdetect.recordings import open_recording

        source = open_recording(paths[0], channel=channel)
        name = roast_names(paths)[0]
        code = _analyze_one(source, name, settings, model_path, text, about=about, keep=keep, file=paths[0])
        raise click.exceptions.Exit(code)
    code = _analyze_many(
        paths,
        settings,
        channel=channel,
        model_path=model_path,
        workers=jobs,
        cluster=cluster,
        text=text,
        about=about,
        keep=keep,
    )
    raise click.exceptions.Exit(code or (InputError.exit_code if failed else 0))


def _find(files: Sequence[str]) -> tuple[list[Path], bool]:
    """Every file once, in the order given, and whether an argument held none (which is told)."""
    from crackdetect.recordings import find_recordings

    paths: list[Path] = []
    failed = False
    for file in files:
        try:
            paths += find_recordings([file])
        except InputError as error:
            complain(str(error))
            failed = True
    return list(dict.fromkeys(paths)), failed


def _analyze_one(
    source: Recording,
    roast: str,
    settings: Settings,
    model_path: Path | None,
    text: bool,
    *,
    about: About,
    keep: bool,
    file: Path | None = None,
) -> int:
    from crackdetect import batch, console
    from crackdetect.pipeline import Pipeline

    gathered = batch.AllEvents()
    try:
        pipeline = Pipeline(
            samplerate=source.samplerate,
            model=batch.load_model(model_path),
            settings=settings,
            roast=roast,
            source=source.kind,
            about=batch.dated_by_file(about, file, source.duration_s) if keep and file is not None else about,
        )
        notes = batch.opening_notes(source)
        for note in notes:
            tell(f"note: {note}")
        with console.progress_line("heard", total=source.duration_s) as line:
            sinks = [sink_of(text, name=source.name, write=line.write), *([gathered] if keep else [])]
            code = batch.hear(source, pipeline, sinks, say=complainer(line.say), progress=line.advance)
    finally:
        source.close()
    for note in batch.closing_notes(source, pipeline, told=notes, to_its_end=code != INTERRUPTED):
        tell(f"note: {note}")
    if code == 0:
        batch.check_audible(source, pipeline)
        code = InputError.exit_code if source.truncated else 0
    if keep and code != INTERRUPTED:
        number = _keep(gathered.events, file)
        tell(f"kept as roast {number}; 'crackdetect log show {number}' shows it")
    elif keep:
        complain("interrupted, so the roast was not kept; hear it again to keep it")
    elif code == INTERRUPTED:
        complain("interrupted")
    return code


def _open_log() -> RoastLog:
    from crackdetect.log.store import RoastLog

    return RoastLog()


def _keep(events: Sequence[Event], file: Path | None) -> int:
    """Puts a roast into the log; its number there."""
    with _open_log() as log:
        return log.find(log.keep(events, recording=file)).number


def _analyze_many(
    paths: Sequence[Path],
    settings: Settings,
    *,
    channel: int | None,
    model_path: Path | None,
    workers: int,
    cluster: str | None,
    text: bool,
    about: About,
    keep: bool,
) -> int:
    from crackdetect import batch, console

    batch.load_model(model_path)  # a bad one is told once, not for every file
    jobs = [
        batch.Job(path, roast, settings, channel, model_path, about, dated=keep)
        for path, roast in zip(paths, batch.roast_names(paths), strict=True)
    ]
    rows: list[console.Row] = []
    kept = 0
    notes: dict[str, list[str]] = {}
    code = 0
    try:
        with console.progress_line("recordings", total=len(jobs)) as line:
            for report in batch.hear_files(jobs, workers=workers, cluster=cluster):
                if not text:
                    for event in report.events:
                        line.write(event.to_json())
                for error in report.errors:
                    line.say(f"crackdetect: {error}")
                code = code or report.exit_code
                if keep and report.exit_code != INTERRUPTED and not report.errors:
                    try:
                        _keep(report.events, report.job.path)
                        kept += 1
                    except CrackdetectError as error:  # of this roast alone: the others go on
                        line.say(f"crackdetect: {report.job.path} could not be kept: {error}")
                        code = code or error.exit_code
                rows.append(_row(report))
                for note in report.notes:
                    notes.setdefault(note, []).append(str(report.job.path))
                line.advance(len(rows))
    except KeyboardInterrupt:
        code = INTERRUPTED
    if keep:
        tell(f"kept {kept} roast{'s' if kept != 1 else ''}; 'crackdetect log' lists them")
    if text and rows:
        console.show_table(rows, charge=settings.charge_at)
    for note, names in notes.items():
        others = f" and {len(names) - 1} more" if len(names) > 1 else ""
        tell(f"note: {note}" if names[0] in note else f"note: {names[0]}{others}: {note}")
    if code == INTERRUPTED:
        complain("interrupted")
    return code


def _row(report: Report) -> Any:
    from crackdetect.console import Row

    tags = (*report.tags, "failed, see its message") if report.errors else tuple(report.tags)
    return Row(report.job.path.name, report.summary, tags)


# -- synth -----------------------------------------------------------------------------------------------------


@cli.command()
@click.argument("scenario", metavar="SCENARIO")
@click.option("--seed", type=click.IntRange(0), required=True, help="The same seed gives the same samples.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Folder to write to; made if missing."
)
@click.option("--name", help="Name of the files, with --count followed by each seed.  [default: SCENARIO-SEED]")
@click.option(
    "--count",
    type=click.IntRange(1, 10_000),
    default=1,
    show_default=True,
    help="How many, with seeds counting up from --seed.",
)
@click.option("--samplerate", type=click.IntRange(8_000, 192_000), default=44_100, show_default=True, metavar="HZ")
@click.option("--duration", metavar="TIME", help="Length of each (3:00).  [default: the scenario's own]")
@click.option("--container", type=click.Choice(["flac", "wav"]), default="flac", show_default=True)
@click.option(
    "--set", "settings", multiple=True, metavar="KEY=NUMBER", help="Fixes a number of the plan; may be repeated."
)
def synth(
    scenario: str,
    seed: int,
    out: Path,
    name: str | None,
    count: int,
    samplerate: int,
    duration: str | None,
    container: Literal["flac", "wav"],
    settings: tuple[str, ...],
) -> None:
    """Render synthetic roasts with their exact truth.

    Beside each recording NAME.flac lies NAME.json with the time and kind of every crack and other sound.
    SCENARIO: roast (charge to cooling), chorus (a minute or two around the start of first crack), second (first and
    second crack), quiet, noisy, kitchen (busy, nothing cracks) or machine (bare, nothing cracks). What is not fixed is
    drawn from the seed; the truth file holds every number of the plan.

    Example: crackdetect synth roast --seed 7 --out roasts --set strays_per_minute=2.5
    """
    from crackdetect import console
    from crackdetect.config import parse_time
    from crackdetect.synth.command import render_to_files
    from crackdetect.synth.plan import plan_roast

    duration_s = None if duration is None else parse_time(duration, name="duration")
    overrides = _overrides(settings)
    plans = [
        (
            # by the seed, so that a file's name is what makes it again
            name if name is not None and count == 1 else f"{name or scenario}-{seed + number}",
            plan_roast(
                seed=seed + number,
                scenario=scenario,
                samplerate=samplerate,
                duration_s=duration_s,
                overrides=overrides,
            ),
        )
        for number in range(count)
    ]
    done_s = 0.0
    with console.progress_line("rendering", total=sum(plan.duration_s for _, plan in plans)) as line:

        def advance(seconds: float) -> None:
            nonlocal done_s
            done_s += seconds
            line.advance(done_s)

        written = render_to_files(plans, out, container=container, progress=advance)
    for path in written:
        console.write_line(sys.stdout, str(path))


def _overrides(settings: Sequence[str]) -> dict[str, float | None]:
    """``strays_per_minute=2.5`` -> name and number, of the plan's plain numbers. Raises SettingError."""
    from dataclasses import fields

    from crackdetect.synth.plan import RoastPlan

    with_own_option = ("seed", "samplerate", "duration_s")
    plain = {
        field.name: str(field.type)
        for field in fields(RoastPlan)
        if str(field.type) in ("int", "float", "int | None", "float | None") and field.name not in with_own_option
    }
    values: dict[str, float | None] = {}
    for setting in settings:
        key, _, text = (part.strip() for part in setting.partition("="))
        if key not in plain:
            raise SettingError(f"--set {setting!r}: write KEY=NUMBER with one of {', '.join(sorted(plain))}")
        try:
            if text == "none" and "None" in plain[key]:
                values[key] = None
            else:
                values[key] = int(text) if plain[key].startswith("int") else float(text)
                if not math.isfinite(values[key] or 0):
                    raise ValueError
        except ValueError:
            raise SettingError(f"--set {setting!r}: {text!r} is not a number that {key} can take") from None
    return values


# -- the way in and out ----------------------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> int:
    """The program. Returns its exit code; every failure has become one sentence on standard error."""
    _open_missing_streams()
    _prepare_streams()
    code = _run(arguments)
    try:
        sys.stdout.flush()
    except OSError:
        # told already; what is left in the buffer must not be complained of again by the interpreter's own flush
        _discard_output()
    return code


def _open_missing_streams() -> None:
    """Whoever starts the program may have closed its streams: what is written there goes nowhere, nothing is read.

    The system would give their numbers to the next files that are opened, the roast's journal among them, and what a
    library prints would end up in there.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is not None:
            continue
        nowhere = os.open(os.devnull, os.O_RDWR)
        try:
            os.fstat(number)
        except OSError:
            os.dup2(nowhere, number)
        if nowhere != number:
            os.close(nowhere)
        setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - as long as the program


def _prepare_streams() -> None:
    """JSON Lines are UTF-8 with plain line ends on every system; a letter that a terminal lacks is no error."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        if sys.stdout.isatty():
            sys.stdout.reconfigure(errors="replace")
        else:
            sys.stdout.reconfigure(encoding="utf-8", errors="replace", newline="\n")
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="backslashreplace")


def _discard_output() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _run(arguments: Sequence[str] | None) -> int:
    try:
        given = None if arguments is None else list(arguments)
        result = cli.main(given, prog_name="crackdetect", standalone_mode=False)
    except CrackdetectError as error:
        complain(str(error))
        return error.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return SettingError.exit_code
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        more = f" (see '{where.command_path} --help')" if where is not None else ""
        complain(f"{error.format_message().rstrip('.')}{more}")
        return SettingError.exit_code
    except (click.Abort, KeyboardInterrupt):
        complain("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        return 0
    except ModuleNotFoundError as error:
        return _missing(error)
    except OSError as error:
        if error.errno == errno.EPIPE:
            return 0
        if error.errno == errno.ENOSPC:
            complain(f"the output cannot be written ({error.strerror}); free some space or send it to another place")
            return OutputError.exit_code
        return _defect(error)
    except Exception as error:  # the last resort: a defect is told in one sentence as well
        return _defect(error)
    return result if isinstance(result, int) else 0


def _missing(error: ModuleNotFoundError) -> int:
    package = (error.name or "").partition(".")[0]
    if package == "crackdetect":
        return _defect(error)
    extra = "crackdetect[train]" if package in _TRAIN_PACKAGES else "crackdetect"
    complain(f"this needs the package {package}, which is not installed; run: pip install '{extra}'")
    return MissingPartError.exit_code


def _defect(error: Exception) -> int:
    if os.environ.get(TRACEBACK):
        traceback.print_exception(error)
    complain(
        f"a defect of crackdetect ({type(error).__name__}: {error}); please report it with what you ran and the output "
        f"of the same command under {TRACEBACK}=1"
    )
    return DEFECT
