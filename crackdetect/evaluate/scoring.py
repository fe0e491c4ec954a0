"""What was said of a recording, held against its truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.evaluate.matching import match
from crackdetect.events import Event
from crackdetect.synth.truth import UNSURE, Truth

Doubles = npt.NDArray[np.float64]

#: Edges of the SNR classes in which recall is given, dB.
SNR_EDGES = (7.0, 9.0, 12.0, 15.0, 18.0, 60.0)
#: Sounds that a truth knows as cracks.
CRACK_KINDS = ("first", "stray", "second")
#: Second cracks under this are not counted: they are lost in first crack's own sounds, dB.
SECOND_LEAST_DB = 12.0
#: From this rate on it must be announced soon, cracks a minute.
SECOND_DENSE = 300.0
WINDOWS_S = (0.025, 0.050)
#: An announcement up to this long before the true start is not false: the ramp's start is itself uncertain.
EARLY_S = 5.0


@dataclass(frozen=True, slots=True)
class Cracks:
    """The cracks of a truth as a detector of single cracks is held against them.

    times: seconds (n,). snr_db: of each, -inf where it is not known. classes: SNR class of each (see SNR_EDGES), -1 for
    second cracks and for what lies below the first class. second: which are second cracks of SECOND_LEAST_DB and more.
    unsure: times of what may be said or not.
    """

    times: Doubles
    snr_db: Doubles
    classes: npt.NDArray[np.int64]
    second: npt.NDArray[np.bool_]
    unsure: Doubles

    @classmethod
    def of(cls, truth: Truth) -> Cracks:
        cracks = [e for e in truth.events if e.kind in CRACK_KINDS]
        snr = np.array([e.snr_db for e in cracks])
        second = np.array([e.kind == "second" for e in cracks], bool)
        classes = np.searchsorted(SNR_EDGES, snr, side="right") - 1
        return cls(
            times=np.array([e.time_s for e in cracks]),
            snr_db=snr,
            classes=np.where(second, -1, classes).astype(np.int64),
            second=second & (snr >= SECOND_LEAST_DB),
            unsure=np.array([e.time_s for e in truth.events if e.kind == UNSURE]),
        )

    def count(self, which: Sequence[int] | npt.NDArray[np.int64]) -> tuple[int, ...]:
        """How many of the cracks with these indices are in each SNR class."""
        inside = self.classes[np.asarray(which, np.int64)]
        return tuple(int((inside == b).sum()) for b in range(len(SNR_EDGES) - 1))


@dataclass(frozen=True, slots=True)
class Found:
    """What single cracks were found. found: in each SNR class. matched: pairs for each of WINDOWS_S. said: how many
    were said, false_cracks: of them without a crack. second_found: second cracks of SECOND_LEAST_DB and more."""

    found: tuple[int, ...]
    matched: tuple[int, ...]
    said: int
    false_cracks: int
    second_found: int


def find(cracks: Cracks, said: Doubles) -> tuple[Found, dict[int, int], npt.NDArray[np.bool_]]:
    """Holds times said (seconds, ascending) against the cracks: the counts; which said time (index) hit which crack
    (index) within the wider window; and which said times count at all (what hits an unsure sound does not)."""
    matchings = [match(cracks.times, said, window_s=window) for window in WINDOWS_S]
    pairs = {int(j): int(i) for i, j in matchings[-1].pairs}
    counts = np.ones(len(said), bool)
    if len(cracks.unsure) and len(said):
        distance = np.abs(said[:, None] - cracks.unsure[None, :]).min(axis=1)
        counts = distance > WINDOWS_S[-1]
        counts[list(pairs)] = True
    hit = list(pairs.values())
    return (
        Found(
            found=cracks.count(hit),
            matched=tuple(m.hits for m in matchings),
            said=int(counts.sum()),
            false_cracks=int(counts.sum()) - len(pairs),
            second_found=int(cracks.second[hit].sum()) if hit else 0,
        ),
        pairs,
        counts,
    )


@dataclass(frozen=True, slots=True)
class Announcement:
    """What became of first crack: announced rightly, falsely (too early, or of nothing), and how late if rightly."""

    announced: bool
    false_announcement: bool
    delay_s: float | None


@dataclass(frozen=True, slots=True)
class Sweep:
    """A general detector on one recording: what it found at each of its thresholds (``rivals.THRESHOLDS``).

    announced, false_announcement, delay_s: of the hard count on what it finds at its usual threshold.
    """

    found: tuple[Found, ...]
    announced: bool
    false_announcement: bool
    delay_s: float | None


@dataclass(frozen=True, slots=True)
class Score:
    """One recording. Times in seconds, ``None`` where there is nothing to compare.

    theme: what kind of recording it is within its set. single: single cracks found. present: first cracks and strays
    present in each SNR class; second_present: second cracks of SECOND_LEAST_DB and more. true_cracks: cracks of the
    truth, however weak. least_snr_db: the weakest that a crack of this roast may be. probabilities, hits: of
    each crack said, its probability and whether a crack was there. crack_snr_db, crack_probabilities: of each first
    crack and stray present whose SNR is known, its SNR and the probability with which it was said (0: it was missed).
    optimal_delay_s: mean delay of the optimal test for the same ramp and strays, if every crack were heard.
    best_error_s: of the best date of the start, if every crack were heard.
    error_s, covered: of the start as announced; with _refined, as the summary has it. charge_error_s, drop_error_s: of
    those heard. second_delay_s: since second crack began; second_dense_delay_s: since it reached SECOND_DENSE cracks a
    minute. heard_wrongly: charges and drops heard where there were none.
    rivals: the general detectors on the same signal. others: the announcement with other sensitivities.
    """

    name: str
    theme: str
    duration_s: float
    single: Found
    present: tuple[int, ...]
    second_present: int
    true_cracks: int
    least_snr_db: float | None
    has_first_crack: bool
    announced: bool
    false_announcement: bool
    delay_s: float | None
    optimal_delay_s: float | None
    best_error_s: float | None
    error_s: float | None
    error_refined_s: float | None
    covered: bool | None
    covered_refined: bool | None
    density_error: float | None
    density_covered: float | None
    end_true: bool
    end_error_s: float | None
    second_true: bool
    second_said: bool
    second_delay_s: float | None
    second_dense_delay_s: float | None
    charge_true: bool
    charge_error_s: float | None
    drop_true: bool
    drop_error_s: float | None
    heard_wrongly: int
    probabilities: tuple[float, ...] = field(default=(), repr=False)
    hits: tuple[bool, ...] = field(default=(), repr=False)
    crack_snr_db: tuple[float, ...] = field(default=(), repr=False)
    crack_probabilities: tuple[float, ...] = field(default=(), repr=False)
    rivals: Mapping[str, Sweep] = field(default_factory=dict, repr=False)
    others: Mapping[str, Announcement] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Score:
        """The opposite of :meth:`to_dict`, also after JSON. Raises KeyError, TypeError or ValueError."""
        values = dict(content)
        values["single"] = _found(values["single"])
        values["rivals"] = {
            name: Sweep(**{**sweep, "found": tuple(_found(part) for part in sweep["found"])})
            for name, sweep in values["rivals"].items()
        }
        values["others"] = {name: Announcement(**other) for name, other in values["others"].items()}
        for name in ("present", "probabilities", "hits", "crack_snr_db", "crack_probabilities"):
            values[name] = tuple(values[name])
        return cls(**values)


def _found(content: Mapping[str, Any]) -> Found:
    return Found(**{**content, "found": tuple(content["found"]), "matched": tuple(content["matched"])})


def judge_announcement(
    announced_at: float | None, true_start: float | None, drop: float | None
) -> tuple[bool, bool, float | None]:
    """Whether an announcement is right, whether it is false (too early, or of nothing), and its delay if right."""
    if announced_at is None or (true_start is not None and drop is not None and announced_at > drop):
        return False, False, None  # after the drop it helps nobody: missed
    if true_start is None or announced_at < true_start - EARLY_S:
        return False, True, None
    return True, False, announced_at - true_start


def score(
    name: str,
    events: Sequence[Event],
    truth: Truth,
    *,
    theme: str = "",
    optimal_delay_s: float | None = None,
    best_error_s: float | None = None,
    rivals: Mapping[str, Sweep] | None = None,
    others: Mapping[str, Sequence[Event]] | None = None,
) -> Score:
    """Holds the events of one recording against its truth. others: its events with other sensitivities."""
    cracks = Cracks.of(truth)
    said = [e for e in events if e.type == "crack"]
    single, pairs, counts = find(cracks, np.array([e.at for e in said]))
    kept = [j for j in range(len(said)) if counts[j]]
    said_of = {i: j for j, i in pairs.items()}
    second_kind = [e.kind == "second" for e in truth.events if e.kind in CRACK_KINDS]
    known = [i for i in range(len(cracks.times)) if np.isfinite(cracks.snr_db[i]) and not second_kind[i]]

    def first(kind: str, **wanted: str) -> Event | None:
        return next(
            (e for e in events if e.type == kind and all(e.fields.get(k) == v for k, v in wanted.items())), None
        )

    start, end, second = first("first_crack.start"), first("first_crack.end"), first("second_crack.start")
    charge, drop = first("charge", how="heard"), first("drop", how="heard")
    summary = next((e for e in reversed(events) if e.type == "summary"), None)
    true_start = truth.first_crack_start_s
    right, false, delay = judge_announcement(None if start is None else start.announced_at, true_start, truth.drop_s)
    error = error_refined = None
    covered = covered_refined = None
    if right:
        assert start is not None
        assert true_start is not None
        error = start.at - true_start
        covered = bool(start.fields["earliest"] <= true_start <= start.fields["latest"])
        if summary is not None and summary.fields.get("first_crack_earliest") is not None:
            error_refined = summary.fields["first_crack"] - true_start
            covered_refined = bool(
                summary.fields["first_crack_earliest"] <= true_start <= summary.fields["first_crack_latest"]
            )
    density_error, density_covered = _density(events, truth)
    heard = ((charge, truth.charge_s), (drop, truth.drop_s))
    return Score(
        name=name,
        theme=theme,
        duration_s=truth.duration_s,
        single=single,
        present=cracks.count(np.arange(len(cracks.times))),
        second_present=int(cracks.second.sum()),
        true_cracks=len(cracks.times),
        least_snr_db=None if truth.plan is None else float(truth.plan["snr_low_db"]),
        has_first_crack=true_start is not None,
        announced=right,
        false_announcement=false,
        delay_s=delay,
        optimal_delay_s=optimal_delay_s,
        best_error_s=best_error_s,
        error_s=error,
        error_refined_s=error_refined,
        covered=covered,
        covered_refined=covered_refined,
        density_error=density_error,
        density_covered=density_covered,
        end_true=truth.first_crack_end_s is not None,
        end_error_s=_error(end, truth.first_crack_end_s) if right else None,
        second_true=truth.second_crack_start_s is not None,
        second_said=second is not None,
        second_delay_s=_later(second, truth.second_crack_start_s),
        second_dense_delay_s=_later(second, _second_is_dense(truth)),
        charge_true=truth.charge_s is not None,
        charge_error_s=_error(charge, truth.charge_s),
        drop_true=truth.drop_s is not None,
        drop_error_s=_error(drop, truth.drop_s),
        heard_wrongly=sum(event is not None and true is None for event, true in heard),
        probabilities=tuple(float(said[j].fields["probability"]) for j in kept),
        hits=tuple(j in pairs for j in kept),
        crack_snr_db=tuple(round(float(cracks.snr_db[i]), 2) for i in known),
        crack_probabilities=tuple(
            float(said[said_of[i]].fields["probability"]) if i in said_of else 0.0 for i in known
        ),
        rivals=rivals or {},
        others={
            name: Announcement(*judge_announcement(_announced_at(more), true_start, truth.drop_s))
            for name, more in (others or {}).items()
        },
    )


def _announced_at(events: Sequence[Event]) -> float | None:
    return next((e.announced_at for e in events if e.type == "first_crack.start"), None)


def _later(event: Event | None, since_s: float | None) -> float | None:
    return None if event is None or since_s is None else event.announced_at - since_s


def _second_is_dense(truth: Truth) -> float | None:
    """When second crack reaches ``SECOND_DENSE`` cracks a minute, or None."""
    if truth.second_crack_start_s is None or truth.plan is None:
        return None
    peak, ramp_s = float(truth.plan["second_peak_per_minute"]), float(truth.plan["second_ramp_s"])
    return truth.second_crack_start_s + ramp_s * SECOND_DENSE / peak if peak >= SECOND_DENSE else None


def _error(event: Event | None, true_s: float | None) -> float | None:
    return None if event is None or true_s is None else event.at - true_s


def _density(events: Sequence[Event], truth: Truth) -> tuple[float | None, float | None]:
    """Relative error of the density, and share of intervals that hold the truth, where first crack is densest.

    The truth for a density said at ``t`` is the mean rate over the 15 s before it that the estimate looks at.
    """
    if truth.first_crack_start_s is None or truth.plan is None:
        return None, None  # only a plan knows the rate
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
