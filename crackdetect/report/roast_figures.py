"""Figures of one roast: crack rate and cracks, the chorus, close-ups, level; and all of them on one sheet.

Each function draws into a figure of its own and returns it; ``drawing.save`` writes it. Times are roast time, or
where charge is not known that of the recording, or since listening began, and the axis says which.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from crackdetect.notation import clock
from crackdetect.report import style
from crackdetect.report.drawing import LEFT, RIGHT, WIDE, clock_ticks, new_figure
from crackdetect.roast.record import Crack, Roast, RoastRecord
from crackdetect.roast.words import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crackdetect.report.sound import Sound

_MARKED = {
    "charge": ("charge", style.FAINT, (0, (1, 2))),
    "first_crack.start": ("first crack", style.FIRST, "-"),
    "first_crack.end": ("first crack end", style.FIRST, (0, (4, 2))),
    "second_crack.start": ("second crack", style.SECOND, (0, (6, 1, 1, 1))),
    "drop": ("drop", style.INK, (0, (2, 1))),
}


def density(record: RoastRecord, *, width: float = WIDE) -> Figure:
    """Crack rate with its interval and the moments of the roast; below it every crack by strength."""
    with style.styled():
        labels = sum(record.roast.at_s(what) is not None for what in _MARKED)
        figure = new_figure(width, 4.6, above=0.5 if width > 5 else 0.3 + 0.16 * labels)
        upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 2)})
        draw_density(upper, record, narrow=width < 5)
        draw_cracks(lower, record)
        _time_axis(lower, record.roast)
        return figure


def share_of_density(record: RoastRecord, at_s: float, *, width: float) -> float | None:
    """Where a time stands in the figure of ``density``, 0 (left) to 1; ``None`` where it is outside of the axes.

    Parameters
    ----------
    record : RoastRecord
    at_s : float
        Seconds from the first sample.
    width : float
        Of the figure, inches.
    """
    low, high = _span(record)
    share = (_time(record.roast, at_s) - low) / (high - low)
    return (LEFT + share * (width - LEFT - RIGHT)) / width if 0 <= share <= 1 else None


def draw_density_alone(axes: Axes, record: RoastRecord) -> None:
    """Crack rate with its interval and the moments of the roast, with a time axis, into axes of somebody's own."""
    with style.styled():
        draw_density(axes, record)
        _time_axis(axes, record.roast)


def draw_density(axes: Axes, record: RoastRecord, *, narrow: bool = False) -> None:
    """Crack rate with its interval, development, and the moments of the roast. narrow: for a phone."""
    roast = record.roast
    series = record.density
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
    axes.plot(times, [density.per_minute for density in series], color=style.RATE, linewidth=1.6, label="crack rate")
    low, high = _span(record)
    top = 1.25 * max(_highest(record), 20.0)
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


def draw_cracks(axes: Axes, record: RoastRecord) -> None:
    """Every crack: height is strength, fullness is probability, shape is kind; what a person says of them beside it."""
    for kind, marker, colour in (("first", "o", style.FIRST), ("second", "^", style.SECOND)):
        cracks = [crack for crack in record.cracks if crack.kind == kind]
        times = [_time(record.roast, crack.at_s) for crack in cracks]
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
    crossed = [crack for crack in record.cracks if _is_none(record, crack)]
    if crossed:
        axes.plot(
            [_time(record.roast, crack.at_s) for crack in crossed], [crack.snr_db for crack in crossed],
            color=style.INK, marker="x", markersize=7, markeredgewidth=1.6, linestyle="none", zorder=4,
        )  # fmt: skip
    added = [_time(record.roast, label.at) for label in record.not_heard if label.is_crack]
    if added:  # how strong they are is not known
        axes.plot(
            added, [0.06] * len(added), transform=axes.get_xaxis_transform(),
            color=style.INK, marker="+", markersize=9, markeredgewidth=1.8, linestyle="none", zorder=4,
        )  # fmt: skip
    axes.set_ylim(0, max((crack.snr_db for crack in record.cracks), default=20.0) * 1.12)
    axes.set_ylabel("dB over the noise")
    axes.set_xlim(*_span(record))


def _is_none(record: RoastRecord, crack: Crack) -> bool:
    label = record.corrections.of_crack(crack.at_s) if record.corrections.labels else None
    return label is not None and label.is_crack is False


def level(record: RoastRecord, sound: Sound, *, width: float = WIDE) -> Figure:
    """Level over time, and where the sound was in trouble."""
    with style.styled():
        figure = new_figure(width, 1.9)
        axes = figure.subplots()
        draw_level(axes, record, sound)
        _time_axis(axes, record.roast)
        return figure


