"""What was said of a recording, held against its truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from crackdetect.evaluate.matching import match
from crackdetect.events import Event
from crackdetect.synth.truth import Truth

#: Edges of the SNR classes in which recall is given, dB.
SNR_EDGES = (7.0, 9.0, 12.0, 15.0, 18.0, 60.0)
#: Sounds that a truth knows as cracks.
CRACK_KINDS = ("first", "stray", "second")
WINDOWS_S = (0.025, 0.050)
#: An announcement up to this long before the true start is not false: the ramp's start is itself uncertain.
EARLY_S = 5.0


@dataclass(frozen=True, slots=True)
class Score:
    """One recording. Times in seconds, ``None`` where there is nothing to compare.

    found, present: first cracks and strays found and present in each SNR class; second_found, second_present: second
    cracks of 12 dB and more. false_cracks: crack events without a crack.
    matched: pairs for each of WINDOWS_S. said: crack events. true_cracks: cracks of the truth, however weak.
    error_s, covered: of the start as announced; with _refined, as the summary has it. probabilities, hits: of each
    crack event, what was said and whether a crack was there.
    """

    name: str
    duration_s: float
    found: tuple[int, ...]
    present: tuple[int, ...]
    second_found: int
    second_present: int
    false_cracks: int
    true_cracks: int
    matched: tuple[int, ...]
    said: int
    has_first_crack: bool
    announced: bool
    false_announcement: bool
    delay_s: float | None
    error_s: float | None
    error_refined_s: float | None
    covered: bool | None
    covered_refined: bool | None
    density_error: float | None
    density_covered: float | None
    end_error_s: float | None
    second_true: bool
    second_said: bool
    second_delay_s: float | None
    probabilities: tuple[float, ...] = field(default=(), repr=False)
    hits: tuple[bool, ...] = field(default=(), repr=False)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def score(name: str, events: Sequence[Event], truth: Truth) -> Score:
    """Holds the events of one recording against its truth."""
    cracks = [e for e in truth.events if e.kind in CRACK_KINDS]
    true_times = np.array([e.time_s for e in cracks])
    snr = np.array([e.snr_db for e in cracks])
    said = [e for e in events if e.type == "crack"]
    said_times = np.array([e.at for e in said])
    matchings = [match(true_times, said_times, window_s=window) for window in WINDOWS_S]
    hit_true = {i for i, _ in matchings[-1].pairs}
    hit_said = {j for _, j in matchings[-1].pairs}
    classes = np.searchsorted(SNR_EDGES, snr, side="right") - 1
    bins = range(len(SNR_EDGES) - 1)
    second_kind = np.array([e.kind == "second" for e in cracks], bool)
    found = tuple(sum(1 for i in hit_true if classes[i] == b and not second_kind[i]) for b in bins)
    present = tuple(int(((classes == b) & ~second_kind).sum()) for b in bins)

    start = next((e for e in events if e.type == "first_crack.start"), None)
    summary = next((e for e in reversed(events) if e.type == "summary"), None)
    true_start = truth.first_crack_start_s
    false = start is not None and (true_start is None or start.announced_at < true_start - EARLY_S)
    right = start is not None and true_start is not None and not false
    delay = error = error_refined = None
    covered = covered_refined = None
    if right:
        assert start is not None
        assert true_start is not None
        delay = start.announced_at - true_start
        error = start.at - true_start
        covered = bool(start.fields["earliest"] <= true_start <= start.fields["latest"])
        if summary is not None and summary.fields.get("first_crack_earliest") is not None:
            error_refined = summary.fields["first_crack"] - true_start
            covered_refined = bool(
                summary.fields["first_crack_earliest"] <= true_start <= summary.fields["first_crack_latest"]
            )
    density_error, density_covered = _density(events, truth)
    end = next((e for e in events if e.type == "first_crack.end"), None)
    end_error = None
    if end is not None and truth.first_crack_end_s is not None and right:
        end_error = end.at - truth.first_crack_end_s
    second = next((e for e in events if e.type == "second_crack.start"), None)
    second_delay = None
    if second is not None and truth.second_crack_start_s is not None:
        second_delay = second.announced_at - truth.second_crack_start_s
    return Score(
        name=name,
        duration_s=truth.duration_s,
        found=found,
        present=present,
        second_found=sum(1 for i in hit_true if second_kind[i] and snr[i] >= 12),
        second_present=int((second_kind & (snr >= 12)).sum()) if len(cracks) else 0,
        false_cracks=len(said) - len(hit_said),
        true_cracks=len(cracks),
        matched=tuple(len(m.pairs) for m in matchings),
        said=len(said),
        has_first_crack=true_start is not None,
        announced=right,
        false_announcement=false,
        delay_s=delay,
        error_s=error,
        error_refined_s=error_refined,
        covered=covered,
        covered_refined=covered_refined,
        density_error=density_error,
        density_covered=density_covered,
        end_error_s=end_error,
        second_true=truth.second_crack_start_s is not None,
        second_said=second is not None,
        second_delay_s=second_delay,
        probabilities=tuple(float(e.fields["probability"]) for e in said),
        hits=tuple(j in hit_said for j in range(len(said))),
    )


def _density(events: Sequence[Event], truth: Truth) -> tuple[float | None, float | None]:
    """Relative error of the density, and share of intervals that hold the truth, where first crack is densest.

    The truth for a density said at ``t`` is the mean rate over the 15 s before it that the estimate looks at.
    """
    if truth.first_crack_start_s is None:
        return None, None
    said = [e for e in events if e.type == "density"]
    if not said:
        return None, None
    limit = truth.second_crack_start_s or truth.drop_s or truth.duration_s
    errors: list[float] = []
    covered: list[bool] = []
    for event in said:
        if not truth.first_crack_start_s < event.at <= limit:
            continue
        rate = float(np.mean([truth.density(t) for t in np.arange(event.at - 15, event.at, 0.5)]))
        if rate < 0.8 * truth.peak_per_minute:
            continue
        errors.append(event.fields["per_minute"] / rate - 1)
        covered.append(event.fields["low"] <= rate <= event.fields["high"])
    if not errors:
        return None, None
    return float(np.mean(errors)), float(np.mean(covered))
