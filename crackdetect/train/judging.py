"""Teaches the judge: whole roasts and kitchens heard by the pipeline, and what each candidate there truly was."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from crackdetect import judge
from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.dead_time import dead_time_loss
from crackdetect.errors import SettingError
from crackdetect.judge import JudgeModel, Network
from crackdetect.phase import HOLD_OFF_S, Asked, AskedCandidate, Mark, Phase, PhaseSettings, ScoreModel
from crackdetect.pipeline import Pipeline
from crackdetect.synth.truth import Truth
from crackdetect.train.dataset import label
from crackdetect.train.network import fitted
from crackdetect.train.scenes import Scene, rendered
from crackdetect.train.sounds import Side, bank
from crackdetect.workers import each

Doubles = npt.NDArray[np.float64]

HIDDEN = (64, 32)
#: Weight of the squared weights in the loss (scikit-learn's ``alpha``).
PENALTY = 0.1
PASSES = 2
#: So many times more a candidate weighs than by the cracks a second it was taught among: the network that does not see
#: the density meets most cracks in dense choruses, and doubts those of a beginning too much. Chosen on other roasts.
GAIN = 1.5
#: First crack is announced at these log odds, nats, while a judge is taught, whatever the program's threshold.
_DECISION = PhaseSettings(threshold=5.0)
#: A chorus is counted that lasts so long and has so many cracks.
_LEAST_CHORUS_S, _LEAST_CRACKS = 10.0, 10


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A scene as the phases met it. asked: of them, in order. truth: of the scene."""

    asked: list[Asked]
    truth: Truth


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """Candidates of one scene as the judge met them. vectors: float64 (n, judge.COUNT). cracks: bool (n,).

    times, probabilities: float64 (n,), seconds, and what the judge said. truth: of the scene.
    """

    vectors: Doubles
    cracks: npt.NDArray[np.bool_]
    times: Doubles
    probabilities: Doubles
    truth: Truth


def untaught() -> JudgeModel:
    """A judge by hand, so that others can be taught beside it: cracks score above 0 and are spread evenly over the bins
    there, so that a candidate's weight is one over the machine's own rate in its bin, and less below 0."""
    score, background = judge.NAMES.index("score"), judge.NAMES.index("background here")
    hidden = np.zeros((judge.COUNT, 3))
    hidden[score, 0] = -1.0
    hidden[background, 1:] = 1.0, -1.0
    plain = np.zeros(judge.COUNT), np.ones(judge.COUNT)
    network = Network(
        *plain, hidden, np.zeros(3), np.eye(3), np.zeros(3), np.array([-1.0, -1.0, 1.0]), np.array([-2.5])
    )
    return JudgeModel(network, network, 1.0 / GAIN)


def hear(scene: Scene, sounds: Path | None, side: Side, model: Model) -> Heard:
    """Renders and hears a scene by the whole path."""
    blocks, truth = rendered(scene, bank(sounds, side) if scene.real and sounds is not None else None)
    pipeline = Pipeline(samplerate=scene.plan.samplerate, model=model, phase_settings=_DECISION)
    asked = pipeline.keep_asked()
    for block in blocks:
        pipeline.push(Block(block))
    return Heard(asked, truth)


def judge_again(heard: Heard, model: Model) -> Cases:
    """The candidates of a scene as the model's judge meets them. Its classifier is the one that heard the scene.

    Left out are a drop that was heard, after which nothing is announced, and a charge that was heard, after which first
    crack is unlikely for minutes: the judge is taught as where none is known.
    """
    phase = Phase(ScoreModel.from_marks(model.marks), model.judge, settings=_DECISION)
    kept = phase.keep_judged()
    marks: deque[Mark] = deque()
    probabilities = []
    for question in heard.asked:
        if isinstance(question, AskedCandidate):
            mark, _ = phase.judge(*question)
            marks.append(mark)
            if question.score > judge.HOPELESS:
                probabilities.append(mark.probability)
        else:
            ripe = [marks.popleft() for _ in range(question.marks)]
            phase.push(ripe, tick=question.tick, observed_s=question.observed_s)
    times = np.array([time for time, _ in kept])
    vectors = np.array([vector for _, vector in kept]).reshape(-1, judge.COUNT)
    _, snr_db, _ = label(times, heard.truth)
    cracks = np.isfinite(snr_db)  # an echo or a double is no crack of its own
    return Cases(vectors, cracks, times, np.array(probabilities), heard.truth)