def draw_level(axes: Axes, record: RoastRecord, sound: Sound) -> None:
    """Level of the sound (dB of full scale) over time, with a mark for each trouble."""
    roast = record.roast
    axes.plot(sound.level_s - _shift(roast), sound.level_db, color=style.RATE, linewidth=0.9)
    low, high = float(sound.level_db.min()), float(sound.level_db.max())
    axes.set_ylim(max(low, high - 70) - 3, high + 6)
    troubled = [_time(roast, trouble.at_s) for trouble in record.sound_problems]
    for at in troubled:
        axes.axvline(at, color=style.TROUBLE, linewidth=1.2, linestyle=":")
    if troubled:
        axes.plot(
            troubled, [0.93] * len(troubled),
            transform=axes.get_xaxis_transform(), color=style.TROUBLE, marker="x", linestyle="none", markersize=5,
        )  # fmt: skip
    axes.set_ylabel("level, dB")
    axes.set_xlim(*_span(record, whole=True))


def chorus(record: RoastRecord, sound: Sound, *, width: float = WIDE) -> Figure:
    """Spectrogram of the chorus with the cracks ringed."""
    with style.styled():
        figure = new_figure(width, 3.1, right=0.0 if width > 5 else 0.14)
        axes = figure.subplots()
        draw_chorus(figure, axes, record, sound, columns=700 if width > 5 else 350)
        _time_axis(axes, record.roast)
        return figure


def draw_chorus(figure: Any, axes: Axes, record: RoastRecord, sound: Sound, *, columns: int) -> None:
    """Spectrogram of the chorus, so many columns wide, with the cracks ringed. figure: holds the colour bar."""
    from crackdetect.report import sound as sounds

    roast = record.roast
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
    inside = [crack for crack in record.cracks if sound.chorus.start_s <= crack.at_s < end]
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


def close_ups(record: RoastRecord, sound: Sound, *, width: float = WIDE) -> Figure:
    """A strip of single cracks: wave above, spectrum below."""
    with style.styled():
        count = max(1, len(sound.close_ups))
        rows = 1 if width > 5 else 2
        columns = -(-count // rows)
        figure = new_figure(width, 2.3 * rows, above=0.25, left=0.45)
        figure.subplots_adjust(wspace=0.12, hspace=0.42 if rows > 1 else 0.1)
        draw_close_ups(figure, record, sound, rows=rows, columns=columns)
        return figure


def draw_close_ups(figure: Any, record: RoastRecord, sound: Sound, *, rows: int, columns: int) -> None:
    """Wave and spectrum of single cracks, in so many rows and columns of the figure."""
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
        wave.set_title(f"{clock(record.roast.roast_time(crack.at_s))}, {crack.snr_db:.0f} dB", fontsize=8.0)
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


def sheet(record: RoastRecord, sound: Sound | None) -> Figure:
    """All of a roast on one upright page."""
    from matplotlib.figure import Figure

    with style.styled():
        roast = record.roast
        heights = [1.0, 4.6] if sound is None else [1.0, 4.6, 3.0, 2.2, 1.8]
        figure = Figure(figsize=(WIDE, sum(heights)), layout="constrained")
        parts: Any = figure.subfigures(len(heights), 1, height_ratios=heights)
        parts[0].text(0.015, 0.70, shown(roast.coffee or roast.identity, most=60), fontsize=17, fontweight="bold")
        parts[0].text(0.015, 0.46, _about_line(roast), fontsize=9, color=style.FAINT)
        parts[0].text(0.015, 0.12, _figures_line(roast), fontsize=11)
        upper, lower = parts[1].subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 2)})
        draw_density(upper, record)
        draw_cracks(lower, record)
        _time_axis(lower, roast)
        if sound is not None:
            axes = parts[2].subplots()
            draw_chorus(parts[2], axes, record, sound, columns=700)
            _time_axis(axes, roast)
            draw_close_ups(parts[3], record, sound, rows=1, columns=max(1, len(sound.close_ups)))
            axes = parts[4].subplots()
            draw_level(axes, record, sound)
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


# -- time ------------------------------------------------------------------------------------------


def _shift(roast: Roast) -> float:
    return roast.at_s("charge") or 0.0


def clock_name(roast: Roast) -> str:
    """What times of a roast count."""
    if roast.at_s("charge") is not None:
        return "roast time"
    return "time since listening began" if roast.source == "microphone" else "recording time"


def _time(roast: Roast, at_s: float) -> float:
    return at_s - _shift(roast)


def _span(record: RoastRecord, *, whole: bool = False) -> tuple[float, float]:
    """From charge to a little after the drop."""
    roast = record.roast
    last = max((density.at_s for density in record.density), default=roast.length_s)
    drop = roast.at_s("drop")
    end = roast.length_s if whole else last if drop is None else min(roast.length_s, drop + 20)
    return 0.0, max(end - _shift(roast), 10.0)


def _highest(record: RoastRecord) -> float:
    """Highest end of an interval that the axis has to hold: after the pour of the beans has died away."""
    roast = record.roast
    start = roast.at_s("first_crack.start")
    drop = roast.at_s("drop") or math.inf
    settled = _shift(roast) + 40 if start is None else start
    heights = [density.high for density in record.density if settled <= density.at_s <= drop]
    return max(heights, default=max((d.per_minute for d in record.density), default=0.0))


def _time_axis(axes: Axes, roast: Roast) -> None:
    axes.set_xlabel(f"{clock_name(roast)}, min:s")
    clock_ticks(axes)
