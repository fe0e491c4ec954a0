"""The decision: candidates above, what is said beneath; and intervals that hold what they promise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from conftest import CONTEXT, SCORES

from crackdetect.deciding.background import BackgroundSettings
from crackdetect.deciding.context import HeardCandidate
from crackdetect.deciding.density import HOLD_OFF_S, Density
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.score_model import SCORE_BINS, SCORE_EDGES
from crackdetect.deciding.tracker import (
    PhaseChange,
    PhaseTracker,
    ScoredCandidate,
    TrackerSettings,
)

#: Bounds of the score bins, the outermost closed.
BOUNDS = np.array([-5.0, *SCORE_EDGES, 8.0])
#: Scores of a candidate that is surely a crack, and of one that is surely none.
SURE, CLATTER = 7.0, -4.0
FIRST, SECOND = -3.0, 4.5
#: A background that is never learnt and does not clump.
PLAIN = TrackerSettings(background=BackgroundSettings(lag_s=1e5), clump_share=0.0)

Said = list[tuple[float, Density | PhaseChange]]


def _run(
    candidates: list[ScoredCandidate],
    end_s: float,
    *,
    settings: TrackerSettings | None = None,
    lost: tuple[float, float] = (-1.0, -1.0),
) -> tuple[PhaseTracker, Said]:
    """Everything that was said, each with the time at which it was; nothing is heard within ``lost``."""
    tracker = PhaseTracker(SCORES, CONTEXT, settings=settings)
    said: Said = []
    waiting = sorted(candidates, key=lambda one: one.time)
    for tick in range(round(end_s / TICK_S)):
        now = (tick + 1) * TICK_S
        due = [one for one in waiting if one.time < now]
        waiting = waiting[len(due) :]
        heard = 0.0 if lost[0] <= now - TICK_S and now <= lost[1] else TICK_S
        said += [(now, item) for item in tracker.push(_judged(tracker, due), tick=tick, observed_s=heard)]
    return tracker, said


def _judged(tracker: PhaseTracker, candidates: list[ScoredCandidate]) -> list[ScoredCandidate]:
    asked = [HeardCandidate(one.time, one.crack_llr, one.second_vs_first_llr, 2.0) for one in candidates]
    return [judged.candidate for judged in tracker.judge(asked)]


def _candidates(times: list[float], score: float = SURE, kind: float = FIRST) -> list[ScoredCandidate]:
    return [ScoredCandidate(time, score, kind, 0.0, 0.0, 0.0) for time in times]


def _told(said: Said, what: str) -> list[tuple[float, PhaseChange]]:
    return [(now, item) for now, item in said if isinstance(item, PhaseChange) and item.what == what]


def _densities(said: Said) -> dict[float, Density]:
    return {now: item for now, item in said if isinstance(item, Density)}


def _scores(rng: np.random.Generator, shares: np.ndarray, count: int) -> np.ndarray:
    bins = rng.choice(SCORE_BINS, size=count, p=shares / shares.sum())
    return rng.uniform(BOUNDS[bins] + 1e-6, BOUNDS[bins + 1] - 1e-6)


def _roast(
    rng: np.random.Generator, rate: Callable[[np.ndarray], np.ndarray], end_s: float, *, top: float = 10.0
) -> list[ScoredCandidate]:
    """Clatter at the rates of the score model, and cracks of ``rate`` a second (thinned from ``top``)."""
    count = rng.poisson(SCORES.other_per_minute.sum() / 60 * end_s)
    times = rng.uniform(0, end_s, count).tolist()
    scores = _scores(rng, SCORES.other_per_minute, count).tolist()
    possible = rng.uniform(0, end_s, rng.poisson(top * end_s))
    cracks = possible[rng.uniform(0, top, len(possible)) < rate(possible)]
    cracks = cracks[rng.random(len(cracks)) < SCORES.detected]
    times += cracks.tolist()
    scores += _scores(rng, SCORES.crack, len(cracks)).tolist()
    return [ScoredCandidate(t, s, FIRST, 0.0, 0.0, 0.0) for t, s in sorted(zip(times, scores, strict=True))]


# -- the start of first crack ----------------------------------------------------------------------------------------


def test_silence_announces_nothing() -> None:
    """The density is what Jeffreys' prior makes of no crack in 15 s: a gamma distribution of shape 1/2."""
    _, said = _run([], 300)
    assert not [item for _, item in said if isinstance(item, PhaseChange)]
    found = _densities(said)
    assert list(found) == [float(second) for second in range(2, 301)]  # as soon as two seconds were heard
    posterior = scipy.stats.gamma(0.5, scale=60 / (SCORES.detected * 15))
    assert found[300.0].per_minute == pytest.approx(posterior.mean(), abs=0.4)
    assert found[300.0].high == pytest.approx(posterior.ppf(0.95), abs=0.8)
    assert found[300.0].low < 0.1


