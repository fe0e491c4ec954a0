"""Fits the context classifier: whole scenes heard by the pipeline, and what each candidate in them truly was."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from crackdetect.blocks import Block, Doubles, Flags, Indices
from crackdetect.deciding import context
from crackdetect.deciding.context import ContextModel, HeardCandidate
from crackdetect.deciding.density import HOLD_OFF_S, dead_time_loss
from crackdetect.deciding.own_machine import AskedCandidate
from crackdetect.deciding.tracker import Asked, AskedTick, Judged, PhaseTracker, ScoredCandidate, TrackerSettings
from crackdetect.errors import SettingError
from crackdetect.hearing.classifier import UNHEARD
from crackdetect.hearing.network import Network
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.synth.truth import Truth
from crackdetect.train.heard import written_whole
from crackdetect.train.labelled_rows import label
from crackdetect.train.network import fitted, layers_of
from crackdetect.train.scenes import Scene, rendered
from crackdetect.train.sounds import Side, bank

HIDDEN = (64, 32)
#: Weight of the squared weights in the loss (scikit-learn's ``alpha``).
PENALTY = 0.1
PASSES = 2
#: So many times more a candidate weighs than by the cracks a second it was taught among: the network that does not see
#: the density meets most cracks in dense choruses, and doubts those of a beginning too much. Chosen on other roasts.
GAIN = 1.5
#: First crack is announced at these log odds, nats, while the classifier is taught, whatever the program's threshold.
_DECISION = TrackerSettings(threshold=5.0)
#: A chorus is counted that lasts so long and has so many cracks.
_LEAST_CHORUS_S, _LEAST_CRACKS = 10.0, 10


@dataclass(frozen=True, slots=True, eq=False)
class HeardScene:
    """A scene as it came to the phase tracker.

    Attributes
    ----------
    asked : list of AskedCandidate or AskedTick
        What the tracker was asked, in order.
    truth : Truth
    """

    asked: list[Asked]
    truth: Truth

    def save(self, path: Path) -> None:
        """To a file, whole or not at all."""
        candidates = [(*one[:4], one.probability) for one in self.asked if isinstance(one, AskedCandidate)]
        ticks = [tuple(one) for one in self.asked if isinstance(one, AskedTick)]
        with written_whole(path) as file:
            np.savez(
                file,
                candidates=np.array(candidates, np.float64).reshape(-1, 5),
                ticks=np.array(ticks, np.float64).reshape(-1, len(AskedTick._fields)),
                is_tick=np.array([isinstance(one, AskedTick) for one in self.asked], np.bool_),
                truth=np.array(self.truth.to_json()),
            )

    @classmethod
    def load(cls, path: Path) -> HeardScene:
        """What :meth:`save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            candidates, ticks = iter(file["candidates"].tolist()), iter(file["ticks"].tolist())
            asked: list[Asked] = []
            for is_tick in file["is_tick"].tolist():
                if is_tick:
                    count, tick, observed_s, hmm_log_odds, quiet = next(ticks)
                    asked.append(AskedTick(int(count), int(tick), observed_s, hmm_log_odds, bool(quiet)))
                else:
                    time, crack_llr, second_llr, strength, probability = next(candidates)
                    asked.append(AskedCandidate(time, crack_llr, second_llr, strength, UNHEARD, probability))
            return cls(asked, Truth.from_json(str(file["truth"])))


@dataclass(frozen=True, slots=True, eq=False)
class ContextRows:
    """Candidates of one scene as the context classifier met them.

    Attributes
    ----------
    vectors : numpy.ndarray of float64, shape (n, context.COUNT)
    cracks : numpy.ndarray of bool, shape (n,)
        What they truly were.
    times, probabilities : numpy.ndarray of float64, shape (n,)
        Seconds, and what the classifier said.
    truth : Truth
        Of the scene.
    """

    vectors: Doubles
    cracks: Flags
    times: Doubles
    probabilities: Doubles
    truth: Truth


def untaught() -> ContextModel:
    """A model by hand, with which scenes are heard before one is fitted.

    Cracks score above 0 and are spread evenly over the bins there, so that a candidate's weight is one over the
    machine's own rate in its bin, and less below 0.
    """
    score, background = context.NAMES.index("crack_llr"), context.NAMES.index("background here")
    hidden = np.zeros((context.COUNT, 3))
    hidden[score, 0] = -1.0
    hidden[background, 1:] = 1.0, -1.0
    out = np.array([[-1.0], [-1.0], [1.0]])
    network = Network(
        mean=np.zeros(context.COUNT),
        scale=np.ones(context.COUNT),
        weights=(hidden[None], out[None]),
        biases=(np.zeros((1, 3)), np.array([[-2.5]])),
    )
    return ContextModel(network, network, 1.0 / GAIN)


def hear(scene: Scene, sounds: Path | None, side: Side, model: Model) -> HeardScene:
    """Renders and hears a scene by the whole path. sounds: folder of real sounds, of which one side is used."""
    blocks, truth = rendered(scene, bank(sounds, side) if scene.real and sounds is not None else None)
    asked: list[Asked] = []

    def keep(one: Asked) -> None:
        asked.append(one._replace(sound=UNHEARD) if isinstance(one, AskedCandidate) else one)

    first = replace(model, own_machine=None)  # the machine at hand is learnt afterwards
    pipeline = Pipeline(samplerate=scene.plan.samplerate, model=first, phase_settings=_DECISION, trace=keep)
    for block in blocks:
        pipeline.push(Block(block))
    return HeardScene(asked, truth)


def rows_of(heard: HeardScene, model: Model) -> ContextRows:
    """The candidates of a scene as the model's context classifier meets them.

    Left out are a drop that was heard, after which nothing is announced, and a charge that was heard, after which first
    crack is unlikely for minutes: the context classifier is taught as where none is known.

    Parameters
    ----------
    heard : HeardScene
    model : Model
        Its first classifier must be the one that heard the scene.
    """
    phase = PhaseTracker(model.score_model, model.context, settings=_DECISION)
    marks: deque[ScoredCandidate] = deque()
    met: list[Judged] = []
    for question in heard.asked:
        if isinstance(question, AskedCandidate):
            (judged,) = phase.judge([HeardCandidate(*question[:4])])
            marks.append(judged.candidate)
            if judged.numbers is not None:
                met.append(judged)
        else:
            ripe = [marks.popleft() for _ in range(question.candidates)]
            phase.push(ripe, tick=question.tick, observed_s=question.observed_s)
    times = np.array([judged.candidate.time for judged in met])
    vectors = np.array([judged.numbers for judged in met]).reshape(-1, context.COUNT)
    probabilities = np.array([judged.candidate.probability for judged in met])
    _, snr_db, _ = label(times, heard.truth)
    cracks = np.isfinite(snr_db)  # an echo or a double is no crack of its own
    return ContextRows(vectors, cracks, times, probabilities, heard.truth)


def fit_context(scenes: Sequence[HeardScene], model: Model, *, seed: int) -> Model:
    """The model with a context classifier taught on these scenes.

    Twice, for what it meets depends on what it says: how sure the decision is that first crack has begun.

    Parameters
    ----------
    scenes : sequence of HeardScene
        Heard with this model.
    model : Model
    seed : int
        Of the networks.

    Raises
    ------
    SettingError
        When the scenes lack cracks, a chorus, or anything else.
    MissingPartError
        Without scikit-learn.
    """
    for _ in range(PASSES):
        rows = [rows_of(scene, model) for scene in scenes]
        model = replace(model, context=fit_networks(rows, seed=seed))
    ratio, cv = counted([rows_of(scene, model) for scene in scenes], hold_off_s=HOLD_OFF_S)
    return replace(model, context=replace(model.context, counted=ratio, counted_cv=cv))


def fit_networks(scenes: Sequence[ContextRows], *, seed: int) -> ContextModel:
    """The networks of least log loss on all scenes; the same for the same scenes and seed.

    Raises SettingError when the scenes lack cracks or anything else.
    """
    vectors = np.concatenate([rows.vectors for rows in scenes])
    cracks = np.concatenate([rows.cracks for rows in scenes]).astype(int)
    if not 0 < cracks.sum() < len(cracks):
        raise SettingError("the scenes of the context classifier lack cracks or anything else; ask for more scenes")
    alone = vectors.copy()
    alone[:, [context.NAMES.index(name) for name in context.DENSITY]] = 0
    per_second = float(cracks.sum() / sum(rows.truth.duration_s for rows in scenes)) / GAIN
    return ContextModel(_fit(vectors, cracks, seed=seed), _fit(alone, cracks, seed=seed), per_second)


def _fit(vectors: Doubles, cracks: Indices, *, seed: int) -> Network:
    mean = vectors.mean(axis=0)
    scale = np.maximum(vectors.std(axis=0), 1e-3)
    (network,) = fitted((vectors - mean) / scale, cracks, hidden=HIDDEN, penalty=PENALTY, step=2e-3, seeds=[seed])
    network.coefs_[0][~vectors.any(axis=0)] = 0  # what is never seen must not count when it is
    return Network(mean, scale, *layers_of([network]))


def counted(scenes: Sequence[ContextRows], *, hold_off_s: float) -> tuple[float, float]:
    """How much of a chorus the probabilities count.

    Parameters
    ----------
    scenes : sequence of ContextRows
        Looked at where first crack is densest, without second crack.
    hold_off_s : float
        Cracks nearer than this (s) merge into one candidate and count once.

    Returns
    -------
    ratio : float
        Sum of the probabilities over a chorus, a true crack that does not merge with another one.
    cv : float
        How much that differs between scenes beyond chance, standard deviation over mean.

    Raises
    ------
    SettingError
        When no scene has a chorus.
    """
    sums: list[tuple[float, float, float]] = []  # true cracks, probabilities, their variance
    for rows in scenes:
        span = _densest(rows.truth)
        if span is None:
            continue
        start, end = span
        true = sum(event.kind in ("first", "stray") and start <= event.time_s < end for event in rows.truth.events)
        inside = rows.probabilities[(rows.times >= start) & (rows.times < end)]
        if true >= _LEAST_CRACKS:
            single = true * (1 - dead_time_loss(60 * true / (end - start), hold_off_s, model="local-maximum"))
            sums.append((single, float(inside.sum()), float((inside * (1 - inside)).sum())))
    if not sums:
        raise SettingError("the scenes of the context classifier lack a chorus to count; ask for more scenes")
    single, said, variance = np.array(sums).T
    ratio = float(said.sum() / single.sum())
    relative = said / (ratio * single)
    beyond = np.average((relative - 1) ** 2, weights=single) - np.average(
        variance / (ratio * single) ** 2, weights=single
    )
    return round(min(5.0, max(0.2, ratio)), 4), round(float(np.sqrt(min(1.0, max(0.0, beyond)))), 4)


def _densest(truth: Truth) -> tuple[float, float] | None:
    """Where first crack is at its peak, seconds."""
    if truth.plan is None or truth.first_crack_start_s is None:
        return None
    start = truth.first_crack_start_s + float(truth.plan["ramp_s"])
    ends = (start + float(truth.plan["first_hold_s"]), truth.drop_s, truth.second_crack_start_s, truth.duration_s)
    end = min(end for end in ends if end is not None)
    return (start, end) if end - start >= _LEAST_CHORUS_S else None
