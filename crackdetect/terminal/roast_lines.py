"""One roast of the log as lines: all that was heard, marked, corrected and tasted."""

from __future__ import annotations

import textwrap
from datetime import datetime

from crackdetect.config import UsualStart
from crackdetect.notation import clock, grams, percent, percent_sure
from crackdetect.roast.arithmetic import roast_level
from crackdetect.roast.record import CUPS, LIKING, SPOKEN, Note, Roast, RoastRecord, cup_word, spoken_model
from crackdetect.roast.words import shown
from crackdetect.terminal.lines import columns
from crackdetect.terminal.summary import against_target, development_rows

_INDENT = 19
#: So many times stand in a line, at most.
_TIMES = 6


def row(name: str, text: str) -> list[str]:
    """A name and beside it a text of any length, broken between words."""
    width = max(columns(), _INDENT + 12)
    return textwrap.wrap(
        text, width, initial_indent=f"  {name:<16} ", subsequent_indent=" " * _INDENT, break_on_hyphens=False
    ) or [f"  {name:<16}"]


def sentence(text: str) -> list[str]:
    """A sentence in lines, broken between words."""
    return textwrap.wrap(text, columns())


def heading(roast: Roast) -> str:
    """Which roast is spoken of: its number, its coffee or else its name, its day."""
    return f"Roast {roast.number}: {shown(roast.coffee or roast.identity, most=60)}, {roast.day}"


def roast_lines(record: RoastRecord, *, usual: UsualStart | None = None) -> list[str]:
    """All that the log knows of a roast, corrected values with what they were before.

    usual: what its machine's earlier roasts let expect of it.
    """
    roast = record.roast
    lines = [heading(roast)]

    def said(name: str, text: str, before: str) -> str:
        changed = roast.said.get(name) is not None and before != text
        return f"{text} (corrected; was {before})" if changed else text

    if record.wrong_rate is not None:
        lines += row("all times", shown(record.wrong_rate, most=400))
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
    lines += _course(record, usual)
    for trouble in record.sound_problems[:5]:
        name = "sound problems" if trouble is record.sound_problems[0] else ""
        lines += row(name, f"{clock(roast.roast_time(trouble.at_s))} {shown(trouble.message, most=300)}")
    if len(record.sound_problems) > 5:
        lines += row("", f"and {len(record.sound_problems) - 5} more")
    if not roast.finished:
        lines += row("end", f"it broke off {clock(roast.length_s)} after listening began; it was heard that far")
    lines += row("recording", "none" if roast.recording is None else str(roast.recording))
    if roast.model_name:
        model = spoken_model(roast.model_name, roast.model_hash)
        lines += row("heard by", f"crackdetect {roast.version}, model {model}")
    for note in record.notes:
        lines += row(f"note {note.number}", f"{note.tasted_on.isoformat()} {note_text(note)}")
    return lines


def _course(record: RoastRecord, usual: UsualStart | None) -> list[str]:
    """The moments, development, and how much it cracked."""
    roast = record.roast
    lines = []
    for what, name in SPOKEN.items():
        lines += _moment_row(roast, what, name)
        if what == "first_crack.start" and usual is not None:
            lines += row("", beside_usual(roast, usual))
    if roast.total is not None and (roast.development is None or roast.ratio is None):
        lines += row("total", f"{clock(roast.total)} from charge to drop")  # else development says it
    if roast.development is not None:
        tasted = cup_word(record.notes)
        for name, told in development_rows(roast.development, ratio=roast.ratio, total=roast.total, tasted=tasted):
            lines += row(name, told)
        if roast.wanted is not None:
            lines += row("", against_target(roast.development - roast.wanted, roast.wanted))
    for name, text in correction_rows(record):
        lines += row(name, text)
    lines += row("cracks", f"{roast.crack_count:,} heard" if roast.source != "table" else f"{roast.crack_count:,}")
    if roast.peak is not None:
        peak = roast.peak
        interval = f"{peak.low:.0f} to {peak.high:.0f}, 90 % interval"
        lines += row("peak crack rate", f"{peak.per_minute:.0f} cracks a minute ({interval})")
    return lines


def beside_usual(roast: Roast, usual: UsualStart) -> str:
    """When first crack usually comes, and whether it came so in this roast."""
    how = "" if roast.first_crack is None else usual.differs(roast.first_crack)
    return f"{usual} before{f': {how} than that' if how else ''}"


def correction_rows(record: RoastRecord) -> list[tuple[str, str]]:
    """What was put right in moments and cracks, and by whom; a name and a text each."""
    roast, corrections = record.roast, record.corrections
    rows = []
    for move in corrections.moves:
        was, now = (
            "did not happen" if at is None else clock(at if move.mark == "charge" else roast.roast_time(at))
            for at in (move.was, move.now)
        )
        before = f"{was} ({move.whose})" if move.whose else "not known"
        rows.append(("moved", f"{SPOKEN.get(move.mark, move.mark)}: {before}, now {now}{_who((move.by, move.when))}"))
    missed = sorted((label for label in record.not_heard if label.is_crack), key=lambda label: label.at)
    if missed:
        times = ", ".join(clock(roast.roast_time(label.at)) for label in missed[:_TIMES])
        more = f" and {len(missed) - _TIMES} more" if len(missed) > _TIMES else ""
        what = "cracks" if missed[1:] else "a crack"
        last = max(missed, key=lambda label: label.when)
        rows.append(("not heard", f"{what} at {times}{more}{_who((last.by, last.when))}"))
    if cracks := [label for label in corrections.cracks if label not in missed]:
        told = [label.is_crack for label in cracks]
        are = "crack" if told.count(True) == 1 else "cracks"
        parts = [
            f"{told.count(answer)} {words}"
            for answer, words in ((True, are), (False, "not a crack"), (None, "that cannot be told"))
            if answer in told
        ]
        # several may have listened
        said = sorted({(label.by, label.when[:10]) for label in cracks}, key=lambda one: one[1])
        rows.append(("listened to", f"{', '.join(parts)}{_who(said[-1])}"))
    return rows


def _who(said: tuple[str, str]) -> str:
    """said: the name, and when."""
    name, day = shown(said[0], most=40), said[1][:10]
    return f" ({name}, {day})" if name else f" ({day})"


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
    if moment.whose == "heard" and moment.confirmed:
        text += ", confirmed by you"
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
