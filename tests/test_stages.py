"""What every stage of hearing and deciding must do, whatever it computes. One that is not in the table fails the suite.

A stage is a class with state: it takes something in and can be reset.
"""

from __future__ import annotations

import copy
import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from clicks import candidates_of, clicks_in_noise
from conftest import AVERAGE, CONTEXT, OWN_MACHINE, POINT, SCORES

from crackdetect import deciding, hearing
from crackdetect.deciding.adaptation import Adaptation
from crackdetect.deciding.background import Background, BackgroundSettings
from crackdetect.deciding.begun import BegunNumbers
from crackdetect.deciding.context import ContextClassifier, HeardCandidate
from crackdetect.deciding.dating import StrayClumps
from crackdetect.deciding.first_crack import FirstCrackHMM
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachine
from crackdetect.deciding.ranks import OwnRanks
from crackdetect.deciding.recent import TICK_S, Recent
from crackdetect.deciding.score_model import KIND_BINS, SCORE_BINS
from crackdetect.deciding.second_crack import SecondCrack, SecondCrackFound, SecondCrackSettings
from crackdetect.deciding.ticks import Tick, TickGrid
from crackdetect.deciding.tracker import PhaseTracker, ScoredCandidate
from crackdetect.hearing import features
from crackdetect.hearing.chain import Heard, HearingChain
from crackdetect.hearing.charge_drop import ChargeDropDetector, ChargeDropSettings
from crackdetect.hearing.classifier import Classifier, Sound
from crackdetect.hearing.features import Features
from crackdetect.hearing.health import Health
from crackdetect.hearing.level import LevelMeter
from crackdetect.hearing.onset import CELL, Cell, HeardFrames, Onset
from crackdetect.hearing.spectrum import BandSplitter, present_bands
from crackdetect.model import Model

RATE = 16_000
MODULES = [
    f"{room.__name__}.{module.name}" for room in (hearing, deciding) for module in pkgutil.iter_modules(room.__path__)
]
#: Public classes that are neither stages nor frozen values, each with the reason.
NOT_STAGES: dict[str, str] = {}


@dataclass(frozen=True)
class Stage:
    """make: a new stage, as the pipeline makes it. inputs: what it is fed, in order. feed: one input -> what it says.

    empty: an input that holds nothing and must change nothing, or the reason why there is none.
    """

    make: Callable[[Model], Any]
    inputs: Callable[[], Sequence[Any]]
    feed: Callable[[Any, Any], Any]
    empty: Any = None
    no_empty: str = ""


def _samples() -> list[np.ndarray]:
    sound = clicks_in_noise([0.8, 1.1, 1.107, 1.5, 2.2], samplerate=RATE, duration_s=3)
    sound[20_000:20_200] = 1.0
    return np.split(sound, [1, 5_000, 5_050, 23_456])


def _frames() -> list[Any]:
    splitter = BandSplitter(samplerate=RATE)
    return [splitter.push(part) for part in _samples()]


def _candidates() -> list[list[Any]]:
    """In irregular portions."""
    candidates = candidates_of(np.concatenate(_samples()), samplerate=RATE)[1]
    return [candidates[:1], candidates[1:4], candidates[4:]]


def _vectors() -> list[np.ndarray]:
    stage = Features()
    return [stage.push(candidates) for candidates in _candidates()]


def _ticks() -> list[tuple[list[ScoredCandidate], int]]:
    rng = np.random.default_rng(2)
    marks: list[list[ScoredCandidate]] = []
    for tick in range(240):
        count = rng.poisson(0.02 if tick < 140 else 0.6)
        times = sorted(rng.uniform(tick * TICK_S, (tick + 1) * TICK_S, count))
        drawn = [(rng.normal(3, 2), rng.normal(-2, 1), rng.random(), rng.exponential()) for _ in times]
        drawn = [(*numbers, numbers[-1]) for numbers in drawn]
        marks.append([ScoredCandidate(time, *map(float, numbers)) for time, numbers in zip(times, drawn, strict=True)])
    return list(zip(marks, range(240), strict=True))


def _scored() -> list[tuple[float, float, float, float]]:
    """Time, crack_llr, second_vs_first_llr and strength of a minute of candidates."""
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0, 60, 90))
    numbers = np.stack([times, rng.normal(2, 3, 90), rng.normal(-2, 2, 90), rng.exponential(1, 90)], axis=1)
    return [tuple(row) for row in numbers.tolist()]


