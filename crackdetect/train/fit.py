"""Fits, calibrates and writes the classifier; reproducible from a seed."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

import numpy as np

from crackdetect import __version__
from crackdetect import model as model_files
from crackdetect.blocks import Doubles, Floats, Indices
from crackdetect.errors import SettingError
from crackdetect.hearing.classifier import Classifier, ClassifierModel
from crackdetect.hearing.network import Network
from crackdetect.model import Model
from crackdetect.running.parallel import imap
from crackdetect.synth.sounds import SoundBank
from crackdetect.train import context, own_machine
from crackdetect.train.heard import Keeps, heard_into, sounds_digest, stage_folder
from crackdetect.train.labelled_rows import FIRST, IGNORED, OTHER, SECOND, Rows, rows_of
from crackdetect.train.network import fitted, layers_of
from crackdetect.train.own_roasts import OwnRoasts
from crackdetect.train.scenes import Scene, machine_scenes, rendered, scenes, whole_scenes
from crackdetect.train.score_model import fit_score_model
from crackdetect.train.sounds import Side, bank

Met = TypeVar("Met")

#: So many networks, of these hidden layers, are fitted from seeds of their own; their log odds are averaged.
MEMBERS, HIDDEN = 3, (160, 56)
#: Weight of the squared weights in the loss (scikit-learn's ``alpha``).
PENALTY = 0.1


@dataclass(frozen=True, slots=True)
class TrainingRun:
    """With what a model is taught.

    Attributes
    ----------
    seed : int
        0 to 999.
    sounds : pathlib.Path or None
        Folder of real sounds.
    heard_in : pathlib.Path
        Folder for what was heard of the scenes (:mod:`train.heard`); what is there already is not heard again.
    jobs, cluster
        See :func:`crackdetect.running.parallel.imap`; so many networks are fitted at a time.
    progress : callable
        Called before each step with a word for it.
    """

    seed: int
    sounds: Path | None
    heard_in: Path
    jobs: int
    cluster: str | None
    progress: Callable[[str], None]

    def bank(self, side: Side) -> SoundBank | None:
        """The real sounds of a side, if there are any."""
        return None if self.sounds is None else bank(self.sounds, side)

    def hear(
        self, hear: Callable[..., Keeps], chosen: Iterable[Scene], step: str, side: Side, *, model: Model | None = None
    ) -> list[Path]:
        """Files of what was heard of the scenes, in order.

        Parameters
        ----------
        hear : callable
            Takes a scene, the folder of real sounds, the side of them that is used, and the model, if there is one.
        chosen : iterable of Scene
        step : str
            A word for it.
        side : {"train", "calibrate"}
        model : Model, optional
            That hears.
        """
        known = "" if model is None else model_files.hearing_digest(model)
        folder = stage_folder(self.heard_in, hear.__module__, sounds_digest(self.sounds), side, known)
        given = {} if model is None else {"model": model}
        one = partial(heard_into, hear=partial(hear, sounds=self.sounds, side=side, **given), folder=folder)
        return work_through(one, chosen, jobs=self.jobs, cluster=self.cluster, progress=partial(self.progress, step))


def hear(scene: Scene, sounds: Path | None, side: Side) -> Rows:
    """Renders a scene and turns it into rows. sounds: folder of real sounds, of which one side is used."""
    blocks, truth = rendered(scene, bank(sounds, side) if scene.real and sounds is not None else None)
    return rows_of(blocks, truth, scenario=scene.scenario)


def work_through(
    work: Callable[[Scene], Met],
    chosen: Iterable[Scene],
    *,
    jobs: int,
    cluster: str | None = None,
    progress: Callable[[], None] | None = None,
) -> list[Met]:
    """What ``work`` makes of each scene, in order.

    Parameters
    ----------
    work : callable
        Takes a scene; a plain function or a ``partial`` of one, for it is sent to other processes.
    chosen : iterable of Scene
    jobs, cluster
        See :func:`crackdetect.running.parallel.imap`.
    progress : callable, optional
        Called after each scene.
    """
    found: list[Met] = []
    for _, met in imap(work, chosen, jobs=jobs, cluster=cluster, ordered=True):
        found.append(met)
        if progress is not None:
            progress()
    return found


def train(
    out: Path,
    run: TrainingRun,
    *,
    name: str,
    count: int,
    calibration_count: int,
    context_count: int,
    machine_count: int,
    card: dict[str, Any],
    classifier: ClassifierModel | None = None,
) -> Model:
    """Renders, hears, fits, calibrates and writes a model; then teaches it to learn the machine at hand.

    Parameters
    ----------
    out : pathlib.Path
        The model file.
    run : TrainingRun
    name : str
        Of the model.
    count, calibration_count : int
        Ordinary scenes of 50 s (others come in proportion, see :func:`~crackdetect.train.scenes.scenes`) to fit and to
        calibrate the classifier with.
    context_count : int
        Scenes of 150 to 450 s for the context classifier.
    machine_count : int
        See :func:`teach_machines`.
    card : dict
        What is to be said of the model beside what is known here (sources of the sounds).
    classifier : ClassifierModel, optional
        One that is kept, so that only what follows it is taught.

    Raises
    ------
    SettingError
        For a seed out of range, or when the scenes lack what is to be learnt.
    MissingPartError
        Without scikit-learn.
    OutputError
        When the file cannot be written.
    """
    if not 0 <= run.seed < 1000:
        raise SettingError(f"seed {run.seed} is out of range; give 0 to 999")
    heard: dict[Side, list[Rows]] = {"train": []}
    parts: tuple[tuple[Side, int], ...] = (("train", count), ("calibrate", calibration_count))
    for side, number in parts if classifier is None else parts[1:]:
        chosen = scenes(side, count=number, seed=run.seed, bank=run.bank(side))
        heard[side] = list(map(Rows.load, run.hear(hear, chosen, side, side)))
    rows, calibration = heard["train"], heard["calibrate"]
    run.progress("fitting")
    if classifier is None:
        classifier = fit_classifier(rows, calibration, seed=run.seed, jobs=run.jobs)
    model = Model(name, "", classifier, fit_score_model(classifier, calibration), context.untaught())
    # the side that the classifier was not taught with, for on its own sounds it is too sure of itself
    whole = whole_scenes(count=context_count, seed=run.seed, bank=run.bank("calibrate"))
    met = list(map(context.HeardScene.load, run.hear(context.hear, whole, "context", "calibrate", model=model)))
    run.progress("fitting the context classifier")
    model = context.fit_context(met, model, seed=run.seed)
    card = _card(model, rows=rows, calibration=calibration, context_scenes=len(met), seed=run.seed, card=card)
    held, _ = _stack(calibration)
    golden = held[:: max(1, len(held) // 12)][:12]
    taught = teach_machines(out, model, run, golden=golden, card=card, count=machine_count)
    assert taught is not None, "without own roasts all is written"
    return taught


def teach_machines(
    out: Path,
    model: Model,
    run: TrainingRun,
    *,
    golden: Floats,
    card: dict[str, Any],
    count: int,
    leave_out: frozenset[str] = frozenset(),
    left_out: bool = False,
    own: OwnRoasts | None = None,
) -> Model | None:
    """Teaches a model to learn the machine at hand, and writes it; None where own roasts gain nothing by it.

    Parameters
    ----------
    model : Model
        Its classifier and context classifier stay as they are.
    golden : float32, shape (n, features.COUNT)
        See :func:`crackdetect.model.save`.
    out, run, card
        See :func:`train`.
    count : int
        Scenes on machines of the wide family, others in proportion; see
        :func:`~crackdetect.train.scenes.machine_scenes`.
    leave_out : frozenset of str
        Families (of ``synth.wide.FAMILIES``) of which no scene teaches anything.
    left_out : bool
        See :func:`crackdetect.train.own_machine.fit_own_machine`.
    own : OwnRoasts, optional
        A person's own roasts, added to the scenes; then nothing is written unless they are heard better.

    Raises
    ------
    SettingError
        When the scenes lack what is to be learnt, or on an unknown family.
    MissingPartError
        Without scikit-learn.
    OutputError
        When the file cannot be written.
    """
    scenes = machine_scenes(count=count, seed=run.seed, bank=run.bank("calibrate"), leave_out=leave_out)
    files = run.hear(own_machine.hear, scenes, "machines", "calibrate", model=model)
    with TemporaryDirectory(prefix="crackdetect-own-") as place:
        roasts = [] if own is None else own.scenes(Path(place), hidden=model.classifier.network.hidden)
        fits = own_machine.fit_own_machine(
            files, seed=run.seed, jobs=run.jobs, say=run.progress, left_out=left_out, own=roasts
        )
    if own is not None and not own.gain_by(fits.judges):
        return None
    model = replace(model, own_machine=fits.model)
    with_own = {"own_roasts": len(roasts)} if roasts else {}
    without = {"leave_out": sorted(leave_out)} if leave_out else {}
    told = {"seed": run.seed, "machines": count, **without, **with_own, **fits.told}
    return model_files.save(out, model, golden=golden, card=card | {"own_machine": told})


def fit_classifier(rows: Sequence[Rows], calibration: Sequence[Rows], *, seed: int, jobs: int) -> ClassifierModel:
    """Fits and calibrates the classifier.

    Parameters
    ----------
    rows : sequence of Rows
        Scenes to fit it on; all three classes among them.
    calibration : sequence of Rows
        Other scenes, on which its probabilities are made honest (:func:`temperature`).
    seed : int
        The networks are fitted from ``MEMBERS`` seeds of their own.
    jobs : int
        So many networks are fitted at a time.

    Raises
    ------
    SettingError
        When a class is missing.
    MissingPartError
        Without scikit-learn.
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
    weights, biases = layers_of(members)
    held, held_labels = _stack(calibration)
    raw = _network(mean, scale, weights, biases)
    factor, shift = temperature(raw.forward(held).astype(np.float64), held_labels)
    last, last_bias = weights[-1] * factor, biases[-1] * factor + shift / MEMBERS
    calibrated = _network(mean, scale, (*weights[:-1], last), (*biases[:-1], last_bias))
    return ClassifierModel(calibrated, np.bincount(held_labels, minlength=3) / len(held_labels))


