"""What was said of one recording, held against its truth: single cracks, announcement, date and course."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from crackdetect.evaluate.announcement import Announcement, EvidenceRise, score_announcement, time_of_announcement
from crackdetect.evaluate.course import Course, score_course
from crackdetect.evaluate.dating import Dating, score_dating
from crackdetect.evaluate.detection import Candidate, Detection, MatchCounts, TrueCracks, score_detection
from crackdetect.events import Event
from crackdetect.synth.truth import Truth
from crackdetect.synth.wide import Wide


@dataclass(frozen=True, slots=True)
class BaselineSweep:
    """A general detector on one recording.

    Attributes
    ----------
    counts : tuple of MatchCounts
        What it found at each of its thresholds (``baseline_scores.THRESHOLDS``).
    announcement : Announcement
        By the hard count on what it finds at its usual threshold.
    """

    counts: tuple[MatchCounts, ...]
    announcement: Announcement

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> BaselineSweep:
        """The opposite of ``dataclasses.asdict``, also after JSON. Raises KeyError or TypeError."""
        counts = tuple(MatchCounts.from_dict(part) for part in content["counts"])
        return cls(counts, Announcement(**content["announcement"]))


@dataclass(frozen=True, slots=True)
class Score:
    """One recording. Times in seconds; None where there is nothing to compare.

    Attributes
    ----------
    name, theme : str
        The theme says what kind of recording it is within its set.
    duration_s, first_crack_start_s, drop_s : float or None
        Of the truth.
    families : tuple of str
        Of the wide family's (``synth.wide.FAMILIES``), those that the recording belongs to.
    least_snr_db : float or None
        The weakest that a crack of this roast may be, dB.
    detection, announcement, dating, course
        What was said, held against the truth.
    optimal_delay_s : float or None
        Mean delay of the optimal test for the same ramp and strays, if every crack were heard.
    best_error_s : float or None
        Error of the best date of the start, if every crack were heard.
    rise : EvidenceRise
        Tells when first crack would have been announced with any other threshold.
    baselines : mapping of str to BaselineSweep
        The general detectors on the same signal.
    """

    name: str
    theme: str
    duration_s: float
    first_crack_start_s: float | None
    drop_s: float | None
    families: tuple[str, ...]
    least_snr_db: float | None
    detection: Detection
    announcement: Announcement
    dating: Dating
    course: Course
    optimal_delay_s: float | None = None
    best_error_s: float | None = None
    rise: EvidenceRise = field(default_factory=EvidenceRise, repr=False)
    baselines: Mapping[str, BaselineSweep] = field(default_factory=dict, repr=False)

    @property
    def without_first_crack_s(self) -> float:
        """Seconds in which an announcement is false."""
        start = self.first_crack_start_s
        return self.duration_s if start is None else min(max(start, 0.0), self.duration_s)

    def announcement_at(self, threshold: float) -> Announcement:
        """What would have become of first crack with a threshold (nats)."""
        return score_announcement(self.rise.announced_at(threshold), self)

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        return asdict(self)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Score:
        """The opposite of :meth:`to_dict`, also after JSON. Raises KeyError, TypeError or ValueError."""
        parts = {
            "detection": Detection.from_dict(content["detection"]),
            "announcement": Announcement(**content["announcement"]),
            "dating": Dating(**content["dating"]),
            "course": Course.from_dict(content["course"]),
            "baselines": {name: BaselineSweep.from_dict(part) for name, part in content["baselines"].items()},
            "families": tuple(content["families"]),
            "rise": EvidenceRise.from_dict(content["rise"]),
        }
        return cls(**{**content, **parts})


def score(
    name: str,
    events: Sequence[Event],
    truth: Truth,
    *,
    theme: str = "",
    optimal_delay_s: float | None = None,
    best_error_s: float | None = None,
    candidates: Sequence[Candidate] | None = None,
    rise: EvidenceRise | None = None,
    baselines: Mapping[str, BaselineSweep] | None = None,
) -> Score:
    """Holds the events of one recording against its truth.

    Parameters
    ----------
    name, theme, optimal_delay_s, best_error_s, rise, baselines
        As in :class:`Score`.
    events : sequence of Event
        All that the pipeline said, the summary last.
    truth : Truth
    candidates : sequence of Candidate, optional
        All that it judged; by default the cracks that it said.
    """
    announcement = score_announcement(time_of_announcement(events), truth)
    start = truth.first_crack_start_s
    return Score(
        name=name,
        theme=theme,
        duration_s=truth.duration_s,
        first_crack_start_s=start,
        drop_s=truth.drop_s,
        families=_families(truth),
        least_snr_db=None if truth.plan is None else float(truth.plan["snr_low_db"]),
        detection=score_detection(events, TrueCracks.of(truth), candidates=candidates),
        announcement=announcement,
        dating=score_dating(events, start) if announcement.right and start is not None else Dating(),
        course=score_course(events, truth, announced_rightly=announcement.right),
        optimal_delay_s=optimal_delay_s,
        best_error_s=best_error_s,
        rise=rise or EvidenceRise(),
        baselines=baselines or {},
    )


def _families(truth: Truth) -> tuple[str, ...]:
    wide = None if truth.plan is None else truth.plan.get("wide")
    return () if wide is None else tuple(sorted(Wide.from_dict(wide).families))
