"""What the board shows, as text: from what stands in the roast to the rows of the screen. Nothing is drawn here.

Nothing depends on colour: what matters is large, or stands in words. No word is cut: what finds no room on a small
screen is left out, the least telling part first; the caution and the keys never, rather the end of a long message.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from crackdetect.notation import clock
from crackdetect.roast import standing
from crackdetect.roast.stage import Stage, how_dense, pops, stage
from crackdetect.roast.standing import Fact, Leading
from crackdetect.roast.state import COMING_FROM, COMING_UNTIL, RoastState
from crackdetect.terminal import keys
from crackdetect.terminal.lettering import large, points
from crackdetect.terminal.level import FLOOR_DB, level_words
from crackdetect.terminal.lines import visible

#: The least screen that the board is shown on.
LEAST_COLUMNS, LEAST_ROWS = 40, 12
#: Sentences for the person stay on the board this long, seconds.
MESSAGE_S = 20.0
#: First crack and the target fill the screen this long, seconds.
MOMENT_S = 2.0
#: Cracks of so many seconds stand on the strip.
STRIP_S = 180.0
#: What is left out where there is no room, the first first.
_LEFT_OUT = ("gap", "level", "strip", "last time", "header", "hearing", "facts", "note", "next")
#: From top to bottom.
_ORDER = (
    *("header", "stage", "gap", "figure", "facts", "note", "last time", "hearing", "strip", "level", "next"),
    *("message", "caution", "keys"),
)
_LABEL_COLUMNS = 10
_EIGHTHS = " ▁▂▃▄▅▆▇█"
#: A bar of the rate is full at the first of these that is not passed, cracks a minute.
_FULL = (120.0, 240.0, 600.0)

Look = Literal["plain", "bold", "accent", "urgent"]


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the screen. accent: beside the colour of the stage."""

    text: str
    look: Look = "plain"


@dataclass(frozen=True, slots=True)
class View:
    """The board.

    Attributes
    ----------
    stage
        Gives the accent its colour.
    parts
        Their rows by name, from top to bottom, as many together as the screen has: ``header``, ``stage`` (one large
        word), ``figure`` (what matters most in large digits, beside it what matters next), ``facts``, ``note`` (since
        when), ``last time``, ``hearing`` (evidence, or how dense it cracks), ``strip`` (the last three minutes),
        ``level``, ``next``, ``message``, ``caution``, ``keys``.
    """

    stage: Stage
    parts: Mapping[str, tuple[Row, ...]]

    def text(self, part: str) -> str:
        """The rows of a part as one text."""
        return "\n".join(row.text for row in self.parts.get(part, ()))

    @property
    def rows(self) -> list[Row]:
        """All rows, from top to bottom."""
        return [row for part in self.parts.values() for row in part]


@dataclass(frozen=True, slots=True)
class Message:
    """A sentence for the person. at: seconds from the first sample. urgent: it must not be missed."""

    text: str
    at: float
    urgent: bool = False


def view(
    state: RoastState,
    *,
    now: float,
    level_db: float,
    latest: Message | None,
    columns: int,
    rows: int,
    device: str,
    last_time: str = "",
    moment: str = "",
    warning: str = "",
) -> View:
    """What the board shows.

    Parameters
    ----------
    now
        Seconds from the first sample.
    level_db
        Peak level, dB of full scale.
    latest
        The last sentence for the person, if any.
    columns, rows
        Of the terminal.
    device
        The microphone's name.
    last_time
        What the last roast of this coffee was like, may be empty.
    moment
        A sentence that fills the screen for now, may be empty.
    warning
        What must stay in sight; may be empty.
    """
    word, width, wide = stage(state, now), columns - 2, rows >= 30
    message, urgent = _message(state, now, latest)
    header = [*filter(None, [warning]), *standing.described(state), f"microphone {device}"]
    header = [textwrap.shorten(visible(one), width, placeholder="…") for one in header]
    fixed: dict[str, list[Row]] = {
        "header": _plain(_joined(header, width, "  ·  ")[:1]),
        "note": _plain(_wrapped(standing.since(state, now), width)),
        "last time": _plain(_wrapped(last_time, width)),
        "hearing": _plain([_hearing(state, now, width)]),
        "strip": _plain(_strip(state, now, width, height=4 if rows >= 36 else 2)),
        "level": _plain([_level(level_db, width)]),
        "next": _plain(_wrapped(f"Next: {standing.coming(state, now, press=keys.PRESS)}", width)),
        "message": [Row(line, "urgent" if urgent else "bold") for line in _wrapped(message, width)],
        "caution": _plain(_wrapped("Stay beside the roaster until it is cold; never leave it unattended.", width)),
        "keys": _plain(_joined([f"[{key}] {name}" for key, name in keys.WORDS], width)),
        "gap": [Row("")] if wide else [],
    }
    if rows >= 20:  # room for a sentence is kept, so that nothing moves when one comes
        fixed["message"] += [Row("")] * (2 - len(fixed["message"]))
    if state.first_crack is not None and not wide:
        fixed["last time"] = []
    if moment:
        return _laid_out(word, _moment(word, moment, fixed, width, rows))
    large_word = 43 * _size(rows) <= width
    fixed["stage"] = [Row(line, "accent") for line in _word(word, width, _size(rows) if large_word else 0)]
    main, beside = standing.countdown(state, now), standing.leading(state, now)
    figures = [beside] if main is None else [main, beside]
    facts = [_fact(fact) for fact in standing.facts(state, now) if not (main is not None and fact.name == main.name)]
    return _laid_out(word, _fitted(word, fixed, figures, facts, width, rows))