def test_clatter_announces_nothing() -> None:
    """Two ticks a second without the sound of a crack, for five minutes."""
    _, said = _run(_candidates(np.arange(0.1, 300, 0.5).tolist(), CLATTER), 300)
    assert not [item for _, item in said if isinstance(item, PhaseChange)]


def test_a_chorus_is_announced_and_dated_back() -> None:
    """Strays at 10 and 50 s; from 100 s on a crack a second: announced within ten of them, dated near 100 s."""
    _, said = _run(_candidates([10, 50, *np.arange(100.5, 160)]), 160)
    ((now, change),) = _told(said, "first_crack.start")

    assert 100.5 < now <= 110
    # the first crack after the start comes within a second of it; a step is steeper than any ramp of the model
    assert change.earliest <= 100 <= change.latest + 1 <= now
    assert change.time == pytest.approx(100, abs=6)
    assert 0.9 < change.confidence <= 1


@pytest.mark.xfail(strict=True, reason="5.5 s early: ramps begin slower, for on roasts dates came late")
def test_a_step_is_dated_within_five_seconds() -> None:
    _, said = _run(_candidates([10, 50, *np.arange(100.5, 160)]), 160)
    ((_, change),) = _told(said, "first_crack.start")
    assert change.time == pytest.approx(100, abs=5)


def test_twenty_seconds_of_listening_come_first() -> None:
    """A recording that begins in the chorus is announced at 20 s, not before."""
    ((now, change),) = _told(_run(_candidates(np.arange(0.5, 40).tolist()), 40)[1], "first_crack.start")
    assert now == 20.0
    assert change.earliest < 3


def test_a_burst_before_that_is_forgotten() -> None:
    """Four cracks at 1 s and silence after: nothing is announced at 20 s."""
    assert not _told(_run(_candidates([1.0, 1.5, 2.0, 2.5]), 60)[1], "first_crack.start")


def test_a_gap_is_not_silence() -> None:
    """Five cracks, 60 s, five cracks: announced at once if the 60 s were lost, later or never if they were silent."""
    candidates = _candidates([40.0, 41.0, 42.0, 43.0, 44.0, *(105.0 + np.arange(5)).tolist()])
    silent = _told(_run(candidates, 112, settings=PLAIN)[1], "first_crack.start")
    lost = _told(_run(candidates, 112, settings=PLAIN, lost=(44.5, 104.5))[1], "first_crack.start")

    assert len(lost) == 1
    assert silent == [] or silent[0][0] > lost[0][0]


def test_a_dense_chorus_is_not_a_burst_for_ever() -> None:
    """A step to 300 a minute: dense as cutlery that drops, but it does not end."""
    rng = np.random.default_rng(3)
    candidates = _roast(rng, lambda t: np.where(t > 100, 5.0, 0.0), 160, top=5.0)
    ((now, change),) = _told(_run(candidates, 160)[1], "first_crack.start")
    assert now < 120
    assert change.time == pytest.approx(100, abs=5)


def test_ten_cracks_within_two_seconds_are_no_start() -> None:
    """A clump of pops or something that fell; as many in ten seconds, and going on, are a start."""
    clump = _told(_run(_candidates(np.arange(100, 102, 0.2).tolist()), 160)[1], "first_crack.start")
    chorus = _told(_run(_candidates(np.arange(100, 120.0).tolist()), 160)[1], "first_crack.start")

    assert clump == []
    assert len(chorus) == 1


