"""Tables on a terminal: how they are drawn, and the one of several recordings."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crackdetect.notation import clock, percent
from crackdetect.terminal.lines import Styled, print_lines, visible
from crackdetect.terminal.summary import health_text

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text


def table_width() -> int | None:
    """Columns of the terminal, None where there is none."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def print_table(table: Table) -> None:
    """A table on standard output; into a pipe or file it is as wide as it needs to be."""
    from rich.console import Console

    screen = Console(file=sys.stdout, highlight=False, width=None if sys.stdout.isatty() else 200)
    with screen.capture() as captured:
        screen.print(table)
    print_lines(Styled(line.rstrip()) for line in captured.get().rstrip().split("\n"))


def plain_table(*, caption: str | None) -> Table:
    """An empty table as all of ours look. caption: a line below it."""
    from rich import box
    from rich.table import Table

    return Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, caption=caption, caption_justify="left")


#: What a narrow terminal does without, in this order.
_LESS_TELLING = ("loss", "cup", "batch", "dev.\nratio", "day")


def fitting_table(titles: Sequence[str], rows: Sequence[Sequence[Any]], *, caption: str, width: int | None) -> Table:
    """A table with as many of the columns as can be read whole; the caption says which are left out.

    Parameters
    ----------
    titles, rows
        Of the columns, and their cells.
    caption
        A line below it.
    width
        Columns of the terminal, ``None`` = any.
    """
    left_out: list[str] = []
    while True:
        told = f"{caption}; {', '.join(left_out).replace(chr(10), ' ')} in a wider window" if left_out else caption
        table = plain_table(caption=told)
        kept = [place for place, title in enumerate(titles) if title not in left_out]
        for place in kept:
            left = titles[place] in ("day", "coffee", "cup")
            table.add_column(titles[place], justify="left" if left else "right", no_wrap=titles[place] != "coffee")
        for row in rows:
            table.add_row(*(verbatim(str(row[place])) for place in kept))
        further = next((name for name in _LESS_TELLING if name in titles and name not in left_out), None)
        if width is None or further is None or width_of(table) <= width:
            return table
        left_out.append(further)


def width_of(table: Table) -> int:
    """Columns of a terminal that show the table whole."""
    from rich.console import Console
    from rich.measure import Measurement

    wide = Console(width=10_000)
    return Measurement.get(wide, wide.options, table).maximum


def verbatim(text: str) -> Text:
    """A cell that shows the text as it is: a name may hold what rich would take for markup, or codes."""
    from rich.text import Text

    return Text("\n".join(map(visible, text.split("\n"))))


# -- several recordings ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """One file of the table. summary: fields of its ``summary`` event; ``None``: it could not be read."""

    name: str
    summary: Mapping[str, Any] | None
    notes: Sequence[str] = ()
    samplerate: int | None = None


def results_table(rows: Sequence[Row], *, charge: float | None) -> Table:
    """Several recordings, one row each. charge: seconds from the first sample of every file, or ``None``."""

    def at(seconds: float | None) -> str:
        return clock(None if seconds is None else seconds - (charge or 0.0))

    kind = "recording time" if charge is None else "roast time"
    caption = f"times are {kind}; ± is half of the 90 % interval; peak rate is cracks a minute"
    table = plain_table(caption=caption)
    table.add_column("file", overflow="fold", min_width=14)
    for title in ("first\ncrack", "told", "cracks", "peak\nrate", "dev.", "dev.\nratio"):
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
                cells[5] = percent(fields["ratio"])
        health = "" if fields is None else health_text(fields["health"], row.samplerate)
        notes = "; ".join(note for note in (*row.notes, health) if note)
        table.add_row(verbatim(row.name), *cells, verbatim(notes))
    return table