def _fitted(
    word: Stage, parts: Mapping[str, list[Row]], figures: list[Leading], facts: list[str], width: int, rows: int
) -> dict[str, list[Row]]:
    """With the figures as large as there is room: what finds none is left out."""
    fitted = {**parts, "facts": []}
    for left_out in (None, *_LEFT_OUT):
        if left_out == "facts":
            facts = []
        elif left_out is not None:
            fitted[left_out] = []
        if left_out == "hearing":  # a small screen: the word is one, and no drawing
            fitted["stage"] = [Row(word.upper(), "accent")]
        fitted["facts"] = []
        room = rows - sum(len(part) for part in fitted.values())
        drawn, told = _figures(figures, facts, width, room)
        fitted["facts"] = [Row(line, "bold") for line in _joined(told, width)]
        # digits of twice the least size come before the drawings of what was heard
        if len(drawn) + len(fitted["facts"]) <= room and room >= (4 if left_out in _LEFT_OUT[4:] else 6):
            break
    room = rows - sum(len(part) for part in fitted.values())
    if room < len(drawn):
        fitted["message"] = _begun(fitted["message"], len(fitted["message"]) - (len(drawn) - room), width)
        room = len(drawn)
    fitted["figure"] = drawn + [Row("")] * (room - len(drawn))
    return fitted


def _begun(message: list[Row], count: int, width: int) -> list[Row]:
    """The first rows of a message, at least one, as one sees that it goes on."""
    *before, last = message[: max(count, 1)]
    while len(last.text) + 2 > width:
        last = Row(last.text.rpartition(" ")[0], last.look)
    return [*before, Row(f"{last.text} …", last.look)]


def _laid_out(word: Stage, parts: Mapping[str, list[Row]]) -> View:
    return View(
        word,
        {
            name: tuple(Row(f" {visible(row.text)}".rstrip(), row.look) for row in parts[name])
            for name in _ORDER
            if parts.get(name)
        },
    )