def _network(mean: Floats, scale: Floats, weights: Sequence[Doubles], biases: Sequence[Doubles]) -> Network:
    """In single precision."""
    layers = (tuple(array.astype(np.float32) for array in arrays) for arrays in (weights, biases))
    return Network(mean, scale, *layers)


def _card(
    model: Model,
    *,
    rows: Sequence[Rows],
    calibration: Sequence[Rows],
    context_scenes: int,
    seed: int,
    card: dict[str, Any],
) -> dict[str, Any]:
    import sklearn

    held, held_labels = _stack(calibration)
    trained: dict[str, Any] = {}
    if rows:
        labels = np.concatenate([r.labels for r in rows])
        names = (("other", OTHER), ("first", FIRST), ("second", SECOND))
        trained = {"training_scenes": len(rows)}
        trained |= {"training_rows": {name: int((labels == label).sum()) for name, label in names}}
    return {
        **card,
        "seed": seed,
        **trained,
        "calibration_scenes": len(calibration),
        "context_scenes": context_scenes,
        "versions": {
            "crackdetect": __version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scikit-learn": sklearn.__version__,
        },
        "scores": scores_of(model.classifier, held, held_labels),
    }


def _stack(rows: Sequence[Rows]) -> tuple[Floats, Indices]:
    """Vectors and labels of all candidates that teach something, copied once: they are half of the memory."""
    labels = np.concatenate([r.labels[r.labels != IGNORED] for r in rows]).astype(np.int64)
    return np.concatenate([r.vectors[r.labels != IGNORED] for r in rows]), labels


