"""What the person reads: events as lines of text, one summary, one table; and the same events as JSON Lines.

Both are sinks: they take each event with ``send``. A full disk becomes an OutputError; a reader that went away
(``crackdetect ... | head``) is a BrokenPipeError, whatever the system calls it.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TextIO

import click

from crackdetect import cautions
from crackdetect.development import development_verdict
from crackdetect.errors import OutputError
from crackdetect.events import Event, clock, percent_sure

if TYPE_CHECKING:
    from rich.table import Table

#: Further pops within this many seconds of one that was told are told together.
POPS_TOGETHER_S = 15.0
#: While nothing has begun, a line this often says that the tool still listens.
STILL_LISTENING_S = 60.0
#: So many cracks without an announcement are worth a word at the end: somebody may have heard first crack.
POPS_WITHOUT_START = 5
#: Development is told this often.
DEVELOPMENT_EVERY_S = 15.0

#: Columns of the summary.
WIDTH = 80

_HOW = {"given": "as given", "key": "marked by you", "heard": "heard"}
_NOT_HEARD = "not heard"


def write_line(stream: TextIO, line: str) -> None:
    """Writes and flushes a line. Raises OutputError (disk full) or BrokenPipeError (nobody reads any more)."""
    try:
        click.echo(line, file=stream)
    except OSError as error:
        # Windows says EINVAL where others say EPIPE
        if error.errno == errno.EPIPE or (sys.platform == "win32" and error.errno == errno.EINVAL):
            raise BrokenPipeError(errno.EPIPE, "closed pipe") from None
        reason = error.strerror or "unknown reason"
        raise OutputError(
            f"the output cannot be written ({reason}); free some space or send it to another place"
        ) from None


def columns() -> int:
    """Of what is written as text: those of the terminal, but no more than can be read well."""
    return min(WIDTH, shutil.get_terminal_size().columns) if sys.stdout.isatty() else WIDTH


def may_style(stream: TextIO) -> bool:
    """Whether bold letters are welcome: a terminal that is not dumb, and NO_COLOR not set (no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


class JsonLinesSink:
    """One JSON object a line, flushed at once, so that a reader sees an event when it happens."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write

    def send(self, event: Event) -> None:
        self._write(event.to_json())


class LastEvent:
    """Keeps the last event, in the list it was given."""

    def __init__(self, kept: list[Event]) -> None:
        self._kept = kept

    def send(self, event: Event) -> None:
        self._kept[:] = [event]


class TextSink:
    """Events as lines a person reads while the roast goes on, and the summary at its end.

    write: takes one finished line. name: of the recording or microphone, for the first line. bold: first crack
    and the target are set in bold as well as in capitals. width: columns of the terminal, lines are broken between
    words to fit; None leaves them as long as they are.
    Times are roast time once charge is known, recording time before; the first line and charge say which.
    """

    def __init__(
        self, write: Callable[[str], None], *, name: str, bold: bool = False, width: int | None = None
    ) -> None:
        self._write = write
        self._name = name
        self._bold = bold
        self._width = width
        self._charge: float | None = None
        self._pops = 0
        self._pop_told_at: float | None = None
        self._loudest = 0.0
        self._told_at = 0.0
        self._density: Mapping[str, Any] | None = None
        self._begun = False
        self._dropped = False
        self._taken_back = False
        self._live = False

    def send(self, event: Event) -> None:
        self._gather(event)
        show = _SHOW.get(event.type)
        if show is not None:
            show(self, event)

    # -- lines ---------------------------------------------------------------------------------------------

    def _line(self, at: float, text: str, note: str = "", *, loud: bool = False) -> None:
        moment = clock(at if self._charge is None else at - self._charge)
        line = f"{moment:>6}  {text:<44}  {note}".rstrip() if note else f"{moment:>6}  {text}"
        lines = [line]
        if self._width is not None and len(line) > self._width:
            beside = " " * 8
            lines = _broken(text, self._width, first=f"{moment:>6}  ", rest=beside)
            lines += _broken(note, self._width, first=beside, rest=beside)
        for line in lines:
            self._write(click.style(line, bold=True) if loud and self._bold else line)
        self._told_at = at

    @property
    def _columns(self) -> int:
        """Of sentences, which are broken where there is no terminal as well."""
        return WIDTH if self._width is None else min(WIDTH, self._width)

    def _gather(self, event: Event) -> None:
        """Tells pops that came soon after one another in one line, as soon as any event shows that time is up."""
        told_at = self._pop_told_at
        if told_at is None or event.type == "crack":
            return
        ends = event.type in ("first_crack.start", "drop", "summary")
        if event.announced_at >= told_at + POPS_TOGETHER_S or ends:
            self._pop_told_at = None
            if self._pops and not ends:
                self._line(
                    told_at + POPS_TOGETHER_S,
                    f"{self._pops} more {'pop' if self._pops == 1 else 'pops'} within {POPS_TOGETHER_S:g} s",
                    f"loudest {self._loudest:.0f} dB",
                )

    def _caution(self, text: str) -> None:
        """At the roaster; a recording burns nothing."""
        if self._live:
            for line in _broken(text, self._columns, first=" " * 8, rest=" " * 8):
                self._write(line)

    def _on_start(self, event: Event) -> None:
        fields = event.fields
        model = fields["model"]
        self._live = fields["source"] == "microphone"
        for sentence in (
            f"{self._name}, {fields['samplerate']:,} Hz, heard by crackdetect {fields['version']}",
            f"Model {model['name']} {model['hash'][:8]}",
            "Times are recording time, from the first sample, until charge is known.",
        ):
            for line in _broken(sentence, self._columns):
                self._write(line)

    def _on_charge(self, event: Event) -> None:
        self._charge = event.at
        self._line(
            event.at,
            f"charge, {_how(event)}; roast time from here on",
            f"recording {clock(event.at)}",
        )

    def _on_crack(self, event: Event) -> None:
        if self._begun or self._dropped:
            return
        snr_db = float(event.fields["snr_db"])
        if self._pop_told_at is None:
            self._pop_told_at, self._pops, self._loudest = event.at, 0, -99.0
            self._line(event.at, "stray pop", f"{snr_db:.0f} dB over the noise")
        else:
            self._pops += 1
            self._loudest = max(self._loudest, snr_db)

    def _on_density(self, event: Event) -> None:
        self._density = event.fields
        if not self._begun and not self._dropped and event.at >= self._told_at + STILL_LISTENING_S:
            self._line(event.at, "listening; first crack has not begun", _rate(event.fields))

    def _on_first_crack(self, event: Event) -> None:
        self._begun = True
        fields = event.fields
        late = event.announced_at - event.at
        self._line(
            event.announced_at,
            f"FIRST CRACK began {self._clock(event.at)} (between {self._clock(fields['earliest'])} and "
            f"{self._clock(fields['latest'])}), announced {late:.0f} s later",
            loud=True,
        )

    def _on_renewed(self, event: Event) -> None:
        """First crack after an announcement that was taken back."""
        self._begun = True
        fields = event.fields
        late = event.announced_at - fields["first_crack"]
        self._line(
            event.announced_at,
            f"FIRST CRACK began {self._clock(fields['first_crack'])}, announced anew {late:.0f} s later",
            loud=True,
        )

    def _on_turn(self, event: Event) -> None:
        what = "first crack ended" if event.type == "first_crack.end" else "SECOND CRACK began"
        fields = event.fields
        self._line(
            event.announced_at,
            f"{what} {self._clock(event.at)} (between {self._clock(fields['earliest'])} and "
            f"{self._clock(fields['latest'])})",
            loud=event.type == "second_crack.start",
        )
        if event.type == "second_crack.start":
            self._caution(cautions.PAST_SECOND_CRACK)

    def _on_development(self, event: Event) -> None:
        if event.fields.get("renewed"):
            self._on_renewed(event)
            return
        if self._dropped or event.at < self._told_at + DEVELOPMENT_EVERY_S:
            return
        fields = event.fields
        text = f"development {clock(fields['elapsed'])}"
        if fields["ratio"] is not None:
            text += f", {_percent(fields['ratio'])}"
        remaining = fields["remaining"]
        if remaining is not None and remaining > 0:
            text += f", {clock(remaining)} to go"
        self._line(event.at, text, _rate(self._density))

    def _on_target(self, event: Event) -> None:
        stage, remaining = event.fields["stage"], abs(float(event.fields["remaining"]))
        text = {
            "near": f"{remaining:.0f} s to the target",
            "reached": "TARGET reached",
            "over": f"{remaining:.0f} s past the target",
        }[stage]
        self._line(event.at, text, loud=stage == "reached")

    def _on_drop(self, event: Event) -> None:
        self._dropped = True
        self._line(event.at, f"drop, {_how(event)}")
        self._caution(cautions.AT_COOLING)

    def _on_cooled(self, event: Event) -> None:
        self._line(event.at, f"cooled, {_how(event)}".rstrip(", "))

    def _on_mark(self, event: Event) -> None:
        what = event.fields["what"]
        name, taken_back, _ = what.partition(".not_yet")
        if taken_back:
            self._begun = self._begun and name != "first_crack"
            self._taken_back = self._taken_back or name == "first_crack"
            self._dropped = self._dropped and name != "drop"
            self._line(event.at, f"{_spoken(name)} taken back by you; it has not been yet")
            self._charge = None if name == "charge" else self._charge
            return
        if what == "first_crack.start":
            self._begun = True
        if what not in ("charge", "drop", "cooled"):  # these have an event of their own
            self._line(event.at, f"{_spoken(what)}, marked by you")

    def _on_health(self, event: Event) -> None:
        if event.fields["kind"] == "own_sound":
            return  # nothing is wrong; whoever listens live has heard it as well
        self._line(event.at, f"sound: {event.fields['message']}")

    def _on_summary(self, event: Event) -> None:
        self._write("")
        for line in summary_lines(event.fields, charge=self._charge, width=self._columns, taken_back=self._taken_back):
            self._write(line)

    def _clock(self, seconds: float) -> str:
        return clock(seconds if self._charge is None else seconds - self._charge)


_SHOW: dict[str, Callable[[TextSink, Event], None]] = {
    "roast.start": TextSink._on_start,
    "charge": TextSink._on_charge,
    "crack": TextSink._on_crack,
    "density": TextSink._on_density,
    "first_crack.start": TextSink._on_first_crack,
    "first_crack.end": TextSink._on_turn,
    "second_crack.start": TextSink._on_turn,
    "development": TextSink._on_development,
    "target": TextSink._on_target,
    "drop": TextSink._on_drop,
    "cooled": TextSink._on_cooled,
    "mark": TextSink._on_mark,
    "health": TextSink._on_health,
    "summary": TextSink._on_summary,
}


def _how(event: Event) -> str:
    """How it is known; what was heard with how late and how sure, as it may be taken back."""
    how = _HOW.get(event.fields.get("how", ""), "")
    if event.fields.get("how") != "heard":
        return how
    late = event.announced_at - event.at
    return f"{how}, {percent_sure(event.fields['confidence'])} % sure, told {late:.0f} s later"


def _spoken(kind: str) -> str:
    """``first_crack.start`` -> ``first crack start``."""
    return kind.replace("_", " ").replace(".", " ")


def _rate(density: Mapping[str, Any] | None) -> str:
    if density is None:
        return ""
    return f"{density['per_minute']:.0f} a minute ({density['low']:.0f} to {density['high']:.0f})"


def _percent(ratio: float) -> str:
    return f"{100 * ratio:.1f} %"


def _broken(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Between words only, so that a figure or a name stays whole however narrow the terminal is."""
    return textwrap.wrap(
        text,
        max(width, len(rest) + 12),
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


# -- the summary -----------------------------------------------------------------------------------------------


def summary_lines(
    fields: Mapping[str, Any], *, charge: float | None, width: int = WIDTH, taken_back: bool = False
) -> list[str]:
    """The ``summary`` event as a person reads it. charge: seconds from the first sample, or None if unknown.

    taken_back: the person said that first crack had not been; then nobody wonders why it is missing.
    """

    def at(seconds: float | None) -> str:
        if seconds is None:
            return _NOT_HEARD
        return clock(seconds if charge is None else seconds - charge)

    kind = "recording time, as charge is not known" if charge is None else "roast time, from charge"
    rows = [("first crack", at(fields["first_crack"]))]
    if fields["first_crack_earliest"] is not None:
        rows[0] = (
            "first crack",
            f"{at(fields['first_crack'])}, between {at(fields['first_crack_earliest'])} and "
            f"{at(fields['first_crack_latest'])} (90 % interval)",
        )
    if fields["first_crack_announced"] is not None and fields["first_crack"] is not None:
        late = fields["first_crack_announced"] - fields["first_crack"]
        told = f"{late:.0f} s after it began" if late >= 0 else f"{-late:.0f} s before its present date"
        rows.append(("announced", f"{at(fields['first_crack_announced'])}, {told}"))
    rows.append(("cracks", f"{fields['cracks']:,} heard"))
    if fields["first_crack"] is None and fields["cracks"] >= POPS_WITHOUT_START and not taken_back:
        rows.append(
            (
                "",
                "pops were heard, but too few or too weak to be sure of first crack: move the microphone nearer, try "
                "--sensitivity earlier, or mark it by hand as you listen (f)",
            )
        )
    if fields["peak_per_minute"] is not None:
        rows.append(
            (
                "peak density",
                f"{fields['peak_per_minute']:.0f} cracks a minute ({fields['peak_low']:.0f} to "
                f"{fields['peak_high']:.0f}, 90 % interval)",
            )
        )
    rows += _development_rows(fields)
    rows.append(("drop", "not known" if fields["drop"] is None else at(fields["drop"])))
    rows.append(("first crack end", at(fields["first_crack_end"])))
    rows.append(("second crack", at(fields["second_crack"])))
    rows.append(("sound", health_text(fields["health"]) or "no trouble"))
    lines = _broken(f"Summary ({kind})", width)
    for name, text in rows:
        lines += _broken(text, width, first=f"  {name:<16} ", rest=" " * 19)
    return lines


def _development_rows(fields: Mapping[str, Any]) -> list[tuple[str, str]]:
    seconds = fields["development"]
    if seconds is None:
        missing = "the drop" if fields["drop"] is None else "first crack"
        return [("development", f"not known, as {missing} is not known")]
    return development_rows(seconds, ratio=fields["ratio"], total=fields["total"])


def development_rows(seconds: float, *, ratio: float | None, total: float | None) -> list[tuple[str, str]]:
    """Development as it stands in every summary, and below it what it suggests. Seconds; ratio 0 to 1."""
    text = clock(seconds)
    if ratio is not None:
        text += f", {_percent(ratio)} of {clock(total)} from charge to drop"
    # the sentence repeats the figures of the line above, then a colon
    figures, _, judgement = development_verdict(ratio, seconds).partition(": ")
    return [("development", text), ("", judgement if figures.startswith("development") else f"{figures}: {judgement}")]


def health_text(health: Mapping[str, int]) -> str:
    """``{"gap": 3}`` -> ``"gap 3"``; empty when nothing was wrong. Counts are as in ``health`` events."""
    return ", ".join(f"{_spoken(kind)} {count:,}" for kind, count in health.items() if kind != "own_sound")


# -- progress --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ProgressLine:
    """advance: takes how much is done. write, say: a line on standard output or standard error, above the progress."""

    advance: Callable[[float], None]
    write: Callable[[str], None]
    say: Callable[[str], None]


@contextmanager
def progress_line(label: str, *, total: float | None) -> Iterator[ProgressLine]:
    """A progress line on standard error while the block lasts; only on a terminal, otherwise it does nothing.

    total: what ``advance`` will reach, None = not known.
    """

    def plain(line: str) -> None:
        write_line(sys.stdout, line)

    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield ProgressLine(lambda done: None, plain, lambda line: click.echo(line, err=True))
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.text import Text

    screen = Console(stderr=True, highlight=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    # without the redirections lines go where they belong even when only one of the two streams is a terminal
    with Progress(*columns, console=screen, transient=True, redirect_stdout=False, redirect_stderr=False) as progress:
        task = progress.add_task(label, total=total)

        def above(line: str) -> None:
            screen.print(Text.from_ansi(line), soft_wrap=True)

        yield ProgressLine(
            advance=lambda done: progress.update(task, completed=done),
            write=above if sys.stdout.isatty() else plain,
            say=lambda line: screen.print(Text(line)),
        )


# -- several files ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """One file of the table. summary: fields of its ``summary`` event, or None when it could not be read."""

    name: str
    summary: Mapping[str, Any] | None
    notes: Sequence[str] = ()


def show_table(rows: Sequence[Row], *, charge: float | None) -> None:
    """What became of several files, on standard output."""
    write_table(results_table(rows, charge=charge))


def write_table(table: Table) -> None:
    """A table on standard output; into a pipe or file it is as wide as it needs to be."""
    from rich.console import Console

    screen = Console(file=sys.stdout, highlight=False, width=None if sys.stdout.isatty() else 200)
    with screen.capture() as captured:
        screen.print(table)
    for line in captured.get().rstrip().splitlines():
        write_line(sys.stdout, line.rstrip())


def results_table(rows: Sequence[Row], *, charge: float | None) -> Table:
    """One row a file. charge: seconds from the first sample of every file, or None."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    def at(seconds: float | None) -> str:
        return clock(None if seconds is None else seconds - (charge or 0.0))

    kind = "recording time" if charge is None else "roast time"
    caption = f"times are {kind}; ± is half of the 90 % interval; peak is cracks a minute"
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, caption=caption, caption_justify="left")
    table.add_column("file", overflow="fold", min_width=14)
    for title in ("first crack", "told", "cracks", "peak", "dev.", "ratio"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("notes", overflow="fold")
    for row in rows:
        fields = row.summary
        if fields is None:
            cells = ["-"] * 6
        else:
            cells = [at(fields["first_crack"]), "-", f"{fields['cracks']:,}", "-", clock(fields["development"]), "-"]
            if fields["first_crack_earliest"] is not None:
                half = (fields["first_crack_latest"] - fields["first_crack_earliest"]) / 2
                cells[0] += f" ±{half:.0f} s"
            if fields["first_crack_announced"] is not None:
                cells[1] = at(fields["first_crack_announced"])
            if fields["peak_per_minute"] is not None:
                cells[3] = f"{fields['peak_per_minute']:.0f}"
            if fields["ratio"] is not None:
                cells[5] = _percent(fields["ratio"])
        health = "" if fields is None else health_text(fields["health"])
        notes = "; ".join(note for note in (*row.notes, health) if note)
        # Text, as a file's name may hold what rich would take for markup
        table.add_row(Text(row.name), *cells, Text(notes))
    return table


# -- the demonstration -----------------------------------------------------------------------------------------


def truth_lines(fields: Mapping[str, Any], truth: Mapping[str, float | None], *, width: int = WIDTH) -> list[str]:
    """Heard beside true, for a synthetic roast. truth: seconds from charge or start by the name of the summary's
    field (``first_crack``, ``first_crack_end``, ``second_crack``) and ``cracks``, the number rendered."""
    lines = _broken("The same beside the truth, which is known as the roast is synthetic", width)
    lines.append(f"  {'':<16} {'heard':>8} {'true':>8}")
    for key, name in (
        ("first_crack", "first crack"),
        ("first_crack_end", "first crack end"),
        ("second_crack", "second crack"),
    ):
        heard, true = fields[key], truth[key]
        note = ""
        if heard is not None and true is not None:
            off = heard - true
            note = f"  {abs(off):.1f} s {'late' if off >= 0 else 'early'}"
        shift = truth.get("charge") or 0.0
        pair = [clock(None if value is None else value - shift) for value in (heard, true)]
        lines.append(f"  {name:<16} {pair[0]:>8} {pair[1]:>8}{note}")
    lines.append(f"  {'cracks':<16} {fields['cracks']:>8,} {truth['cracks']:>8,.0f}")
    return lines
