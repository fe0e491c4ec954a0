"""Fits what learns the machine at hand: whole scenes on machines of many families, heard by the pipeline.

What a network sees depends on those before it. So each is taught on the answers of networks that had not met the
scene: the scenes are dealt into FOLDS, those of the wide family by how their cracks are made, so that these answers are
such as a stranger gets (but for the average machine and the kinds of crack, which are of all scenes). Dealt by kind of
machine and by how blows are made as well, and at random beside, they tell what is heard on families that taught no
network, next to what is heard where they taught (:mod:`train.families`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Block, Doubles, Flags, Floats
from crackdetect.deciding import begun
from crackdetect.deciding.adaptation import AdaptationModel
from crackdetect.deciding.begun import BegunNumbers
from crackdetect.deciding.density import HOLD_OFF_S
from crackdetect.deciding.own_machine import (
    AskedCandidate,
    OwnMachine,
    OwnMachineModel,
    crack_names,
    limited,
    log_odds_of,
)
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.replay import replay
from crackdetect.deciding.tracker import AskedTick, TrackerSettings
from crackdetect.errors import SettingError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.hearing.network import Network
from crackdetect.model import Model
from crackdetect.running.parallel import imap
from crackdetect.synth.truth import Truth
from crackdetect.teach.heard_again import HeardAgain, hear_again
from crackdetect.train.context import ContextRows, counted
from crackdetect.train.courses import (
    CURVE_PER_HOUR,
    FALSE_PER_HOUR,
    Course,
    begun_before,
    threshold_for,
    told_at,
)
from crackdetect.train.families import FOLDS, Dealt, Found, deal, left_out_table
from crackdetect.train.heard import written_whole
from crackdetect.train.labelled_rows import IGNORED, OTHER, label
from crackdetect.train.network import fitted, layers_of
from crackdetect.train.scenes import Scene, rendered
from crackdetect.train.sounds import Side, bank

#: Kinds of crack that are looked for; a scene tells of its kind with so many cracks.
KINDS, _LEAST_CRACKS = 6, 15
#: Hidden units and weight of the squared weights in the loss (scikit-learn's ``alpha``) of each network.
RELATIVE_HIDDEN, CRACK_HIDDEN, BEGUN_HIDDEN = (96, 32), (64, 32), (32, 16)
_PENALTY, _BEGUN_PENALTY = 0.1, 1.0
#: Rows that a network is taught on, at most.
MOST_ROWS = 1_000_000
#: Of what nobody takes for a crack, and of what somebody may (from these log odds), this share teaches ``relative``.
_HOPELESS_SHARE, _DOUBTFUL_SHARE, _DOUBTFUL_FROM = 0.12, 0.5, -5.0
#: The begun network learns from seconds until so long after the start, and from this second on.
_UNTIL_S, _FROM_S = 60.0, 15.0


@dataclass(frozen=True, slots=True, eq=False)
class MachineScene:
    """A scene as it came to the machine at hand.

    Attributes
    ----------
    candidates : float64, shape (n, 5)
        Time (seconds), crack_llr, second_vs_first_llr, strength (nats), and the probability in context.
    vectors, hidden : float16, shape (n, features.COUNT) and (n, units)
        What the classifier saw, and its last hidden layer.
    ticks : float64, shape (m, 4)
        Of each tick how many candidates it has, seconds heard, the hidden Markov model's log odds, whether quiet.
    truth : Truth
    families : tuple of str
        On a machine of the wide family how its cracks are made, its kind, and how its blows are (``wide.FAMILIES``),
        else ().
    """

    candidates: Doubles
    vectors: npt.NDArray[np.float16]
    hidden: npt.NDArray[np.float16]
    ticks: Doubles
    truth: Truth
    families: tuple[str, ...]

    @property
    def times(self) -> Doubles:
        """Of the candidates, seconds."""
        return self.candidates[:, 0]

    def labels(self) -> npt.NDArray[np.int8]:
        """See :class:`crackdetect.train.labelled_rows.Rows`."""
        return label(self.times, self.truth)[0]

    def points(self) -> Doubles:
        """Of the candidates, see :mod:`deciding.adaptation`: float64 (n, d)."""
        return np.column_stack([self.hidden.astype(np.float64), self.candidates[:, 1]])

    @classmethod
    def of(cls, heard: HeardAgain, truth: Truth, *, hidden: int, families: tuple[str, ...] = ()) -> MachineScene:
        """What was heard. hidden: units of the classifier's last hidden layer."""
        told, ticks = heard.candidates, heard.ticks
        return cls(
            np.array([(*one[:4], one.probability) for one in told], np.float64).reshape(-1, 5),
            np.array([one.sound.vector for one in told], np.float16).reshape(-1, features.COUNT),
            np.array([one.sound.hidden for one in told], np.float16).reshape(-1, hidden),
            np.array([(t.candidates, t.observed_s, t.hmm_log_odds, t.quiet) for t in ticks], np.float64).reshape(-1, 4),
            truth,
            families,
        )

    def save(self, path: Path) -> None:
        """To a file, whole or not at all."""
        arrays = {key: getattr(self, key) for key in ("candidates", "vectors", "hidden", "ticks")}
        with written_whole(path) as file:
            np.savez(file, **arrays, truth=np.array(self.truth.to_json()), families=np.array(self.families, np.str_))

    @staticmethod
    def families_of(path: Path) -> tuple[str, ...]:
        """Of the scene in a file."""
        with np.load(path, allow_pickle=False) as file:
            return tuple(file["families"].tolist())

    @classmethod
    def load(cls, path: Path) -> MachineScene:
        """What :meth:`save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            candidates, vectors, hidden, ticks = (file[key] for key in ("candidates", "vectors", "hidden", "ticks"))
            families = tuple(file["families"].tolist())
            return cls(candidates, vectors, hidden, ticks, Truth.from_json(str(file["truth"])), families)


def hear(scene: Scene, sounds: Path | None, side: Side, model: Model) -> MachineScene:
    """Renders and hears a scene by the whole path. sounds: folder of real sounds, of which one side is used."""
    blocks, truth = rendered(scene, bank(sounds, side) if scene.real and sounds is not None else None)
    heard = hear_again((Block(block) for block in blocks), samplerate=scene.plan.samplerate, model=model)
    wide = scene.plan.wide
    hidden = model.classifier.network.hidden
    return MachineScene.of(heard, truth, hidden=hidden, families=() if wide is None else wide.named)


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """What was taught.

    Attributes
    ----------
    model : OwnMachineModel
        That met all scenes.
    told : dict
        How others of its making do on scenes that they had not met.
    judges : tuple of OwnMachineModel
        Of each of the person's own roasts one that has not met it.
    """

    model: OwnMachineModel
    told: dict[str, Any]
    judges: tuple[OwnMachineModel, ...]


def fit_own_machine(
    files: Sequence[Path],
    *,
    seed: int,
    jobs: int,
    say: Callable[[str], None],
    left_out: bool = False,
    own: Sequence[Path] = (),
) -> Fitted:
    """Teaches it, and tells how it does on scenes that were not met.

    Parameters
    ----------
    files : sequence of pathlib.Path
        Of :class:`MachineScene`.
    seed : int
        Of the networks.
    jobs : int
        Processes, and networks fitted at a time.
    say : callable
        Called before each step with a word for it.
    left_out : bool
        Whether to tell of each family what is heard on it when it taught nothing, which takes four times as long.
    own : sequence of pathlib.Path
        Of scenes that are a person's own roasts (:mod:`train.own_roasts`). They teach the networks alone: average
        machine, threshold, counts and what is told are of the others.

    Raises
    ------
    SettingError
        When the scenes lack cracks or anything else.
    MissingPartError
        Without scikit-learn.
    """
    say("the average machine")
    model = _untaught(average_machine(files, seed=seed))
    all_files, count = [*files, *own], len(files)
    families = [MachineScene.families_of(path) for path in all_files]
    say("relative features")
    rows = _each(partial(_relative_rows, model=model, seed=seed), list(enumerate(all_files)), jobs)
    teaching = _Teaching(all_files, model, rows, seed=seed, jobs=jobs)
    say("cracks and first crack on this machine")
    dealt = deal(families, "crack")
    found = teaching.in_turn(dealt, all_at_last=True)
    courses = found.courses[:count]
    threshold = threshold_for(courses, per_hour=FALSE_PER_HOUR)
    probable = [_probable(path, odds) for path, odds in zip(files, found.crack_odds[:count], strict=True)]
    per_second = sum(found.cracks[:count]) / sum(rows.truth.duration_s for rows in probable)
    ratio, cv = counted(probable, hold_off_s=HOLD_OFF_S)

    def whole(networks: tuple[Network, Network, Network]) -> OwnMachineModel:
        relative, crack, start = networks
        moved = shifted(start, TrackerSettings().threshold - threshold)
        return OwnMachineModel(model.adaptation, relative, crack, moved, round(per_second, 4), ratio, cv)

    curve = [told_at(courses, per_hour=per_hour) for per_hour in CURVE_PER_HOUR]
    told: dict[str, Any] = {"scenes": count, "not_met": curve}
    if left_out:
        say("families left out")
        others = {by: teaching.in_turn(deal(families, by)) for by in ("kind", "blow", "chance")}
        met = [Found.of(scene.times, scene.truth) for scene in map(MachineScene.load, files)]
        ways = {"crack": found, **others}
        of_way, odds = (
            {by: getattr(one, name)[:count] for by, one in ways.items()} for name in ("courses", "crack_odds")
        )
        told["left_out"] = left_out_table(met, families[:count], of_way, odds)
    judges = tuple(whole(found.networks[fold]) for fold in dealt.judge[count:])
    return Fitted(whole(found.networks[-1]), told, judges)


@dataclass(frozen=True, slots=True)
class _InTurn:
    """What networks answer that had not met the scene.

    Attributes
    ----------
    networks : list of (Network, Network, Network)
        relative, crack and begun of each fold; last those that met all scenes, if they were asked for.
    courses : list of Course
        With answers.
    crack_odds : list of float64, shape (n,)
        Of each scene's candidates.
    cracks : list of int
        True ones among them.
    """

    networks: list[tuple[Network, Network, Network]]
    courses: list[Course]
    crack_odds: list[Doubles]
    cracks: list[int]


class _Teaching:
    """The three networks, one after the other. rows: of :func:`_relative_rows`."""

    def __init__(
        self, files: Sequence[Path], model: OwnMachineModel, rows: Sequence[tuple[Floats, Flags]], **fit: int
    ) -> None:
        self._files, self._model, self._rows = files, model, rows
        self._seed, self._jobs = fit["seed"], fit["jobs"]

    def in_turn(self, dealt: Dealt, *, all_at_last: bool = False) -> _InTurn:
        """Each scene by the networks of its fold. all_at_last: and networks that have met all."""
        fit = partial(self._fit, dealt, all_at_last)
        two = [self._seed, self._seed + 1]
        relative = fit(self._rows, hidden=RELATIVE_HIDDEN, penalty=_PENALTY, step=1e-3, seeds=two[:1], dtype=np.float32)
        of_fold = [replace(self._model, relative=network) for network in relative]
        told = _each(_crack_rows, [(p, of_fold[f]) for p, f in zip(self._files, dealt.judge, strict=True)], self._jobs)
        rows = [(numbers[taught], cracks[taught]) for numbers, taught, cracks in told]
        crack = fit(rows, hidden=CRACK_HIDDEN, penalty=_PENALTY, step=2e-3, seeds=two)
        odds = [_forward(crack[fold], numbers) for (numbers, *_), fold in zip(told, dealt.judge, strict=True)]
        seen = _each(_begun_rows, list(zip(self._files, odds, strict=True)), self._jobs)
        rows = [(one.numbers[one.taught], one.begun[one.taught]) for one in seen]
        start = fit(rows, hidden=BEGUN_HIDDEN, penalty=_BEGUN_PENALTY, step=2e-3, seeds=two)
        courses = [replace(o, numbers=_forward(start[f], o.numbers)) for o, f in zip(seen, dealt.judge, strict=True)]
        networks = list(zip(relative, crack, start, strict=True))
        return _InTurn(networks, courses, odds, [int(cracks.sum()) for *_, cracks in told])

    def _fit(
        self, dealt: Dealt, all_at_last: bool, rows: Sequence[tuple[npt.NDArray[Any], Flags]], **fit: Any
    ) -> list[Network]:
        """The network of each fold, and of all."""
        folds = [*range(FOLDS), None] if all_at_last else [*range(FOLDS)]
        pools = (
            pooled([row for row, away in zip(rows, dealt.kept_from, strict=True) if fold not in away], seed=self._seed)
            for fold in folds
        )
        return _each(partial(_fit_rows, **fit), pools, self._jobs)


def _fit_rows(rows: tuple[npt.NDArray[Any], Flags], **fit: Any) -> Network:
    return fit_network(*rows, **fit)


def _probable(path: Path, own: Doubles) -> ContextRows:
    """The candidates of a scene with their probabilities on its machine."""
    scene = MachineScene.load(path)
    none = np.zeros((0, 0)), np.zeros(0, np.bool_)
    return ContextRows(*none, scene.times, 1 / (1 + np.exp(-own)), scene.truth)


def average_machine(files: Sequence[Path], *, seed: int) -> AdaptationModel:
    """Of the candidates that are no cracks, and of the cracks in kinds (k-means over the scenes' means).

    Raises SettingError when the scenes lack either.
    """
    from sklearn.cluster import KMeans

    vectors: list[Floats] = []
    machine: list[Doubles] = []
    cracks: list[Doubles] = []
    for scene in map(MachineScene.load, files):
        labels, points = scene.labels(), scene.points()
        own = np.flatnonzero(labels == OTHER)[::5]
        vectors.append(scene.vectors[own].astype(np.float32))
        machine.append(points[own])
        cracks.append(points[labels > OTHER])
    means = np.array([of_scene.mean(axis=0) for of_scene in cracks if len(of_scene) >= _LEAST_CRACKS])
    if len(means) < KINDS or not any(len(one) for one in machine):
        raise SettingError("the scenes on machines at hand lack cracks or anything else; ask for more scenes")
    kinds = KMeans(KINDS, random_state=seed, n_init=4).fit(means).cluster_centers_
    x, own_points, all_cracks = np.concatenate(vectors), np.concatenate(machine), np.concatenate(cracks)
    return AdaptationModel(
        x.mean(axis=0, dtype=np.float64),
        np.maximum(x.std(axis=0, dtype=np.float64), 1e-3),
        own_points.mean(axis=0),
        np.cov(own_points.T),
        np.vstack([all_cracks.mean(axis=0), kinds]),
        np.cov(all_cracks.T),
    )


def _untaught(adaptation: AdaptationModel) -> OwnMachineModel:
    """Networks that answer nothing."""
    sizes = features.COUNT, len(crack_names(len(adaptation.crack_means) - 1)), begun.COUNT
    relative, crack, start = (_constant(size) for size in sizes)
    return OwnMachineModel(adaptation, relative, crack, start, 1.0)


def _constant(inputs: int) -> Network:
    weights = np.zeros((1, inputs, 1)), np.zeros((1, 1, 1))
    return Network(np.zeros(inputs), np.ones(inputs), weights, (np.zeros((1, 1)), np.zeros((1, 1))))


def replayed(scene: MachineScene, machine: OwnMachine) -> Iterator[float | None]:
    """Everything once more, see :func:`crackdetect.deciding.replay.replay`."""
    vectors, hidden = scene.vectors.astype(np.float32), scene.hidden.astype(np.float32)
    *numbers, probabilities = scene.candidates.T.tolist()
    asked = map(AskedCandidate, *numbers, map(Sound, vectors, hidden), probabilities)
    ticks = (
        AskedTick(int(count), number, observed_s, hmm_log_odds, bool(quiet))
        for number, (count, observed_s, hmm_log_odds, quiet) in enumerate(scene.ticks.tolist())
    )
    return replay(asked, ticks, machine)


def _relative_rows(numbered: tuple[int, Path], *, model: OwnMachineModel, seed: int) -> tuple[Floats, Flags]:
    """Relative features of a scene's cracks and of a share of the rest, and which are cracks."""
    number, path = numbered
    scene = MachineScene.load(path)
    labels, rng = scene.labels(), np.random.default_rng([seed, number, 11])
    in_context = np.array([log_odds_of(p) for p in scene.candidates[:, 4]])
    chance = rng.random(len(labels))
    doubtful = (in_context > _DOUBTFUL_FROM) & (chance < _DOUBTFUL_SHARE)
    taught = (labels > OTHER) | ((labels == OTHER) & ((chance < _HOPELESS_SHARE) | doubtful))
    machine = OwnMachine(model)
    rows = [machine.relative_vector for odds in replayed(scene, machine) if odds is not None]
    return np.array(rows, np.float32).reshape(-1, features.COUNT)[taught], labels[taught] > OTHER


def _crack_rows(work: tuple[Path, OwnMachineModel]) -> tuple[Doubles, Flags, Flags]:
    """What the network ``crack`` sees of each candidate, whether it teaches anything, and whether it is a crack."""
    path, model = work
    scene, machine = MachineScene.load(path), OwnMachine(model)
    rows = [machine.crack_numbers for odds in replayed(scene, machine) if odds is not None]
    labels = scene.labels()
    width = model.crack.inputs
    return np.array(rows, np.float64).reshape(-1, width), labels != IGNORED, labels > OTHER


def _begun_rows(work: tuple[Path, Doubles]) -> Course:
    """What the network ``begun`` sees of each second, for the answers of the network ``crack``."""
    path, own = work
    scene, counts = MachineScene.load(path), BegunNumbers()
    in_context = [log_odds_of(p) for p in scene.candidates[:, 4].tolist()]
    log_odds = list(zip(in_context, (limited(odds) for odds in own.tolist()), strict=True))
    times, quiet_s, number, rows = scene.times.tolist(), 0.0, 0, []
    for tick, (count, observed_s, hmm_log_odds, quiet) in enumerate(scene.ticks.tolist()):
        end = (tick + 1) * TICK_S
        for i in range(number, number + int(count)):
            counts.push(times[i], log_odds[i])
            if quiet:
                counts.own(quiet_s + max(0.0, times[i] - (end - observed_s)), log_odds[i])
        number += int(count)
        quiet_s += observed_s if quiet else 0.0
        if end == int(end):
            rows.append(counts.of_second(end, quiet_s=quiet_s, hmm_log_odds=hmm_log_odds))
    seconds = np.arange(1, len(rows) + 1, dtype=np.float64)
    start, end_s = scene.truth.first_crack_start_s, scene.truth.first_crack_end_s
    since = np.full(len(rows), -np.inf) if start is None else seconds - start
    until = _UNTIL_S if start is None or end_s is None else min(_UNTIL_S, end_s - start)
    numbers = np.array(rows).reshape(-1, begun.COUNT)
    taught = (since <= until) & (seconds >= _FROM_S) & (not begun_before(scene.truth))
    return Course(seconds, numbers, since >= 0, taught, scene.truth, bool(scene.families))


def _each(work: Callable[[Any], Any], things: Iterable[Any], jobs: int) -> list[Any]:
    return [found for _, found in imap(work, things, jobs=jobs, cluster=None, ordered=True)]


def pooled(rows: Sequence[tuple[npt.NDArray[Any], Flags]], *, seed: int) -> tuple[npt.NDArray[Any], Flags]:
    """Numbers and answers of all scenes one below the other; of more than MOST_ROWS so many, drawn at random."""
    ends = np.cumsum([len(y) for _, y in rows])
    kept = np.ones(int(ends[-1]) if len(ends) else 0, np.bool_)
    if len(kept) > MOST_ROWS:
        kept[np.random.default_rng(seed).permutation(len(kept))[MOST_ROWS:]] = False
    of_scene = np.split(kept, ends[:-1])
    numbers = np.concatenate([x[own] for (x, _), own in zip(rows, of_scene, strict=True)])
    return numbers, np.concatenate([y[own] for (_, y), own in zip(rows, of_scene, strict=True)])


def fit_network(
    numbers: npt.NDArray[Any],
    true: Flags,
    *,
    hidden: tuple[int, ...],
    penalty: float,
    step: float,
    seeds: Sequence[int],
    dtype: type[np.floating[Any]] = np.float64,
) -> Network:
    """The network of least log loss, an average over the seeds.

    Parameters
    ----------
    numbers : numpy.ndarray, shape (n, inputs)
    true : numpy.ndarray of bool, shape (n,)
    hidden, penalty, step, seeds
        See :func:`crackdetect.train.network.fitted`.
    dtype
        Of the network.

    Raises
    ------
    SettingError
        When one of the two answers is missing.
    MissingPartError
        Without scikit-learn.
    """
    if not 0 < true.sum() < len(true):
        raise SettingError("the scenes on machines at hand lack cracks or anything else; ask for more scenes")
    mean = numbers.mean(axis=0, dtype=np.float64)
    scale = np.maximum(numbers.std(axis=0, dtype=np.float64), 1e-3)
    inputs = ((numbers - mean) / scale).astype(np.float32)
    members = fitted(inputs, true.astype(np.int64), hidden=hidden, penalty=penalty, step=step, seeds=seeds)
    weights, biases = (tuple(array.astype(dtype) for array in layer) for layer in layers_of(members))
    return Network(mean.astype(dtype), scale.astype(dtype), weights, biases)


def shifted(network: Network, nats: float) -> Network:
    """The network whose answers are so many nats larger."""
    *biases, last = network.biases
    return replace(network, biases=(*biases, last + nats / len(last)))


def _forward(network: Network, numbers: Doubles) -> Doubles:
    """Answers to rows of numbers, float64 (n,)."""
    return network.forward(numbers)[:, 0].astype(np.float64) if len(numbers) else np.zeros(0)
