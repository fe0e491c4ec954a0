"""What tells most, in a line for each set, group of recordings or family, every figure with its 95 % interval."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from crackdetect.evaluate.aggregate import PARTS, aggregate
from crackdetect.evaluate.scoring import Score
from crackdetect.synth.wide import FAMILIES

#: Fewer recordings than this do not make a line of their own among the families.
_FEWEST = 2
Cell = Callable[[Mapping[str, Any]], str]


def by_family(scores: Sequence[Score]) -> dict[str, dict[str, Any]]:
    """Figures of each of the wide families, over all recordings that belong to it."""
    groups = {family: [score for score in scores if family in score.families] for family in FAMILIES}
    return {family: aggregate(own) for family, own in groups.items() if len(own) >= _FEWEST}


def overview(figures: Mapping[str, Mapping[str, Any]], *, title: str) -> str:
    """Two tables as text: first crack; then single cracks and the course.

    Parameters
    ----------
    figures : mapping
        What :func:`~crackdetect.evaluate.aggregate.aggregate` gives, by the name of the line.
    title : str
        Of the column of names.
    """
    return "\n\n".join(as_table(figures, columns, title=title) for columns in (_FIRST_CRACK, _REST))


def as_table(figures: Mapping[str, Mapping[str, Any]], columns: Mapping[str, Cell], *, title: str) -> str:
    """A line for each name of figures, a cell for each of the columns. title: of the column of names."""
    cells = [[title, *columns]]
    cells += [[name, *(cell(own) for cell in columns.values())] for name, own in figures.items()]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return "\n".join(
        "  ".join(part.ljust(width) for part, width in zip(line, widths, strict=True)).rstrip() for line in cells
    )


def with_interval(figures: Mapping[str, Any], key: str) -> str:
    """A figure and its interval: ``0.83 (0.71-0.9)``; of a count what it is a part of: ``9 of 12 (47-91 %)``."""
    value, interval = figures.get(key), figures["intervals"].get(key)
    if key in PARTS:
        if not figures[PARTS[key]] or value is None:
            return "-"
        low, high = (f"{100 * end:.0f}" for end in interval)
        return f"{value} of {figures[PARTS[key]]} ({low}-{high} %)"
    if value is None:
        return "-"
    return f"{value:.3g}" + ("" if interval is None else f" ({interval[0]:.3g} to {interval[1]:.3g})")


def _figure(key: str) -> Cell:
    return lambda figures: with_interval(figures, key)


def _count(key: str, of: str) -> Cell:
    return lambda figures: str(figures[key]) if figures[of] else "-"


def _false(figures: Mapping[str, Any]) -> str:
    """How many, in which time, and what that may be in 10 hours."""
    count, hours = figures["false_announcements"], figures["hours_without_first_crack"]
    low, high = figures["intervals"].get("false_announcements_in_10_h", (0, 0))
    return f"{count} in {hours:.1f} h ({low:.1f} to {high:.1f} in 10 h)" if hours else "-"


_FIRST_CRACK: dict[str, Cell] = {
    "announced": _figure("first_crack_announced"),
    "missed": _count("first_crack_missed", "first_crack_present"),
    "early": _count("first_crack_early", "first_crack_present"),
    "false or early, before or without it": _false,
    "delay, mean (s)": _figure("delay_mean_s"),
    "median (s)": _figure("delay_median_s"),
    "date off, median (s)": _figure("start_median_abs_error_s"),
    "interval right": _figure("start_covered"),
}
_REST: dict[str, Cell] = {
    "recall from 8 dB": _figure("recall_at_1_false_from_8_db"),
    "from 12 dB, 1 false a minute": _figure("recall_at_1_false_from_12_db"),
    "calibration off": lambda figures: _plain(figures["calibration_error"]),
    "rate at peak off": _figure("density_error_median_abs"),
    "second crack": _figure("second_announced"),
    "none there": lambda figures: str(figures["second_false"]),
    "its delay, median (s)": _figure("second_delay_median_s"),
}


def _plain(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"
