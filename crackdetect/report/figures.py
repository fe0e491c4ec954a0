"""The figures: density and cracks, the chorus, close-ups, level; several roasts laid over one another; a trend.

Each function draws into a figure of its own and returns it; ``save`` writes it. Objects only, no global state of the
drawing library. Times are roast time, or recording time where charge is not known, and the axis says which.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from crackdetect import writing
from crackdetect.events import clock
from crackdetect.log.roast import Roast, Story
from crackdetect.log.trend import Trend
from crackdetect.log.words import shown
from crackdetect.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crackdetect.report.sound import Sound

#: Inches: a figure beside text, and one for the width of a phone.
WIDE, NARROW = 8.6, 3.75
#: Of the aligned comparison, seconds before and after first-crack start at the least.
ALIGNED_S = (-60.0, 120.0)
DPI = 160
#: No dates, so that the same figure is the same file; and our name, by which ``writing`` knows it again.
_METADATA: dict[str, dict[str, str | None]] = {
    "png": {"Software": "crackdetect"},
    "svg": {"Date": None, "Title": "crackdetect"},
    "pdf": {"CreationDate": None, "Creator": "crackdetect"},
}

_MARKED = {
    "charge": ("charge", style.FAINT, (0, (1, 2))),
    "first_crack.start": ("first crack", style.FIRST, "-"),
    "first_crack.end": ("first crack end", style.FIRST, (0, (4, 2))),
    "second_crack.start": ("second crack", style.SECOND, (0, (6, 1, 1, 1))),
    "drop": ("drop", style.INK, (0, (2, 1))),
}


def save(figure: Figure, path: Path, *, kind: str, replace: bool = False) -> None:
    """Writes a figure, whole or not at all. kind: png, svg or pdf.

    replace: a file that is no such figure of ours may be there. Raises SettingError, OutputError.
    """
    with writing.whole_file(path, replace=replace, own=writing.is_own(kind)) as part, style.styled():
        figure.savefig(part, format=kind, dpi=DPI, metadata=_METADATA[kind])


def as_svg(figure: Figure, *, salt: str) -> str:
    """A figure as a drawing inside a page."""
    out = io.StringIO()
    with style.styled(salt=salt):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return out.getvalue()


def _figure(width: float, height: float, *, above: float = 0.15, left: float = 0.62, right: float = 0.12) -> Figure:
    """Margins in inches, fixed: finding them by drawing would take as long as the figure itself."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    figure.subplots_adjust(
        left=left / width, right=1 - right / width, top=1 - above / height, bottom=0.48 / height, hspace=0.12
    )
    return figure


# -- one roast -------------------------------------------------------------------------------------------------


def density(story: Story, *, width: float = WIDE) -> Figure:
    """Crack density with its interval and the moments of the roast; below it every crack by strength."""
    with style.styled():
        labels = sum(story.roast.at_s(what) is not None for what in _MARKED)
        figure = _figure(width, 4.6, above=0.5 if width > 5 else 0.3 + 0.16 * labels)
        upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 2)})
        draw_density(upper, story, narrow=width < 5)
        draw_cracks(lower, story)
        _time_axis(lower, story.roast)
        return figure


def draw_density(axes: Axes, story: Story, *, narrow: bool = False) -> None:
    roast = story.roast
    series = story.density
    times = [_time(roast, density.at_s) for density in series]
    axes.fill_between(
        times,
        [density.low for density in series],
        [density.high for density in series],
        color=style.BAND,
        linewidth=0,
        zorder=1.5,
        label="90 % interval",
    )
    axes.plot(times, [density.per_minute for density in series], color=style.RATE, linewidth=1.6, label="crack density")
    low, high = _span(story)
    top = 1.25 * max(_highest(story), 20.0)
    axes.set_xlim(low, high)
    axes.set_ylim(0, top)
    axes.set_ylabel("cracks a minute")
    start, drop = roast.at_s("first_crack.start"), roast.at_s("drop")
    if start is not None and drop is not None and drop > start:
        axes.axvspan(_time(roast, start), _time(roast, drop), color=style.DEVELOP, linewidth=0, zorder=0.5)
    _draw_moments(axes, roast, narrow=narrow, span=(low, high))