def _sounds() -> list[tuple[float, float, float, float, Sound]]:
    """The same, with what the classifier saw; twice a second, so that something is learnt in them."""
    rng = np.random.default_rng(7)
    vectors = rng.normal(size=(90, features.COUNT)).astype(np.float32)
    hidden = rng.exponential(size=(90, POINT - 1)).astype(np.float32)
    return [(*one, Sound(*heard)) for one, heard in zip(_scored(), zip(vectors, hidden, strict=True), strict=True)]


def _sounds_of_ticks() -> list[tuple[list[tuple[float, float, float, float, Sound]], int]]:
    sounds = _sounds()
    return [([one for one in sounds if tick <= one[0] / TICK_S < tick + 1], tick) for tick in range(240)]


def _adapted(stage: Adaptation, given: tuple[float, float, float, float, Sound]) -> Any:
    time, crack_llr, _, _, sound = given
    (point,) = stage.points([sound], [crack_llr])
    stage.own(time, sound.vector, point)
    stage.learn(time)
    return stage.relative(sound.vector), stage.sds(point)


def _ranked(stage: OwnRanks, given: tuple[float, float, float, float]) -> list[float]:
    time, *values = given
    stage.own(time, time, values)
    stage.sort(time)
    return stage.ranks(values)


def _begun(stage: BegunNumbers, given: tuple[float, float, float, float]) -> np.ndarray:
    time, in_context, _, here = given
    stage.push(time, (in_context, here))
    stage.own(time, (in_context, here))
    return stage.of_second(time + 0.1, quiet_s=time, hmm_log_odds=here)


def _on_this_machine(stage: OwnMachine, given: tuple[list[tuple[float, float, float, float, Sound]], int]) -> Any:
    candidates, tick = given
    said = stage.push([AskedCandidate(*one, probability=0.5) for one in candidates])
    end = (tick + 1) * TICK_S
    return said, stage.close_tick(end, observed_s=TICK_S, hmm_log_odds=-3.0, quiet=tick < 200), stage.begun_numbers


def _tracked(stage: PhaseTracker, given: tuple[list[tuple[float, float, float, float, Sound]], int]) -> Any:
    judged = stage.judge([HeardCandidate(*one) for one in given[0]])
    said = stage.push([one.candidate for one in judged], tick=given[1], observed_s=TICK_S)
    return judged, said, stage.begun_log_odds


def _counts(bins: int) -> list[np.ndarray]:
    """Of 400 ticks, with a chorus in the second half."""
    rng = np.random.default_rng(5)
    return [rng.poisson(0.02 if tick < 200 else 0.3, bins).astype(float) for tick in range(400)]


def _bins() -> list[list[tuple[int, float]]]:
    """Bins and backgrounds of the candidates of 400 ticks."""
    return [[(b, 0.05) for b in np.repeat(np.arange(SCORE_BINS), n.astype(int)).tolist()] for n in _counts(SCORE_BINS)]


def _remembered(recent: Recent, given: tuple[float, float, float, float]) -> Any:
    time, weight, _, probability = given
    recent.add(time, weight=max(weight, 0.0), probability=min(probability, 1.0))
    recent.close_tick(time + TICK_S, observed_s=TICK_S)
    return recent.heard_since(time - 9), recent.cracks_since(time - 5), recent.weights_since(time - 5)


def _learnt(background: Background, counts: np.ndarray) -> np.ndarray:
    if counts.sum() > 4:
        background.withhold(counts, TICK_S, ripen=True)
    else:
        background.learn(counts, TICK_S)
    return background.rates


def _second(stage: SecondCrack, kinds: np.ndarray) -> SecondCrackFound | None:
    stage.learn(kinds, of_first_crack=False)
    return stage.push(kinds, now=100.0, observed_s=TICK_S)


