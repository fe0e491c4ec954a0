"""What every stage must do, whatever it computes. A stage that is not in the table fails the suite."""

from __future__ import annotations

import copy
import dataclasses
import importlib
import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from clicks import candidates_of, clicks_in_noise
from conftest import JUDGE, MARKS

from crackdetect import features
from crackdetect.classify import Classifier, Model
from crackdetect.features import Features
from crackdetect.handling import Handling, HandlingSettings
from crackdetect.health import Health
from crackdetect.level import LevelMeter
from crackdetect.onset import CELL, Cell, Onset
from crackdetect.phase import TICK_S, Mark, Phase, ScoreModel
from crackdetect.spectrum import BandSplitter, present_bands

RATE = 16_000
MODULES = ("spectrum", "onset", "features", "classify", "level", "health", "phase", "handling")
#: Public classes that take no stream, each with the reason.
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


def _ticks() -> list[tuple[list[Mark], int]]:
    rng = np.random.default_rng(2)
    marks: list[list[Mark]] = []
    for tick in range(240):
        count = rng.poisson(0.02 if tick < 140 else 0.6)
        times = sorted(rng.uniform(tick * TICK_S, (tick + 1) * TICK_S, count))
        drawn = [(rng.normal(3, 2), rng.normal(-2, 1), rng.random(), rng.exponential()) for _ in times]
        marks.append([Mark(time, *map(float, numbers)) for time, numbers in zip(times, drawn, strict=True)])
    return list(zip(marks, range(240), strict=True))


def _cells() -> list[list[Cell]]:
    """A minute of noise that swells for three seconds, in irregular portions, one of them with a gap before it."""
    rng = np.random.default_rng(4)
    swelling = np.where(np.arange(320) // 16 == 6, 3.0, 1.0)
    ranked = np.sort(rng.chisquare(16, (320, CELL, 8)), axis=1)[:, [63, 95, 119]] * swelling[:, None, None]
    cells = [Cell(i if i < 200 else i + 5, levels.astype(np.float32)) for i, levels in enumerate(ranked)]
    return [cells[start:stop] for start, stop in ((0, 1), (1, 150), (150, 151), (151, 320))]


def _level(stage: LevelMeter, samples: np.ndarray) -> float:
    stage.push(samples)
    return stage.snr_db(max(0, stage._end - 200), 0.01)


TABLE: dict[type, Stage] = {
    BandSplitter: Stage(
        lambda model: BandSplitter(samplerate=RATE), _samples, BandSplitter.push, empty=np.zeros(0, np.float32)
    ),
    Onset: Stage(
        lambda model: Onset(bands=present_bands(RATE)),
        _frames,
        lambda stage, frames: (stage.push(frames), list(stage.heard), list(stage.cells)),
        empty=BandSplitter(samplerate=RATE).push(np.zeros(0, np.float32)),
    ),
    Features: Stage(lambda model: Features(), _candidates, Features.push, empty=[]),
    Classifier: Stage(Classifier, _vectors, Classifier.push, empty=np.zeros((0, features.COUNT), np.float32)),
    LevelMeter: Stage(lambda model: LevelMeter(samplerate=RATE), _samples, _level, empty=np.zeros(0, np.float32)),
    Health: Stage(lambda model: Health(samplerate=RATE), _samples, Health.push, empty=np.zeros(0, np.float32)),
    Phase: Stage(
        lambda model: Phase(ScoreModel.from_marks(MARKS), JUDGE),
        _ticks,
        lambda stage, given: stage.push(given[0], tick=given[1], observed_s=TICK_S),
        no_empty="a tick without marks is time that passed, which is evidence",
    ),
    Handling: Stage(
        lambda model: Handling(cell_s=0.192, settings=HandlingSettings(level=0.0)),
        _cells,
        lambda stage, cells: stage.push(cells, awaiting="charge"),
        empty=[],
    ),
}
STAGES = pytest.mark.parametrize("stage", TABLE.values(), ids=[kind.__name__ for kind in TABLE])


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
    for name in MODULES:
        module = importlib.import_module(f"crackdetect.{name}")
        for kind in vars(module).values():
            if not inspect.isclass(kind) or kind.__module__ != module.__name__ or kind.__name__.startswith("_"):
                continue
            if hasattr(kind, "push"):
                assert kind in TABLE, f"{name}.{kind.__name__} is a stage: put it into TABLE"
                assert hasattr(kind, "reset"), f"{name}.{kind.__name__} cannot be reset"
            elif kind.__name__ not in NOT_STAGES:
                if issubclass(kind, tuple):
                    continue
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
