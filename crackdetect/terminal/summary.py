"""The summary of a roast as a person reads it; for a synthetic roast the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from crackdetect.notation import clock, percent
from crackdetect.roast.arithmetic import development_verdict
from crackdetect.roast.record import NO_TROUBLE
from crackdetect.terminal.lines import WIDTH, broken

if TYPE_CHECKING:
    from crackdetect.synth.truth import Truth

#: So many cracks without an announcement are worth a word at the end: somebody may have heard first crack.
POPS_WITHOUT_START = 5
#: So near is on target, seconds: first crack is dated no better (models/README.md: 4 s in the median).
ON_TARGET_S = 5.0
_NOT_HEARD = "not heard"
#: Kinds of health that are counted in samples, and told in seconds.
_LOST = frozenset({"gap", "invalid_samples"})


def summary_lines(
    fields: Mapping[str, Any],
    *,
    charge: float | None,
    live: bool = False,
    goal: float | None = None,
    largest_told: float | None = None,
    width: int = WIDTH,
    taken_back: bool = False,
    wrong_rate: str | None = None,
    samplerate: int | None = None,
) -> list[str]:
    """The ``summary`` event as a person reads it.

    Parameters
    ----------
    fields
        Of the event.
    charge
        Seconds from the first sample, ``None`` if unknown: then times count from it as well.
    live
        It was listened to, not read from a recording.
    goal
        Development that the target asked for, seconds.
    largest_told
        The largest crack rate that the lines above have told, cracks a minute.
    width
        Columns.
    taken_back
        The person said that first crack had not been; then nobody wonders why it is missing.
    wrong_rate
        What was told of a microphone whose rate is not what it says.
    samplerate
        Of the sound, Hz.
    """

    def at(seconds: float | None) -> str:
        if seconds is None:
            return _NOT_HEARD
        return clock(seconds if charge is None else seconds - charge)

    kind = "since listening began" if live else "recording time"
    kind = "roast time, from charge" if charge is not None else f"{kind}, as charge is not known"
    first_crack = at(fields["first_crack"])
    if fields["first_crack_earliest"] is not None:
        earliest, latest = at(fields["first_crack_earliest"]), at(fields["first_crack_latest"])
        first_crack += f", between {earliest} and {latest} (90 % interval)"
    rows = [] if wrong_rate is None else [("all times", wrong_rate)]
    rows.append(("first crack", first_crack))
    if fields["first_crack_announced"] is not None and fields["first_crack"] is not None:
        late = fields["first_crack_announced"] - fields["first_crack"]
        told = f"{late:.0f} s after it began" if late >= 0 else f"{-late:.0f} s before its present date"
        rows.append(("announced", f"{at(fields['first_crack_announced'])}, {told}"))
    rows.append(("cracks", f"{fields['cracks']:,} heard"))
    if fields["first_crack"] is None and fields["cracks"] >= POPS_WITHOUT_START and not taken_back:
        rows.append(
            (
                "",
                "pops were heard, but too few or too weak to be sure of first crack: move the microphone nearer, try "
                "--sensitivity earlier, or mark it by hand as you listen (f)",
            )
        )
    if fields["peak_per_minute"] is not None:
        peak = fields["peak_per_minute"]
        text = f"{peak:.0f} cracks a minute ({fields['peak_low']:.0f} to {fields['peak_high']:.0f}, 90 % interval)"
        if largest_told is not None and round(peak) > round(largest_told):
            text += "; it was reached between the lines above"
        rows.append(("peak crack rate", text))
    rows += _development_rows(fields)
    if goal is not None and fields["development"] is not None:
        rows.append(("target", against_target(fields["development"] - goal, goal)))
    rows.append(("drop", "not known" if fields["drop"] is None else at(fields["drop"])))
    rows.append(("first crack end", at(fields["first_crack_end"])))
    rows.append(("second crack", at(fields["second_crack"])))
    rows.append(("sound problems", health_text(fields["health"], samplerate) or "none"))
    lines = broken(f"Summary ({kind})", width)
    for name, text in rows:
        lines += broken(text, width, first=f"  {name:<16} ", rest=" " * 19)
    return lines


def against_target(off: float, goal: float) -> str:
    """How far a development was from its target. off: seconds, positive past it. goal: seconds."""
    if abs(off) <= ON_TARGET_S:
        return f"on target ({abs(off):.0f} s)"
    return f"{abs(off):.0f} s {'before' if off < 0 else 'past'} your target of {clock(goal)}"


def _development_rows(fields: Mapping[str, Any]) -> list[tuple[str, str]]:
    seconds = fields["development"]
    if seconds is None:
        missing = "the drop" if fields["drop"] is None else "first crack"
        return [("development", f"not known, as {missing} is not known")]
    return development_rows(seconds, ratio=fields["ratio"], total=fields["total"])


def development_rows(
    seconds: float, *, ratio: float | None, total: float | None, tasted: str | None = None
) -> list[tuple[str, str]]:
    """Development as it stands in every summary, and below it what it suggests: rows of a name and a text.

    Parameters
    ----------
    seconds, total
        Development, and charge to drop.
    ratio
        0 to 1; ``None`` with ``total`` where charge is not known.
    tasted
        The cup, where it is known: then none is forecast.
    """
    text = clock(seconds)
    if ratio is not None:
        text += f", {percent(ratio)} of {clock(total)} from charge to drop"
    # the sentence repeats the figures of the line above, then a colon
    figures, _, judgement = development_verdict(ratio, seconds, tasted=tasted).partition(": ")
    return [("development", text), ("", judgement if figures.startswith("development") else f"{figures}: {judgement}")]


def health_text(health: Mapping[str, int], samplerate: int | None) -> str:
    """``{"gap": 66_150}`` -> ``"gap 1.5 s"``; empty when nothing was wrong.

    Parameters
    ----------
    health
        Counts as in ``health`` events.
    samplerate
        Hz, for what is counted in samples.
    """

    def amount(kind: str, count: int) -> str:
        if kind not in _LOST or not samplerate:
            return f"{count:,}"
        seconds = count / samplerate
        return f"{seconds:.1f} s" if seconds >= 0.1 else f"{seconds:.3f} s"

    return ", ".join(
        f"{spoken(kind)} {amount(kind, count)}" for kind, count in health.items() if kind not in NO_TROUBLE
    )


def spoken(kind: str) -> str:
    """``first_crack.start`` -> ``first crack start``."""
    return kind.replace("_", " ").replace(".", " ")


def truth_lines(fields: Mapping[str, Any], truth: Truth, *, width: int = WIDTH) -> list[str]:
    """Heard beside true, for a synthetic roast.

    Parameters
    ----------
    fields
        Of the ``summary`` event.
    truth
        Of the same recording.
    width
        Columns.
    """
    lines = broken("The same beside the truth, which is known as the roast is synthetic", width)
    lines.append(f"  {'':<16} {'heard':>8} {'true':>8}")
    charge = truth.charge_s or 0.0
    for name, heard, true in (
        ("first crack", fields["first_crack"], truth.first_crack_start_s),
        ("first crack end", fields["first_crack_end"], truth.first_crack_end_s),
        ("second crack", fields["second_crack"], truth.second_crack_start_s),
    ):
        note = ""
        if heard is not None and true is not None:
            off = heard - true
            note = f"  {abs(off):.1f} s {'late' if off >= 0 else 'early'}"
        pair = [clock(None if value is None else value - charge) for value in (heard, true)]
        told = f"  {name:<16} {pair[0]:>8} {pair[1]:>8}"
        lines += [told + note] if len(told + note) <= width else [told, f"  {'':<16}{note}"]
    cracks = sum(event.kind != "distractor" for event in truth.events)
    lines.append(f"  {'cracks':<16} {fields['cracks']:>8,} {cracks:>8,}")
    return lines