def test_surer_is_later() -> None:
    rng = np.random.default_rng(4)
    candidates = _roast(rng, lambda t: np.clip((t - 100) / 40, 0, 1) * 1.5, 180)
    announced = []
    for threshold in (3.0, 6.0, 9.0, 12.0):
        ((now, change),) = _told(
            _run(candidates, 180, settings=TrackerSettings(threshold=threshold))[1], "first_crack.start"
        )
        announced.append(now)
        # the odds behind the announcement are at least those asked for
        assert change.confidence >= round(1 / (1 + np.exp(-threshold)), 4)

    assert announced == sorted(announced)
    assert announced[-1] > announced[0]


def test_a_machine_that_ticks_like_cracks_is_learnt() -> None:
    """Ten a minute with a score of 3.5 for 150 s make candidates of that score worth less than on a quiet machine."""
    chorus = _candidates(np.arange(150.5, 200, 0.8).tolist(), 3.5)
    ticking = chorus + _candidates(np.arange(1.0, 150, 6.0).tolist(), 3.5)
    ((quiet, _),) = _told(_run(chorus, 200)[1], "first_crack.start")
    later = [now for now, _ in _told(_run(ticking, 200)[1], "first_crack.start")]

    assert quiet < 170
    assert later == [] or later[0] > quiet + 3


@pytest.mark.parametrize("dropped", [False, True])
def test_nothing_is_announced_after_the_drop(dropped: bool) -> None:
    """A chorus that is announced while the beans are in."""
    tracker = PhaseTracker(SCORES, CONTEXT)
    if dropped:
        tracker.drop()
    said = []
    for tick in range(400):
        candidates = _judged(tracker, _candidates([tick * TICK_S + 0.1]) if tick % 3 == 0 else [])
        said += tracker.push(candidates, tick=tick, observed_s=TICK_S)
    assert (tracker.first_crack is None) == dropped
    assert bool([item for item in said if isinstance(item, PhaseChange)]) != dropped


@pytest.mark.long
def test_no_false_start_in_four_hours_of_clatter_as_it_was_trained_on() -> None:
    """16 runs of 15 minutes. The odds at which it is announced are hundreds to one, and clatter scores low."""
    for seed in range(16):
        candidates = _roast(np.random.default_rng(seed), np.zeros_like, 900)
        assert not _told(_run(candidates, 900)[1], "first_crack.start")


# -- one candidate ----------------------------------------------------------------------------------------------


def _probability(tracker: PhaseTracker, time: float, crack_llr: float) -> float:
    (judged,) = tracker.judge([HeardCandidate(time, crack_llr, FIRST, 2.0)])
    return judged.candidate.probability


def test_a_probability_is_judged_against_the_clatter_of_this_machine() -> None:
    """A score of 3.5 on a machine that was quiet for three minutes, and on one that ticked with 3.5 all the while."""
    quiet, _ = _run([], 180)
    ticking, _ = _run(_candidates(np.arange(1.0, 180, 2.0).tolist(), 3.5), 180)

    assert _probability(quiet, 180.0, 3.5) > 3 * _probability(ticking, 180.0, 3.5)
    # what the machine does not do is a crack on either
    assert _probability(quiet, 180.0, SURE) > 0.9
    assert _probability(ticking, 180.0, SURE) > 0.9
    for tracker in (quiet, ticking):
        probabilities = [_probability(tracker, 180.0, score) for score in (-4.0, 0.0, 2.5, 7.0)]
        assert probabilities == sorted(probabilities)
        assert 0 <= probabilities[0] < 0.1


def test_in_a_chorus_the_same_candidate_is_likelier_a_crack() -> None:
    alone, _ = _run([], 100)
    chorus, _ = _run(_candidates(np.arange(60, 100, 0.5).tolist()), 100)
    assert _probability(chorus, 100.0, 1.5) > _probability(alone, 100.0, 1.5) + 0.1