def _cells() -> list[list[Cell]]:
    """A minute of noise that swells for three seconds, in irregular portions, one of them with a gap before it."""
    rng = np.random.default_rng(4)
    swelling = np.where(np.arange(320) // 16 == 6, 3.0, 1.0)
    ranked = np.sort(rng.chisquare(16, (320, CELL, 8)), axis=1)[:, [63, 95, 119]] * swelling[:, None, None]
    cells = [Cell(i if i < 200 else i + 5, levels.astype(np.float32)) for i, levels in enumerate(ranked)]
    return [cells[start:stop] for start, stop in ((0, 1), (1, 150), (150, 151), (151, 320))]


def _judged() -> list[Heard]:
    frames = [0, 100, 101, 700, 701, 1500]
    audible = np.random.default_rng(6).random(1500) < 0.9
    return [Heard((), HeardFrames(first, audible[first:last]), (), last) for first, last in pairwise(frames)]


def _close(stage: TickGrid, heard: Heard) -> list[Tick]:
    stage.hear(heard.frames, heard.cells)
    return list(stage.close(heard.judged))


def _level(stage: LevelMeter, samples: np.ndarray) -> float:
    stage.push(samples)
    return stage.snr_db(max(0, stage._end - 200), 0.01)


_TIME_PASSED = "a tick without candidates is time that passed, which is evidence"
TABLE: dict[type, Stage] = {
    BandSplitter: Stage(
        lambda model: BandSplitter(samplerate=RATE), _samples, BandSplitter.push, empty=np.zeros(0, np.float32)
    ),
    Onset: Stage(
        lambda model: Onset(bands=present_bands(RATE)),
        _frames,
        Onset.push,
        empty=BandSplitter(samplerate=RATE).push(np.zeros(0, np.float32)),
    ),
    Features: Stage(lambda model: Features(), _candidates, Features.push, empty=[]),
    Classifier: Stage(
        lambda model: Classifier(model.classifier),
        _vectors,
        Classifier.push,
        empty=np.zeros((0, features.COUNT), np.float32),
    ),
    HearingChain: Stage(
        lambda model: HearingChain(samplerate=RATE, model=model.classifier),
        _samples,
        HearingChain.push,
        empty=np.zeros(0, np.float32),
    ),
    TickGrid: Stage(lambda model: TickGrid(samplerate=RATE, hop=24), _judged, _close, empty=Heard((), None, (), 0)),
    LevelMeter: Stage(lambda model: LevelMeter(samplerate=RATE), _samples, _level, empty=np.zeros(0, np.float32)),
    Health: Stage(lambda model: Health(samplerate=RATE), _samples, Health.push, empty=np.zeros(0, np.float32)),
    PhaseTracker: Stage(
        lambda model: PhaseTracker(SCORES, CONTEXT),
        _ticks,
        lambda stage, given: stage.push(given[0], tick=given[1], observed_s=TICK_S),
        no_empty=_TIME_PASSED,
    ),
    OwnMachine: Stage(lambda model: OwnMachine(OWN_MACHINE), _sounds_of_ticks, _on_this_machine, no_empty=_TIME_PASSED),
    Adaptation: Stage(
        lambda model: Adaptation(AVERAGE), _sounds, _adapted, no_empty="it takes one candidate at a time"
    ),
    OwnRanks: Stage(lambda model: OwnRanks(3), _scored, _ranked, no_empty="it takes one candidate at a time"),
    BegunNumbers: Stage(lambda model: BegunNumbers(), _scored, _begun, no_empty="it takes one candidate at a time"),
    ContextClassifier: Stage(
        lambda model: ContextClassifier(CONTEXT),
        _scored,
        lambda stage, given: stage.push([HeardCandidate(*given)], log_odds=0.0),
        no_empty="it takes one candidate at a time",
    ),
    FirstCrackHMM: Stage(
        lambda model: FirstCrackHMM(crack=SCORES.crack, burst=SCORES.burst, tick_s=TICK_S),
        _bins,
        lambda stage, given: stage.push(given, observed_s=TICK_S),
        no_empty=_TIME_PASSED,
    ),
    SecondCrack: Stage(
        lambda model: SecondCrack(SCORES, settings=SecondCrackSettings()),
        lambda: _counts(KIND_BINS),
        _second,
        no_empty=_TIME_PASSED,
    ),
    Background: Stage(
        lambda model: Background(SCORES, keep_s=60.0, settings=BackgroundSettings(lag_s=2.0)),
        lambda: _counts(SCORE_BINS),
        _learnt,
        no_empty=_TIME_PASSED,
    ),
    StrayClumps: Stage(
        lambda model: StrayClumps(detected=0.9, share=0.2, length_s=0.3),
        _scored,
        lambda stage, given: stage.push(given[0], crack_llr=given[1], weight=max(given[3], 0.0)),
        no_empty="it takes one candidate at a time",
    ),
    Recent: Stage(lambda model: Recent(keep_s=20.0), _scored, _remembered, no_empty=_TIME_PASSED),
    ChargeDropDetector: Stage(
        lambda model: ChargeDropDetector(cell_s=0.192, settings=ChargeDropSettings(level=0.0)),
        _cells,
        lambda stage, cells: stage.push(cells, awaiting="charge"),
        empty=[],
    ),
}
#: The tracker once more, where the machine at hand is learnt.
LEARNING = Stage(
    lambda model: PhaseTracker(SCORES, CONTEXT, OWN_MACHINE), _sounds_of_ticks, _tracked, no_empty=_TIME_PASSED
)
STAGES = pytest.mark.parametrize(
    "stage", [*TABLE.values(), LEARNING], ids=[*(kind.__name__ for kind in TABLE), "PhaseTracker that learns"]
)


def _plain(value: Any) -> Any:
    """A value that can be compared with ``==`` and does not change afterwards."""
    if isinstance(value, np.ndarray):
        return value.shape, value.dtype.str, value.tobytes()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return type(value).__name__, [_plain(getattr(value, field.name)) for field in dataclasses.fields(value)]
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _freeze(value: Any) -> Any:
    """The same value with every array made read-only, so that writing into it raises."""
    if isinstance(value, np.ndarray):
        value.setflags(write=False)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            _freeze(getattr(value, field.name))
    elif isinstance(value, (list, tuple)):
        for item in value:
            _freeze(item)
    return value


def _run(stage: Stage, instance: Any, inputs: Sequence[Any]) -> list[Any]:
    return [_plain(stage.feed(instance, item)) for item in inputs]


def test_every_stage_is_in_the_table() -> None:
    assert len(MODULES) > 12
    for name in MODULES:
        module = importlib.import_module(name)
        for kind in vars(module).values():
            if not inspect.isclass(kind) or kind.__module__ != name or kind.__name__.startswith("_"):
                continue
            if hasattr(kind, "push") or hasattr(kind, "reset"):
                assert kind in TABLE, f"{name}.{kind.__name__} is a stage: put it into TABLE"
                assert hasattr(kind, "reset"), f"{name}.{kind.__name__} cannot be reset"
            elif kind.__name__ not in NOT_STAGES and not issubclass(kind, tuple):
                parameters = getattr(kind, "__dataclass_params__", None)
                assert parameters is not None, f"{name}.{kind.__name__}: neither a stage nor a value"
                assert parameters.frozen, f"{name}.{kind.__name__} can be changed after it was made"


@STAGES
def test_the_inputs_make_the_stage_speak(stage: Stage, plain_model: Model) -> None:
    said = _run(stage, stage.make(plain_model), stage.inputs())
    assert len({repr(item) for item in said}) > 1


@STAGES
def test_the_same_input_gives_the_same_output(stage: Stage, plain_model: Model) -> None:
    inputs = stage.inputs()
    one, two = stage.make(plain_model), stage.make(plain_model)
    together = [(_plain(stage.feed(one, item)), _plain(stage.feed(two, item))) for item in inputs]

    assert [first for first, _ in together] == [second for _, second in together]


@STAGES
def test_reset_equals_new(stage: Stage, plain_model: Model) -> None:
    inputs = stage.inputs()
    expected = _run(stage, stage.make(plain_model), inputs)
    used = stage.make(plain_model)
    for stop in (len(inputs), 1, len(inputs) // 2, 0):
        _run(stage, used, inputs[:stop])
        used.reset()

    assert _run(stage, used, inputs) == expected


@STAGES
def test_the_input_is_not_written_to(stage: Stage, plain_model: Model) -> None:
    inputs = stage.inputs()
    before = [_plain(copy.deepcopy(item)) for item in inputs]
    expected = _run(stage, stage.make(plain_model), stage.inputs())

    assert _run(stage, stage.make(plain_model), _freeze(list(inputs))) == expected
    assert [_plain(item) for item in inputs] == before


@STAGES
def test_what_was_said_is_not_changed_later(stage: Stage, plain_model: Model) -> None:
    instance = stage.make(plain_model)
    said = []
    for item in stage.inputs():
        answer = stage.feed(instance, item)
        said.append((answer, _plain(answer)))

    assert [_plain(answer) for answer, _ in said] == [then for _, then in said]


@STAGES
def test_an_empty_input_changes_nothing(stage: Stage, plain_model: Model) -> None:
    if stage.no_empty:
        assert stage.empty is None
        return
    expected = _run(stage, stage.make(plain_model), stage.inputs())
    instance = stage.make(plain_model)
    said = []
    for item in stage.inputs():
        stage.feed(instance, stage.empty)
        said.append(_plain(stage.feed(instance, item)))
        stage.feed(instance, stage.empty)

    # frames and candidates know where they stand, so an empty block shows in nothing at all
    assert said == expected
