"""Fits, calibrates and writes the classifier; reproducible from a seed."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect import __version__, model_files
from crackdetect.classify import Classifier, Model
from crackdetect.errors import SettingError
from crackdetect.phase import KIND_BINS, KIND_EDGES, SCORE_BINS, SCORE_EDGES
from crackdetect.spectrum import Floats
from crackdetect.train import judging
from crackdetect.train.dataset import FIRST, IGNORED, OTHER, SECOND, Rows, rows_of
from crackdetect.train.network import fitted
from crackdetect.train.scenes import Scene, rendered, scenes, whole_scenes
from crackdetect.train.sounds import Side, bank
from crackdetect.workers import each

#: So many networks, of these hidden layers, are fitted from seeds of their own; their log odds are averaged.
MEMBERS, HIDDEN = 3, (160, 56)
#: Weight of the squared weights in the loss (scikit-learn's ``alpha``).
PENALTY = 0.1
#: A burst could be taken for cracks: in its seconds two candidates and more score above this, nats. Its scores are what
#: goes beyond the scene's other seconds, of which there must be so many; and about the least share of any. (A second is
#: chosen by the very candidates counted, so those above 2 nats weigh more than in all bursts; see DEVELOPERS.md.)
_BURST_FROM, _LEAST_QUIET_S, _LEAST_SHARE = 2.0, 10, 0.004


def hear(scene: Scene, sounds: Path | None, side: Side) -> Rows:
    """Renders a scene and turns it into rows. sounds: folder of real sounds, of which one side is used."""
    blocks, truth = rendered(scene, bank(sounds, side) if scene.real and sounds is not None else None)
    return rows_of(blocks, truth, scenario=scene.scenario)


def hear_all(
    chosen: Iterable[Scene],
    sounds: Path | None,
    side: Side,
    *,
    jobs: int,
    cluster: str | None = None,
    progress: Callable[[], None] | None,
) -> list[Rows]:
    """Rows of all scenes, in order. jobs, cluster: see ``workers.each``."""
    found: list[Rows] = []
    for _, rows in each(partial(hear, sounds=sounds, side=side), chosen, jobs=jobs, cluster=cluster, ordered=True):
        found.append(rows)
        if progress is not None:
            progress()
    return found


def train(
    out: Path,
    *,
    name: str,
    seed: int,
    count: int,
    calibration_count: int,
    judge_count: int,
    sounds: Path | None,
    jobs: int,
    cluster: str | None = None,
    card: dict[str, Any],
    classifier: Model | None = None,
    progress: Callable[[str], None] | None = None,
) -> Model:
    """Renders, hears, fits, calibrates and writes a model to ``out``.

    classifier: of a model whose classifier is kept, so that only what follows it is taught.
    seed: 0 to 999. count, calibration_count: scenes, of 50 s each. judge_count: of 150 to 450 s.
    sounds: folder of real sounds, or None. jobs, cluster: see ``workers.each``.
    card: what is to be said of the model beside what is known here (sources of the sounds).
    """
    if not 0 <= seed < 1000:
        raise SettingError(f"seed {seed} is out of range; give 0 to 999")
    say = progress or (lambda _: None)
    heard: dict[Side, list[Rows]] = {}
    parts: tuple[tuple[Side, int], ...] = (("train", count), ("calibrate", calibration_count))
    for side, number in parts if classifier is None else parts[1:]:
        chosen = scenes(side, count=number, seed=seed, bank=None if sounds is None else bank(sounds, side))
        heard[side] = hear_all(chosen, sounds, side, jobs=jobs, cluster=cluster, progress=partial(say, side))
    rows, calibration = heard.get("train", []), heard["calibrate"]
    say("fitting")
    if classifier is None:
        network = fit_network(rows, calibration, name=name, seed=seed, jobs=jobs)
    else:
        network = replace(classifier, name=name, judge=judging.untaught())
    network = replace(network, marks=score_statistics(network, calibration))
    # the side that the network was not taught with, for on its own sounds it is too sure of itself
    whole = whole_scenes(count=judge_count, seed=seed, bank=None if sounds is None else bank(sounds, "calibrate"))
    met = judging.hear_all(
        whole, sounds, "calibrate", network, jobs=jobs, cluster=cluster, progress=partial(say, "judge")
    )
    say("teaching the judge")
    network = judging.teach(met, network, seed=seed)
    return _save(out, network, rows=rows, calibration=calibration, judge_scenes=len(met), seed=seed, card=card)


def fit_network(rows: Sequence[Rows], calibration: Sequence[Rows], *, name: str, seed: int, jobs: int) -> Model:
    """Fits and calibrates the classifier; with an untaught judge, and nothing known of how scores are distributed.

    jobs: of its networks, so many are fitted at a time.
    """
    vectors, labels = _stack(rows)
    if set(np.unique(labels)) != {OTHER, FIRST, SECOND}:
        raise SettingError("the training scenes lack one of other, first and second cracks; ask for more scenes")
    mean = vectors.mean(axis=0, dtype=np.float64).astype(np.float32)
    spread = [column.std(dtype=np.float64) for column in vectors.T]  # all at once they would need twice the memory
    scale = np.maximum(spread, 1e-3).astype(np.float32)
    vectors -= mean
    vectors /= scale
    seeds = range(MEMBERS * seed, MEMBERS * (seed + 1))
    members = fitted(vectors, labels, hidden=HIDDEN, penalty=PENALTY, step=1e-3, seeds=seeds, jobs=jobs)
    weights, biases = side_by_side(members)
    held, held_labels = _stack(calibration)
    flat = np.full(3, 1 / 3)
    plain = {"crack": [0.05] * SCORE_BINS, "other_per_minute": [1.0] * SCORE_BINS}
    plain |= {"burst": [1 / SCORE_BINS] * SCORE_BINS, "burst_kind": [1 / KIND_BINS] * KIND_BINS}
    plain |= {"first_kind": [1 / KIND_BINS] * KIND_BINS, "second_kind": [1 / KIND_BINS] * KIND_BINS}
    judge = judging.untaught()
    raw = Model(name, "", mean, scale, tuple(weights), tuple(biases), flat, plain, judge)
    factor, shift = temperature(Classifier(raw).logits(held), held_labels)
    weights[-1] = (weights[-1] * factor).astype(np.float32)
    biases[-1] = (biases[-1] * factor + shift).astype(np.float32)
    prior = np.bincount(held_labels, minlength=3) / len(held_labels)
    return replace(raw, weights=tuple(weights), biases=tuple(biases), prior=prior)


def side_by_side(members: Sequence[Any]) -> tuple[list[Floats], list[Floats]]:
    """Weights and biases of the one network whose log odds are the mean of theirs (Hansen and Salamon, IEEE Trans.
    Pattern Anal. 12, 993, 1990): nothing but zeros between one's units and another's."""
    from scipy.linalg import block_diag

    first, *inner, last = ([m.coefs_[layer] for m in members] for layer in range(len(members[0].coefs_)))
    weights = [np.hstack(first), *(block_diag(*layer) for layer in inner), np.vstack(last) / len(members)]
    *biases, out = ([m.intercepts_[layer] for m in members] for layer in range(len(members[0].intercepts_)))
    joined = [*map(np.concatenate, biases), np.mean(out, axis=0)]
    return [w.astype(np.float32) for w in weights], [b.astype(np.float32) for b in joined]


def _save(
    out: Path,
    network: Model,
    *,
    rows: Sequence[Rows],
    calibration: Sequence[Rows],
    judge_scenes: int,
    seed: int,
    card: dict[str, Any],
) -> Model:
    import sklearn

    held, held_labels = _stack(calibration)
    trained: dict[str, Any] = {}
    if rows:
        labels = np.concatenate([r.labels for r in rows])
        names = (("other", OTHER), ("first", FIRST), ("second", SECOND))
        trained = {"training_scenes": len(rows)}
        trained |= {"training_rows": {name: int((labels == label).sum()) for name, label in names}}
    full_card = {
        **card,
        "seed": seed,
        **trained,
        "calibration_scenes": len(calibration),
        "judge_scenes": judge_scenes,
        "versions": {
            "crackdetect": __version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scikit-learn": sklearn.__version__,
        },
        "scores": scores_of(network, held, held_labels),
    }
    return model_files.save(
        out,
        name=network.name,
        mean=network.mean,
        scale=network.scale,
        weights=list(network.weights),
        biases=list(network.biases),
        prior=network.prior,
        marks=network.marks,
        judge=network.judge,
        golden=held[:: max(1, len(held) // 12)][:12],
        card=full_card,
    )


def _stack(rows: Sequence[Rows]) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Vectors and labels of all candidates that teach something, copied once: they are half of the memory."""
    labels = np.concatenate([r.labels[r.labels != IGNORED] for r in rows]).astype(np.int64)
    return np.concatenate([r.vectors[r.labels != IGNORED] for r in rows]), labels


