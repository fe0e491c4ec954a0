"""``crackdetect demo``."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.cli.options import NumberRange, hearing_options, is_text, target_of
from crackdetect.errors import InputError
from crackdetect.terminal.lines import columns, complain, print_line, tell

if TYPE_CHECKING:
    from crackdetect.config import Sensitivity, Settings
    from crackdetect.synth.truth import Truth

_WHAT = "A demonstration on a synthetic roast: charge and drop are given, as you would mark them; the rest is heard."
#: On the board, times real time, and how long before first crack it begins.
_BOARD_SPEED = 20.0
_BEFORE_S = 120.0


@click.command(name="demo")
@click.option(
    "--speed",
    type=NumberRange(0.1, 1000),
    help="Times real time: 1 is as it happened, and played on the loudspeaker. Default: 20 on the board; in lines as "
    "fast as the computer can.",
)
@click.option("--quiet", is_flag=True, help="No sound.")
@hearing_options
def command(
    speed: float | None, quiet: bool, form: str | None, target: str | None, sensitivity: Sensitivity | None
) -> None:
    """See and hear the synthetic roast that comes with the program, as if live.

    On a terminal the board shows the minutes around first crack, and its keys can be tried. Into a pipe, or with
    --format, the whole roast is told in lines. At the end: the summary, and beside it what is true of this recording,
    which is known because it is synthetic.

    Example: crackdetect demo --speed 1
    """
    from crackdetect import model
    from crackdetect.config import Settings
    from crackdetect.listening.live_roast import may_board
    from crackdetect.roast import cautions
    from crackdetect.running.recordings import INTERRUPTED
    from crackdetect.terminal.summary import truth_lines

    text = is_text(form)
    board = form is None and may_board()
    path = model.data_folder("recordings_synthetic") / "demo_roast.flac"
    truth = _truth_of(path)
    settings = Settings(
        charge_at=truth.charge_s,
        drop_at=truth.drop_s,
        target=target_of(target or "1:30"),
        sensitivity=sensitivity or "usual",
    )
    if board:
        code, summary = _show(path, settings, truth, speed=speed or _BOARD_SPEED, sound=not quiet)
    else:
        code, summary = _hear(path, settings, text=text, speed=speed)
    say = print_line if text else tell
    if code == 0 and summary is not None:
        say("")
        for row in truth_lines(summary, truth, width=columns()):
            say(row)
    if code == INTERRUPTED:
        complain("interrupted")
    say("")
    for row in textwrap.wrap(f"This was a demonstration. {cautions.ALWAYS}", columns()):
        say(row)
    if board:
        say("")
        say("Next, for a roast of your own: crackdetect first")
    raise click.exceptions.Exit(code)


def _show(
    path: Path, settings: Settings, truth: Truth, *, speed: float, sound: bool
) -> tuple[int, dict[str, object] | None]:
    """On the board; the exit code, and the fields of the summary where the whole of it was heard."""
    from crackdetect import model
    from crackdetect.audio.files import open_recording
    from crackdetect.listening import demonstration
    from crackdetect.pipeline import Pipeline
    from crackdetect.terminal.lines import print_lines
    from crackdetect.terminal.summary import summary_lines

    tell(f"{_WHAT} The first minutes are heard as fast as the computer can.")
    source = open_recording(path, block_s=0.1)
    pipeline = Pipeline(samplerate=source.samplerate, model=model.shipped(), settings=settings, roast="demo_roast")
    shown = demonstration.show(
        source,
        pipeline,
        speed=speed,
        from_s=max(0.0, (truth.first_crack_start_s or 0.0) - _BEFORE_S),
        sound=sound,
        say=tell,
    )
    if shown.summary is not None:
        charge = pipeline.state.charge
        print_lines(
            summary_lines(
                shown.summary,
                charge=None if charge is None else charge.at,
                goal=pipeline.state.goal,
                width=columns(),
                taken_back=shown.taken_back,
                samplerate=pipeline.state.samplerate,
            )
        )
    return shown.exit_code, None if shown.ended_by_person else shown.summary


def _hear(path: Path, settings: Settings, *, text: bool, speed: float | None) -> tuple[int, dict[str, object] | None]:
    """Exit code, and the fields of the summary where there is one."""
    from crackdetect import model
    from crackdetect.audio.files import open_recording
    from crackdetect.audio.stdin import BLOCK_S
    from crackdetect.pipeline import Pipeline
    from crackdetect.running import recordings
    from crackdetect.terminal.progress import progress_line
    from crackdetect.terminal.text_events import event_sink

    # small blocks only where somebody waits for them: they take twice the processor's time
    source = open_recording(path, block_s=BLOCK_S if speed is None else 0.1)
    pipeline = Pipeline(samplerate=source.samplerate, model=model.shipped(), settings=settings, roast="demo_roast")
    heard = recordings.AllEvents()
    with progress_line("roast", total=source.duration_s) as line:
        for row in textwrap.wrap(_WHAT, columns()):
            (line.write if text else line.say)(row)
        sink = event_sink(text, name="Synthetic roast", write=line.write)
        code = recordings.hear(source, pipeline, [sink, heard], say=line.complain, speed=speed, progress=line.advance)
    return code, heard.summary


def _truth_of(recording: Path) -> Truth:
    """Raises InputError."""
    from crackdetect.synth.truth import Truth

    path = recording.with_suffix(".json")
    try:
        return Truth.from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"{path} is missing or damaged, it comes with crackdetect; reinstall it") from None
