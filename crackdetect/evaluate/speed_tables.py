"""What was measured of the speed, as text."""

from __future__ import annotations

from collections.abc import Sequence

from crackdetect.evaluate.speed import Compared, InMemory, Run, Spread, peak


def beside(all_compared: Sequence[Compared], *, events: bool = False) -> str:
    """A line for each sound and what stood beside ours. events: also whether both said the same."""
    head = ["whole processes", "beside", "x real time", "theirs", "ratio", "MB", "theirs"]
    rows = [head + (["events"] if events else [])]
    for one in all_compared:
        fast = [one.seconds / Spread.of([run.seconds for run in runs]).median for runs in (one.ours, one.theirs)]
        cells = [one.sound, one.other, *(f"{times:.0f}" for times in fast), told(one.ratio)]
        cells += [_megabytes(peak(runs)) for runs in (one.ours, one.theirs)]
        rows.append(cells + ([("the same" if one.same else "others")] if events else []))
    return _table(rows)


def in_memory(all_timed: Sequence[InMemory]) -> str:
    """A line for each sound."""
    rows = [["in memory", "x real time", "band-passes", "live, % of a core", "band-passes"]]
    for one in all_timed:
        live = f"{one.live_percent:.2f}"
        rows.append([one.sound, f"{one.real_time:.0f}", told(one.bandpasses), live, told(one.live_bandpasses)])
    return _table(rows)


def growth(grown: Sequence[tuple[float, Run]]) -> str:
    """A line for each length (hours) of a grainy drum, and what it took."""
    rows = [["a grainy drum of", "x real time", "processor seconds an hour", "MB"]]
    for hours, run in grown:
        speed, per_hour = 3600 * hours / run.seconds, run.seconds / hours
        rows.append([length(hours), f"{speed:.0f}", f"{per_hour:.1f}", _megabytes(run.megabytes)])
    return _table(rows)


def told(spread: Spread) -> str:
    """Median and both ends: ``1.29 (1.21 to 1.40)``."""
    return f"{spread.median:.2f} ({spread.low:.2f} to {spread.high:.2f})"


def length(hours: float) -> str:
    """``10 min``, ``8 h``."""
    return f"{60 * hours:.0f} min" if hours < 1 else f"{hours:g} h"


def _megabytes(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _table(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(line.rstrip() for line in lines)
