"""The course of a roast: density, end of first crack, second crack, charge and drop, against the truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from crackdetect.events import Event
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.truth import Truth

#: From this rate on second crack must be announced soon, cracks a minute.
SECOND_DENSE = 300.0
#: A density said at ``t`` is held against the mean true rate over so long before it, seconds: what the estimate sees.
_DENSITY_SPAN_S = 15.0
#: Where the true rate is at least this share of its peak, first crack counts as at its densest.
_DENSEST = 0.8


@dataclass(frozen=True, slots=True)
class MomentScore:
    """One moment of the roast.

    Attributes
    ----------
    present : bool
        It happens in this recording.
    said : bool
        It was said to have happened.
    error_s : float or None
        Date minus truth, seconds, where both are known.
    """

    present: bool
    said: bool
    error_s: float | None


@dataclass(frozen=True, slots=True)
class SecondCrack:
    """Second crack.

    Attributes
    ----------
    present, announced : bool
    delay_s : float or None
        Announcement minus true begin, seconds.
    dense_delay_s : float or None
        The same since second crack reached :data:`SECOND_DENSE` cracks a minute.
    """

    present: bool
    announced: bool
    delay_s: float | None
    dense_delay_s: float | None


@dataclass(frozen=True, slots=True)
class Course:
    """What was said of one roast apart from first crack's beginning.

    Attributes
    ----------
    density_error : float or None
        Mean relative error of the density where first crack is densest.
    density_covered : float or None
        Share of its 90 % intervals there that hold the truth.
    end : MomentScore
        Of first crack; compared only where its beginning was announced rightly.
    second_crack : SecondCrack
    charge, drop : MomentScore
        As heard.
    """

    density_error: float | None
    density_covered: float | None
    end: MomentScore
    second_crack: SecondCrack
    charge: MomentScore
    drop: MomentScore

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Course:
        """The opposite of ``dataclasses.asdict``, also after JSON. Raises KeyError or TypeError."""
        moments = {name: MomentScore(**content[name]) for name in ("end", "charge", "drop")}
        return cls(**{**content, **moments, "second_crack": SecondCrack(**content["second_crack"])})


def score_course(events: Sequence[Event], truth: Truth, *, announced_rightly: bool) -> Course:
    """Holds the events of a recording against its truth. announced_rightly: the beginning of first crack was."""
    error, covered = _density(events, truth)
    end = _first(events, "first_crack.end") if announced_rightly else None
    return Course(
        density_error=error,
        density_covered=covered,
        end=_moment(end, truth.first_crack_end_s),
        second_crack=_second_crack(_first(events, "second_crack.start"), truth),
        charge=_moment(_first(events, "charge", how="heard"), truth.charge_s),
        drop=_moment(_first(events, "drop", how="heard"), truth.drop_s),
    )


def _first(events: Sequence[Event], kind: str, **wanted: str) -> Event | None:
    return next((e for e in events if e.type == kind and all(e.fields.get(k) == v for k, v in wanted.items())), None)


def _moment(event: Event | None, true_s: float | None) -> MomentScore:
    error = None if event is None or true_s is None else event.at - true_s
    return MomentScore(present=true_s is not None, said=event is not None, error_s=error)


def _second_crack(event: Event | None, truth: Truth) -> SecondCrack:
    begun, dense = truth.second_crack_start_s, _second_is_dense(truth)
    return SecondCrack(
        present=begun is not None,
        announced=event is not None,
        delay_s=None if event is None or begun is None else event.announced_at - begun,
        dense_delay_s=None if event is None or dense is None else event.announced_at - dense,
    )


def _second_is_dense(truth: Truth) -> float | None:
    """When second crack reaches ``SECOND_DENSE`` cracks a minute (s), or None; its begin where only that is known."""
    if truth.second_crack_start_s is None or truth.plan is None:
        return truth.second_crack_start_s
    peak, ramp_s = float(truth.plan["second_peak_per_minute"]), float(truth.plan["second_ramp_s"])
    return truth.second_crack_start_s + ramp_s * SECOND_DENSE / peak if peak >= SECOND_DENSE else None


def _density(events: Sequence[Event], truth: Truth) -> tuple[float | None, float | None]:
    """Mean relative error of the density, and share of intervals that hold the truth, where first crack is densest."""
    if truth.first_crack_start_s is None:
        return None, None
    limit = truth.second_crack_start_s or truth.drop_s or truth.duration_s
    said = [e for e in events if e.type == "density" and truth.first_crack_start_s < e.at <= limit]
    rates, peak = _true_rates(truth, [event.at for event in said])
    errors: list[float] = []
    covered: list[bool] = []
    for event, rate in zip(said, rates, strict=True):
        if rate >= _DENSEST * peak > 0:
            errors.append(event.fields["per_minute"] / rate - 1)
            covered.append(event.fields["low"] <= rate <= event.fields["high"])
    return (float(np.mean(errors)), float(np.mean(covered))) if errors else (None, None)


def _true_rates(truth: Truth, times_s: Sequence[float]) -> tuple[list[float], float]:
    """Cracks a minute in the span before each time, and at the peak: those of the plan, else those that were counted.

    Counting errs as Poisson's law has it, but the estimate sees the very same cracks.
    """
    if truth.plan is not None:
        plan = RoastPlan.from_dict(truth.plan)
        steps = np.arange(-_DENSITY_SPAN_S, 0, 0.5)
        rates = [float(np.mean([plan.cracks_per_minute(time + step) for step in steps])) for time in times_s]
        return rates, truth.peak_per_minute
    cracks = np.sort([event.time_s for event in truth.events if event.kind in ("first", "stray")])
    spans = np.searchsorted(cracks, [(time - _DENSITY_SPAN_S, time) for time in times_s]).reshape(-1, 2)
    counted = (np.diff(spans)[:, 0] * 60 / _DENSITY_SPAN_S).tolist()
    return counted, max(counted, default=0.0)
