"""The date of first crack, as announced and as refined in the summary, where the announcement was right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crackdetect.events import Event


@dataclass(frozen=True, slots=True)
class Dating:
    """Errors of the date of first crack, None where there is nothing to compare.

    Attributes
    ----------
    error_s, refined_error_s : float or None
        Date minus true start, seconds, at the announcement and in the summary.
    covered, refined_covered : bool or None
        Whether the 90 % interval holds the true start.
    """

    error_s: float | None = None
    covered: bool | None = None
    refined_error_s: float | None = None
    refined_covered: bool | None = None


def score_dating(events: Sequence[Event], true_start_s: float) -> Dating:
    """Holds the dates in the events of a rightly announced first crack against its true start (s)."""
    start = next(event for event in events if event.type == "first_crack.start")
    error = start.at - true_start_s
    covered = bool(start.fields["earliest"] <= true_start_s <= start.fields["latest"])
    summary = next((event.fields for event in reversed(events) if event.type == "summary"), None)
    if summary is None or summary.get("first_crack_earliest") is None:
        return Dating(error, covered)
    return Dating(
        error,
        covered,
        refined_error_s=summary["first_crack"] - true_start_s,
        refined_covered=bool(summary["first_crack_earliest"] <= true_start_s <= summary["first_crack_latest"]),
    )
