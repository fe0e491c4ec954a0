"""What the board shows, as text: from what stands in the roast to the lines of each of its parts. Nothing is drawn.

Nothing depends on colour: what matters is large, or stands in words.
"""

from __future__ import annotations

from dataclasses import dataclass

from crackdetect.events import clock
from crackdetect.listening import keys
from crackdetect.listening.digits import large
from crackdetect.listening.level_watch import FLOOR_DB
from crackdetect.standing import HISTORY_S, Standing, Statement, Trouble

#: First crack can be announced after so much listening.
READY_S = 20.0
#: Trouble and words for the person stay on the board this long, seconds.
TROUBLE_S = 60.0
WORDS_S = 20.0
#: Rows of everything but the large digits.
OTHER_ROWS = 13
#: A density at which the bar is full, cracks a minute; its length goes with the square root.
_FULL_PER_MINUTE = 200.0
_LABEL = 10
_BAR = 40
_EIGHTHS = " ▁▂▃▄▅▆▇█"
_HOW = {"heard": "heard", "key": "marked by you", "given": "as given"}


@dataclass(frozen=True, slots=True)
class View:
    """The parts of the board, from top to bottom. urgent: whether ``message`` must not be missed."""

    header: str
    label: str
    large: str
    facts: str
    hearing: str
    coming: str
    message: str
    urgent: bool
    caution: str
    keys: str


@dataclass(frozen=True, slots=True)
class Word:
    """A sentence for the person. at: seconds from the first sample. urgent: shown like trouble."""

    text: str
    at: float
    urgent: bool = False


def view(
    standing: Standing, *, now: float, level_db: float, words: Word | None, columns: int, rows: int, device: str
) -> View:
    """now: seconds from the first sample. level_db: peak level, dB of full scale. words: the last sentence, if any.

    columns, rows: of the terminal, 80 by 24 and up. device: the microphone's name.
    """
    label, seconds = _largest(standing, now)
    trouble = _trouble(standing, now)
    message, urgent = "", False
    if words is not None and now - words.at < WORDS_S:
        message, urgent = words.text, words.urgent
    if trouble is not None and not (urgent and words is not None and words.at >= trouble.at):
        message, urgent = trouble.message[:1].upper() + trouble.message[1:], True
    width = columns - 2
    drawn = large(clock(seconds).lstrip("-"), columns=width, rows=rows - OTHER_ROWS)
    return View(
        header=_fit(_header(standing, device), width),
        label=_fit(label, width),
        large="\n".join(drawn),
        facts=_fit(_facts(standing, now), width),
        hearing="\n".join(_hearing(standing, now, level_db, width)),
        coming=_fit(f"Next: {coming(standing, now)}", width),
        message=message,
        urgent=urgent,
        caution=_fit("Stay beside the roaster until it is cold; never leave it unattended.", width),
        keys=_fit("  ".join(f"[{key}] {word}" for key, word in keys.WORDS), width),
    )


def _fit(line: str, width: int) -> str:
    return line if len(line) <= width else f"{line[: width - 1]}…"


def _header(standing: Standing, device: str) -> str:
    green = None if standing.green_g is None else f"{standing.green_g:g} g"
    wish = None if standing.target is None else f"target {standing.target}"
    known = [standing.coffee, green, wish, f"microphone {device}"]
    return "  ·  ".join(part for part in known if part)


def _largest(standing: Standing, now: float) -> tuple[str, float]:
    """What the one large thing is, and its seconds."""
    if standing.drop is not None:
        left = standing.cooling(now)
        if standing.cooled is not None:
            return "SINCE THE DROP   the cooling time is over", now - standing.drop.at
        if left is not None:
            return f"COOLING   still to go of {clock(standing.cool_s)}", left
        return "SINCE THE DROP", now - standing.drop.at
    development = standing.development(now)
    if development is not None and standing.first_crack is not None:
        return f"DEVELOPMENT   {_dated(standing, standing.first_crack, 'first crack')}", development
    roast_time = standing.roast_time(now)
    if roast_time is not None and standing.charge is not None:
        return f"ROAST TIME   since charge, {_HOW[standing.charge.how]}", roast_time
    return "LISTENING   charge is not known yet", now


def _dated(standing: Standing, statement: Statement, name: str) -> str:
    base = 0.0 if standing.charge is None else standing.charge.at
    told = f"{name} at {clock(statement.at - base)}, {_HOW[statement.how]}"
    if statement.earliest is not None and statement.latest is not None:
        told += f", between {clock(statement.earliest - base)} and {clock(statement.latest - base)}"
    return told


