"""The log on a terminal: the list, one roast, a comparison, a plan, a trend."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from crackdetect.console import columns, development_rows
from crackdetect.events import clock, percent_sure
from crackdetect.log.compare import MEASURES, half_interval, percent, tasting
from crackdetect.log.planning import GUESSED_S, Plan
from crackdetect.log.roast import CUPS, LIKING, SPOKEN, Note, Roast, Story
from crackdetect.log.trend import Trend
from crackdetect.log.words import shown
from crackdetect.weight_loss import roast_level

if TYPE_CHECKING:
    from rich.table import Table

_INDENT = 19


def grams(weight: float | None) -> str:
    """``200 g``; ``-`` for None."""
    return "-" if weight is None else f"{weight:.1f}".removesuffix(".0") + " g"


def row(name: str, text: str) -> list[str]:
    """A name and a text of any length beside it."""
    width = max(columns(), _INDENT + 12)
    return textwrap.wrap(
        text, width, initial_indent=f"  {name:<16} ", subsequent_indent=" " * _INDENT, break_on_hyphens=False
    ) or [f"  {name:<16}"]


def sentence(text: str) -> list[str]:
    """Broken between words."""
    return textwrap.wrap(text, columns())


def list_table(
    roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, total: int, width: int | None = None
) -> Table:
    """One row a roast, newest first. total: how many the log holds. width: columns of the terminal, None = any."""
    of = f"{len(roasts)} of {total:,} roasts" if total != len(roasts) else f"{total} roast{'s' if total != 1 else ''}"
    rows = [
        (
            str(roast.number),
            roast.day,
            _plain(shown(roast.coffee or roast.identity, most=13)),
            grams(roast.green_g),
            clock(roast.first_crack),
            clock(roast.development),
            _share(roast.ratio),
            _share(roast.loss),
            tasting(notes.get(roast.number, ())) if roast.finished else "broke off",
        )
        for roast in roasts
    ]
    return _fitting(
        ("no.", "day", "coffee", "green", "first\ncrack", "dev.", "ratio", "loss", "cup"),
        rows,
        caption=f"{of}; first crack from charge, where charge is known",
        width=width,
    )


def heading(roast: Roast) -> str:
    """Which roast is spoken of: its number, its coffee or else its name, its day."""
    return f"Roast {roast.number}: {shown(roast.coffee or roast.identity, most=60)}, {roast.day}"


def roast_lines(story: Story) -> list[str]:
    """All that the log knows of a roast, corrected values with what they were before."""
    roast = story.roast
    lines = [heading(roast)]

    def said(name: str, text: str, before: str) -> str:
        changed = roast.said.get(name) is not None and before != text
        return f"{text} (corrected; was {before})" if changed else text

    lines += row("name", shown(roast.identity, most=200))
    lines += row("started", _started(roast))
    for name in ("coffee", "process", "origin", "machine"):
        value = getattr(roast, name)
        if value or name in roast.said:
            before = shown(roast.said.get(name), most=200) or "-"
            lines += row(name, said(name, shown(value, most=400) or "-", before))
    if roast.microphone:
        lines += row("microphone", shown(roast.microphone, most=200))
    weights = f"{said('green_g', grams(roast.green_g), grams(roast.said.get('green_g')))} green"
    weights += f", {said('roasted_g', grams(roast.roasted_g), grams(roast.said.get('roasted_g')))} roasted"
    lines += row("weight", weights)
    if roast.loss is not None:
        lines += row(
            "weight loss", f"{percent(roast.loss)}, which suggests {roast_level(roast.loss)} (common practice)"
        )
    if roast.target is not None or "target" in roast.said:
        before = str(roast.said.get("target") or "-")
        lines += row("target", said("target", "-" if roast.target is None else str(roast.target), before))
    lines += [line for what, name in SPOKEN.items() for line in _moment_row(roast, what, name)]
    if roast.total is not None and (roast.development is None or roast.ratio is None):
        lines += row("total", f"{clock(roast.total)} from charge to drop")  # else development says it
    if roast.development is not None:
        for name, told in development_rows(roast.development, ratio=roast.ratio, total=roast.total):
            lines += row(name, told)
    lines += row("cracks", f"{roast.crack_count:,} heard" if roast.source != "table" else f"{roast.crack_count:,}")
    if roast.peak is not None:
        lines += row(
            "peak density",
            f"{roast.peak.per_minute:.0f} cracks a minute ({roast.peak.low:.0f} to {roast.peak.high:.0f}, "
            "90 % interval)",
        )
    for trouble in story.troubles[:5]:
        lines += row("sound", f"{clock(roast.roast_time(trouble.at_s))} {shown(trouble.message, most=300)}")
    if len(story.troubles) > 5:
        lines += row("", f"and {len(story.troubles) - 5} more")
    if not roast.finished:
        lines += row("end", f"it broke off at {clock(roast.length_s)} of listening; this is as far as it was heard")
    lines += row("recording", "none" if roast.recording is None else str(roast.recording))
    if roast.model_name:
        lines += row(
            "heard by", f"crackdetect {roast.version}, model {roast.model_name} {(roast.model_hash or '')[:8]}"
        )
    for note in story.notes:
        lines += row(f"note {note.number}", f"{note.tasted_on.isoformat()} {note_text(note)}")
    return lines


def _started(roast: Roast) -> str:
    """Where nobody said it, a recording's start is worked out from its file, which a copy may have made later."""
    if roast.started is None:
        return "not known"
    if "started" not in roast.said:
        return f"{roast.started} (from the file's time)" if roast.source == "file" else roast.started
    before = roast.said["started"]
    same = before is not None and _instant(before) == _instant(roast.started)
    return roast.started if same else f"{roast.started} (corrected; was {before or 'not known'})"


