"""The figures of all sets as one table of text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from crackdetect.config import SENSITIVITIES
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.evaluate.aggregate import CLEAR_DB, RECALL_FROM_DB, SNR_NAMES
from crackdetect.evaluate.baseline_scores import THRESHOLDS
from crackdetect.evaluate.reliability import EDGES
from crackdetect.evaluate.tradeoff import MISSED_AS_S


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of the table. key: of a figure. label: for people. of: key of what it is a part of."""

    key: str
    label: str
    of: str | None = None


def _snr_rows(prefix: str) -> tuple[_Row, ...]:
    return tuple(
        _Row(f"{prefix}_{name}", "  recall " + name.replace("_db", " dB").replace("over_", "over ").replace("_", "-"))
        for name in SNR_NAMES
    )


_SECTIONS: tuple[tuple[str, tuple[_Row, ...]], ...] = (
    ("", (_Row("recordings", "recordings"), _Row("hours", "hours"), _Row("cracks", "cracks"))),
    (
        "Single cracks, as said (probability 0.5 and more)",
        (
            *_snr_rows("recall"),
            _Row("recall_second_over_12_db", "  recall second crack over 12 dB"),
            _Row("false_per_minute", "  false a minute"),
            _Row("f_25_ms", "  F at 25 ms"),
            _Row("f_50_ms", "  F at 50 ms"),
            _Row("brier", "  Brier score"),
            _Row("said_mean_probability", "  mean probability said"),
            _Row("said_true_share", "  share that was true"),
        ),
    ),
    (
        "Sounds of any probability, with at most one false a minute",
        (
            _Row("probability_for_1_false_per_minute", "  from this probability on"),
            *_snr_rows("recall_at_1_false"),
            *(_Row(f"recall_at_1_false_from_{db:g}_db", f"  recall from {db:g} dB") for db in RECALL_FROM_DB),
        ),
    ),
    (
        "One crack in Gaussian noise, 90 % found (dB over the noise)",
        (_Row("snr_90_db", "  at most one false a minute"), _Row("snr_90_limit_db", "  limit, energy detector")),
    ),
    (
        "First crack",
        (
            _Row("first_crack_announced", "  announced", of="first_crack_present"),
            _Row("clear_announced", f"  with all cracks over {CLEAR_DB:g} dB", of="clear_present"),
            _Row("false_announcements", "  false or too early"),
            _Row("false_announcements_in_10_h", "  the same in 10 hours before or without it"),
            _Row("delay_median_s", "  delay, median (s)"),
            _Row("delay_90th_s", "  delay, 90th percentile (s)"),
            _Row("delay_mean_s", "  delay, mean (s)"),
            _Row("optimal_delay_mean_s", "  delay of the optimal test, mean (s)"),
            _Row("delay_over_optimal", "  mean delay over the optimal"),
            _Row("clear_delay_over_optimal", f"  the same with all cracks over {CLEAR_DB:g} dB"),
            _Row("start_median_abs_error_s", "  date at announcement, median error (s)"),
            _Row("start_bias_s", "  its bias (s)"),
            _Row("start_covered", "  its 90 % interval holds the truth in"),
            _Row("start_refined_median_abs_error_s", "  date in the summary, median error (s)"),
            _Row("start_refined_bias_s", "  its bias (s)"),
            _Row("start_refined_covered", "  its 90 % interval holds the truth in"),
            _Row("start_best_median_abs_error_s", "  the best date from all cracks, median error (s)"),
            _Row("start_best_bias_s", "  its bias (s)"),
        ),
    ),
    (
        "The course of the roast",
        (
            _Row("density_error_mean", "  density at the peak, mean error"),
            _Row("density_error_median_abs", "  the same, median of its size"),
            _Row("density_covered", "  its 90 % interval holds the truth in"),
            _Row("end_said", "  end of first crack said", of="end_present"),
            _Row("end_median_abs_error_s", "  its median error (s)"),
            _Row("end_within_15_s", "  within 15 s"),
            _Row("second_announced", "  second crack announced", of="second_present"),
            _Row("second_within_10_s", "  within 10 s of 300 a minute, or its begin", of="second_present"),
            _Row("second_delay_median_s", "  median delay since it began (s)"),
            _Row("second_dense_delay_median_s", "  since 300 a minute, or its begin (s)"),
            _Row("second_false", "  second crack where there was none"),
            _Row("charge_heard", "  charge heard", of="charge_present"),
            _Row("charge_median_abs_error_s", "  its median error (s)"),
            _Row("drop_heard", "  drop heard", of="drop_present"),
            _Row("drop_median_abs_error_s", "  its median error (s)"),
            _Row("charge_or_drop_heard_wrongly", "  charge or drop where there was none"),
        ),
    ),
)
_SENSITIVITY_ROWS: tuple[_Row, ...] = (
    _Row("first_crack_announced", "  announced", of="first_crack_present"),
    _Row("false_announcements", "  false or too early"),
    _Row("false_announcements_in_10_h", "  the same in 10 hours before or without it"),
    _Row("delay_mean_s", "  delay, mean (s)"),
    _Row("delay_against_usual_mean_s", "  later than the usual one, mean (s)"),
)
_BASELINE_ROWS: tuple[_Row, ...] = (
    _Row("threshold_for_1_false_per_minute", "  threshold for one false a minute"),
    *_snr_rows("recall_at_1_false"),
    _Row("f_25_ms_best_threshold", "  F at 25 ms, best threshold each time"),
    _Row("f_50_ms_best_threshold", "  F at 50 ms, best threshold each time"),
    _Row("count_rule_announced", "  first crack by 3 in 10 s, announced"),
    _Row("count_rule_false", "  the same, false or too early"),
    _Row("count_rule_delay_mean_s", "  the same, mean delay (s)"),
)