def _draw_moments(axes: Axes, roast: Roast, *, narrow: bool, span: tuple[float, float]) -> None:
    """A line and a label each; the labels of near neighbours stand on different heights."""
    trans = axes.get_xaxis_transform()
    rows: list[float] = []  # right end of the last label in each row, as a share of the width
    for what, (name, colour, dash) in _MARKED.items():
        at_s = roast.at_s(what)
        if at_s is None:
            continue
        at = _time(roast, at_s)
        axes.axvline(at, color=colour, linestyle=dash, linewidth=1.4, zorder=3)
        if what == "first_crack.start":
            _draw_start(axes, roast)
        text = f"{name} {clock(roast.roast_time(at_s))}"
        share = (at - span[0]) / (span[1] - span[0])
        length = len(text) * (0.0295 if narrow else 0.0125)
        left = share + length > 1.0
        begin = share - length if left else share
        row = next((row for row, end in enumerate(rows) if end < begin), len(rows))
        rows[row : row + 1] = [begin + length]
        axes.text(
            at,
            1.02 + (0.095 if narrow else 0.085) * row,
            f"{text} " if left else f" {text}",
            transform=trans,
            color=colour,
            fontsize=8.0,
            ha="right" if left else "left",
            va="bottom",
        )


def _draw_start(axes: Axes, roast: Roast) -> None:
    """Its interval, when it was announced, and what was heard where the person says otherwise."""
    moment = roast.moment("first_crack.start")
    trans = axes.get_xaxis_transform()
    if moment.interval_s is not None:
        early, late = (_time(roast, second) for second in moment.interval_s)
        axes.plot([early, late], [0.955, 0.955], transform=trans, color=style.FIRST, linewidth=3, solid_capstyle="butt")
    if moment.whose != "heard" and moment.heard_s is not None:
        axes.plot(
            [_time(roast, moment.heard_s)], [0.955], transform=trans, color=style.FIRST, marker="D", markersize=5,
            markerfacecolor=style.PAPER, linestyle="none",
        )  # fmt: skip
    if moment.announced_s is not None:
        axes.plot(
            [_time(roast, moment.announced_s)], [0.955], transform=trans, color=style.FIRST, marker="v", markersize=6,
            linestyle="none",
        )  # fmt: skip


def draw_cracks(axes: Axes, story: Story) -> None:
    """Every crack: height is strength, fullness is probability, shape is kind."""
    for kind, marker, colour in (("first", "o", style.FIRST), ("second", "^", style.SECOND)):
        cracks = [crack for crack in story.cracks if crack.kind == kind]
        times = [_time(story.roast, crack.at_s) for crack in cracks]
        axes.vlines(times, 0, [crack.snr_db for crack in cracks], color=colour, linewidth=0.5, alpha=0.35)
        for low, high, face in ((0.0, 0.75, style.PAPER), (0.75, 1.01, colour)):
            some = [(time, crack) for time, crack in zip(times, cracks, strict=True) if low <= crack.probability < high]
            axes.scatter(
                [time for time, _ in some],
                [crack.snr_db for _, crack in some],
                s=[6 + 16 * crack.probability for _, crack in some],
                marker=marker,
                facecolor=face,
                edgecolor=colour,
                linewidth=0.7,
                zorder=3,
            )
    axes.set_ylim(0, max((crack.snr_db for crack in story.cracks), default=20.0) * 1.12)
    axes.set_ylabel("dB over the noise")
    axes.set_xlim(*_span(story))