def _instant(text: str) -> datetime | str:
    """The same moment may be written in another zone; what is no date is only as it is written."""
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return text


def note_text(note: Note) -> str:
    """A tasting in one line."""
    parts = [] if note.cup is None else [CUPS[note.cup]]
    parts += [] if note.liking is None else [f"liked {note.liking} of 5 ({LIKING[note.liking]})"]
    parts += [shown(note.text, most=2_000)] if note.text else []
    return ": ".join([", ".join(parts[:-1]), parts[-1]]) if note.text and len(parts) > 1 else ", ".join(parts)


def _moment_row(roast: Roast, what: str, name: str) -> list[str]:
    moment, at_s = roast.moment(what), roast.at_s(what)

    def at(seconds: float | None) -> str:
        if what == "charge":
            return "-" if seconds is None else f"{clock(seconds)} of the recording"
        return clock(roast.roast_time(seconds))

    if at_s is None and moment.at_s is not None:
        return row(name, f"not known; heard {at(moment.heard_s)}, before the corrected first crack")
    if at_s is None and not moment.corrected:
        return [] if what == "cooled" else row(name, "not known" if what in ("charge", "drop") else "not heard")
    text = "did not happen" if at_s is None else at(at_s)
    if moment.interval_s is not None:
        text += f", between {at(moment.interval_s[0])} and {at(moment.interval_s[1])} (90 % interval)"
    if moment.whose == "heard" and what in ("charge", "drop", "cooled"):
        sure = "" if moment.confidence is None else f", {percent_sure(moment.confidence)} % sure"
        text += f", heard{sure}"
    others = []
    if moment.corrected:
        text += " (corrected)"
        others += [] if moment.marked_s is None else [f"marked {at(moment.marked_s)}"]
    elif moment.marked_s is not None:
        text += " (yours)"
    if moment.heard_s is not None and moment.whose != "heard":
        others.append(f"heard {at(moment.heard_s)}")
    return row(name, "; ".join([text, *others]))


# -- comparison ------------------------------------------------------------------------------------------------


def compare_tables(
    roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, width: int | None = None
) -> list[Table]:
    """One column a roast, one row a measure. width: columns of the terminal, None = any.

    Where they do not stand side by side, dates and cups are written narrower, and then the roasts stand in several
    tables: a figure is never cut.
    """
    tables: list[Table] = []
    for parts in range(1, len(roasts) + 1):
        each = -(-len(roasts) // parts)
        for narrow in (False, True):
            tables = [
                _compare_table(roasts[start : start + each], notes, narrow=narrow)
                for start in range(0, len(roasts), each)
            ]
            if width is None or max(map(_needed, tables)) <= width:
                break
        else:
            continue
        break
    tables[-1].caption = "± is half of first crack's 90 % interval; peak is cracks a minute"
    return tables


def _compare_table(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]], *, narrow: bool) -> Table:
    table = _table(caption=None)
    table.add_column("", no_wrap=True)
    for roast in roasts:
        table.add_column(roast.name, justify="right", no_wrap=True)
    names = (shown(roast.coffee, most=24) or "-" for roast in roasts)
    table.add_row("coffee", *(_plain(textwrap.fill(name, 8 if narrow else 13)) for name in names))
    days = (roast.day[2:] if narrow else roast.day for roast in roasts)
    table.add_row("day (yy-mm-dd)" if narrow else "day", *days)
    table.add_row("green", *(grams(roast.green_g) for roast in roasts))
    for measure in MEASURES:
        cells = []
        for roast in roasts:
            value = measure.value(roast)
            half = half_interval(roast, measure) if measure.name == "first crack" else 0.0
            cells.append("-" if value is None else measure.show(value) + (f" ±{half:.0f}s" if half else ""))
        table.add_row(measure.name, *cells)
    table.add_row("cracks", *(f"{roast.crack_count:,}" for roast in roasts))
    table.add_row("peak", *("-" if roast.peak is None else f"{roast.peak.per_minute:.0f}" for roast in roasts))
    cups = (tasting(notes.get(roast.number, ())) or "-" for roast in roasts)
    table.add_row("cup", *(cup.replace(" ", "\n") if narrow else cup for cup in cups))
    return table