def as_text(sets: Mapping[str, Mapping[str, Any]]) -> str:
    """Figures as rows in sections, sets as columns; rows and sections without a figure are left out."""
    width = 2 + max(len(row.label) for _, rows in (*_SECTIONS, ("", _BASELINE_ROWS)) for row in rows)
    columns = [max(11, len(title)) for title in sets]
    lines = [" " * width + "".join(f"  {title:>{w}}" for title, w in zip(sets, columns, strict=True))]

    def section(title: str, rows: Sequence[_Row], figures: Sequence[Mapping[str, Any]]) -> None:
        shown = []
        for row in rows:
            cells = [_cell(row, own) for own in figures]
            if any(cell != "-" for cell in cells):
                shown.append(
                    f"{row.label:<{width}}" + "".join(f"  {c:>{w}}" for c, w in zip(cells, columns, strict=True))
                )
        if shown:
            lines.extend([*(["", title] if title else []), *shown])

    for title, rows in _SECTIONS:
        section(title, rows, list(sets.values()))
    for sensitivity in SENSITIVITIES:
        beside = [figures.get("sensitivities", {}).get(sensitivity, {}) for figures in sets.values()]
        section(f"First crack with the sensitivity: {sensitivity}", _SENSITIVITY_ROWS, beside)
    for name in THRESHOLDS:
        beside = [figures.get("baselines", {}).get(name, {}) for figures in sets.values()]
        section(f"Beside it, on the same signals: {name}, threshold picked on the answer", _BASELINE_ROWS, beside)
    lines += _tradeoff_lines(sets) + _reliability_lines(sets)
    for title, figures in sets.items():
        if figures.get("false_in"):
            found = ", ".join(f"{theme} ({count})" for theme, count in figures["false_in"].items())
            lines += ["", f"False or too early in {title}: {found}"]
    return "\n".join(lines)


def _cell(row: _Row, figures: Mapping[str, Any]) -> str:
    value = figures.get(row.key)
    if value is None:
        return "-"
    if row.of is not None:
        return f"{value} of {figures[row.of]}" if figures.get(row.of) else "-"
    return f"{value:.3g}" if isinstance(value, float) and abs(value) < 100 else str(value)


def _tradeoff_lines(sets: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """First crack at other thresholds: a column each, three lines a set."""
    curves = {title: figures["tradeoff"] for title, figures in sets.items() if figures["tradeoff"]}
    if not curves:
        return []
    usual = TrackerSettings().threshold
    thresholds = [point["threshold"] for point in next(iter(curves.values()))]
    heads = [f"{threshold:g}{'*' if threshold == usual else ''}" for threshold in thresholds]
    lines = [
        "",
        f"Delay against false words, by the threshold of the decision (nats, * usual; missed: {MISSED_AS_S:g} s)",
    ]
    lines.append(_columns("", heads))
    for title, points in curves.items():
        lines.append(_columns(f"{title}: false or early in 10 h", [_number(p["false_in_10_h"]) for p in points]))
        if points[0]["present"]:
            lines.append(_columns("  missed", [f"{p['missed']} of {p['present']}" for p in points]))
            lines.append(_columns("  delay, mean (s)", [_number(p["delay_mean_s"]) for p in points]))
            lines.append(
                _columns(f"  missed and early ones as {MISSED_AS_S:g} s", [_number(p["cost_s"]) for p in points])
            )
    return lines


def _reliability_lines(sets: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Of the sounds given a probability, the share that were cracks."""
    lines = ["", "Of the sounds given a probability, how many were cracks (share, 95 % interval, number)"]
    lines.append(_columns("", [f"{low:g}-{high:g}" for low, high in pairwise(EDGES)], width=26))
    for title, figures in sets.items():
        classes = {one["low"]: one for one in figures["reliability"]}
        if figures["cracks"] and classes:
            lines.append(_columns(title, [_honest(classes.get(low)) for low in EDGES[:-1]], width=26))
    return lines if len(lines) > 3 else []


def _honest(one: Mapping[str, Any] | None) -> str:
    if one is None:
        return "-"
    low, high = one["interval"]
    return f"{one['true_share']:.2f} ({low:.2f}-{high:.2f}) of {one['given']}"


def _columns(label: str, cells: Sequence[str], *, width: int = 9) -> str:
    return f"{label:<44}" + "".join(f"  {cell:>{width}}" for cell in cells)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"