def level(story: Story, sound: Sound, *, width: float = WIDE) -> Figure:
    """Level over time, and where the sound was in trouble."""
    with style.styled():
        figure = _figure(width, 1.9)
        axes = figure.subplots()
        draw_level(axes, story, sound)
        _time_axis(axes, story.roast)
        return figure


def draw_level(axes: Axes, story: Story, sound: Sound) -> None:
    roast = story.roast
    axes.plot(sound.level_s - _shift(roast), sound.level_db, color=style.RATE, linewidth=0.9)
    low, high = float(sound.level_db.min()), float(sound.level_db.max())
    axes.set_ylim(max(low, high - 70) - 3, high + 6)
    for trouble in story.troubles:
        axes.axvline(_time(roast, trouble.at_s), color=style.TROUBLE, linewidth=1.2, linestyle=":")
    if story.troubles:
        axes.plot(
            [_time(roast, trouble.at_s) for trouble in story.troubles], [0.93] * len(story.troubles),
            transform=axes.get_xaxis_transform(), color=style.TROUBLE, marker="x", linestyle="none", markersize=5,
        )  # fmt: skip
    axes.set_ylabel("level, dB")
    axes.set_xlim(*_span(story, whole=True))


def chorus(story: Story, sound: Sound, *, width: float = WIDE) -> Figure:
    """Spectrogram of the chorus with the cracks ringed."""
    with style.styled():
        figure = _figure(width, 3.1, right=0.0 if width > 5 else 0.14)
        axes = figure.subplots()
        draw_chorus(figure, axes, story, sound, columns=700 if width > 5 else 350)
        _time_axis(axes, story.roast)
        return figure


def draw_chorus(figure: Any, axes: Axes, story: Story, sound: Sound, *, columns: int) -> None:
    from crackdetect.report import sound as sounds

    roast = story.roast
    times, frequencies, decibels = sounds.spectrogram(sound.chorus, sound.samplerate, columns=columns)
    extent = (
        times[0] - _shift(roast),
        times[-1] - _shift(roast),
        frequencies[0] / 1e3,
        frequencies[-1] / 1e3,
    )
    image = axes.imshow(
        decibels, origin="lower", aspect="auto", extent=extent, cmap="magma", vmin=5, vmax=26, interpolation="nearest"
    )
    bar = figure.colorbar(image, ax=axes, pad=0.015, aspect=24, ticks=(5, 10, 15, 20, 25))
    bar.set_label("dB over the noise")
    bar.outline.set_visible(False)
    axes.grid(visible=False)
    end = sound.chorus.start_s + len(sound.chorus.samples) / sound.samplerate
    inside = [crack for crack in story.cracks if sound.chorus.start_s <= crack.at_s < end]
    for kind, marker in (("first", "o"), ("second", "^")):
        some = [crack for crack in inside if crack.kind == kind]
        heights = [sounds.loudest_frequency(sound.chorus, sound.samplerate, crack.at_s) / 1e3 for crack in some]
        for lines, colour in ((2.4, "#15181c"), (1.0, "#ffffff")):  # seen on dark and on light
            axes.scatter(
                [_time(roast, crack.at_s) for crack in some], heights, s=columns / 10, marker=marker, facecolor="none",
                edgecolor=colour, linewidth=lines,
            )  # fmt: skip
    start = roast.at_s("first_crack.start")
    if start is not None:
        axes.axvline(_time(roast, start), color="#ffffff", linewidth=1.2)
    axes.set_ylim(0, min(16.0, frequencies[-1] / 1e3))
    axes.set_ylabel("frequency, kHz")


