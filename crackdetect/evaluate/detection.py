"""Single cracks: which of those that were there were found, how strong they were, and how sure the hearing was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from crackdetect.blocks import Doubles, Flags, Indices
from crackdetect.evaluate.matching import NARROW_WINDOW_S, WIDE_WINDOW_S, match
from crackdetect.events import Event
from crackdetect.synth.truth import UNSURE, Truth

#: Edges of the SNR classes in which recall is given, dB.
SNR_EDGES = (7.0, 9.0, 12.0, 15.0, 18.0, 60.0)
#: Sounds that a truth knows as cracks.
CRACK_KINDS = ("first", "stray", "second")
#: Second cracks under this are not counted: they are lost in first crack's own sounds, dB.
SECOND_LEAST_DB = 12.0
#: Candidates less probable than this are no cracks, however much is let pass.
LEAST_PROBABILITY = 0.05
#: Windows of the matching, the wider one last.
WINDOWS_S = (NARROW_WINDOW_S, WIDE_WINDOW_S)


@dataclass(frozen=True, slots=True)
class TrueCracks:
    """The cracks of a truth as a detector of single cracks is held against them.

    Attributes
    ----------
    times : numpy.ndarray of float64, shape (n,)
        Seconds, ascending.
    snr_db : numpy.ndarray of float64, shape (n,)
        -inf where it is not known.
    classes : numpy.ndarray of int64, shape (n,)
        SNR class of each (see :data:`SNR_EDGES`), -1 for second cracks and for what lies below the first class.
    is_second : numpy.ndarray of bool, shape (n,)
    unsure : numpy.ndarray of float64, shape (m,)
        Times (s) of sounds that may be said or not.
    """

    times: Doubles
    snr_db: Doubles
    classes: Indices
    is_second: Flags
    unsure: Doubles

    @classmethod
    def of(cls, truth: Truth) -> TrueCracks:
        """Those of a truth."""
        cracks = sorted((e for e in truth.events if e.kind in CRACK_KINDS), key=lambda e: e.time_s)
        snr_db = np.array([event.snr_db for event in cracks])
        is_second = np.array([event.kind == "second" for event in cracks], bool)
        classes = np.searchsorted(SNR_EDGES, snr_db, side="right") - 1
        return cls(
            times=np.array([event.time_s for event in cracks]),
            snr_db=snr_db,
            classes=np.where(is_second, -1, classes).astype(np.int64),
            is_second=is_second,
            unsure=np.array([event.time_s for event in truth.events if event.kind == UNSURE]),
        )

    @property
    def strong_second(self) -> Flags:
        """Which are second cracks of :data:`SECOND_LEAST_DB` and more, shape (n,)."""
        return self.is_second & (self.snr_db >= SECOND_LEAST_DB)

    def by_class(self, which: Sequence[int] | Indices) -> tuple[int, ...]:
        """How many of the cracks with these indices are in each SNR class."""
        inside = self.classes[np.asarray(which, np.int64)]
        return tuple(int((inside == b).sum()) for b in range(len(SNR_EDGES) - 1))


@dataclass(frozen=True, slots=True)
class MatchCounts:
    """How many single cracks were found.

    Attributes
    ----------
    found : tuple of int
        In each SNR class (see :data:`SNR_EDGES`).
    matched : tuple of int
        Pairs within each of :data:`WINDOWS_S`.
    said : int
        Cracks said that count, of which ``false_cracks`` without a crack.
    second_found : int
        Second cracks of :data:`SECOND_LEAST_DB` and more.
    """

    found: tuple[int, ...]
    matched: tuple[int, ...]
    said: int
    false_cracks: int
    second_found: int

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> MatchCounts:
        """The opposite of ``dataclasses.asdict``, also after JSON. Raises KeyError or TypeError."""
        return cls(**{**content, "found": tuple(content["found"]), "matched": tuple(content["matched"])})


def match_cracks(cracks: TrueCracks, said_s: Doubles) -> MatchCounts:
    """Holds times said against the true cracks; one that hit nothing but an unsure sound does not count.

    Parameters
    ----------
    cracks : TrueCracks
    said_s : numpy.ndarray of float64, shape (n,)
        Seconds, ascending.
    """
    matchings = [match(cracks.times, said_s, window_s=window) for window in WINDOWS_S]
    true_of = {int(j): int(i) for i, j in matchings[-1].pairs}
    counted = np.ones(len(said_s), bool)
    if len(cracks.unsure) and len(said_s):
        distance = np.abs(said_s[:, None] - cracks.unsure[None, :]).min(axis=1)
        counted = distance > WINDOWS_S[-1]
        counted[list(true_of)] = True
    hit = list(true_of.values())
    return MatchCounts(
        found=cracks.by_class(hit),
        matched=tuple(matching.hits for matching in matchings),
        said=int(counted.sum()),
        false_cracks=int(counted.sum()) - len(true_of),
        second_found=int(cracks.strong_second[hit].sum()) if hit else 0,
    )


@dataclass(frozen=True, slots=True)
class Detection:
    """Single cracks of one recording.

    Attributes
    ----------
    counts : MatchCounts
        What was found.
    true_cracks : int
        Cracks of the truth, however weak.
    present : tuple of int
        First cracks and strays in each SNR class (see :data:`SNR_EDGES`).
    second_present : int
        Second cracks of :data:`SECOND_LEAST_DB` and more.
    probabilities, hits : tuple of float, tuple of bool
        Of each candidate that counts and was given :data:`LEAST_PROBABILITY` or more: its probability, and whether a
        crack was there that no likelier candidate had.
    crack_snr_db, crack_probabilities : tuple of float
        Of each first crack and stray whose SNR is known: its SNR (dB), and the probability of its candidate (0: it has
        none of :data:`LEAST_PROBABILITY`).
    """

    counts: MatchCounts
    true_cracks: int
    present: tuple[int, ...]
    second_present: int
    probabilities: tuple[float, ...] = field(repr=False)
    hits: tuple[bool, ...] = field(repr=False)
    crack_snr_db: tuple[float, ...] = field(repr=False)
    crack_probabilities: tuple[float, ...] = field(repr=False)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Detection:
        """The opposite of ``dataclasses.asdict``, also after JSON. Raises KeyError or TypeError."""
        lists = {name: tuple(value) for name, value in content.items() if isinstance(value, list | tuple)}
        return cls(**{**content, **lists, "counts": MatchCounts.from_dict(content["counts"])})


class Candidate(NamedTuple):
    """A sound that was judged: when, s, and how probably it was a crack, 0 to 1."""

    time_s: float
    probability: float


def score_detection(
    events: Sequence[Event], cracks: TrueCracks, *, candidates: Sequence[Candidate] | None = None
) -> Detection:
    """Holds what was heard in a recording against its true cracks.

    Parameters
    ----------
    events : sequence of Event
        Of which the ``crack`` events are what was said.
    cracks : TrueCracks
    candidates : sequence of Candidate, optional
        All that was judged; by default what was said.
    """
    said = [event for event in events if event.type == "crack"]
    if candidates is None:
        candidates = [Candidate(event.at, float(event.fields["probability"])) for event in said]
    likely = [one for one in candidates if one.probability >= LEAST_PROBABILITY]
    true_of, counted = _match_by_probability(cracks, likely)
    probability_of = {true: likely[j].probability for j, true in true_of.items()}
    known = np.flatnonzero(np.isfinite(cracks.snr_db) & ~cracks.is_second).tolist()
    return Detection(
        counts=match_cracks(cracks, np.array([event.at for event in said])),
        true_cracks=len(cracks.times),
        present=cracks.by_class(np.arange(len(cracks.times))),
        second_present=int(cracks.strong_second.sum()),
        probabilities=tuple(round(likely[j].probability, 4) for j in counted),
        hits=tuple(j in true_of for j in counted),
        crack_snr_db=tuple(round(float(cracks.snr_db[i]), 2) for i in known),
        crack_probabilities=tuple(round(probability_of.get(i, 0.0), 4) for i in known),
    )


def _match_by_probability(cracks: TrueCracks, likely: Sequence[Candidate]) -> tuple[dict[int, int], list[int]]:
    """The crack of each candidate that has one, by index, and which candidates count.

    The likeliest chooses first, the nearest crack that is free: so at any threshold what is above it is matched as if
    there were nothing below (as detections are ranked in Everingham et al., "The PASCAL visual object classes
    challenge", Int. J. Comput. Vis. 88, 303, 2010).
    """
    window, times = WINDOWS_S[-1], cracks.times
    true_of: dict[int, int] = {}
    taken = np.zeros(len(times), bool)
    order = np.argsort([-one.probability for one in likely], kind="stable").tolist()
    for j in order:
        first, last = np.searchsorted(times, (likely[j].time_s - window, likely[j].time_s + window))
        free = [i for i in range(int(first), int(last)) if not taken[i]]
        if free:
            true = min(free, key=lambda i: abs(times[i] - likely[j].time_s))
            taken[true] = True
            true_of[j] = true
    doubtful = cracks.unsure
    counted = [
        j
        for j, one in enumerate(likely)
        if j in true_of or not (len(doubtful) and np.abs(doubtful - one.time_s).min() <= window)
    ]
    return true_of, counted
