"""Scores of many recordings, put together into the rows of one table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from crackdetect.evaluate.scoring import SNR_EDGES, WINDOWS_S, Score


def aggregate(scores: Sequence[Score]) -> dict[str, Any]:
    """Figures over a set of recordings; ``None`` where the set holds nothing to measure."""
    hours = sum(s.duration_s for s in scores) / 3600
    figures: dict[str, Any] = {"recordings": len(scores), "hours": round(hours, 3)}
    found = np.sum([s.found for s in scores], axis=0)
    present = np.sum([s.present for s in scores], axis=0)
    for i, (low, high) in enumerate(zip(SNR_EDGES[:-1], SNR_EDGES[1:], strict=True)):
        name = f"recall_{low:g}_{high:g}_db" if high < 60 else f"recall_over_{low:g}_db"
        figures[name] = None if present[i] == 0 else round(float(found[i] / present[i]), 4)
        figures[name.replace("recall", "cracks")] = int(present[i])
    seconds = sum(s.second_present for s in scores)
    figures["recall_second_over_12_db"] = (
        None if seconds == 0 else round(sum(s.second_found for s in scores) / seconds, 4)
    )
    figures["false_per_minute"] = round(sum(s.false_cracks for s in scores) / (hours * 60), 3)
    for i, window in enumerate(WINDOWS_S):
        total = sum(s.said for s in scores) + sum(s.true_cracks for s in scores)
        figures[f"f_{window * 1000:.0f}_ms"] = (
            None if total == 0 else round(2 * sum(s.matched[i] for s in scores) / total, 4)
        )
    probabilities = np.array([p for s in scores for p in s.probabilities])
    hits = np.array([h for s in scores for h in s.hits], bool)
    figures["brier_of_said"] = None if len(hits) == 0 else round(float(np.mean((probabilities - hits) ** 2)), 4)
    figures["said_mean_probability"] = None if len(hits) == 0 else round(float(probabilities.mean()), 4)
    figures["said_true_share"] = None if len(hits) == 0 else round(float(hits.mean()), 4)

    with_first = [s for s in scores if s.has_first_crack]
    figures["first_crack_present"] = len(with_first)
    figures["first_crack_announced"] = sum(s.announced for s in with_first)
    figures["false_announcements"] = sum(s.false_announcement for s in scores)
    delays = [s.delay_s for s in scores if s.delay_s is not None]
    figures["delay_mean_s"] = _rounded(np.mean, delays)
    figures["delay_median_s"] = _rounded(np.median, delays)
    figures["delay_90th_s"] = None if not delays else round(float(np.percentile(delays, 90)), 2)
    for suffix in ("", "_refined"):
        errors = [e for s in scores if (e := getattr(s, f"error{suffix}_s")) is not None]
        covered = [c for s in scores if (c := getattr(s, f"covered{suffix}")) is not None]
        figures[f"start{suffix}_median_abs_error_s"] = _rounded(np.median, np.abs(errors))
        figures[f"start{suffix}_bias_s"] = _rounded(np.mean, errors)
        figures[f"start{suffix}_covered"] = None if not covered else round(float(np.mean(covered)), 3)
    density = [s.density_error for s in scores if s.density_error is not None]
    figures["density_error_mean"] = _rounded(np.mean, density)
    figures["density_error_median_abs"] = _rounded(np.median, np.abs(density))
    figures["density_covered"] = _rounded(np.mean, [s.density_covered for s in scores if s.density_covered is not None])
    ends = [s.end_error_s for s in scores if s.end_error_s is not None]
    figures["end_said"] = len(ends)
    figures["end_median_abs_error_s"] = _rounded(np.median, np.abs(ends))
    figures["second_present"] = sum(s.second_true for s in scores)
    figures["second_announced"] = sum(s.second_true and s.second_said for s in scores)
    figures["second_false"] = sum(s.second_said and not s.second_true for s in scores)
    figures["second_delay_median_s"] = _rounded(
        np.median, [s.second_delay_s for s in scores if s.second_delay_s is not None]
    )
    return figures


def _rounded(reduce: Any, values: Any) -> float | None:
    values = np.asarray(values, float)
    return None if values.size == 0 else round(float(reduce(values)), 3)


def as_text(sets: dict[str, dict[str, Any]]) -> str:
    """Figures as rows, sets as columns."""
    names = list(next(iter(sets.values())))
    width = max(len(name) for name in names)
    columns = [max(12, len(title)) for title in sets]
    lines = [" " * width + "".join(f"  {title:>{w}}" for title, w in zip(sets, columns, strict=True))]
    for name in names:
        cells = [figures.get(name) for figures in sets.values()]
        if all(cell is None for cell in cells):
            continue
        shown = ("-" if cell is None else str(cell) for cell in cells)
        lines.append(f"{name:<{width}}" + "".join(f"  {cell:>{w}}" for cell, w in zip(shown, columns, strict=True)))
    return "\n".join(lines)