def close_ups(story: Story, sound: Sound, *, width: float = WIDE) -> Figure:
    """A strip of single cracks: wave above, spectrum below."""
    with style.styled():
        count = max(1, len(sound.close_ups))
        rows = 1 if width > 5 else 2
        columns = -(-count // rows)
        figure = _figure(width, 2.3 * rows, above=0.25, left=0.45)
        figure.subplots_adjust(wspace=0.12, hspace=0.42 if rows > 1 else 0.1)
        draw_close_ups(figure, story, sound, rows=rows, columns=columns)
        return figure


def draw_close_ups(figure: Any, story: Story, sound: Sound, *, rows: int, columns: int) -> None:
    from crackdetect.report import sound as sounds

    grid = figure.subplots(2 * rows, columns, squeeze=False, gridspec_kw={"height_ratios": [2, 3] * rows})
    for place in range(rows * columns):
        row, column = divmod(place, columns)
        wave, spectrum = grid[2 * row][column], grid[2 * row + 1][column]
        if place >= len(sound.close_ups):
            wave.set_axis_off()
            spectrum.set_axis_off()
            continue
        crack, part = sound.close_ups[place]
        middle = part.start_s + sounds.CLOSE_S
        moments = [1e3 * (part.start_s + i / sound.samplerate - middle) for i in range(len(part.samples))]
        heard = sounds.band_passed(part, sound.samplerate)
        peak = float(abs(heard).max(initial=1e-9))
        wave.plot(moments, heard / peak, color=style.RATE, linewidth=0.5)
        wave.set_ylim(-1.1, 1.1)
        wave.set_title(f"{clock(story.roast.roast_time(crack.at_s))}, {crack.snr_db:.0f} dB", fontsize=8.0)
        wave.grid(visible=False)
        wave.tick_params(labelbottom=False, labelleft=False, length=0)
        times, frequencies, decibels = sounds.close_spectrum(part, sound.samplerate)
        spectrum.imshow(
            decibels, origin="lower", aspect="auto", cmap="magma", vmin=4, vmax=32, interpolation="nearest",
            extent=(times[0], times[-1], frequencies[0] / 1e3, frequencies[-1] / 1e3),
        )  # fmt: skip
        for axes in (wave, spectrum):
            axes.set_xlim(-1e3 * sounds.CLOSE_S * 0.8, 1e3 * sounds.CLOSE_S * 0.8)
        spectrum.grid(visible=False)
        spectrum.set_ylim(0, min(16.0, frequencies[-1] / 1e3))
        spectrum.set_xticks([-20, 0, 20])
        if column == 0:
            spectrum.set_ylabel("kHz")
        else:
            spectrum.tick_params(labelleft=False)
        if row == rows - 1:
            spectrum.set_xlabel("ms")
        else:
            spectrum.tick_params(labelbottom=False)


def sheet(story: Story, sound: Sound | None) -> Figure:
    """All of a roast on one upright page."""
    from matplotlib.figure import Figure

    with style.styled():
        roast = story.roast
        heights = [1.0, 4.6] if sound is None else [1.0, 4.6, 3.0, 2.2, 1.8]
        figure = Figure(figsize=(WIDE, sum(heights)), layout="constrained")
        parts: Any = figure.subfigures(len(heights), 1, height_ratios=heights)
        parts[0].text(0.015, 0.70, shown(roast.coffee or roast.identity, most=60), fontsize=17, fontweight="bold")
        parts[0].text(0.015, 0.46, _about_line(roast), fontsize=9, color=style.FAINT)
        parts[0].text(0.015, 0.12, _figures_line(roast), fontsize=11)
        upper, lower = parts[1].subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 2)})
        draw_density(upper, story)
        draw_cracks(lower, story)
        _time_axis(lower, roast)
        if sound is not None:
            axes = parts[2].subplots()
            draw_chorus(parts[2], axes, story, sound, columns=700)
            _time_axis(axes, roast)
            draw_close_ups(parts[3], story, sound, rows=1, columns=max(1, len(sound.close_ups)))
            axes = parts[4].subplots()
            draw_level(axes, story, sound)
            _time_axis(axes, roast)
        return figure


def _about_line(roast: Roast) -> str:
    parts = [f"roast {roast.number}", roast.day, shown(roast.origin), shown(roast.process)]
    parts += [] if roast.green_g is None else [f"{roast.green_g:.0f} g green"]
    return "  ·  ".join(part for part in parts if part)