def _facts(standing: Standing, now: float) -> str:
    """The figures beside the large one."""
    facts = []
    ratio, remaining = standing.ratio(now), standing.remaining(now)
    if standing.drop is not None:
        facts += [] if standing.development(now) is None else [f"development {clock(standing.development(now))}"]
    elif remaining is not None:
        facts.append(f"{clock(remaining)} TO THE TARGET" if remaining > 0 else f"{clock(-remaining)} PAST THE TARGET")
    if ratio is not None:
        facts.append(f"ratio {100 * ratio:.1f} %")
    if standing.first_crack is not None or standing.drop is not None:
        roast_time = standing.roast_time(now)
        facts += [] if roast_time is None else [f"roast time {clock(roast_time)}"]
    if standing.second_crack is not None:
        facts.append("SECOND CRACK")
    elif standing.first_crack_end is not None and standing.drop is None:
        facts.append("first crack ended")
    return "     ".join(facts)


def coming(standing: Standing, now: float) -> str:
    """What happens next, in one line."""
    roast_time, expect = standing.roast_time(now), standing.expect
    if standing.drop is not None:
        if standing.cooling(now):
            return "the end of cooling, with its own signal; then e ends the roast."
        return "e ends the roast with its summary."
    if standing.first_crack is not None:
        goal, remaining = standing.goal_s, standing.remaining(now)
        if goal is None or remaining is None:
            return "the drop, when you decide; press d when the beans leave."
        if remaining > 0:
            when = "" if roast_time is None else f" at roast time {clock(roast_time + remaining)}"
            return f"the target, development {clock(goal)}{when}; press d at the drop."
        return "the drop; press d when the beans leave."
    if now < READY_S:
        mark = "; c marks the charge" if roast_time is None else ""
        return f"first crack can be announced after {READY_S:.0f} s of listening{mark}."
    if roast_time is None:
        return "charge; press c as the beans go in."
    if expect is None:
        return "first crack; it is announced when it has begun. f marks it by hand."
    if roast_time < expect[0]:
        return f"first crack, expected between {clock(expect[0])} and {clock(expect[1])}."
    if roast_time <= expect[1]:
        return f"first crack, expected now until {clock(expect[1])}."
    return f"first crack was expected by {clock(expect[1])}; trust your own ears, f marks it by hand."


def _trouble(standing: Standing, now: float) -> Trouble | None:
    """The newest trouble that still matters: for a minute, and a lost microphone until it is heard again."""
    heard_at = standing.densities[-1][0] if standing.densities else 0.0
    lasting = [
        trouble
        for trouble in standing.troubles.values()
        if (trouble.kind == "device_lost" and heard_at < trouble.at) or now - trouble.at < TROUBLE_S
    ]
    return max(lasting, key=lambda trouble: (trouble.kind == "device_lost", trouble.at), default=None)


def _hearing(standing: Standing, now: float, level_db: float, width: int) -> list[str]:
    """What is being heard: density as a bar and a short history, single pops, level."""
    history = min(int(HISTORY_S / 2), width - _LABEL)
    per_minute = 0.0 if standing.density is None else standing.density[0]
    note = "not known yet"
    if standing.density is not None:
        note = f"{per_minute:.0f} a minute ({standing.density[1]:.0f} to {standing.density[2]:.0f})"
    step = HISTORY_S / history
    highest = max(20.0, *(rate for _, rate in standing.densities)) if standing.densities else 20.0
    spark, pops = [" "] * history, [0] * history
    for at, rate in standing.densities:
        cell = int((at - (now - HISTORY_S)) / step)
        if 0 <= cell < history:
            spark[cell] = _EIGHTHS[max(1, round(8 * rate / highest))]
    for at, _ in standing.pops:
        cell = int((at - (now - HISTORY_S)) / step)
        if 0 <= cell < history:
            pops[cell] += 1
    # one mark a pop, two for two and more
    marks = "".join(" '\""[min(count, 2)] for count in pops)
    level = (level_db - FLOOR_DB) / -FLOOR_DB
    loud = "too loud" if level_db > -0.5 else f"{level_db:.0f} dB of full scale"
    return [
        f"{'cracks':<{_LABEL}}{_bar((per_minute / _FULL_PER_MINUTE) ** 0.5)}  {note}",
        f"{'2 minutes':<{_LABEL}}{''.join(spark).ljust(history)}| now",
        f"{'pops':<{_LABEL}}{marks}|",
        f"{'level':<{_LABEL}}{_bar(level)}  {loud}",
    ]


def _bar(share: float) -> str:
    full = round(_BAR * min(max(share, 0.0), 1.0))
    return "█" * full + "░" * (_BAR - full)