def temperature(logits: Doubles, labels: Indices) -> tuple[float, Doubles]:
    """Factor and shifts that make the probabilities honest: least log loss on held-out rows (Guo et al., ICML 2017).

    Parameters
    ----------
    logits : numpy.ndarray of float64, shape (n, 3)
        Log odds of the classes, nats.
    labels : numpy.ndarray of int64, shape (n,)
        Index of the true class.

    Returns
    -------
    factor : float
    shifts : numpy.ndarray of float64, shape (3,)
        ``factor * logits + shifts`` are the calibrated log odds; the first shift is 0.
    """
    from scipy.optimize import minimize

    def loss(p: Doubles) -> float:
        z = logits * np.exp(p[0]) + np.array([0.0, p[1], p[2]])
        z = z - z.max(axis=1, keepdims=True)
        return float((np.log(np.exp(z).sum(axis=1)) - z[np.arange(len(z)), labels]).mean())

    best = minimize(loss, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-7, "maxiter": 2000}).x
    return float(np.exp(best[0])), np.array([0.0, best[1], best[2]])


def scores_of(model: ClassifierModel, vectors: Floats, labels: Indices) -> dict[str, float]:
    """Log loss, Brier score and area under the curve of "a crack" on held-out rows.

    Parameters
    ----------
    model : ClassifierModel
    vectors : numpy.ndarray of float32, shape (n, features.COUNT)
    labels : numpy.ndarray of int64, shape (n,)
        OTHER, FIRST or SECOND.
    """
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
