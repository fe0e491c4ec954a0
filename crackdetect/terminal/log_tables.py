"""Roasts of the log as tables: the list, several side by side, one coffee over time."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from crackdetect.notation import clock, grams, percent
from crackdetect.roast.comparing import MEASURES, Trend, half_interval, tasting
from crackdetect.roast.record import Note, Roast
from crackdetect.roast.words import shown
from crackdetect.terminal.tables import fitting_table, plain_table, verbatim, width_of

if TYPE_CHECKING:
    from rich.table import Table


def list_table(
    roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, total: int, width: int | None = None
) -> Table:
    """The list of roasts, one row each.

    Parameters
    ----------
    roasts
        In the order of the rows, newest first.
    notes
        By number of the roast, oldest first.
    total
        How many the log holds.
    width
        Columns of the terminal, ``None`` = any.
    """
    of = f"{len(roasts)} of {total:,} roasts" if total != len(roasts) else f"{total} roast{'s' if total != 1 else ''}"
    rows = [
        (
            str(roast.number),
            roast.day,
            verbatim(shown(roast.coffee or roast.identity, most=13)),
            grams(roast.green_g),
            clock(roast.first_crack),
            clock(roast.development),
            _percent_or_dash(roast.ratio),
            _percent_or_dash(roast.loss),
            tasting(notes.get(roast.number, ())).removesuffix("/5") if roast.finished else "broke off",
        )
        for roast in roasts
    ]
    return fitting_table(
        ("no.", "day", "coffee", "batch", "first\ncrack", "dev.", "dev.\nratio", "loss", "cup"),
        rows,
        caption=f"{of}; first crack from charge, where charge is known; liking is of 5",
        width=width,
    )


def compare_tables(
    roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, width: int | None = None
) -> list[Table]:
    """Roasts side by side: one column a roast, one row a measure.

    Where there is no room for all of them, dates and cups are written narrower, then the roasts stand in several
    tables: a figure is never cut.

    Parameters
    ----------
    roasts
        In the order of the columns.
    notes
        By number of the roast, oldest first.
    width
        Columns of the terminal, ``None`` = any.
    """
    tables: list[Table] = []
    for parts in range(1, len(roasts) + 1):
        each = -(-len(roasts) // parts)
        for narrow in (False, True):
            tables = [
                _compare_table(roasts[start : start + each], notes, narrow=narrow)
                for start in range(0, len(roasts), each)
            ]
            if width is None or max(map(width_of, tables)) <= width:
                break
        else:
            continue
        break
    tables[-1].caption = "± is half of first crack's 90 % interval; peak rate is cracks a minute"
    return tables


def _compare_table(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, narrow: bool) -> Table:
    table = plain_table(caption=None)
    table.add_column("", no_wrap=True)
    for roast in roasts:
        table.add_column(roast.name, justify="right", no_wrap=True)
    names = (shown(roast.coffee, most=24) or "-" for roast in roasts)
    table.add_row("coffee", *(verbatim(textwrap.fill(name, 8 if narrow else 13)) for name in names))
    days = (roast.day[2:] if narrow else roast.day for roast in roasts)
    table.add_row("day (yy-mm-dd)" if narrow else "day", *map(verbatim, days))
    table.add_row("batch", *(grams(roast.green_g) for roast in roasts))
    for measure in MEASURES:
        cells = []
        for roast in roasts:
            value = measure.value(roast)
            half = half_interval(roast, measure) if measure.name == "first crack" else 0.0
            cells.append("-" if value is None else measure.show(value) + (f" ±{half:.0f}s" if half else ""))
        table.add_row(measure.name, *cells)
    table.add_row("cracks", *(f"{roast.crack_count:,}" for roast in roasts))
    table.add_row("peak rate", *("-" if roast.peak is None else f"{roast.peak.per_minute:.0f}" for roast in roasts))
    cups = (tasting(notes.get(roast.number, ())) or "-" for roast in roasts)
    table.add_row("cup", *(cup.replace(" ", "\n") if narrow else cup for cup in cups))
    return table


def trend_table(trend: Trend, notes: Mapping[int, Sequence[Note]], *, width: int | None = None) -> Table:
    """One coffee over time, oldest first. notes, width: see :func:`list_table`."""
    rows = []
    for roast in trend.roasts:
        wanted, development = roast.wanted, roast.development
        off = None if wanted is None or development is None else development - wanted
        rows.append(
            (
                str(roast.number),
                roast.day,
                grams(roast.green_g),
                clock(roast.first_crack),
                clock(development),
                "-" if roast.target is None else str(roast.target),
                "-" if off is None else f"{round(off):+d}",
                _percent_or_dash(roast.ratio),
                _percent_or_dash(roast.loss),
                tasting(notes.get(roast.number, ())),
            )
        )
    return fitting_table(
        ("no.", "day", "batch", "first\ncrack", "dev.", "target", "off", "dev.\nratio", "loss", "cup"),
        rows,
        caption="off is development minus what the target asked for, seconds",
        width=width,
    )


def _percent_or_dash(share: float | None) -> str:
    return "-" if share is None else percent(share)