def _moment(word: Stage, sentence: str, fixed: Mapping[str, list[Row]], width: int, rows: int) -> dict[str, list[Row]]:
    """The word of the stage in the middle of an empty screen, as large as it fits."""
    kept = {name: fixed[name] for name in ("caution", "keys")}
    said = _wrapped(sentence, width)
    room = rows - sum(len(part) for part in kept.values())
    each = (room - len(said) - 2) // 2
    size = min(2 * each // 5, *(width // points(one) for one in word.upper().split()))
    lines = [Row(word.upper().center(width), "accent")]
    if size > 0:  # one word above the other: as large as they can be
        lines = []
        for one in word.upper().split():
            lines += [Row(line.center(width), "accent") for line in large(one, columns=points(one) * size, rows=each)]
            lines.append(Row("", "accent"))
        lines[-1] = Row("")
    lines += [Row(line.center(width), "bold") for line in said]
    kept["figure"] = ([Row("")] * ((room - len(lines)) // 2) + lines + [Row("")] * room)[:room]
    return kept


def _size(rows: int) -> int:
    """Size of the stage's letters."""
    return 2 if rows >= 36 else 1


def _word(word: Stage, width: int, size: int) -> list[str]:
    if size == 0:
        return [word.upper()]
    return large(word.upper(), columns=width, rows=(5 * size + 1) // 2)


def _figures(figures: list[Leading], facts: list[str], width: int, room: int) -> tuple[list[Row], list[str]]:
    """The large figure, and beside it the next one with the facts under it; what finds no place there is given back.

    room: rows for all of it, facts that are given back among them.
    """
    texts = [clock(one.seconds).lstrip("-") for one in figures]
    if room < 4:
        return [Row(f"{one.name.upper()} {text}", "bold") for one, text in zip(figures, texts, strict=True)], facts
    size, second, left, right = 1, 1, width, 0
    if len(figures) == 1:
        size = max(1, min(2 * (room - 1) // 5, width // points(texts[0])))
        left = points(texts[0]) * size
        label = f"{figures[0].name.upper()}   {figures[0].note}".rstrip()
        label = label if len(label) <= width else figures[0].name.upper()
        columns = [large(texts[0], columns=left, rows=(5 * size + 1) // 2), list[str]()]
    else:
        for size in range(max(1, 2 * (room - 1) // 5), 0, -1):
            second = max(1, size * 2 // 3)
            left, right = points(texts[0]) * size, points(texts[1]) * second
            if left + 4 + right <= width:
                break
        left = max(left, len(figures[0].name))
        label = f"{figures[0].name.upper():<{left}}    {figures[1].name.upper()}"
        columns = [
            large(texts[0], columns=points(texts[0]) * size, rows=(5 * size + 1) // 2),
            large(texts[1], columns=right, rows=(5 * second + 1) // 2),
        ]
    free = len(columns[0]) - len(columns[1])
    if all(left + 4 + len(fact) <= width for fact in facts[:free]):  # else they stay together below
        columns[1] += facts[:free]
        facts = facts[free:]
    height = max(map(len, columns))
    padded = [column + [""] * (height - len(column)) for column in columns]
    lines = [f"{one:<{left}}    {two}".rstrip() for one, two in zip(*padded, strict=True)]
    return [Row(line, "bold") for line in (label, *lines)], facts


def _message(state: RoastState, now: float, latest: Message | None) -> tuple[str, bool]:
    """The sentence, and whether it must not be missed."""
    message, urgent = "", False
    if latest is not None and now - latest.at < MESSAGE_S:
        message, urgent = latest.text, latest.urgent
    trouble = standing.trouble(state, now)
    if trouble is not None and not (urgent and latest is not None and latest.at >= trouble.at_s):
        message, urgent = trouble.message[:1].upper() + trouble.message[1:], True
    return message, urgent


def _plain(lines: Iterable[str]) -> list[Row]:
    return [Row(line) for line in lines]


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(visible(text), width, break_on_hyphens=False)


def _joined(pieces: list[str], width: int, between: str = "  ") -> list[str]:
    """Pieces beside one another, in as many rows as they need."""
    lines: list[str] = []
    for piece in pieces:
        if lines and len(lines[-1]) + len(between) + len(piece) <= width:
            lines[-1] += between + piece
        else:
            lines.append(piece)
    return lines


def _fact(fact: Fact) -> str:
    words = (fact.value, fact.name.upper()) if fact.loud else (fact.name, fact.value)
    return " ".join(word for word in words if word)


# -- what is heard ---------------------------------------------------------------------------------------------


def _hearing(state: RoastState, now: float, width: int) -> str:
    """Before first crack how far the evidence is, then how dense it cracks."""
    if state.first_crack is None and state.drop is None:
        words = ((COMING_UNTIL, "quiet"), ((1 + COMING_FROM) / 2, "may be"), (2.0, "nearly sure"))
        heard = f"{next(word for below, word in words if state.begun < below)}, {pops(state, now)}"
        return _bar("evidence", "quiet", "sure", state.begun, width, heard, middle=True)
    heard = how_dense(state, now)
    silent = heard.startswith("none") or not state.series.density  # and then the bar says so as well
    per_minute = 0.0 if silent else state.series.density[-1].per_minute
    full = next((full for full in _FULL if per_minute <= full), _FULL[-1])
    return _bar("cracks", "0", f"{full:.0f}", per_minute / full, width, heard)


def _level(level_db: float, width: int) -> str:
    share = (level_db - FLOOR_DB) / -FLOOR_DB
    return _bar("level", f"{FLOOR_DB:.0f}", "0", share, width, level_words(level_db))


def _bar(name: str, low: str, high: str, share: float, width: int, words: str, *, middle: bool = False) -> str:
    """A bar with its scale, and what it says. Where words find no room the bar is shorter."""
    cells = min(30, width - _LABEL_COLUMNS - len(words) - 14)
    if cells < 8:
        return words if len(f"{name}  {words}") > width else f"{name}  {words}"
    full = round(cells * min(max(share, 0.0), 1.0))
    drawn = "█" * full + "░" * (cells - full)
    if middle:  # where it may be as well as not
        drawn = f"{drawn[: cells // 2]}│{drawn[cells // 2 + 1 :]}"
    return f"{name:<{_LABEL_COLUMNS}}{low:>5} {drawn} {high:<5}  {words}".rstrip()


def _strip(state: RoastState, now: float, width: int, *, height: int) -> list[str]:
    """Each crack of the last three minutes, as high as it is certain, and the time below."""
    cells = width - _LABEL_COLUMNS
    if cells < 24:
        return []
    certain = [0.0] * cells
    each_s = STRIP_S / cells  # on an absolute grid, so that what stands there moves as one
    first = math.floor(now / each_s) - cells + 1
    for crack in state.series.cracks:
        cell = math.floor(crack.at_s / each_s) - first
        if 0 <= cell < cells:
            certain[cell] = max(certain[cell], crack.probability)
    lines = []
    for row in reversed(range(height)):
        eighths = [min(8, max(0, round(8 * height * share) - 8 * row)) for share in certain]
        name = "certain" if row == height - 1 else "" if row else "0"
        lines.append(f"{name:<{_LABEL_COLUMNS}}{''.join(_EIGHTHS[each] for each in eighths)}".rstrip())
    axis = ["─"] * cells
    for place, words in ((0, "3 min ago"), (cells // 3, "2 min"), (2 * cells // 3, "1 min"), (cells - 3, "now")):
        axis[place : place + len(words)] = words
    return [*lines, " " * _LABEL_COLUMNS + "".join(axis)]
