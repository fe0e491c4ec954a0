"""A recording that passes at a chosen pace."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from test_alerts import event, start

from crackdetect.audio.playback import Playback, Tempo
from crackdetect.blocks import Block
from crackdetect.listening.demonstration import COMING_SPEED, Unhurried
from crackdetect.roast.state import RoastState


def test_speed_paces_the_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    monkeypatch.setattr("time.sleep", sleep)

    class Blocks:
        samplerate, kind, name, duration_s = 1_000, "file", "x", 0.3

        def __iter__(self) -> Iterator[Block]:
            for _ in range(3):
                clock[0] += 0.01  # reading takes time as well
                yield Block(np.zeros(100, np.float32))

    passed: list[float] = []
    playback = Playback(Blocks(), speed=2.0, progress=passed.append)  # type: ignore[arg-type]  # a stand-in
    assert len(list(playback)) == 3
    # 100 ms of sound at twice real time is 50 ms, 10 of which went into reading
    assert slept == pytest.approx([0.04, 0.04, 0.04])
    assert passed == pytest.approx([0.1, 0.2, 0.3])
    assert playback.ended


def test_what_comes_before_the_wanted_part_passes_as_fast_as_possible(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    monkeypatch.setattr("time.sleep", sleep)

    class Blocks:
        samplerate, kind, name, duration_s = 1_000, "file", "x", 0.5

        def __iter__(self) -> Iterator[Block]:
            for _ in range(5):
                clock[0] += 0.01
                yield Block(np.zeros(100, np.float32))

    assert len(list(Playback(Blocks(), speed=2.0, from_s=0.3))) == 5  # type: ignore[arg-type]  # a stand-in
    # three blocks pass at once; of each 50 ms of the others 10 went into reading
    assert slept == pytest.approx([0.04, 0.04])


def test_a_clock_whose_speed_changes_never_jumps(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    tempo = Tempo(20.0)
    clock[0] += 3.0
    assert tempo.now() == pytest.approx(60.0)
    tempo.change(2.0)
    assert tempo.now() == pytest.approx(60.0)
    clock[0] += 3.0
    assert tempo.now() == pytest.approx(66.0)


def test_while_pops_are_coming_a_demonstration_takes_its_time() -> None:
    state, tempo = RoastState(), Tempo(20.0)
    unhurried = Unhurried(state, tempo)
    speeds = []
    rate = {"per_minute": 9.0, "low": 1.0, "high": 20.0}
    for one in (
        start(),
        event("density", 60.0, **rate, begun=0.1),
        event("density", 61.0, **rate, begun=0.9),
        event("density", 62.0, **rate, begun=0.9),
        event("first_crack.start", 58.0, 63.0, earliest=55.0, latest=60.0, confidence=0.99),
    ):
        state.apply(one)
        unhurried.send(one)
        speeds.append(tempo.speed)
    assert speeds == [20.0, 20.0, COMING_SPEED, COMING_SPEED, 20.0]


class _SlowBlocks:
    """Three seconds of sound; each takes 2 s to be heard."""

    samplerate, kind, name, duration_s = 1_000, "file", "x", 3.0

    def __init__(self, clock: list[float]) -> None:
        self._clock = clock

    def __iter__(self) -> Iterator[Block]:
        for _ in range(3):
            self._clock[0] += 2.0
            yield Block(np.zeros(1_000, np.float32))


def _never_waits(monkeypatch: pytest.MonkeyPatch, clock: list[float]) -> None:
    """Time is what ``clock`` says."""
    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    monkeypatch.setattr("time.sleep", lambda seconds: None)


def test_a_computer_that_cannot_follow_takes_the_clock_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each second of sound takes 2 s to be heard, at 10 times real time .1 s would be due."""
    clock = [100.0]
    _never_waits(monkeypatch, clock)
    tempo = Tempo(10.0)
    playback = Playback(_SlowBlocks(clock), speed=tempo)  # type: ignore[arg-type]  # a stand-in
    told = []
    for _ in playback:
        told.append(tempo.now())
        clock[0] += 60.0  # the board looks at the clock while a block is in work
        told.append(tempo.now())
        clock[0] -= 60.0
    assert told == pytest.approx([1.0, 2.0, 2.0, 3.0, 3.0, 4.0])


def test_the_clock_goes_with_what_passes_as_fast_as_possible(monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow computer, on which the part before takes longer than at its pace."""
    clock = [100.0]
    _never_waits(monkeypatch, clock)
    tempo = Tempo(10.0)
    playback = Playback(_SlowBlocks(clock), speed=tempo, from_s=3.0)  # type: ignore[arg-type]  # a stand-in
    assert [tempo.now() for _ in playback] == pytest.approx([1.0, 2.0, 3.0])