def test_a_crack_is_of_the_second_kind_more_easily_once_second_crack_has_begun() -> None:
    rng = np.random.default_rng(0)
    first = [one for one in _first_crack(rng, 100, 190) if one.time < 230]
    before, _ = _run(first, 230)
    after, said = _run(first + _candidates(np.arange(230, 250, 0.15).tolist(), 5.0, SECOND), 250)

    assert _told(said, "second_crack.start")
    asked = [HeardCandidate(250.0, 5.0, kind, 2.0) for kind in (-1.0, 1.0, SECOND)]
    assert [judged.kind for judged in before.judge(asked)] == ["first", "first", "second"]
    assert [judged.kind for judged in after.judge(asked)] == ["first", "second", "second"]


# -- dating ----------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_nine_in_ten_intervals_hold_the_start_of_the_ramp() -> None:
    """60 ramps of known start, drawn over the lengths and peaks that the ramp model allows for.

    The number of intervals that hold the start is binomial with 0.9: fewer than 47 has a chance below 0.3 %.
    """
    assert scipy.stats.binom.cdf(46, 60, 0.9) < 0.003
    rng = np.random.default_rng(7)
    held, missed, errors = 0, 0, []
    for _ in range(60):
        start = rng.uniform(100, 160)
        length = rng.choice([5, 10, 20, 35, 60], p=[0.1, 0.25, 0.3, 0.2, 0.15])
        peak = rng.choice([25, 50, 90, 150], p=[0.2, 0.3, 0.3, 0.2]) / 60

        def rate(t: np.ndarray, start: float = start, length: float = length, peak: float = peak) -> np.ndarray:
            return np.clip((t - start) / length, 0, 1) * peak

        _, said = _run(_roast(rng, rate, start + 100), start + 100)
        announced = _told(said, "first_crack.start")
        if not announced:  # a chorus of less than 30 a minute may go by
            assert peak < 30 / 60
            missed += 1
            continue
        assert announced[0][0] > start - 5  # strays are clatter with a high score; a few seconds early may happen
        _, change = (announced + _told(said, "first_crack.refined"))[-1]
        held += change.earliest <= start <= change.latest
        errors.append(change.time - start)
        assert change.earliest <= change.time <= change.latest

    assert missed <= 6
    assert held >= 47
    assert held < 60  # an interval that always holds is too wide: by chance once in 550
    # as computed for ramp models with 30 to 60 s of data: 3 to 5 s mean absolute error, 1 to 2 s bias
    assert np.abs(errors).mean() < 6
    assert abs(np.mean(errors)) < 3


def test_a_gap_delays_nothing() -> None:
    """The start lies in the middle of two lost minutes, which must not speak for a later one. Twelve roasts; if delays
    were counted in time that was not heard, too, the dates would be 24 s late on average."""
    errors, held = [], 0
    for seed in range(12):
        candidates = _roast(np.random.default_rng(seed), lambda t: np.clip((t - 160) / 20, 0, 1) * 1.5, 320)
        candidates = [one for one in candidates if not 100 <= one.time <= 220]
        _, said = _run(candidates, 320, lost=(100.0, 220.0))
        change = (_told(said, "first_crack.start") + _told(said, "first_crack.refined"))[-1][1]
        errors.append(change.time - 160)
        held += change.earliest <= 160 <= change.latest

    assert abs(np.mean(errors)) < 15
    assert held >= 9


def test_refinement_ends() -> None:
    rng = np.random.default_rng(3)
    _, said = _run(_roast(rng, lambda t: np.clip((t - 80) / 30, 0, 1) * 1.5, 200), 200)
    ((announced, _),) = _told(said, "first_crack.start")
    refined = _told(said, "first_crack.refined")

    assert [now - announced for now, _ in refined] == [10.0, 20.0, 30.0, 40.0]
    assert abs(refined[-1][1].time - 80) < 6


# -- density ---------------------------------------------------------------------------------------------------


