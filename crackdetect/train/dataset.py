"""Rendered scenes turned into rows: the feature vector of every candidate, and what it truly was."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Samples
from crackdetect.features import Features
from crackdetect.onset import Onset
from crackdetect.spectrum import BandSplitter, Floats
from crackdetect.synth.truth import UNSURE, Truth

#: Labels of rows: the index in ``classify.CLASSES``, or IGNORED.
OTHER, FIRST, SECOND, IGNORED = 0, 1, 2, -1
#: A candidate from so long before a crack's peak until so long after it (reflections of a hard room) is that crack; up
#: to IGNORE_S it is its echo or its double and teaches nothing.
MATCH_BEFORE_S, MATCH_AFTER_S, IGNORE_S = 0.008, 0.020, 0.035
#: Cracks below this teach nothing: nobody could tell them from noise.
LEAST_SNR_DB = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Candidates of one scene.

    vectors: float32 (n, features.COUNT). labels: int8 (n,). times: seconds (n,). snr_db: float64 (n,), of the crack,
    NaN for others. missed_snr_db: SNRs of the cracks without a candidate. duration_s. scenario: of the scene.
    """

    vectors: Floats
    labels: npt.NDArray[np.int8]
    times: npt.NDArray[np.float64]
    snr_db: npt.NDArray[np.float64]
    missed_snr_db: npt.NDArray[np.float64]
    duration_s: float
    scenario: str


def rows_of(blocks: Iterable[Samples], truth: Truth, *, scenario: str) -> Rows:
    """Hears the blocks with the stages of the pipeline up to the features, and labels what they found."""
    splitter = BandSplitter(samplerate=truth.samplerate)
    onset, stage = Onset(bands=splitter.bands), Features()
    vectors = [stage.push([])]  # so that none at all has its shape
    times: list[float] = []
    for block in blocks:
        candidates = onset.push(splitter.push(block))
        vectors.append(stage.push(candidates))
        times += [splitter.centre(candidate.frame) / truth.samplerate for candidate in candidates]
    labels, snr_db, missed = label(np.array(times), truth)
    return Rows(np.concatenate(vectors), labels, np.array(times), snr_db, missed, truth.duration_s, scenario)


def label(
    times: npt.NDArray[np.float64], truth: Truth
) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Labels and SNRs of candidates at ``times``, and the SNRs of cracks that no candidate stands for."""
    labels = np.zeros(len(times), np.int8)
    snr_db = np.full(len(times), np.nan)
    missed: list[float] = []
    cracks = [event for event in truth.events if event.kind in ("first", "stray", "second")]
    for event in cracks:
        later = times - event.time_s
        distance = np.abs(later)
        near = np.flatnonzero(distance <= IGNORE_S)
        untouched = near[labels[near] == OTHER]
        labels[untouched] = IGNORED
        within = (later[near] >= -MATCH_BEFORE_S) & (later[near] <= MATCH_AFTER_S)
        own = near[within & (labels[near] == IGNORED)]
        if len(own) == 0:
            if event.snr_db >= LEAST_SNR_DB:
                missed.append(event.snr_db)
            continue
        best = own[np.argmin(distance[own])]
        snr_db[best] = event.snr_db
        if event.snr_db >= LEAST_SNR_DB:
            labels[best] = SECOND if event.kind == "second" else FIRST
    for event in truth.events:
        if event.kind == UNSURE:
            labels[(np.abs(times - event.time_s) <= IGNORE_S) & (labels == OTHER)] = IGNORED
    return labels, snr_db, np.array(missed)