def hear_all(
    chosen: Iterable[Scene],
    sounds: Path | None,
    side: Side,
    model: Model,
    *,
    jobs: int,
    cluster: str | None = None,
    progress: Callable[[], None] | None,
) -> list[Heard]:
    """All scenes, in order. jobs, cluster: see ``workers.each``."""
    found: list[Heard] = []
    work = partial(hear, sounds=sounds, side=side, model=model)
    for _, heard in each(work, chosen, jobs=jobs, cluster=cluster, ordered=True):
        found.append(heard)
        if progress is not None:
            progress()
    return found


def teach(heard: Sequence[Heard], model: Model, *, seed: int) -> Model:
    """The model with a judge taught on these scenes.

    Twice, for what a judge meets depends on what it says: how sure it is that first crack has begun.
    """
    for _ in range(PASSES):
        cases = [judge_again(h, model) for h in heard]
        model = replace(model, judge=fit_judge(cases, seed=seed))
    ratio, cv = counted([judge_again(h, model) for h in heard], hold_off_s=HOLD_OFF_S)
    return replace(model, judge=replace(model.judge, counted=ratio, counted_cv=cv))


def counted(cases: Sequence[Cases], *, hold_off_s: float) -> tuple[float, float]:
    """Sum of the judge's probabilities over a chorus, a true crack that does not merge with another one; and how much
    that differs between scenes beyond chance (standard deviation over mean).

    Looked at where first crack is densest, without second crack. Raises SettingError when there is no such scene.
    """
    sums: list[tuple[float, float, float]] = []  # true cracks, probabilities, their variance
    for scene in cases:
        span = _densest(scene.truth)
        if span is None:
            continue
        start, end = span
        true = sum(event.kind in ("first", "stray") and start <= event.time_s < end for event in scene.truth.events)
        inside = scene.probabilities[(scene.times >= start) & (scene.times < end)]
        if true >= _LEAST_CRACKS:
            single = true * (1 - dead_time_loss(60 * true / (end - start), hold_off_s, model="local-maximum"))
            sums.append((single, float(inside.sum()), float((inside * (1 - inside)).sum())))
    if not sums:
        raise SettingError("the judge's scenes lack a chorus to count; ask for more scenes")
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


def fit_judge(cases: Sequence[Cases], *, seed: int) -> JudgeModel:
    """The networks of least log loss on all cases; the same for the same cases and seed."""
    vectors = np.concatenate([c.vectors for c in cases])
    cracks = np.concatenate([c.cracks for c in cases]).astype(int)
    if not 0 < cracks.sum() < len(cracks):
        raise SettingError("the judge's scenes lack cracks or anything else; ask for more scenes")
    alone = vectors.copy()
    alone[:, [judge.NAMES.index(name) for name in judge.DENSITY]] = 0
    per_second = float(cracks.sum() / sum(c.truth.duration_s for c in cases)) / GAIN
    return JudgeModel(_fit(vectors, cracks, seed=seed), _fit(alone, cracks, seed=seed), per_second)


def _fit(vectors: Doubles, cracks: npt.NDArray[np.int64], *, seed: int) -> Network:
    mean = vectors.mean(axis=0)
    scale = np.maximum(vectors.std(axis=0), 1e-3)
    (network,) = fitted((vectors - mean) / scale, cracks, hidden=HIDDEN, penalty=PENALTY, step=2e-3, seeds=[seed])
    hidden, inner, out = network.coefs_
    hidden[~vectors.any(axis=0)] = 0  # what is never seen must not count when it is
    first, second, last = network.intercepts_
    return Network(mean, scale, hidden, first, inner, second, out[:, 0], last)
