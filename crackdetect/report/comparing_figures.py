"""Figures of several roasts: their crack rates over one another, and their development roast by roast."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from crackdetect.notation import clock
from crackdetect.report import style
from crackdetect.report.drawing import WIDE, clock_ticks, new_figure
from crackdetect.roast.record import Roast, RoastRecord

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from crackdetect.roast.comparing import Trend

#: Of the aligned comparison, seconds before and after first-crack start at the least.
ALIGNED_S = (-60.0, 120.0)


def overlay(records: Sequence[RoastRecord], *, title: str = "", width: float = WIDE) -> Figure:
    """Crack rates over one another, aligned at first-crack start; the drop ends each line in a dot."""
    with style.styled():
        figure = new_figure(width, 4.0, above=0.55 if title else 0.3)
        axes = figure.subplots()
        ends = [ALIGNED_S[1]]
        top = 20.0
        for record, (colour, dash) in zip(records, style.LINES, strict=False):
            roast = record.roast
            start = roast.at_s("first_crack.start")
            if start is None:
                continue
            drop = roast.at_s("drop")
            line = [d for d in record.density if drop is None or d.at_s <= drop]
            times = [d.at_s - start for d in line]
            rates = [d.per_minute for d in line]
            axes.plot(times, rates, color=colour, linestyle=dash, linewidth=1.7, label=_legend(roast))
            if drop is not None:
                axes.plot(
                    [drop - start],
                    [rates[-1] if rates else 0],
                    color=colour,
                    marker="o",
                    markersize=6,
                    linestyle="none",
                )
                ends.append(drop - start)
            top = max(top, *(d.per_minute for d in line if d.at_s - start >= ALIGNED_S[0]), 0.0)
        axes.axvline(0, color=style.FIRST, linewidth=1.2)
        axes.text(0, 1.02, " first crack", transform=axes.get_xaxis_transform(), color=style.FIRST, fontsize=8.0)
        if title:
            axes.set_title(title, loc="left", pad=20.0)
        axes.set_xlim(ALIGNED_S[0], max(ends) + 15)
        axes.set_ylim(0, (1.1 + 0.07 * len(records)) * top)
        axes.set_xlabel("time from first-crack start, min:s; the dot is the drop")
        axes.set_ylabel("cracks a minute")
        clock_ticks(axes)
        axes.legend(loc="upper right")
        return figure


def _legend(roast: Roast) -> str:
    parts = [roast.name, roast.day]
    parts += [] if roast.development is None else [f"{clock(roast.development)}"]
    parts += [] if roast.ratio is None else [f"{100 * roast.ratio:.1f} %"]
    return "  ".join(parts)


def trend(made: Trend, *, width: float = WIDE) -> Figure:
    """Development roast by roast, with what the target asked for, the mean and the band of one spread."""
    with style.styled():
        figure = new_figure(width, 3.4, right=0.9)
        figure.subplots_adjust(bottom=0.62 / 3.4)
        axes = figure.subplots()
        places = list(range(1, len(made.roasts) + 1))
        developments = [roast.development or 0.0 for roast in made.roasts]
        spread = made.development
        if spread is not None and spread.sd is not None:
            axes.axhspan(spread.mean - spread.sd, spread.mean + spread.sd, color=style.BAND, linewidth=0, zorder=0.5)
            axes.axhline(spread.mean, color=style.RATE, linewidth=1.0, linestyle="--")
            axes.text(
                1.0, spread.mean, f" mean {clock(spread.mean)}\n ± {spread.sd:.0f} s", color=style.RATE, fontsize=8.0,
                va="center", transform=axes.get_yaxis_transform(),
            )  # fmt: skip
        for place, roast in zip(places, made.roasts, strict=True):
            interval, drop = roast.moment("first_crack.start").interval_s, roast.at_s("drop")
            if interval is not None and drop is not None:
                axes.plot([place, place], [drop - interval[1], drop - interval[0]], color=style.RATE, linewidth=1.0)
        axes.plot(
            places, developments, color=style.RATE, linewidth=0.8, marker="o", markersize=5.5, label="development"
        )
        wanted = [(place, roast.wanted) for place, roast in zip(places, made.roasts, strict=True) if roast.wanted]
        if wanted:
            axes.plot(
                [place for place, _ in wanted], [want for _, want in wanted], color=style.FIRST, marker="_",
                markersize=16, markeredgewidth=2, linestyle="none", label="target",
            )  # fmt: skip
        values = [*developments, *(want for _, want in wanted if want is not None)]
        room = max(15.0, 0.2 * (max(values) - min(values)))
        axes.set_ylim(min(values) - room, max(values) + room)
        axes.set_xlim(0.5, len(places) + 0.5)
        step = max(1, math.ceil(len(places) / (12 if width > 5 else 5)))
        axes.set_xticks(places[::step], [_tick(roast) for roast in made.roasts[::step]])
        axes.set_xlabel("roast, day")
        axes.set_ylabel("development, min:s")
        clock_ticks(axes, axis="y")
        axes.legend(loc="upper left", ncols=2)
        return figure


def _tick(roast: Roast) -> str:
    day = date.fromisoformat(roast.day)
    return f"{roast.number}\n{day.day} {day:%b}"
