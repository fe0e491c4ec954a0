"""``crackdetect review``."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.cli import completing
from crackdetect.cli.options import channel_option
from crackdetect.errors import InputError
from crackdetect.terminal.lines import complain, tell

if TYPE_CHECKING:
    from crackdetect.audio.files import RecordingSource

#: In the data folder while the page is there.
_DOOR = "review.html"


@click.command(name="review")
@click.argument("roast", metavar="ROAST|FILE", shell_complete=completing.roasts_and_files)
@click.option("--by", metavar="NAME", help="Who corrects.  [default: your name on this computer]")
@channel_option
@click.option("--no-browser", is_flag=True, help="Tell the address, and open nothing.")
def command(roast: str, by: str | None, channel: int | None, no_browser: bool) -> None:
    """Look at a roast, listen to it, put it right: a page on this computer.

    ROAST is a number of 'crackdetect log', a name or its beginning, or "last", with the recording that was made of it.
    FILE is a recording; one that is not in the log yet is heard first and saved there.

    The page plays the cracks that were doubtful and asks what they were; charge, first crack, its end, second crack and
    drop can be moved. What you say stands in the log beside what was heard, with your name and the time, and can be
    undone. Only this computer can open the page; Ctrl-C ends it.

    Exit codes: 3 there is no recording to look at, 7 the extra 'page' is not installed.

    Example: crackdetect review last
    """
    import threading

    from crackdetect.errors import require

    require("page")

    from crackdetect.page.access import Access
    from crackdetect.page.address import HERE, open_place
    from crackdetect.page.asking import Asking
    from crackdetect.page.door import door, open_browser
    from crackdetect.page.review import ReviewPage
    from crackdetect.running.signals import ENDING, ended_by_signals
    from crackdetect.storage.kept_sound import own_recording
    from crackdetect.storage.log_correcting import this_person
    from crackdetect.storage.roast_store import RoastLog

    file = Path(roast) if _is_recording(roast) else None
    if file is not None:
        roast = _kept(file, channel)
    with RoastLog() as log:
        found = log.find(roast)
        path = log.path
    folder = path.parent
    recording = _open(own_recording(found, folder=folder) if file is None else file, channel)
    ended = threading.Event()
    failures: list[BaseException] = []

    def failed(error: BaseException) -> None:
        if not failures:
            complain(f"the page has failed (a defect of crackdetect, {type(error).__name__}: {error})")
        failures.append(error)

    with ExitStack() as leaving:
        asking = Asking(path, found.number, by=this_person() if by is None else by)
        place = open_place(HERE)
        page = ReviewPage(place, Access.new(), asking=asking, recording=recording, failed=failed)
        leaving.callback(page.close)
        page.begin()
        leaving.enter_context(ended_by_signals(lambda _: ended.set(), *ENDING))
        way = folder / _DOOR
        leaving.enter_context(door(way, page.address))
        opened = not no_browser and open_browser(way)
        # into a file or a pipe the secret does not go
        where = page.address if sys.stderr.isatty() else f"by {way}"
        tell(f"{found.name.capitalize()} {'opens in the browser' if opened else 'can be seen'}: {where}")
        tell("Only this computer can open it. Ctrl-C ends it; what you say there is in the log at once.")
        ended.wait()
    if failures:
        raise click.exceptions.Exit(1)


def _is_recording(named: str) -> bool:
    """Whether a file is meant and not a roast of the log."""
    from crackdetect.audio.files import SUFFIXES

    apart = any(sign in named for sign in (os.sep, os.altsep) if sign)
    return apart or Path(named).suffix.lower() in SUFFIXES


def _open(path: Path, channel: int | None) -> RecordingSource:
    """Raises InputError for what cannot be read from anywhere."""
    from crackdetect.audio.files import RecordingSource, open_recording

    source = open_recording(path, channel=channel)
    if isinstance(source, RecordingSource) and source.frames is not None:
        return source
    source.close()
    raise InputError(f"{path} does not say how long it is, so no place in it can be found; export it as FLAC or WAV")


def _kept(file: Path, channel: int | None) -> str:
    """The roast of this recording: the one that is in the log, else what is heard now; its number there.

    Raises InputError, LogError, OutputError.
    """
    from crackdetect.storage.log_keeping import sha256_of
    from crackdetect.storage.roast_store import RoastLog

    _open(file, channel).close()  # what cannot be shown is not heard
    with RoastLog() as log:
        known = log.of_recording(sha256_of(file))
    if known is not None:
        return str(known.number)
    from crackdetect.config import About, Settings
    from crackdetect.running import recordings
    from crackdetect.terminal.progress import progress_line

    source, gathered = _open(file, channel), recordings.AllEvents()
    about = recordings.dated_by_file(About(), file, source.duration_s)
    with progress_line("heard", total=source.duration_s) as line:
        heard = recordings.hear_recording(
            source,
            roast=recordings.roast_names([file])[0],
            settings=Settings(),
            model=None,
            about=about,
            sinks=[gathered],
            say=line.complain,
            note=line.note,
            progress=line.advance,
        )
    if heard.exit_code == recordings.INTERRUPTED:
        raise KeyboardInterrupt
    if not heard.audible:
        raise click.exceptions.Exit(InputError.exit_code)  # why was told
    with RoastLog() as log:
        number = log.find(log.keep(gathered.events, recording=file)).number
    tell(f"Roast {number} saved; 'crackdetect log delete {number}' takes it out again")
    return str(number)
