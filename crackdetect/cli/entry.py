"""The way in and out of the program: the group of all commands, every failure one sentence and an exit code."""

from __future__ import annotations

import errno
import io
import os
import sys
import traceback
from collections.abc import Sequence

import click

from crackdetect import __version__
from crackdetect.cli.lazy_group import LazyGroup
from crackdetect.errors import CrackdetectError, MissingPartError, OutputError, SettingError, install_command
from crackdetect.terminal.lines import complain, tell

_COMMANDS = {
    "first": ("crackdetect.cli.first", "Your first roast, step by step."),
    "demo": ("crackdetect.cli.demo", "Hear the synthetic roast that comes with it, as if live."),
    "analyze": ("crackdetect.cli.analyze", "Hear recordings: first crack, crack rate, development."),
    "listen": ("crackdetect.cli.listen", "Hear a roast through a microphone, live."),
    "mic": ("crackdetect.cli.mic", "Check a microphone before the roast."),
    "settings": ("crackdetect.cli.settings", "Show what holds for the next roast, and where it comes from."),
    "synth": ("crackdetect.cli.synth", "Render synthetic roasts with their exact truth."),
    "webhook": ("crackdetect.cli.webhook.group", "Send events to other programs: try, look, receive."),
    "log": ("crackdetect.cli.log.group", "Every roast that was saved: list, look, correct, taste, compare."),
    "review": ("crackdetect.cli.review", "Look at a roast, listen to it, put it right, in the browser."),
    "teach": ("crackdetect.cli.teach", "Let it learn your roaster from your recorded roasts."),
    "report": ("crackdetect.cli.report", "One roast as a page to read, print and keep, and as figures."),
    "plan": ("crackdetect.cli.plan", "The next batch, from the roasts of that coffee."),
    "train": ("crackdetect.cli.train", "Fit the small classifier that tells cracks from other sounds."),
    "evaluate": ("crackdetect.cli.evaluate", "Score the whole path against known truth."),
    "guide": ("crackdetect.cli.guide", "The manual, a page a topic."),
    "completion": ("crackdetect.cli.completion", "Let your shell complete commands, options, roasts and coffees."),
}
_SECTIONS = {
    "Roast": ("first", "listen", "mic", "demo", "settings", "guide", "completion"),
    "Look back": ("log", "plan", "review", "teach", "report", "analyze"),
    "For developers": ("webhook", "synth", "train", "evaluate"),
}
_EXIT_CODES = """\b
Exit codes: 0 done, 1 a defect of crackdetect, 2 usage or setting,
3 a recording, 4 the microphone or audio system, 5 the model file,
6 output could not be written, 7 an optional part is missing,
8 the roast log, 130 interrupted.
"""
#: Commands of the log that are looked for here.
_BELOW = {name: f"log {name}" for name in ("compare", "trend", "show", "edit", "note", "export", "import", "backup")}
PROGRAM = "crackdetect"
_TRAIN_PACKAGES = ("sklearn", "librosa")
#: What options are called now, by what they were called.
_RENAMED = {
    "--green": "--batch",
    "--go-on": "--resume",
    "--keep": "--save",
    "--most": "--limit",
    "--last": "--limit",
    "--words": "--find",
    "--list-devices": "--list",
}
#: The products of the hearing are small: shared out among threads they take the time of two and a half processors for
#: the work of one (12 minutes of a drum: 9 s of processor time for 3.8). Read when numpy is first imported.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
#: Exit code of a failure that nobody has foreseen.
DEFECT = 1
#: Exit code of a command that was interrupted with Ctrl-C (128 + SIGINT, as shells have it).
INTERRUPTED = 130
#: With this in the environment a defect is told with its traceback.
TRACEBACK = "CRACKDETECT_TRACEBACK"


@click.group(
    cls=LazyGroup,
    elsewhere=_COMMANDS,
    sections=_SECTIONS,
    below=_BELOW,
    epilog=_EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="%(prog)s %(version)s")
def cli() -> None:
    """Hear first crack in a coffee roast, date its start, time development.

    Begin with: crackdetect demo
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """The program. Returns its exit code; every failure has become one sentence on standard error."""
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")  # worker processes inherit it
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
    output = sys.stdout
    try:
        if os.environ.get(f"_{PROGRAM.upper()}_COMPLETE"):  # the shell asks
            from crackdetect.cli.completing import register

            register()
        given = None if arguments is None else list(arguments)
        result = cli.main(given, prog_name=PROGRAM, standalone_mode=False)
    except CrackdetectError as error:
        complain(str(error))
        return error.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return SettingError.exit_code
    except click.ClickException as error:
        complain(_refusal(error))
        return SettingError.exit_code
    except (click.Abort, KeyboardInterrupt):
        complain("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        return 0
    except SystemExit as ended:
        # the library's own way to end when the reader of the output has gone: it puts another stream there, and 1 would
        # say that something failed
        if sys.stdout is output:
            raise
        _discard_output()
        return 0 if ended.code == 1 else 2
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


def _refusal(error: click.ClickException) -> str:
    """What is wrong with the command line, and where to read what would be right."""
    told = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption) and error.option_name in _RENAMED:
        told = f"No such option '{error.option_name}'. Did you mean '{_RENAMED[error.option_name]}'?"
    where = getattr(error, "ctx", None)
    return told if where is None else f"{told} (see '{where.command_path} --help')"


def _missing(error: ModuleNotFoundError) -> int:
    package = (error.name or "").partition(".")[0]
    if package == "crackdetect":
        return _defect(error)
    command = install_command("train" if package in _TRAIN_PACKAGES else None)
    complain(f"this needs the package {package}, which is not installed; run: {command}")
    return MissingPartError.exit_code


def _defect(error: Exception) -> int:
    if os.environ.get(TRACEBACK):
        for line in "".join(traceback.format_exception(error)).splitlines():
            tell(line)
    complain(
        f"a defect of crackdetect ({type(error).__name__}: {error}); please report it with what you ran and the output "
        f"of the same command under {TRACEBACK}=1"
    )
    return DEFECT