def _local_maxima(
    candidates: list[ScoredCandidate], hold_off_s: float, rng: np.random.Generator
) -> list[ScoredCandidate]:
    """What a detector with a hold-off leaves: a candidate stays if none within it on either side is stronger."""
    times = np.array([one.time for one in candidates])
    strength = rng.random(len(candidates))
    low = np.searchsorted(times, times - hold_off_s)
    high = np.searchsorted(times, times + hold_off_s)
    return [m for i, m in enumerate(candidates) if strength[i] == strength[low[i] : high[i]].max()]


@pytest.mark.parametrize(
    "per_minute", [40, pytest.param(60, marks=pytest.mark.long), 120, pytest.param(300, marks=pytest.mark.long), 500]
)
def test_the_density_interval_holds_the_true_rate(per_minute: int) -> None:
    """Three runs of a steady rate with dead time; 14 separate windows of 15 s in each.

    Of 42 intervals of 90 %, fewer than 32 hold the rate with a chance below 0.7 %. The mean is within 8 % and two
    cracks a minute: Jeffreys' prior adds half a crack in 15 s.
    """
    assert scipy.stats.binom.cdf(31, 42, 0.9) < 0.007
    held, means = [], []
    for seed in range(3):
        rng = np.random.default_rng([per_minute, seed])
        candidates = _roast(rng, lambda t: np.where(t > 100, per_minute / 60, 0.0), 350, top=per_minute / 60)
        found = _densities(_run(_local_maxima(candidates, HOLD_OFF_S, rng), 350)[1])
        windows = [found[now] for now in np.arange(145.0, 350.0, 15.0)]
        held += [density.low <= per_minute <= density.high for density in windows]
        means += [density.per_minute for density in windows]

    assert len(held) == 42
    assert sum(held) >= 32
    assert np.mean(means) - 2 == pytest.approx(per_minute, rel=0.08)


def test_density_is_of_the_time_that_was_heard() -> None:
    """A sure crack a second, and 8 of the last 15 s lost: 60 a minute, not 28."""
    times = [time for time in np.arange(60.5, 130).tolist() if not 110 <= time < 118]
    lost = _densities(_run(_candidates(times), 130, lost=(110.0, 118.0))[1])
    silent = _densities(_run(_candidates(times), 130)[1])

    assert lost[120.0].per_minute == pytest.approx(60, rel=0.15)
    assert silent[120.0].per_minute == pytest.approx(28, rel=0.2)
    assert lost[120.0].high - lost[120.0].low > 30  # 7 cracks are few, and the interval says so


def test_no_density_where_nothing_was_heard() -> None:
    found = _densities(_run([], 120, lost=(40.0, 100.0))[1])
    # 15 s windows with less than 2 s in them
    assert [now for now in np.arange(2.0, 121.0) if now not in found] == [float(s) for s in range(54, 102)]


# -- the end of first crack, and second crack ------------------------------------------------------------------


def _first_crack(rng: np.random.Generator, start: float, stop: float, peak: float = 1.5) -> list[ScoredCandidate]:
    """A ramp of 15 s, a plateau, a fall of 20 s that ends at ``stop``."""
    return _roast(
        rng,
        lambda t: peak * np.minimum(np.clip((t - start) / 15, 0, 1), np.clip((stop - t) / 20, 0, 1)),
        stop + 120,
    )


def test_the_end_of_first_crack() -> None:
    """Six roasts; the end is the moment at which the rate is a tenth of its peak, 2 s before the last crack."""
    errors, held = [], 0
    for seed in range(6):
        tracker, said = _run(_first_crack(np.random.default_rng(seed), 100, 190), 300)
        ((now, end),) = _told(said, "first_crack.end")
        assert 185 < now < 240
        assert end is tracker.first_crack_end
        assert end.earliest <= end.time <= end.latest <= now
        errors.append(end.time - 188)
        held += end.earliest <= 188 <= end.latest
    assert np.abs(errors).mean() < 6
    assert held >= 4


