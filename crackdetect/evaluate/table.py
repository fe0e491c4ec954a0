"""Scores of many recordings, put together into the rows of one table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from crackdetect.config import SENSITIVITIES
from crackdetect.evaluate.gaussian import snr_for_recall
from crackdetect.evaluate.limits import energy_detector_snr_db
from crackdetect.evaluate.rivals import THRESHOLDS
from crackdetect.evaluate.scoring import SNR_EDGES, WINDOWS_S, Found, Score
from crackdetect.evaluate.sets import GAUSSIAN

#: False cracks a minute at which detectors are compared.
FALSE_PER_MINUTE = 1.0
#: Edges of the classes of probability in which reliability is given.
RELIABILITY_EDGES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
#: Roasts whose weakest crack is this strong are counted apart, dB.
CLEAR_DB = 10.0
#: An end of first crack this near the truth is right, and a second crack announced this soon, seconds.
END_WITHIN_S, SECOND_WITHIN_S = 15.0, 10.0
SNR_NAMES = tuple(
    f"{low:g}_{high:g}_db" if high < SNR_EDGES[-1] else f"over_{low:g}_db"
    for low, high in zip(SNR_EDGES[:-1], SNR_EDGES[1:], strict=True)
)


def aggregate(scores: Sequence[Score]) -> dict[str, Any]:
    """Figures over a set of recordings; ``None`` where the set holds nothing to measure."""
    hours = sum(s.duration_s for s in scores) / 3600
    figures: dict[str, Any] = {"recordings": len(scores), "hours": round(hours, 3)}
    least = probability_for(scores, minutes=60 * hours)
    figures |= _single_cracks(scores, minutes=60 * hours, least=least)
    if scores and scores[0].name.startswith(GAUSSIAN):
        figures |= _limit(scores, least=least)
    figures |= _calibration(scores)
    figures |= _announcements(scores, hours=hours)
    figures |= _dating(scores)
    figures |= _course(scores)
    figures["sensitivities"] = {
        name: _sensitivity(name, scores, hours=hours) for name in SENSITIVITIES if any(name in s.others for s in scores)
    }
    figures["rivals"] = {
        name: _rival(name, scores, hours=hours) for name in THRESHOLDS if any(name in s.rivals for s in scores)
    }
    return figures


def _single_cracks(scores: Sequence[Score], *, minutes: float, least: float) -> dict[str, Any]:
    figures = _recalls([s.single.found for s in scores], scores, "recall")
    for name, present in zip(SNR_NAMES, _summed([s.present for s in scores]), strict=True):
        figures[f"cracks_{name}"] = int(present)
    figures["cracks"] = sum(s.true_cracks for s in scores)
    figures["recall_second_over_12_db"] = _share(
        sum(s.single.second_found for s in scores), sum(s.second_present for s in scores)
    )
    figures["false_per_minute"] = round(sum(s.single.false_cracks for s in scores) / minutes, 3)
    for i, window in enumerate(WINDOWS_S):
        figures[f"f_{window * 1000:.0f}_ms"] = _f([s.single for s in scores], scores, i)
    figures["probability_for_1_false_per_minute"] = round(least, 4)
    snr = np.array([v for s in scores for v in s.crack_snr_db])
    heard = np.array([p for s in scores for p in s.crack_probabilities]) >= least
    classes = np.searchsorted(SNR_EDGES, snr, side="right") - 1
    for i, name in enumerate(SNR_NAMES):
        figures[f"recall_at_1_false_{name}"] = _share(int(heard[classes == i].sum()), int((classes == i).sum()))
    return figures


def probability_for(scores: Sequence[Score], *, minutes: float) -> float:
    """Least probability (0.5 or more) from which on there is no more than one false crack a minute."""
    false = np.sort([p for s in scores for p, hit in zip(s.probabilities, s.hits, strict=True) if not hit])[::-1]
    allowed = int(FALSE_PER_MINUTE * minutes)
    return 0.5 if len(false) <= allowed else float(np.nextafter(false[allowed], 2.0))


def _limit(scores: Sequence[Score], *, least: float) -> dict[str, Any]:
    """The SNR at which 90 % are found beside that of the energy detector, at one false a minute."""
    snr = np.array([v for s in scores for v in s.crack_snr_db])
    found = np.array([p for s in scores for p in s.crack_probabilities]) >= least
    reached = snr_for_recall(snr, found)
    return {
        "snr_90_db": None if reached is None else round(reached, 2),
        "snr_90_limit_db": round(energy_detector_snr_db(frequency_hz=None, false_per_minute=FALSE_PER_MINUTE), 2),
    }


def _calibration(scores: Sequence[Score]) -> dict[str, Any]:
    """Whether the probabilities of the cracks said are honest (cracks are said from 0.5 on)."""
    probabilities = np.array([p for s in scores for p in s.probabilities])
    hits = np.array([h for s in scores for h in s.hits], bool)
    if not len(hits):
        return {"brier": None, "said_mean_probability": None, "said_true_share": None, "reliability": []}
    reliability = []
    for low, high in zip(RELIABILITY_EDGES[:-1], RELIABILITY_EDGES[1:], strict=True):
        inside = (probabilities >= low) & ((probabilities < high) | (high == RELIABILITY_EDGES[-1]))
        if inside.any():
            reliability.append(
                {
                    "from": low,
                    "to": high,
                    "said": int(inside.sum()),
                    "mean_probability": round(float(probabilities[inside].mean()), 4),
                    "true_share": round(float(hits[inside].mean()), 4),
                }
            )
    return {
        "brier": round(float(np.mean((probabilities - hits) ** 2)), 4),
        "said_mean_probability": round(float(probabilities.mean()), 4),
        "said_true_share": round(float(hits.mean()), 4),
        "reliability": reliability,
    }


def _announcements(scores: Sequence[Score], *, hours: float) -> dict[str, Any]:
    with_first = [s for s in scores if s.has_first_crack]
    clear = [s for s in with_first if s.least_snr_db is not None and s.least_snr_db >= CLEAR_DB]
    false = [s for s in scores if s.false_announcement]
    optimal = [s.optimal_delay_s for s in with_first if s.delay_s is not None and s.optimal_delay_s is not None]
    delays = [s.delay_s for s in scores if s.delay_s is not None]
    return {
        "first_crack_present": len(with_first),
        "first_crack_announced": sum(s.announced for s in with_first),
        "clear_present": len(clear),
        "clear_announced": sum(s.announced for s in clear),
        "false_announcements": len(false),
        "false_announcements_in_10_h": round(10 * len(false) / hours, 2),
        "false_in": dict(Counter(s.theme for s in false).most_common()),
        "delay_median_s": _reduced(np.median, delays),
        "delay_90th_s": _reduced(lambda d: np.percentile(d, 90), delays),
        "delay_mean_s": _reduced(np.mean, delays),
        "optimal_delay_mean_s": _reduced(np.mean, optimal),
        "delay_over_optimal": _over_optimal(with_first),
        "clear_delay_over_optimal": _over_optimal(clear),
    }


def _over_optimal(scores: Sequence[Score]) -> float | None:
    """Mean delay over that of the optimal test, where first crack was announced and both are known."""
    pairs = [(s.delay_s, s.optimal_delay_s) for s in scores if s.delay_s is not None and s.optimal_delay_s is not None]
    return round(sum(delay for delay, _ in pairs) / sum(best for _, best in pairs), 3) if pairs else None


def _dating(scores: Sequence[Score]) -> dict[str, Any]:
    figures: dict[str, Any] = {}
    for suffix in ("", "_refined"):
        errors = [e for s in scores if (e := getattr(s, f"error{suffix}_s")) is not None]
        covered = [c for s in scores if (c := getattr(s, f"covered{suffix}")) is not None]
        figures[f"start{suffix}_median_abs_error_s"] = _reduced(np.median, np.abs(errors))
        figures[f"start{suffix}_bias_s"] = _reduced(np.mean, errors)
        figures[f"start{suffix}_covered"] = _reduced(np.mean, covered)
    best = [s.best_error_s for s in scores if s.best_error_s is not None]
    figures["start_best_median_abs_error_s"] = _reduced(np.median, np.abs(best))
    figures["start_best_bias_s"] = _reduced(np.mean, best)
    return figures


def _course(scores: Sequence[Score]) -> dict[str, Any]:
    """Density, the end of first crack, second crack, charge and drop."""
    density = [s.density_error for s in scores if s.density_error is not None]
    ends = [s.end_error_s for s in scores if s.end_error_s is not None]
    second = [s.second_delay_s for s in scores if s.second_delay_s is not None]
    dense = [s.second_dense_delay_s for s in scores if s.second_dense_delay_s is not None]
    figures = {
        "density_error_mean": _reduced(np.mean, density),
        "density_error_median_abs": _reduced(np.median, np.abs(density)),
        "density_covered": _reduced(np.mean, [s.density_covered for s in scores if s.density_covered is not None]),
        "end_present": sum(s.end_true for s in scores),
        "end_said": len(ends),
        "end_median_abs_error_s": _reduced(np.median, np.abs(ends)),
        "end_within_15_s": _share(sum(abs(e) <= END_WITHIN_S for e in ends), len(ends)),
        "second_present": sum(s.second_true for s in scores),
        "second_announced": sum(s.second_true and s.second_said for s in scores),
        "second_false": sum(s.second_said and not s.second_true for s in scores),
        "second_delay_median_s": _reduced(np.median, second),
        "second_dense_delay_median_s": _reduced(np.median, dense),
        "second_within_10_s": sum(d <= SECOND_WITHIN_S for d in dense) if dense else None,
    }
    for what in ("charge", "drop"):
        errors = [e for s in scores if (e := getattr(s, f"{what}_error_s")) is not None]
        figures[f"{what}_present"] = sum(getattr(s, f"{what}_true") for s in scores)
        figures[f"{what}_heard"] = len(errors)
        figures[f"{what}_median_abs_error_s"] = _reduced(np.median, np.abs(errors))
    figures["charge_or_drop_heard_wrongly"] = sum(s.heard_wrongly for s in scores)
    return figures


def _rival(name: str, scores: Sequence[Score], *, hours: float) -> dict[str, Any]:
    """A general detector: at the set's threshold with no more than one false crack a minute, picked on the answer; F at
    a threshold picked on the answer for each recording; and what the hard count makes of its usual threshold."""
    beside = [s for s in scores if name in s.rivals]
    sweeps = [s.rivals[name] for s in beside]
    thresholds = range(len(THRESHOLDS[name]))
    false = [sum(sweep.found[t].false_cracks for sweep in sweeps) for t in thresholds]
    quiet = [t for t in thresholds if false[t] <= FALSE_PER_MINUTE * hours * 60]
    chosen = quiet[0] if quiet else thresholds[-1]
    figures: dict[str, Any] = {
        "threshold_for_1_false_per_minute": THRESHOLDS[name][chosen] if quiet else None,
        "false_per_minute": round(false[chosen] / (hours * 60), 3),
    }
    figures |= _recalls([sweep.found[chosen].found for sweep in sweeps], beside, "recall_at_1_false")
    for i, window in enumerate(WINDOWS_S):
        best = [_best(sweep.found, s, i) for sweep, s in zip(sweeps, beside, strict=True)]
        figures[f"f_{window * 1000:.0f}_ms_best_threshold"] = _f(best, beside, i)
    delays = [sweep.delay_s for sweep in sweeps if sweep.delay_s is not None]
    figures |= {
        "count_rule_announced": sum(sweep.announced for sweep in sweeps),
        "count_rule_false": sum(sweep.false_announcement for sweep in sweeps),
        "count_rule_delay_mean_s": _reduced(np.mean, delays),
    }
    return figures


def _sensitivity(name: str, scores: Sequence[Score], *, hours: float) -> dict[str, Any]:
    """Announcements with another sensitivity; the delay against the usual one where both announce rightly."""
    beside = [s for s in scores if name in s.others]
    delays = [s.others[name].delay_s for s in beside if s.others[name].delay_s is not None]
    gained = [
        other - s.delay_s for s in beside if (other := s.others[name].delay_s) is not None and s.delay_s is not None
    ]
    false = sum(s.others[name].false_announcement for s in beside)
    return {
        "first_crack_present": sum(s.has_first_crack for s in beside),
        "first_crack_announced": sum(s.others[name].announced for s in beside),
        "false_announcements": false,
        "false_announcements_in_10_h": round(10 * false / hours, 2),
        "delay_mean_s": _reduced(np.mean, delays),
        "delay_against_own_mean_s": _reduced(np.mean, gained),
    }


def _best(found: Sequence[Found], score: Score, window: int) -> Found:
    """Of the thresholds tried on a recording, the one with the largest F."""
    return max(found, key=lambda f: f.matched[window] / max(1, f.said + score.true_cracks))


def _summed(counts: Sequence[tuple[int, ...]]) -> list[int]:
    return [sum(column) for column in zip(*counts, strict=True)]


def _recalls(found: Sequence[tuple[int, ...]], scores: Sequence[Score], prefix: str) -> dict[str, Any]:
    pairs = zip(SNR_NAMES, _summed(found), _summed([s.present for s in scores]), strict=True)
    return {f"{prefix}_{name}": _share(int(hit), int(there)) for name, hit, there in pairs}


def _f(found: Sequence[Found], scores: Sequence[Score], window: int) -> float | None:
    total = sum(f.said for f in found) + sum(s.true_cracks for s in scores)
    return _share(2 * sum(f.matched[window] for f in found), total)


def _share(part: int, whole: int) -> float | None:
    return round(part / whole, 4) if whole else None


def _reduced(reduce: Any, values: Any) -> float | None:
    values = np.asarray(values, float)
    return None if values.size == 0 else round(float(reduce(values)), 3)


# -- text -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    """key: of a figure. label: for people. of: key of what it is a part of."""

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
        "The same with at most one false a minute",
        (_Row("probability_for_1_false_per_minute", "  from this probability on"), *_snr_rows("recall_at_1_false")),
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
            _Row("false_announcements_in_10_h", "  the same in 10 hours"),
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
            _Row("second_within_10_s", "  within 10 s of 300 a minute", of="second_present"),
            _Row("second_delay_median_s", "  median delay since it began (s)"),
            _Row("second_dense_delay_median_s", "  since 300 a minute (s)"),
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
    _Row("false_announcements_in_10_h", "  the same in 10 hours"),
    _Row("delay_mean_s", "  delay, mean (s)"),
    _Row("delay_against_own_mean_s", "  later than the one above, mean (s)"),
)
_RIVAL_ROWS: tuple[_Row, ...] = (
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
    width = 2 + max(len(row.label) for _, rows in (*_SECTIONS, ("", _RIVAL_ROWS)) for row in rows)
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
        beside = [figures.get("rivals", {}).get(name, {}) for figures in sets.values()]
        section(f"Beside it, on the same signals: {name}, threshold picked on the answer", _RIVAL_ROWS, beside)
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