# -- plan and trend --------------------------------------------------------------------------------------------


def plan_lines(coffee: str, plan: Plan) -> list[str]:
    """The plan as a person reads it."""
    n = len(plan.roasts)
    told = f"{n} roast{'s' if n != 1 else ''} of this coffee"
    if plan.green_g is not None:
        told += " and weight" if plan.same_weight else ", none of this weight"
    wants = [shown(coffee, most=50)]
    wants += [] if plan.green_g is None else [grams(plan.green_g)]
    wants += [] if plan.target is None else [f"target {plan.target}"]
    lines = [f"Plan for {', '.join(wants)}", *row("rests on", told)]
    lines += row("first crack", _expected(plan))
    lines += row("drop", _drop(plan))
    for sentence in plan.advice:
        lines += row("the cup", sentence)
    if plan.off is not None:
        side = "past" if plan.off.mean >= 0 else "short of"
        text = f"development {abs(plan.off.mean):.0f} s {side} the target"
        if plan.off.sd is None:
            text += ", in the one roast that had a target"
        else:
            text += f" on average, spread {plan.off.sd:.0f} s (standard deviation, {plan.off.n} roasts)"
        lines += row("repeatable", text)
    return lines


def _expected(plan: Plan) -> str:
    spread, window = plan.first_crack, plan.window
    if spread is None or window is None:
        return "no roast of it has a first crack counted from charge yet; nothing can be expected from the log"
    text = f"expected {clock(spread.mean)}, between {clock(window[0])} and {clock(window[1])}"
    if plan.guessed:
        few = "one roast" if spread.n == 1 else "two roasts"
        guess = f"the window is {GUESSED_S:.0f} s to each side, not measured"
        return f"{text}; {few} cannot say how far they spread, so {guess}"
    return f"{text} (90 %, from {spread.n} roasts, standard deviation {spread.sd or 0:.0f} s)"


def _drop(plan: Plan) -> str:
    if plan.target is None:
        return "no target is known; give one with --target 1:45 or --target 18%"
    if plan.drop is None or plan.first_crack is None:
        return f"at {plan.target} of development, counted from first crack as it is heard"
    low, mid, high = (clock(value) for value in plan.drop)
    return f"{mid} if it begins at {clock(plan.first_crack.mean)}; {low} to {high} over the window"


def trend_table(trend: Trend, notes: Mapping[int, Sequence[Note]], *, width: int | None = None) -> Table:
    """Oldest first. width: columns of the terminal, None = any."""
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
                _share(roast.ratio),
                _share(roast.loss),
                tasting(notes.get(roast.number, ())),
            )
        )
    return _fitting(
        ("no.", "day", "green", "first\ncrack", "dev.", "target", "off", "ratio", "loss", "cup"),
        rows,
        caption="off is development minus what the target asked for, seconds",
        width=width,
    )


def _share(share: float | None) -> str:
    return "-" if share is None else percent(share)


def _plain(text: str) -> Any:
    from rich.text import Text

    return Text(text)  # a name may hold what rich would take for markup


#: What a narrow terminal does without, in this order.
_LESS_TELLING = ("loss", "cup", "green", "ratio", "day")


def _fitting(titles: Sequence[str], rows: Sequence[Sequence[Any]], *, caption: str, width: int | None) -> Table:
    """A table with as many of the columns as can be read whole."""
    left_out: list[str] = []
    while True:
        told = f"{caption}; {', '.join(left_out)} in a wider window" if left_out else caption
        table = _table(caption=told)
        kept = [place for place, title in enumerate(titles) if title not in left_out]
        for place in kept:
            left = titles[place] in ("day", "coffee", "cup")
            table.add_column(titles[place], justify="left" if left else "right", no_wrap=titles[place] != "coffee")
        for row in rows:
            table.add_row(*(row[place] for place in kept))
        further = next((name for name in _LESS_TELLING if name in titles and name not in left_out), None)
        if width is None or further is None or _needed(table) <= width:
            return table
        left_out.append(further)


def _needed(table: Table) -> int:
    """Columns of a terminal that show the table whole."""
    from rich.console import Console
    from rich.measure import Measurement

    wide = Console(width=10_000)
    return Measurement.get(wide, wide.options, table).maximum


def _table(*, caption: str | None) -> Table:
    from rich import box
    from rich.table import Table

    return Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, caption=caption, caption_justify="left")
