"""Counts how the classifier's scores are distributed among cracks, bursts and everything else (``ScoreModel``)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.score_model import KIND_BINS, SCORE_BINS, SCORE_EDGES, ScoreModel, kind_bin, score_bin
from crackdetect.hearing.classifier import Classifier, ClassifierModel
from crackdetect.train.labelled_rows import FIRST, IGNORED, OTHER, SECOND, Rows

#: Cracks under this are not counted, dB.
_LEAST_SNR_DB = 8.0
#: A second is a burst that could be taken for cracks when two candidates and more in it score above this, nats. Its
#: scores are what goes beyond the scene's other seconds, of which there must be so many. (A second is chosen by the
#: very candidates counted, so those above 2 nats weigh more than in all bursts.)
_BURST_FROM, _LEAST_QUIET_S = 2.0, 10
#: About the least share of any bin: what was never met is not impossible.
_LEAST_SHARE = 0.004


@dataclass(slots=True)
class _Counts:
    """Of one scene. Bins as in ScoreModel; cracks: all true ones, found or missed; by_second: what is not a crack."""

    by_second: Doubles
    cracks: int = 0
    crack: Doubles = field(default_factory=lambda: np.zeros(SCORE_BINS))
    kinds: dict[int, Doubles] = field(default_factory=lambda: {FIRST: np.zeros(KIND_BINS), SECOND: np.zeros(KIND_BINS)})
    burst_kind: Doubles = field(default_factory=lambda: np.zeros(KIND_BINS))

    @property
    def burst(self) -> Doubles:
        """What the bursts have beyond the other seconds."""
        sure = int(np.searchsorted(SCORE_EDGES, _BURST_FROM, side="right"))
        bursting = self.by_second[:, sure:].sum(axis=1) >= 2
        if np.count_nonzero(~bursting) < _LEAST_QUIET_S:
            return np.zeros(SCORE_BINS)
        beyond: Doubles = (self.by_second[bursting] - self.by_second[~bursting].mean(axis=0)).sum(axis=0)
        return beyond


def fit_score_model(model: ClassifierModel, calibration: Sequence[Rows]) -> ScoreModel:
    """The distributions of a classifier's scores.

    Parameters
    ----------
    model : ClassifierModel
    calibration : sequence of Rows
        Scenes that it was not taught with; one or more.
    """
    classifier = Classifier(model)
    counts = [_count(classifier, rows) for rows in calibration]
    # a pseudo-count in each bin, for what was never met is not impossible
    crack = sum((scene.crack for scene in counts), start=np.full(SCORE_BINS, 0.5))
    cracks = sum((scene.cracks for scene in counts), start=0.5 * SCORE_BINS)
    first, second = (sum((c.kinds[kind] for c in counts), start=np.full(KIND_BINS, 0.5)) for kind in (FIRST, SECOND))
    burst_kind = sum((scene.burst_kind for scene in counts), start=np.full(KIND_BINS, 1.0))
    log_rates = [
        np.log((scene.by_second.sum(axis=0) + 0.1) / (rows.duration_s / 60))
        for scene, rows in zip(counts, calibration, strict=True)
    ]
    # the geometric mean: what is usual among machines, not what a few loud ones do
    usual = np.exp(np.mean(log_rates, axis=0))
    return ScoreModel(
        crack=(crack / cracks).round(6),
        other_per_minute=usual.round(5),
        burst=_shares(sum((scene.burst for scene in counts), start=np.zeros(SCORE_BINS))).round(6),
        burst_kind=(burst_kind / burst_kind.sum()).round(6),
        first_kind=(first / first.sum()).round(6),
        second_kind=(second / second.sum()).round(6),
    )


def _count(classifier: Classifier, rows: Rows) -> _Counts:
    counts = _Counts(by_second=np.zeros((int(np.ceil(rows.duration_s)), SCORE_BINS)))
    counts.cracks = int((rows.missed_snr_db >= _LEAST_SNR_DB).sum())
    loud: dict[int, list[int]] = {}  # kind bins of what scores as a crack and is none, by the second
    scores = classifier.push(rows.vectors)
    for score, label, snr_db, time in zip(scores, rows.labels, rows.snr_db, rows.times, strict=True):
        kind = kind_bin(score.second_vs_first_llr)
        if label == OTHER:
            counts.by_second[min(int(time), len(counts.by_second) - 1), score_bin(score.crack_llr)] += 1
            if score.crack_llr > 0:
                loud.setdefault(int(time), []).append(kind)
        elif label != IGNORED and snr_db >= _LEAST_SNR_DB:
            counts.cracks += 1
            counts.crack[score_bin(score.crack_llr)] += 1
            if score.crack_llr > 0:
                counts.kinds[int(label)][kind] += 1
    for kinds_there in loud.values():
        if len(kinds_there) >= 2:
            np.add.at(counts.burst_kind, kinds_there, 1)
    return counts


def _shares(counts: Doubles) -> Doubles:
    """Shares of counts, none much less than _LEAST_SHARE."""
    shares = np.maximum(counts / max(float(counts[counts > 0].sum()), 1.0), _LEAST_SHARE)
    return np.asarray(shares / shares.sum(), np.float64)
