"""Another machine than the one that was named: noticed in the first quiet minute, told once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue

import numpy as np
import pytest
from conftest import AVERAGE, OWN_MACHINE, POINT, plain_classifier
from hypothesis import given
from hypothesis import strategies as st

from crackdetect import model as model_files
from crackdetect.deciding.adaptation import within_classes
from crackdetect.deciding.machine_sums import MachineSums
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachineModel
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import Asked, AskedTick
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.listening.other_machine import listens_for_another
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.storage import machine_profiles
from crackdetect.teach.machine_profile import MachineProfile
from crackdetect.teach.whose_machine import MARGIN, WhoseMachine

HERE, THERE = np.zeros(POINT), np.array([3.0, 0.0, 0.0])


def known(mean: np.ndarray) -> OwnMachineModel:
    return replace(OWN_MACHINE, adaptation=replace(AVERAGE, machine_mean=mean))


def asked(mean: np.ndarray, *, every: int = 2, quiet: int = 400, seconds: float = 150.0) -> Iterator[Asked]:
    """A candidate every so many ticks, scattered about the mean; of 400 ticks so many are quiet."""
    rng = np.random.default_rng(4)
    for tick in range(round(seconds / TICK_S)):
        count = int(tick % every == 0)
        for _ in range(count):
            *hidden, llr = mean + rng.normal(size=POINT)
            sound = Sound(np.zeros(features.COUNT, np.float32), np.array(hidden, np.float32))
            yield AskedCandidate(tick * TICK_S, llr, 0.0, 1.0, sound, 0.1)
        yield AskedTick(count, tick, TICK_S, -5.0, tick % 400 < quiet)


def told(things: Iterator[Asked], named: str = "here", **machines: np.ndarray) -> list[tuple[float, str]]:
    check = WhoseMachine(
        named,
        {name: known(mean) for name, mean in (machines or {"here": HERE, "there": THERE}).items()},
        average=AVERAGE,
    )
    said, now = [], 0.0
    for one in things:
        name = check.push(one)
        now = (one.tick + 1) * TICK_S if isinstance(one, AskedTick) else now
        if name is not None:
            said.append((now, name))
    return said


def test_another_is_told_once_after_a_quiet_minute_and_the_right_one_never() -> None:
    assert told(asked(THERE)) == [(60.0, "there")]
    assert told(asked(HERE)) == []
    assert told(asked(HERE), named="there") == [(60.0, "here")]


def test_what_speaks_for_first_crack_is_not_the_machine_and_after_two_minutes_what_there_is_decides() -> None:
    assert told(asked(THERE, quiet=320)) == [(60.0, "there")]
    assert told(asked(THERE, quiet=140, seconds=600)) == [(120.0, "there")]  # 55 quiet seconds by then
    assert told(asked(THERE, quiet=20, seconds=600)) == []  # 10 of them, with 20 sounds


def test_few_sounds_and_a_single_machine_tell_nothing() -> None:
    assert told(asked(THERE, every=10)) == []  # 24 of them
    assert told(asked(THERE), here=HERE) == []


@given(share=st.floats(0, 1))
def test_another_must_be_nearer_by_the_margin(share: float) -> None:
    """By scipy's Mahalanobis distance of the mean that was heard."""
    distance = pytest.importorskip("scipy.spatial.distance")
    things = list(asked(HERE + share * (THERE - HERE)))
    quiet = [np.append(one.sound.hidden, one.crack_llr) for one in things if isinstance(one, AskedCandidate)][:120]
    inverse = np.linalg.inv(within_classes(AVERAGE.machine_cov, AVERAGE.crack_cov))
    own, other = (distance.mahalanobis(np.mean(quiet, axis=0), mean, inverse) ** 2 for mean in (HERE, THERE))
    if abs(other + MARGIN - own) > 1e-6:
        assert bool(told(iter(things))) == (other + MARGIN < own)


# -- at the roaster --------------------------------------------------------------------------------------------


def profile(model: Model, machine: str, mean: np.ndarray) -> MachineProfile:
    points = mean + np.random.default_rng(1).normal(size=(3000, POINT))
    ones, vectors = np.ones(3000), np.zeros((3000, features.COUNT))
    sums = MachineSums.of(vectors, points, machine=ones, cracks=0 * ones)
    return MachineProfile(machine, model.digest, ("monday",), sums)


@pytest.mark.parametrize(
    ("other", "spoken"),
    [("red wok", 'like the other roaster, "red wok"'), ("", "like the other roaster, the one without a name")],
)
def test_the_person_is_told_in_one_sentence(tmp_path: Path, other: str, spoken: str) -> None:
    path = tmp_path / "learning.json"
    plain = plain_classifier(path)
    model_files.save(path, replace(plain, own_machine=OWN_MACHINE), golden=model_files.golden_of(path), card={})
    shipped = model_files.load(path)
    machine_profiles.adopt(profile(shipped, "drum", HERE), data=tmp_path)
    machine_profiles.adopt(profile(shipped, other, THERE), data=tmp_path)
    machine_profiles.adopt(replace(profile(shipped, "old", THERE), model="another"), data=tmp_path)
    drum = machine_profiles.knowing(shipped, "Drum", data=tmp_path, note=lambda sentence: None)

    def notices(model: Model, mean: np.ndarray) -> list[Notice]:
        queue: SimpleQueue[Notice] = SimpleQueue()
        listen = listens_for_another(shipped, model, data=tmp_path, notices=queue)
        for one in asked(mean):
            listen(one)
        return [queue.get_nowait() for _ in range(queue.qsize())]

    (notice,) = notices(drum, THERE)
    assert notice.kind == "other_machine"
    assert spoken in notice.message
    assert notices(drum, HERE) == notices(shipped, THERE) == []
