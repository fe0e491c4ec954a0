"""The stage of a roast, and what the person is told of the evidence: what was said above, the word beneath."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_alerts import begun, crack, event, mark, start

from crackdetect.deciding.tracker import TrackerSettings, evidence
from crackdetect.events import Event
from crackdetect.roast.stage import how_dense, pops, stage
from crackdetect.roast.state import COMING_FROM, COMING_UNTIL, RoastState


def told(*events: Event) -> RoastState:
    state = RoastState()
    for one in events:
        state.apply(one)
    return state


def density(at: float, begun: float | None = 0.0, per_minute: float = 91.0, low: float = 47.0) -> Event:
    more = {} if begun is None else {"begun": begun}
    return event("density", at, per_minute=per_minute, low=low, high=148.0, **more)


TARGET = start(target="1:45")
DROP = event("drop", 700.0, how="key")


@pytest.mark.parametrize(
    ("events", "now", "word"),
    [
        ([], 5.0, "listening"),
        ([density(300.0, 0.49)], 300.0, "listening"),
        ([density(300.0, 0.5)], 300.0, "pops coming"),
        ([density(300.0, 0.5), mark("first_crack.start", 301.0)], 302.0, "first crack"),
        ([density(300.0, 0.5), begun(295.0, 301.0)], 302.0, "first crack"),
        ([density(300.0, 0.5), event("drop", 301.0, how="key")], 302.0, "cooling"),
        ([TARGET, begun(560.0, 568.0)], 634.0, "first crack"),  # 31 s are left
        ([TARGET, begun(560.0, 568.0)], 635.0, "drop soon"),
        ([TARGET, begun(560.0, 568.0)], 665.0, "drop now"),
        ([TARGET, begun(560.0, 568.0)], 900.0, "drop now"),
        ([TARGET, begun(560.0, 568.0), DROP], 900.0, "cooling"),
        ([begun(560.0, 568.0)], 900.0, "first crack"),  # without a target nothing says when
        ([density(300.0, None)], 300.0, "listening"),  # of a version that did not tell the evidence
    ],
)
def test_the_stage_of_each_moment(events: list[Event], now: float, word: str) -> None:
    assert stage(told(*events), now) == word


def test_the_word_does_not_flicker_and_is_taken_back_without_harm() -> None:
    halfway = (COMING_FROM + COMING_UNTIL) / 2
    evidences = [0.1, halfway, COMING_FROM, halfway, halfway, COMING_UNTIL - 0.01, halfway]
    state, words = RoastState(), []
    for second, share in enumerate(evidences):
        state.apply(density(float(second), share))
        words.append(state.coming)
    assert words == [False, False, True, True, True, False, False]
    assert (state.first_crack, state.start_told, list(state.statements)) == (None, False, [])


@pytest.mark.parametrize("threshold", [8.0, 5.5, 10.0, 1.0, -4.0, 30.0])
def test_evidence_moves_with_the_log_odds_from_none_to_enough(threshold: float) -> None:
    shares = [evidence(odds, threshold=threshold) for odds in range(-40, 41)]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert evidence(threshold, threshold=threshold) == 1.0
    assert evidence(threshold - 0.1, threshold=threshold) < 1.0
    assert evidence(threshold - 3, threshold=threshold) == 0.5


def test_pops_are_coming_long_before_the_announcement_is_sure() -> None:
    """While the odds are still twenty times smaller than those of the announcement (arithmetic)."""
    threshold = TrackerSettings().threshold
    coming = next(odds for odds in np.arange(-20, 20, 0.01) if evidence(odds, threshold=threshold) >= COMING_FROM)
    assert math.exp(threshold - coming) == pytest.approx(20, rel=0.02)


def test_what_was_not_heard_is_no_figure() -> None:
    quiet = density(100.0, per_minute=2.0, low=0.0)
    assert how_dense(told(quiet), 100.0) == "none yet"
    assert how_dense(told(crack(50.0), quiet), 100.0) == "none in 15 s"
    assert how_dense(told(crack(50.0), crack(99.0), quiet), 100.0) == "1 pop in 15 s"
    assert how_dense(told(crack(99.0), density(100.0)), 100.0) == "91 a minute (47 to 148)"
    assert how_dense(told(crack(3.0), density(4.0)), 4.0) == "1 pop in 15 s"  # four seconds are no rate
    assert pops(told(*(crack(float(at)) for at in range(80, 100))), 99.5) == "15 pops in 15 s"
