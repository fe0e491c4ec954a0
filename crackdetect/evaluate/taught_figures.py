"""The figures of machines that were taught, each beside the untaught one's, with intervals over machines."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.evaluate.aggregate import least_for
from crackdetect.evaluate.detection import LEAST_PROBABILITY
from crackdetect.evaluate.intervals import bootstrap_intervals, rate_interval, share_interval
from crackdetect.evaluate.overview import as_table, with_interval
from crackdetect.evaluate.taught import FROM_DB, JUDGED, UNTAUGHT, TaughtMachine
from crackdetect.pipeline import CRACK_FROM

#: Kitchens in which false announcements are told, hours.
_KITCHENS_H = 20.0
#: Figures that are drawn anew; each also over the untaught one's.
_DRAWN = ("missed", "false_per_minute", "said_found", "said_false_per_minute", "delay_s")


def taught_figures(machines: Sequence[TaughtMachine]) -> dict[str, dict[str, Any]]:
    """Figures by the name of the way.

    Parameters
    ----------
    machines : sequence of TaughtMachine
        At least one.

    Returns
    -------
    dict of str to dict
        ``missed``: share of the cracks from FROM_DB on that are missed at one false a minute. ``false_per_minute``: at
        the recall that the untaught one has there. ``said_found``, ``said_false_per_minute``: share of those cracks
        that are said, and what else is. ``delay_s``: mean over the roasts that both announce rightly. Each also over
        the untaught one's (``..._over``). ``first_crack_announced`` of ``first_crack_present``, ``early``,
        ``kitchens_false`` in ``quiet_hours``, ``adopted`` of ``machines``. None where there is nothing to measure.
        ``intervals``: of each of those.
    """
    drawn = _drawn_figures(machines)
    intervals = bootstrap_intervals(machines, _drawn_figures)
    hours = sum(machine.quiet_hours for machine in machines)
    found = {}
    for name in machines[0].ways:
        announcements = [one for machine in machines for one in machine.ways[name].announcements]
        roasts = [one for one in announcements if one.present]
        right, false = sum(one.right for one in roasts), sum(one.false for one in announcements if not one.present)
        keys = [key + over for key in _DRAWN for over in ("", "_over")]
        held = {key: intervals.get(f"{name} {key}") for key in keys}
        held["first_crack_announced"] = share_interval(right, len(roasts))
        held["kitchens_false"] = rate_interval(false, hours / _KITCHENS_H)
        figures: dict[str, Any] = {key: drawn.get(f"{name} {key}") for key in keys}
        found[name] = figures | {
            "first_crack_present": len(roasts),
            "first_crack_announced": right,
            "early": sum(one.false for one in roasts),
            "kitchens_false": false,
            "quiet_hours": round(hours, 2),
            "machines": len(machines),
            "adopted": sum(machine.adopts(name) for machine in machines) if name in machines[0].compared else None,
            "intervals": {key: interval for key, interval in held.items() if interval is not None},
        }
    return found


def _drawn_figures(machines: Sequence[TaughtMachine]) -> dict[str, float | None]:
    """By the name of the way and of the figure, such as ``untaught missed``."""
    minutes = sum(machine.minutes for machine in machines)
    usual = [machine.ways[UNTAUGHT] for machine in machines]
    usual_cracks = np.concatenate([one.cracks for one in usual])
    recall = _recall(usual_cracks, least_for(np.concatenate([one.false for one in usual]), minutes=minutes))
    found: dict[str, float | None] = {}
    untaught: dict[str, float | None] = {}  # the first of the ways, not rounded
    for name in machines[0].ways:
        own = [machine.ways[name] for machine in machines]
        false, cracks = np.concatenate([one.false for one in own]), np.concatenate([one.cracks for one in own])
        reached = _recall(cracks, least_for(false, minutes=minutes))
        pairs = [
            (one.delay_s, other.delay_s)
            for mine, theirs in zip(own, usual, strict=True)
            for one, other in zip(mine.announcements, theirs.announcements, strict=True)
            if one.delay_s is not None and other.delay_s is not None
        ]
        late, usually_late = np.mean(pairs, axis=0).tolist() if pairs else (None, None)
        figures = {
            "missed": None if reached is None else 1 - reached,
            "false_per_minute": _false_at(recall, cracks, false, minutes=minutes),
            "said_found": _recall(cracks, CRACK_FROM),
            "said_false_per_minute": float((false >= CRACK_FROM).sum()) / minutes,
            "delay_s": late,
        }
        for key, figure in figures.items():
            untaught.setdefault(key, figure)
            other = usually_late if key == "delay_s" else untaught[key]
            found[f"{name} {key}"] = _rounded(figure)
            found[f"{name} {key}_over"] = None if figure is None or not other else _rounded(figure / other)
    return found


def _recall(cracks: Doubles, least: float) -> float | None:
    return float((cracks >= least).mean()) if len(cracks) else None


def _false_at(recall: float | None, cracks: Doubles, false: Doubles, *, minutes: float) -> float | None:
    """False ones a minute where so many cracks are found; None where so many never are."""
    if not recall:
        return None
    least = float(np.sort(cracks)[::-1][math.ceil(recall * len(cracks) - 1e-9) - 1])
    return None if least < LEAST_PROBABILITY else float((false >= least).sum()) / minutes


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 4)


def taught_table(figures: Mapping[str, Mapping[str, Any]]) -> str:
    """Two tables as text: single cracks, then first crack. figures: of :func:`taught_figures`."""
    return "\n\n".join(as_table(figures, columns, title="taught by") for columns in (_CRACKS, _FIRST_CRACK))


def told_of_another(machines: Sequence[TaughtMachine]) -> str:
    """One sentence on how often another machine was noticed, rightly and wrongly."""
    roasts = JUDGED * len(machines)
    misheard, noticed = (sum(getattr(machine, name) for machine in machines) for name in ("misheard", "noticed"))
    return (
        f"Of two known machines, said to sound like the other: where the right one was named {misheard} of {roasts}, "
        f"where the other was {noticed} of {roasts}"
    )


def _false_in_kitchens(figures: Mapping[str, Any]) -> str:
    low, high = figures["intervals"].get("kitchens_false", (0, 0))
    hours = figures["quiet_hours"]
    return f"{figures['kitchens_false']} in {hours:.1f} h ({low:.1f} to {high:.1f} in 20 h)" if hours else "-"


def _adopted(figures: Mapping[str, Any]) -> str:
    return "" if figures["adopted"] is None else f"{figures['adopted']} of {figures['machines']}"


_CRACKS = {
    f"missed from {FROM_DB:g} dB, 1 false a minute": lambda figures: with_interval(figures, "missed"),
    "of untaught": lambda figures: with_interval(figures, "missed_over"),
    "false a minute, untaught recall": lambda figures: with_interval(figures, "false_per_minute"),
    "of untaught ": lambda figures: with_interval(figures, "false_per_minute_over"),
    "as said, found": lambda figures: with_interval(figures, "said_found"),
    "false a minute": lambda figures: with_interval(figures, "said_false_per_minute"),
}
_FIRST_CRACK = {
    "announced": lambda figures: with_interval(figures, "first_crack_announced"),
    "early": lambda figures: str(figures["early"]),
    "late where both announce (s)": lambda figures: with_interval(figures, "delay_s"),
    "of untaught": lambda figures: with_interval(figures, "delay_s_over"),
    "false in kitchens": _false_in_kitchens,
    "adopted": _adopted,
}