def test_first_crack_does_not_end_while_it_goes_on() -> None:
    candidates = _roast(np.random.default_rng(2), lambda t: np.clip((t - 60) / 20, 0, 1) * 1.5, 200)
    assert not _told(_run(candidates, 200)[1], "first_crack.end")


def test_a_gap_does_not_end_first_crack() -> None:
    candidates = _roast(np.random.default_rng(2), lambda t: np.clip((t - 60) / 20, 0, 1) * 1.5, 200)
    candidates = [one for one in candidates if one.time < 130]
    assert not _told(_run(candidates, 200, lost=(130.0, 200.0))[1], "first_crack.end")


@pytest.mark.parametrize("seed", range(4))
def test_second_crack(seed: int) -> None:
    """First crack from 100 to 190 s; from 230 s on 300 a minute of the other kind: told within 6 s."""
    rng = np.random.default_rng(seed)
    first = [one for one in _first_crack(rng, 100, 190) if one.time < 230]
    times = np.sort(rng.uniform(230, 270, rng.poisson(5 * 40)))
    _, said = _run(first + _candidates(times.tolist(), 5.0, SECOND), 270)
    ((now, change),) = _told(said, "second_crack.start")

    assert 230 <= now <= 236
    assert change.time == pytest.approx(230, abs=3)
    assert change.earliest <= change.time <= change.latest <= now


@pytest.mark.parametrize("seed", range(4))
def test_first_crack_alone_is_not_second_crack(seed: int) -> None:
    _, said = _run(_first_crack(np.random.default_rng(seed), 60, 200, peak=2.5), 280)
    assert _told(said, "first_crack.start")
    assert not _told(said, "second_crack.start")


def test_a_first_crack_that_grows_denser_and_no_brighter_is_not_second_crack() -> None:
    """Up to 150 a minute of its own kind."""
    candidates = _roast(np.random.default_rng(5), lambda t: np.clip((t - 60) / 120, 0, 1) * 2.5, 240)
    said = _run(candidates, 240)[1]
    assert _told(said, "first_crack.start")
    assert not _told(said, "second_crack.start")


@pytest.mark.parametrize(("probability", "told"), [(0.1, False), (0.9, True)])
def test_bright_clatter_is_not_second_crack(probability: float, told: bool) -> None:
    """Four a second of the other kind, which the context classifier takes for clatter, or for cracks."""
    tracker = PhaseTracker(SCORES, CONTEXT)
    tracker.begin(10.0)
    said: list[Density | PhaseChange] = []
    for tick in range(400):
        now = tick * TICK_S
        bright = [ScoredCandidate(now + 0.1, 3.0, SECOND, probability, 0.1, 0.1)] if now > 50 else []
        said += tracker.push(bright, tick=tick, observed_s=TICK_S)
    assert told is any(isinstance(item, PhaseChange) and item.what == "second_crack.start" for item in said)


def test_nothing_is_said_of_second_crack_after_the_drop() -> None:
    """The beans go on cracking in the cooling tray."""
    tracker = PhaseTracker(SCORES, CONTEXT)
    candidates = _first_crack(np.random.default_rng(0), 100, 190)
    candidates = [one for one in candidates if one.time < 200] + _candidates(
        np.arange(200, 240, 0.15).tolist(), 5.0, SECOND
    )
    said = []
    for tick in range(round(240 / TICK_S)):
        if tick * TICK_S == 200:
            tracker.drop()
        now = [one for one in candidates if tick * TICK_S <= one.time < (tick + 1) * TICK_S]
        said += [(tick * TICK_S, item) for item in tracker.push(_judged(tracker, now), tick=tick, observed_s=TICK_S)]

    assert _told(said, "first_crack.start")
    assert [item for at, item in said if at >= 200 and isinstance(item, PhaseChange)] == []
    assert tracker.second_crack is None


def test_second_crack_is_not_told_without_first() -> None:
    """A dishwasher full of bright clicks from the start may be taken for a chorus, not for second crack."""
    candidates = _candidates(np.arange(30.0, 45.0, 0.2).tolist(), 5.0, SECOND)
    assert not _told(_run(candidates, 45)[1], "second_crack.start")