def temperature(
    logits: npt.NDArray[np.float64], labels: npt.NDArray[np.int64]
) -> tuple[float, npt.NDArray[np.float64]]:
    """Factor and shifts that make the probabilities honest: least log loss on held-out rows (Guo et al., ICML 2017)."""
    from scipy.optimize import minimize

    def loss(p: npt.NDArray[np.float64]) -> float:
        z = logits * np.exp(p[0]) + np.array([0.0, p[1], p[2]])
        z = z - z.max(axis=1, keepdims=True)
        return float((np.log(np.exp(z).sum(axis=1)) - z[np.arange(len(z)), labels]).mean())

    best = minimize(loss, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-7, "maxiter": 2000}).x
    return float(np.exp(best[0])), np.array([0.0, best[1], best[2]])


def score_statistics(model: Model, calibration: Sequence[Rows]) -> dict[str, list[float]]:
    """How scores of cracks and of everything else are distributed: see :class:`crackdetect.phase.ScoreModel`."""
    classifier = Classifier(model)
    sure = int(np.searchsorted(SCORE_EDGES, _BURST_FROM, side="right"))
    crack = np.full(SCORE_BINS, 0.5)
    burst, burst_kind = np.zeros(SCORE_BINS), np.full(KIND_BINS, 1.0)
    log_rates: list[npt.NDArray[np.float64]] = []
    kinds = {FIRST: np.full(KIND_BINS, 0.5), SECOND: np.full(KIND_BINS, 0.5)}
    cracks = 0.5 * SCORE_BINS
    for rows in calibration:
        other = np.full(SCORE_BINS, 0.1)
        by_second = np.zeros((int(np.ceil(rows.duration_s)), SCORE_BINS))  # what is not a crack
        loud: dict[int, list[int]] = {}  # kind bins of what of it scores as one, by the second
        cracks += len(rows.missed_snr_db[rows.missed_snr_db >= 8])
        verdicts = classifier.push(rows.vectors)
        for verdict, row_label, snr, time in zip(verdicts, rows.labels, rows.snr_db, rows.times, strict=True):
            if row_label == IGNORED:
                continue
            score_bin = int(np.searchsorted(SCORE_EDGES, verdict.score))
            if row_label == OTHER:
                other[score_bin] += 1
                by_second[min(int(time), len(by_second) - 1), score_bin] += 1
                if verdict.score > 0:
                    loud.setdefault(int(time), []).append(int(np.searchsorted(KIND_EDGES, verdict.kind_score)))
                continue
            if snr < 8:
                continue
            cracks += 1
            crack[score_bin] += 1
            if verdict.score > 0:
                kinds[int(row_label)][int(np.searchsorted(KIND_EDGES, verdict.kind_score))] += 1
        for kinds_there in loud.values():
            if len(kinds_there) >= 2:
                np.add.at(burst_kind, kinds_there, 1)
        bursting = by_second[:, sure:].sum(axis=1) >= 2
        if np.count_nonzero(~bursting) >= _LEAST_QUIET_S:
            burst += (by_second[bursting] - by_second[~bursting].mean(axis=0)).sum(axis=0)
        log_rates.append(np.log(other / (rows.duration_s / 60)))
    share = crack / cracks
    # the geometric mean: what is usual among machines, not what a few loud ones do
    usual = np.exp(np.mean(log_rates, axis=0))
    return {
        "crack": [round(float(v), 6) for v in share],
        "other_per_minute": [round(float(v), 5) for v in usual],
        "burst": [round(float(v), 6) for v in _shares(burst)],
        "burst_kind": [round(float(v), 6) for v in burst_kind / burst_kind.sum()],
        "first_kind": [round(float(v), 6) for v in kinds[FIRST] / kinds[FIRST].sum()],
        "second_kind": [round(float(v), 6) for v in kinds[SECOND] / kinds[SECOND].sum()],
    }


def _shares(counts: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Shares of counts, none much less than _LEAST_SHARE, for what was never met is not impossible."""
    shares = np.maximum(counts / max(float(counts[counts > 0].sum()), 1.0), _LEAST_SHARE)
    return np.asarray(shares / shares.sum(), np.float64)


def scores_of(model: Model, vectors: Floats, labels: npt.NDArray[np.int64]) -> dict[str, float]:
    """Log loss, Brier score and area under the curve of "a crack" on held-out rows."""
    from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

    logits = Classifier(model).logits(vectors)
    shifted = np.exp(logits - logits.max(axis=1, keepdims=True))
    probabilities = shifted / shifted.sum(axis=1, keepdims=True)
    crack = np.clip(probabilities[:, 1:].sum(axis=1), 0, 1)
    return {
        "log_loss": round(float(log_loss(labels, probabilities, labels=[0, 1, 2])), 4),
        "brier": round(float(brier_score_loss(labels != OTHER, crack)), 4),
        "area_under_curve": round(float(roc_auc_score(labels != OTHER, crack)), 4),
    }