def _figures_line(roast: Roast) -> str:
    parts = [] if roast.first_crack is None else [f"first crack {clock(roast.first_crack)}"]
    parts += [] if roast.development is None else [f"development {clock(roast.development)}"]
    parts += [] if roast.ratio is None else [f"{100 * roast.ratio:.1f} % of {clock(roast.total)}"]
    parts += [] if roast.loss is None else [f"weight loss {100 * roast.loss:.1f} %"]
    return "     ".join(parts)


# -- several roasts --------------------------------------------------------------------------------------------


def overlay(stories: Sequence[Story], *, width: float = WIDE) -> Figure:
    """Crack densities over one another, aligned at first-crack start; the drop ends each line in a dot."""
    with style.styled():
        figure = _figure(width, 4.0, above=0.3)
        axes = figure.subplots()
        ends = [ALIGNED_S[1]]
        top = 20.0
        for story, (colour, dash) in zip(stories, style.LINES, strict=False):
            roast = story.roast
            start = roast.at_s("first_crack.start")
            if start is None:
                continue
            drop = roast.at_s("drop")
            line = [d for d in story.density if drop is None or d.at_s <= drop]
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
        axes.set_xlim(ALIGNED_S[0], max(ends) + 15)
        axes.set_ylim(0, (1.1 + 0.07 * len(stories)) * top)
        axes.set_xlabel("time from first-crack start, min:s; the dot is the drop")
        axes.set_ylabel("cracks a minute")
        _clock_ticks(axes)
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
        figure = _figure(width, 3.4, right=0.9)
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
        _clock_ticks(axes, axis="y")
        axes.legend(loc="upper left", ncols=2)
        return figure


def _tick(roast: Roast) -> str:
    day = date.fromisoformat(roast.day)
    return f"{roast.number}\n{day.day} {day:%b}"


# -- time ------------------------------------------------------------------------------------------------------


def _shift(roast: Roast) -> float:
    return roast.at_s("charge") or 0.0


def _time(roast: Roast, at_s: float) -> float:
    return at_s - _shift(roast)


def _span(story: Story, *, whole: bool = False) -> tuple[float, float]:
    """From charge to a little after the drop."""
    roast = story.roast
    last = max((density.at_s for density in story.density), default=roast.length_s)
    drop = roast.at_s("drop")
    end = roast.length_s if whole else last if drop is None else min(roast.length_s, drop + 20)
    return 0.0, max(end - _shift(roast), 10.0)


def _highest(story: Story) -> float:
    """Highest end of an interval that the axis has to hold: after the pour of the beans has died away."""
    roast = story.roast
    start = roast.at_s("first_crack.start")
    drop = roast.at_s("drop") or math.inf
    settled = _shift(roast) + 40 if start is None else start
    heights = [density.high for density in story.density if settled <= density.at_s <= drop]
    return max(heights, default=max((d.per_minute for d in story.density), default=0.0))


def _time_axis(axes: Axes, roast: Roast) -> None:
    axes.set_xlabel("roast time, min:s" if roast.at_s("charge") is not None else "recording time, min:s")
    _clock_ticks(axes)


def _clock_ticks(axes: Axes, *, axis: Literal["x", "y"] = "x") -> None:
    """Whole steps of a minute or its parts."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    low, high = axes.get_xlim() if axis == "x" else axes.get_ylim()
    inches = axes.get_figure(root=True).get_size_inches()[0] if axis == "x" else 3.0  # type: ignore[union-attr]
    most = max(3.0, inches * 1.6)
    step = next((step for step in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800) if (high - low) / step <= most), 3600)
    chosen = axes.xaxis if axis == "x" else axes.yaxis
    chosen.set_major_locator(MultipleLocator(step))
    chosen.set_major_formatter(FuncFormatter(lambda value, _: clock(value)))
