"""Rendered scenes turned into rows: the feature vector of every candidate, and what it truly was."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Floats, Samples
from crackdetect.hearing.features import Features
from crackdetect.hearing.onset import Onset
from crackdetect.hearing.spectrum import BandSplitter
from crackdetect.synth.truth import UNSURE, Truth
from crackdetect.train.heard import written_whole

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

    Attributes
    ----------
    vectors : numpy.ndarray of float32, shape (n, features.COUNT)
    labels : numpy.ndarray of int8, shape (n,)
        OTHER, FIRST, SECOND, or IGNORED: teaches nothing.
    times : numpy.ndarray of float64, shape (n,)
        Seconds.
    snr_db : numpy.ndarray of float64, shape (n,)
        Of the crack, dB; not a number for what is none.
    missed_snr_db : numpy.ndarray of float64, shape (m,)
        Of the cracks without a candidate, dB.
    duration_s : float
    scenario : str
        Of the scene.
    """

    vectors: Floats
    labels: npt.NDArray[np.int8]
    times: Doubles
    snr_db: Doubles
    missed_snr_db: Doubles
    duration_s: float
    scenario: str

    def save(self, path: Path) -> None:
        """To a file, whole or not at all."""
        with written_whole(path) as file:
            np.savez(
                file,
                vectors=self.vectors,
                labels=self.labels,
                times=self.times,
                snr_db=self.snr_db,
                missed_snr_db=self.missed_snr_db,
                duration_s=np.array(self.duration_s),
                scenario=np.array(self.scenario),
            )

    @classmethod
    def load(cls, path: Path) -> Rows:
        """What :meth:`save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in ("vectors", "labels", "times", "snr_db", "missed_snr_db")}
            return cls(**arrays, duration_s=float(file["duration_s"]), scenario=str(file["scenario"]))


def rows_of(blocks: Iterable[Samples], truth: Truth, *, scenario: str) -> Rows:
    """Hears the blocks with the stages of the pipeline up to the features, and labels what they found.

    Parameters
    ----------
    blocks : iterable of numpy.ndarray of float32, shape (n,)
        All samples of a scene.
    truth : Truth
    scenario : str
        Repeated in the rows.
    """
    splitter = BandSplitter(samplerate=truth.samplerate)
    onset, stage = Onset(bands=splitter.bands), Features()
    vectors = [stage.push([])]  # so that none at all has its shape
    times: list[float] = []
    for block in blocks:
        candidates = onset.push(splitter.push(block)).candidates
        vectors.append(stage.push(candidates))
        times += [splitter.centre(candidate.frame) / truth.samplerate for candidate in candidates]
    labels, snr_db, missed = label(np.array(times), truth)
    return Rows(np.concatenate(vectors), labels, np.array(times), snr_db, missed, truth.duration_s, scenario)


def label(times: Doubles, truth: Truth) -> tuple[npt.NDArray[np.int8], Doubles, Doubles]:
    """What candidates truly were.

    Parameters
    ----------
    times : numpy.ndarray of float64, shape (n,)
        Seconds.
    truth : Truth

    Returns
    -------
    labels : numpy.ndarray of int8, shape (n,)
        See :class:`Rows`.
    snr_db : numpy.ndarray of float64, shape (n,)
        Of the crack that a candidate stands for, dB; not a number for what is none.
    missed : numpy.ndarray of float64, shape (m,)
        SNRs (dB) of the cracks, LEAST_SNR_DB and more, that no candidate stands for.
    """
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
