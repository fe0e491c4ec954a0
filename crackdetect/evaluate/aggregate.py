"""The figures of a set: the scores of many recordings put together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Flags
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.evaluate.announcement import Announcement
from crackdetect.evaluate.baseline_scores import THRESHOLDS
from crackdetect.evaluate.course import Course, MomentScore
from crackdetect.evaluate.detection import LEAST_PROBABILITY, SNR_EDGES, WINDOWS_S, Detection, MatchCounts
from crackdetect.evaluate.detection_limit import energy_detector_snr_db
from crackdetect.evaluate.gaussian import snr_for_recall
from crackdetect.evaluate.intervals import Interval, bootstrap_intervals, rate_interval, share_interval
from crackdetect.evaluate.reliability import calibration_error, reliability
from crackdetect.evaluate.scoring import Score
from crackdetect.evaluate.sets import GAUSSIAN
from crackdetect.evaluate.tradeoff import tradeoff
from crackdetect.pipeline import CRACK_FROM, THRESHOLD_SHIFT

Known = TypeVar("Known")
#: A figure, None where there is nothing to measure.
Figure = float | None

#: False cracks a minute at which detectors are compared.
FALSE_PER_MINUTE = 1.0
#: Least SNR of the cracks of which recall is given at that, dB.
RECALL_FROM_DB = (8.0, 12.0)
#: Roasts whose weakest crack is this strong are counted apart, dB.
CLEAR_DB = 10.0
#: An end of first crack this near the truth is right, and a second crack announced this soon, seconds.
END_WITHIN_S, SECOND_WITHIN_S = 15.0, 10.0
SNR_NAMES = tuple(
    f"{low:g}_{high:g}_db" if high < SNR_EDGES[-1] else f"over_{low:g}_db"
    for low, high in zip(SNR_EDGES[:-1], SNR_EDGES[1:], strict=True)
)


#: Counts and what they are a part of: their interval is that of the share.
PARTS = {
    "first_crack_announced": "first_crack_present",
    "clear_announced": "clear_present",
    "end_said": "end_present",
    "second_announced": "second_present",
    "second_within_10_s": "second_present",
    "charge_heard": "charge_present",
    "drop_heard": "drop_present",
}


def aggregate(scores: Sequence[Score]) -> dict[str, Any]:
    """Figures over a set of recordings, by the names that the table and ``--json`` give them.

    Parameters
    ----------
    scores : sequence of Score
        One or more, of one set.

    Returns
    -------
    dict
        Numbers, None where the set holds nothing to measure (:func:`plain_figures`). Nested: ``intervals`` (of each
        of those: low and high), ``reliability`` and ``tradeoff`` (lists), ``false_in`` (counts by theme),
        ``sensitivities`` and ``baselines`` (figures by name).
    """
    hours = sum(score.duration_s for score in scores) / 3600
    figures = plain_figures(scores)
    if scores and scores[0].name.startswith(GAUSSIAN):
        figures |= _limit([score.detection for score in scores], least=figures["probability_for_1_false_per_minute"])
    probabilities, hits = _judged([score.detection for score in scores])
    classes = reliability(probabilities, hits)
    figures["intervals"] = _intervals(scores, figures)
    figures["calibration_error"] = calibration_error(classes)
    figures["reliability"] = [one.to_dict() for one in classes]
    figures["tradeoff"] = [one.to_dict() for one in tradeoff(scores)]
    figures["false_in"] = dict(Counter(score.theme for score in scores if score.announcement.false).most_common())
    figures["sensitivities"] = {
        name: _sensitivity(shift, scores)
        for name, shift in THRESHOLD_SHIFT.items()
        if shift and any(score.rise.known_at for score in scores)
    }
    figures["baselines"] = {
        name: _baseline(name, beside, hours=hours)
        for name in THRESHOLDS
        if (beside := [score for score in scores if name in score.baselines])
    }
    return figures


def plain_figures(scores: Sequence[Score]) -> dict[str, Any]:
    """Those of :func:`aggregate` that are numbers."""
    minutes = sum(score.duration_s for score in scores) / 60
    detections = [score.detection for score in scores]
    least = probability_for(detections, minutes=minutes)
    figures: dict[str, Any] = {"recordings": len(scores), "hours": round(minutes / 60, 3)}
    figures |= _single_cracks(detections, minutes=minutes, least=least)
    figures |= _said(detections)
    figures |= _first_crack(scores)
    figures |= _dating(scores)
    return figures | _course([score.course for score in scores])


def _intervals(scores: Sequence[Score], figures: Mapping[str, Any]) -> dict[str, Interval]:
    found = bootstrap_intervals(scores, plain_figures)
    shares = {part: share_interval(figures[part] or 0, figures[whole]) for part, whole in PARTS.items()}
    covered = _known(score.dating.covered for score in scores)
    refined = _known(score.dating.refined_covered for score in scores)
    shares["start_covered"] = share_interval(sum(covered), len(covered))
    shares["start_refined_covered"] = share_interval(sum(refined), len(refined))
    found = {name: interval for name, interval in (found | shares).items() if interval is not None}
    exposure = figures["hours_without_first_crack"] / 10
    rate = rate_interval(figures["false_announcements"], exposure)
    return found if rate is None else {**found, "false_announcements_in_10_h": rate}


def probability_for(detections: Sequence[Detection], *, minutes: float) -> float:
    """Least probability from which on there is no more than one false crack a minute."""
    probabilities, hits = _judged(detections)
    return least_for(probabilities[~hits], minutes=minutes)


def least_for(false: Doubles, *, minutes: float) -> float:
    """The same for the probabilities of what was no crack, float64 (n,)."""
    allowed = int(FALSE_PER_MINUTE * minutes)
    return LEAST_PROBABILITY if len(false) <= allowed else float(np.nextafter(np.sort(false)[::-1][allowed], 2.0))


def _judged(detections: Sequence[Detection]) -> tuple[Doubles, Flags]:
    """Probability of every candidate that counts, and whether it was a crack."""
    probabilities = [np.asarray(d.probabilities, np.float64) for d in detections]
    hits = [np.asarray(d.hits, bool) for d in detections]
    return np.concatenate([np.zeros(0), *probabilities]), np.concatenate([np.zeros(0, bool), *hits])


# -- single cracks


def _single_cracks(detections: Sequence[Detection], *, minutes: float, least: float) -> dict[str, Any]:
    counts = [detection.counts for detection in detections]
    figures = _recalls([c.found for c in counts], detections, "recall")
    for name, present in zip(SNR_NAMES, _summed([d.present for d in detections]), strict=True):
        figures[f"cracks_{name}"] = int(present)
    figures["cracks"] = sum(d.true_cracks for d in detections)
    figures["recall_second_over_12_db"] = _share(
        sum(c.second_found for c in counts), sum(d.second_present for d in detections)
    )
    figures["false_per_minute"] = round(sum(c.false_cracks for c in counts) / minutes, 3)
    for i, window in enumerate(WINDOWS_S):
        figures[f"f_{window * 1000:.0f}_ms"] = _f(counts, detections, i)
    figures["probability_for_1_false_per_minute"] = least
    snr_db, found = _found_from(detections, least)
    classes = np.searchsorted(SNR_EDGES, snr_db, side="right") - 1
    for i, name in enumerate(SNR_NAMES):
        figures[f"recall_at_1_false_{name}"] = _share(int(found[classes == i].sum()), int((classes == i).sum()))
    for least_db in RECALL_FROM_DB:
        strong = snr_db >= least_db
        figures[f"recall_at_1_false_from_{least_db:g}_db"] = _share(int(found[strong].sum()), int(strong.sum()))
    return figures


def _found_from(detections: Sequence[Detection], least: float) -> tuple[Doubles, Flags]:
    """SNR (dB) of every crack for which it is known, and whether it was said with that probability or more."""
    snr_db = [np.asarray(d.crack_snr_db, np.float64) for d in detections]
    probabilities = [np.asarray(d.crack_probabilities, np.float64) for d in detections]
    return np.concatenate([np.zeros(0), *snr_db]), np.concatenate([np.zeros(0), *probabilities]) >= least


def _limit(detections: Sequence[Detection], *, least: float) -> dict[str, Any]:
    """The SNR at which 90 % are found beside that of the energy detector, at one false a minute."""
    reached = snr_for_recall(*_found_from(detections, least))
    return {
        "snr_90_db": None if reached is None else round(reached, 2),
        "snr_90_limit_db": round(energy_detector_snr_db(frequency_hz=None, false_per_minute=FALSE_PER_MINUTE), 2),
    }


def _said(detections: Sequence[Detection]) -> dict[str, Any]:
    """Whether the probabilities of the cracks said are honest."""
    probabilities, hits = _judged(detections)
    said = probabilities >= CRACK_FROM
    return {
        "brier": _reduced(np.mean, (probabilities[said] - hits[said]) ** 2),
        "said_mean_probability": _reduced(np.mean, probabilities[said]),
        "said_true_share": _reduced(np.mean, hits[said]),
    }


# -- first crack


def _first_crack(scores: Sequence[Score]) -> dict[str, Any]:
    with_first = [score for score in scores if score.announcement.present]
    clear = [score for score in with_first if score.least_snr_db is not None and score.least_snr_db >= CLEAR_DB]
    delays = _known(score.announcement.delay_s for score in scores)
    return {
        **_announced(scores, [score.announcement for score in scores]),
        "clear_present": len(clear),
        "clear_announced": sum(score.announcement.right for score in clear),
        "delay_median_s": _reduced(np.median, delays),
        "delay_90th_s": _reduced(lambda d: np.percentile(d, 90), delays),
        "optimal_delay_mean_s": _reduced(np.mean, [best for _, best in _delays_beside_optimal(with_first)]),
        "delay_over_optimal": _over_optimal(with_first),
        "clear_delay_over_optimal": _over_optimal(clear),
    }


def _announced(scores: Sequence[Score], announcements: Sequence[Announcement]) -> dict[str, Any]:
    """What became of first crack. announcements: one of each score."""
    roasts = [announcement for announcement in announcements if announcement.present]
    right, early = sum(one.right for one in roasts), sum(one.false for one in roasts)
    false = sum(announcement.false for announcement in announcements)
    hours = sum(score.without_first_crack_s for score in scores) / 3600
    return {
        "first_crack_present": len(roasts),
        "first_crack_announced": right,
        "first_crack_missed": len(roasts) - right - early,
        "first_crack_early": early,
        "false_announcements": false,
        "hours_without_first_crack": round(hours, 3),
        "false_announcements_in_10_h": round(10 * false / hours, 2) if hours else None,
        "delay_mean_s": _reduced(np.mean, _known(announcement.delay_s for announcement in announcements)),
    }


def _delays_beside_optimal(scores: Sequence[Score]) -> list[tuple[float, float]]:
    """Delay and that of the optimal test, where first crack was announced and both are known."""
    pairs = ((score.announcement.delay_s, score.optimal_delay_s) for score in scores)
    return [(delay, best) for delay, best in pairs if delay is not None and best is not None]


def _over_optimal(scores: Sequence[Score]) -> Figure:
    pairs = _delays_beside_optimal(scores)
    return round(sum(delay for delay, _ in pairs) / sum(best for _, best in pairs), 3) if pairs else None


def _sensitivity(shift: float, scores: Sequence[Score]) -> dict[str, Any]:
    """Announcements with a threshold ``shift`` nats from the usual; the delay against that where both are right."""
    usual = TrackerSettings().threshold
    other = [score.announcement_at(usual + shift) for score in scores]
    own = [score.announcement_at(usual) for score in scores]
    pairs = [(a.delay_s, b.delay_s) for a, b in zip(other, own, strict=True)]
    later = [late - soon for late, soon in pairs if late is not None and soon is not None]
    return {**_announced(scores, other), "delay_against_usual_mean_s": _reduced(np.mean, later)}


def _dating(scores: Sequence[Score]) -> dict[str, Any]:
    datings = [score.dating for score in scores]
    figures: dict[str, Any] = {}
    for name, errors, covered in (
        ("start", [d.error_s for d in datings], [d.covered for d in datings]),
        ("start_refined", [d.refined_error_s for d in datings], [d.refined_covered for d in datings]),
    ):
        figures |= _errors(name, errors)
        figures[f"{name}_covered"] = _reduced(np.mean, _known(covered))
    return figures | _errors("start_best", [score.best_error_s for score in scores])


def _errors(name: str, errors_s: Sequence[float | None]) -> dict[str, Any]:
    known = _known(errors_s)
    return {
        f"{name}_median_abs_error_s": _reduced(np.median, np.abs(known)),
        f"{name}_bias_s": _reduced(np.mean, known),
    }


# -- the course of the roast


def _course(courses: Sequence[Course]) -> dict[str, Any]:
    density = _known(course.density_error for course in courses)
    ends = _known(course.end.error_s for course in courses)
    second = [course.second_crack for course in courses]
    dense = _known(moment.dense_delay_s for moment in second)
    return {
        "density_error_mean": _reduced(np.mean, density),
        "density_error_median_abs": _reduced(np.median, np.abs(density)),
        "density_covered": _reduced(np.mean, _known(course.density_covered for course in courses)),
        "end_present": sum(course.end.present for course in courses),
        "end_said": len(ends),
        "end_median_abs_error_s": _reduced(np.median, np.abs(ends)),
        "end_within_15_s": _share(sum(abs(error) <= END_WITHIN_S for error in ends), len(ends)),
        "second_present": sum(moment.present for moment in second),
        "second_announced": sum(moment.present and moment.announced for moment in second),
        "second_false": sum(moment.announced and not moment.present for moment in second),
        "second_delay_median_s": _reduced(np.median, _known(moment.delay_s for moment in second)),
        "second_dense_delay_median_s": _reduced(np.median, dense),
        "second_within_10_s": sum(delay <= SECOND_WITHIN_S for delay in dense) if dense else None,
        **_heard("charge", [course.charge for course in courses]),
        **_heard("drop", [course.drop for course in courses]),
        "charge_or_drop_heard_wrongly": sum(
            moment.said and not moment.present for course in courses for moment in (course.charge, course.drop)
        ),
    }


def _heard(what: str, moments: Sequence[MomentScore]) -> dict[str, Any]:
    errors = _known(moment.error_s for moment in moments)
    return {
        f"{what}_present": sum(moment.present for moment in moments),
        f"{what}_heard": len(errors),
        f"{what}_median_abs_error_s": _reduced(np.median, np.abs(errors)),
    }


# -- the general detectors


def _baseline(name: str, scores: Sequence[Score], *, hours: float) -> dict[str, Any]:
    """Figures of a general detector.

    At the set's threshold with no more than one false crack a minute, picked on the answer; F at a threshold picked on
    the answer for each recording; and what the hard count makes of its usual threshold.
    """
    detections = [score.detection for score in scores]
    sweeps = [score.baselines[name] for score in scores]
    thresholds = range(len(THRESHOLDS[name]))
    false = [sum(sweep.counts[t].false_cracks for sweep in sweeps) for t in thresholds]
    quiet = [t for t in thresholds if false[t] <= FALSE_PER_MINUTE * hours * 60]
    chosen = quiet[0] if quiet else thresholds[-1]
    figures: dict[str, Any] = {
        "threshold_for_1_false_per_minute": THRESHOLDS[name][chosen] if quiet else None,
        "false_per_minute": round(false[chosen] / (hours * 60), 3),
    }
    figures |= _recalls([sweep.counts[chosen].found for sweep in sweeps], detections, "recall_at_1_false")
    for i, window in enumerate(WINDOWS_S):
        best = [_best(sweep.counts, own, i) for sweep, own in zip(sweeps, detections, strict=True)]
        figures[f"f_{window * 1000:.0f}_ms_best_threshold"] = _f(best, detections, i)
    announced = _announced(scores, [sweep.announcement for sweep in sweeps])
    return figures | {
        "count_rule_announced": announced["first_crack_announced"],
        "count_rule_false": announced["false_announcements"],
        "count_rule_delay_mean_s": announced["delay_mean_s"],
    }


def _best(counts: Sequence[MatchCounts], detection: Detection, window: int) -> MatchCounts:
    """Of the thresholds tried on a recording, the one with the largest F."""
    return max(counts, key=lambda c: c.matched[window] / max(1, c.said + detection.true_cracks))


# -- arithmetic


def _summed(counts: Sequence[tuple[int, ...]]) -> list[int]:
    return [sum(column) for column in zip(*counts, strict=True)]


def _recalls(found: Sequence[tuple[int, ...]], detections: Sequence[Detection], prefix: str) -> dict[str, Any]:
    pairs = zip(SNR_NAMES, _summed(found), _summed([d.present for d in detections]), strict=True)
    return {f"{prefix}_{name}": _share(int(hit), int(there)) for name, hit, there in pairs}


def _f(counts: Sequence[MatchCounts], detections: Sequence[Detection], window: int) -> Figure:
    total = sum(c.said for c in counts) + sum(d.true_cracks for d in detections)
    return _share(2 * sum(c.matched[window] for c in counts), total)


def _share(part: int, whole: int) -> Figure:
    return round(part / whole, 4) if whole else None


def _known(values: Iterable[Known | None]) -> list[Known]:
    return [value for value in values if value is not None]


def _reduced(reduce: Callable[[Doubles], Any], values: npt.ArrayLike) -> Figure:
    known = np.asarray(values, np.float64)
    return None if known.size == 0 else round(float(reduce(known)), 3)
