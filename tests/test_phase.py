"""The decision: marks above, what is said beneath; and intervals that hold what they promise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from conftest import JUDGE, MARKS

from crackdetect.errors import ModelError
from crackdetect.phase import (
    KIND_BINS,
    SCORE_BINS,
    SCORE_EDGES,
    TICK_S,
    Density,
    Mark,
    Phase,
    PhaseSettings,
    ScoreModel,
    Turn,
)

SCORES = ScoreModel.from_marks(MARKS)
#: Bounds of the score bins, the outermost closed.
BOUNDS = np.array([-5.0, *SCORE_EDGES, 8.0])
#: A mark that is surely a crack, and one that is surely none.
SURE, CLATTER = 7.0, -4.0
FIRST, SECOND = -3.0, 4.5
#: A background that is never learnt and does not clump.
PLAIN = PhaseSettings(lag_s=1e5, clump_share=0.0)

Said = list[tuple[float, Density | Turn]]


def _run(
    marks: list[Mark],
    end_s: float,
    *,
    settings: PhaseSettings | None = None,
    lost: tuple[float, float] = (-1.0, -1.0),
) -> tuple[Phase, Said]:
    """Everything that was said, each with the time at which it was; nothing is heard within ``lost``."""
    phase = Phase(SCORES, JUDGE, settings=settings)
    said: Said = []
    waiting = sorted(marks, key=lambda mark: mark.time)
    for tick in range(round(end_s / TICK_S)):
        now = (tick + 1) * TICK_S
        due = [mark for mark in waiting if mark.time < now]
        waiting = waiting[len(due) :]
        heard = 0.0 if lost[0] <= now - TICK_S and now <= lost[1] else TICK_S
        said += [(now, item) for item in phase.push(_judged(phase, due), tick=tick, observed_s=heard)]
    return phase, said


def _judged(phase: Phase, marks: list[Mark]) -> list[Mark]:
    """As the pipeline does it: each candidate is judged when it comes."""
    return [phase.judge(m.time, m.score, m.kind_score, 2.0)[0] for m in marks]


def _marks(times: list[float], score: float = SURE, kind: float = FIRST) -> list[Mark]:
    return [Mark(time, score, kind, 0.0, 0.0) for time in times]


def _turns(said: Said, what: str) -> list[tuple[float, Turn]]:
    return [(now, item) for now, item in said if isinstance(item, Turn) and item.what == what]


def _densities(said: Said) -> dict[float, Density]:
    return {now: item for now, item in said if isinstance(item, Density)}


def _scores(rng: np.random.Generator, shares: np.ndarray, count: int) -> np.ndarray:
    bins = rng.choice(SCORE_BINS, size=count, p=shares / shares.sum())
    return rng.uniform(BOUNDS[bins] + 1e-6, BOUNDS[bins + 1] - 1e-6)


def _roast(
    rng: np.random.Generator, rate: Callable[[np.ndarray], np.ndarray], end_s: float, *, top: float = 10.0
) -> list[Mark]:
    """Clatter at the rates of the score model, and cracks of ``rate`` a second (thinned from ``top``)."""
    count = rng.poisson(SCORES.other_per_minute.sum() / 60 * end_s)
    times = rng.uniform(0, end_s, count).tolist()
    scores = _scores(rng, SCORES.other_per_minute, count).tolist()
    possible = rng.uniform(0, end_s, rng.poisson(top * end_s))
    cracks = possible[rng.uniform(0, top, len(possible)) < rate(possible)]
    cracks = cracks[rng.random(len(cracks)) < SCORES.crack.sum()]
    times += cracks.tolist()
    scores += _scores(rng, SCORES.crack, len(cracks)).tolist()
    return [Mark(t, s, FIRST, 0.0, 0.0) for t, s in sorted(zip(times, scores, strict=True))]


# -- the start of first crack ----------------------------------------------------------------------------------------


def test_silence_announces_nothing() -> None:
    """The density is what Jeffreys' prior makes of no crack in 15 s: a gamma distribution of shape 1/2."""
    _, said = _run([], 300)
    assert not [item for _, item in said if isinstance(item, Turn)]
    found = _densities(said)
    assert list(found) == [float(second) for second in range(2, 301)]  # as soon as two seconds were heard
    posterior = scipy.stats.gamma(0.5, scale=60 / (SCORES.crack.sum() * 15))
    assert found[300.0].per_minute == pytest.approx(posterior.mean(), abs=0.4)
    assert found[300.0].high == pytest.approx(posterior.ppf(0.95), abs=0.8)
    assert found[300.0].low < 0.1


def test_clatter_announces_nothing() -> None:
    """Two ticks a second without the sound of a crack, for five minutes."""
    _, said = _run(_marks(np.arange(0.1, 300, 0.5).tolist(), CLATTER), 300)
    assert not [item for _, item in said if isinstance(item, Turn)]


def test_a_chorus_is_announced_and_dated_back() -> None:
    """Strays at 10 and 50 s; from 100 s on a crack a second: announced within ten of them, dated near 100 s."""
    _, said = _run(_marks([10, 50, *np.arange(100.5, 160)]), 160)
    ((now, turn),) = _turns(said, "first_crack.start")

    assert 100.5 < now <= 110
    # the first crack after the start comes within a second of it; a step is steeper than any ramp of the model
    assert turn.earliest <= 100 <= turn.latest + 1 <= now
    assert turn.time == pytest.approx(100, abs=6)
    assert 0.9 < turn.confidence <= 1


@pytest.mark.xfail(strict=True, reason="5.5 s early: ramps begin slower, for on roasts dates came late")
def test_a_step_is_dated_within_five_seconds() -> None:
    _, said = _run(_marks([10, 50, *np.arange(100.5, 160)]), 160)
    ((_, turn),) = _turns(said, "first_crack.start")
    assert turn.time == pytest.approx(100, abs=5)


def test_twenty_seconds_of_listening_come_first() -> None:
    """A recording that begins in the chorus is announced at 20 s, not before."""
    ((now, turn),) = _turns(_run(_marks(np.arange(0.5, 40).tolist()), 40)[1], "first_crack.start")
    assert now == 20.0
    assert turn.earliest < 3


def test_a_burst_before_that_is_forgotten() -> None:
    """Four cracks at 1 s and silence after: nothing is announced at 20 s."""
    assert not _turns(_run(_marks([1.0, 1.5, 2.0, 2.5]), 60)[1], "first_crack.start")


def test_a_gap_is_not_silence() -> None:
    """Five cracks, 60 s, five cracks: announced at once if the 60 s were lost, later or never if they were silent."""
    marks = _marks([40.0, 41.0, 42.0, 43.0, 44.0, *(105.0 + np.arange(5)).tolist()])
    silent = _turns(_run(marks, 112, settings=PLAIN)[1], "first_crack.start")
    lost = _turns(_run(marks, 112, settings=PLAIN, lost=(44.5, 104.5))[1], "first_crack.start")

    assert len(lost) == 1
    assert silent == [] or silent[0][0] > lost[0][0]


def test_a_dense_chorus_is_not_a_burst_for_ever() -> None:
    """A step to 300 a minute: dense as cutlery that drops, but it does not end."""
    rng = np.random.default_rng(3)
    marks = _roast(rng, lambda t: np.where(t > 100, 5.0, 0.0), 160, top=5.0)
    ((now, turn),) = _turns(_run(marks, 160)[1], "first_crack.start")
    assert now < 120
    assert turn.time == pytest.approx(100, abs=5)


def test_ten_cracks_within_two_seconds_are_no_start() -> None:
    """A clump of pops or something that fell; as many in ten seconds, and going on, are a start."""
    clump = _turns(_run(_marks(np.arange(100, 102, 0.2).tolist()), 160)[1], "first_crack.start")
    chorus = _turns(_run(_marks(np.arange(100, 120.0).tolist()), 160)[1], "first_crack.start")

    assert clump == []
    assert len(chorus) == 1


def test_surer_is_later() -> None:
    rng = np.random.default_rng(4)
    marks = _roast(rng, lambda t: np.clip((t - 100) / 40, 0, 1) * 1.5, 180)
    announced = []
    for threshold in (3.0, 6.0, 9.0, 12.0):
        ((now, turn),) = _turns(_run(marks, 180, settings=PhaseSettings(threshold=threshold))[1], "first_crack.start")
        announced.append(now)
        # the odds behind the announcement are at least those asked for
        assert turn.confidence >= round(1 / (1 + np.exp(-threshold)), 4)

    assert announced == sorted(announced)
    assert announced[-1] > announced[0]


def test_a_machine_that_ticks_like_cracks_is_learnt() -> None:
    """Ten a minute with a score of 3.5 for 150 s make marks of that score worth less than on a quiet machine."""
    chorus = _marks(np.arange(150.5, 200, 0.8).tolist(), 3.5)
    ticking = chorus + _marks(np.arange(1.0, 150, 6.0).tolist(), 3.5)
    ((quiet, _),) = _turns(_run(chorus, 200)[1], "first_crack.start")
    later = [now for now, _ in _turns(_run(ticking, 200)[1], "first_crack.start")]

    assert quiet < 170
    assert later == [] or later[0] > quiet + 3


@pytest.mark.parametrize("dropped", [False, True])
def test_nothing_is_announced_after_the_drop(dropped: bool) -> None:
    """A chorus that is announced while the beans are in."""
    phase = Phase(SCORES, JUDGE)
    if dropped:
        phase.drop()
    said = []
    for tick in range(400):
        marks = _judged(phase, _marks([tick * TICK_S + 0.1]) if tick % 3 == 0 else [])
        said += phase.push(marks, tick=tick, observed_s=TICK_S)
    assert (phase.first_crack is None) == dropped
    assert bool([item for item in said if isinstance(item, Turn)]) != dropped


@pytest.mark.long
def test_no_false_start_in_four_hours_of_clatter_as_it_was_trained_on() -> None:
    """16 runs of 15 minutes. The odds at which it is announced are hundreds to one, and clatter scores low."""
    for seed in range(16):
        marks = _roast(np.random.default_rng(seed), np.zeros_like, 900)
        assert not _turns(_run(marks, 900)[1], "first_crack.start")


# -- one candidate ----------------------------------------------------------------------------------------------


def test_a_probability_is_judged_against_the_clatter_of_this_machine() -> None:
    """A score of 3.5 on a machine that was quiet for three minutes, and on one that ticked with 3.5 all the while."""
    quiet, _ = _run([], 180)
    ticking, _ = _run(_marks(np.arange(1.0, 180, 2.0).tolist(), 3.5), 180)

    assert quiet.judge(180.0, 3.5, FIRST, 2.0)[0].probability > 3 * ticking.judge(180.0, 3.5, FIRST, 2.0)[0].probability
    # what the machine does not do is a crack on either
    assert quiet.judge(180.0, SURE, FIRST, 2.0)[0].probability > 0.9
    assert ticking.judge(180.0, SURE, FIRST, 2.0)[0].probability > 0.9
    for phase in (quiet, ticking):
        probabilities = [phase.judge(180.0, score, FIRST, 2.0)[0].probability for score in (-4.0, 0.0, 2.5, 7.0)]
        assert probabilities == sorted(probabilities)
        assert 0 <= probabilities[0] < 0.1


def test_in_a_chorus_the_same_candidate_is_likelier_a_crack() -> None:
    alone, _ = _run([], 100)
    chorus, _ = _run(_marks(np.arange(60, 100, 0.5).tolist()), 100)
    assert (
        chorus.judge(100.0, 1.5, FIRST, 2.0)[0].probability > alone.judge(100.0, 1.5, FIRST, 2.0)[0].probability + 0.1
    )


def test_a_crack_is_of_the_second_kind_more_easily_once_second_crack_has_begun() -> None:
    rng = np.random.default_rng(0)
    first = [mark for mark in _first_crack(rng, 100, 190) if mark.time < 230]
    before, _ = _run(first, 230)
    after, said = _run(first + _marks(np.arange(230, 250, 0.15).tolist(), 5.0, SECOND), 250)

    assert _turns(said, "second_crack.start")
    assert [before.judge(250.0, 5.0, kind, 2.0)[1] for kind in (-1.0, 1.0, SECOND)] == ["first", "first", "second"]
    assert [after.judge(250.0, 5.0, kind, 2.0)[1] for kind in (-1.0, 1.0, SECOND)] == ["first", "second", "second"]


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
        announced = _turns(said, "first_crack.start")
        if not announced:  # a chorus of less than 30 a minute may go by
            assert peak < 30 / 60
            missed += 1
            continue
        assert announced[0][0] > start - 5  # strays are clatter with a high score; a few seconds early may happen
        _, turn = (announced + _turns(said, "first_crack.refined"))[-1]
        held += turn.earliest <= start <= turn.latest
        errors.append(turn.time - start)
        assert turn.earliest <= turn.time <= turn.latest

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
        marks = _roast(np.random.default_rng(seed), lambda t: np.clip((t - 160) / 20, 0, 1) * 1.5, 320)
        marks = [mark for mark in marks if not 100 <= mark.time <= 220]
        _, said = _run(marks, 320, lost=(100.0, 220.0))
        turn = (_turns(said, "first_crack.start") + _turns(said, "first_crack.refined"))[-1][1]
        errors.append(turn.time - 160)
        held += turn.earliest <= 160 <= turn.latest

    assert abs(np.mean(errors)) < 15
    assert held >= 9


def test_refinement_ends() -> None:
    rng = np.random.default_rng(3)
    _, said = _run(_roast(rng, lambda t: np.clip((t - 80) / 30, 0, 1) * 1.5, 200), 200)
    ((announced, _),) = _turns(said, "first_crack.start")
    refined = _turns(said, "first_crack.refined")

    assert [now - announced for now, _ in refined] == [10.0, 20.0, 30.0, 40.0]
    assert abs(refined[-1][1].time - 80) < 6


# -- density ---------------------------------------------------------------------------------------------------


def _local_maxima(marks: list[Mark], hold_off_s: float, rng: np.random.Generator) -> list[Mark]:
    """What a detector with a hold-off leaves: a mark stays if none within it on either side is stronger."""
    times = np.array([mark.time for mark in marks])
    strength = rng.random(len(marks))
    low = np.searchsorted(times, times - hold_off_s)
    high = np.searchsorted(times, times + hold_off_s)
    return [m for i, m in enumerate(marks) if strength[i] == strength[low[i] : high[i]].max()]


@pytest.mark.parametrize("per_minute", [40, 60, 120, 300, 500])
def test_the_density_interval_holds_the_true_rate(per_minute: int) -> None:
    """Three runs of a steady rate with dead time; 14 separate windows of 15 s in each.

    Of 42 intervals of 90 %, fewer than 32 hold the rate with a chance below 0.7 %. The mean is within 8 % and two
    cracks a minute: Jeffreys' prior adds half a crack in 15 s.
    """
    assert scipy.stats.binom.cdf(31, 42, 0.9) < 0.007
    held, means = [], []
    for seed in range(3):
        rng = np.random.default_rng([per_minute, seed])
        marks = _roast(rng, lambda t: np.where(t > 100, per_minute / 60, 0.0), 350, top=per_minute / 60)
        found = _densities(_run(_local_maxima(marks, SCORES.hold_off_s, rng), 350)[1])
        windows = [found[now] for now in np.arange(145.0, 350.0, 15.0)]
        held += [density.low <= per_minute <= density.high for density in windows]
        means += [density.per_minute for density in windows]

    assert len(held) == 42
    assert sum(held) >= 32
    assert np.mean(means) - 2 == pytest.approx(per_minute, rel=0.08)


def test_density_is_of_the_time_that_was_heard() -> None:
    """A sure crack a second, and 8 of the last 15 s lost: 60 a minute, not 28."""
    times = [time for time in np.arange(60.5, 130).tolist() if not 110 <= time < 118]
    lost = _densities(_run(_marks(times), 130, lost=(110.0, 118.0))[1])
    silent = _densities(_run(_marks(times), 130)[1])

    assert lost[120.0].per_minute == pytest.approx(60, rel=0.15)
    assert silent[120.0].per_minute == pytest.approx(28, rel=0.2)
    assert lost[120.0].high - lost[120.0].low > 30  # 7 cracks are few, and the interval says so


def test_no_density_where_nothing_was_heard() -> None:
    found = _densities(_run([], 120, lost=(40.0, 100.0))[1])
    # 15 s windows with less than 2 s in them
    assert [now for now in np.arange(2.0, 121.0) if now not in found] == [float(s) for s in range(54, 102)]


# -- the end of first crack, and second crack ------------------------------------------------------------------


def _first_crack(rng: np.random.Generator, start: float, stop: float, peak: float = 1.5) -> list[Mark]:
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
        phase, said = _run(_first_crack(np.random.default_rng(seed), 100, 190), 300)
        ((now, end),) = _turns(said, "first_crack.end")
        assert 185 < now < 240
        assert end is phase.first_crack_end
        assert end.earliest <= end.time <= end.latest <= now
        errors.append(end.time - 188)
        held += end.earliest <= 188 <= end.latest
    assert np.abs(errors).mean() < 6
    assert held >= 4


def test_first_crack_does_not_end_while_it_goes_on() -> None:
    marks = _roast(np.random.default_rng(2), lambda t: np.clip((t - 60) / 20, 0, 1) * 1.5, 200)
    assert not _turns(_run(marks, 200)[1], "first_crack.end")


def test_a_gap_does_not_end_first_crack() -> None:
    marks = _roast(np.random.default_rng(2), lambda t: np.clip((t - 60) / 20, 0, 1) * 1.5, 200)
    marks = [mark for mark in marks if mark.time < 130]
    assert not _turns(_run(marks, 200, lost=(130.0, 200.0))[1], "first_crack.end")


@pytest.mark.parametrize("seed", range(4))
def test_second_crack(seed: int) -> None:
    """First crack from 100 to 190 s; from 230 s on 300 a minute of the other kind: told within 6 s."""
    rng = np.random.default_rng(seed)
    first = [mark for mark in _first_crack(rng, 100, 190) if mark.time < 230]
    times = np.sort(rng.uniform(230, 270, rng.poisson(5 * 40)))
    _, said = _run(first + _marks(times.tolist(), 5.0, SECOND), 270)
    ((now, turn),) = _turns(said, "second_crack.start")

    assert 230 <= now <= 236
    assert turn.time == pytest.approx(230, abs=3)
    assert turn.earliest <= turn.time <= turn.latest <= now


@pytest.mark.parametrize("seed", range(4))
def test_first_crack_alone_is_not_second_crack(seed: int) -> None:
    _, said = _run(_first_crack(np.random.default_rng(seed), 60, 200, peak=2.5), 280)
    assert _turns(said, "first_crack.start")
    assert not _turns(said, "second_crack.start")


def test_a_first_crack_that_grows_denser_and_no_brighter_is_not_second_crack() -> None:
    """Up to 150 a minute of its own kind."""
    marks = _roast(np.random.default_rng(5), lambda t: np.clip((t - 60) / 120, 0, 1) * 2.5, 240)
    said = _run(marks, 240)[1]
    assert _turns(said, "first_crack.start")
    assert not _turns(said, "second_crack.start")


@pytest.mark.parametrize(("probability", "told"), [(0.1, False), (0.9, True)])
def test_bright_clatter_is_not_second_crack(probability: float, told: bool) -> None:
    """Four a second of the other kind, which the judge takes for clatter, or for cracks."""
    phase = Phase(SCORES, JUDGE)
    phase.begin(10.0)
    said: list[Density | Turn] = []
    for tick in range(400):
        now = tick * TICK_S
        bright = [Mark(now + 0.1, 3.0, SECOND, probability, 0.1)] if now > 50 else []
        said += phase.push(bright, tick=tick, observed_s=TICK_S)
    assert told is any(isinstance(item, Turn) and item.what == "second_crack.start" for item in said)


def test_nothing_is_said_of_second_crack_after_the_drop() -> None:
    """The beans go on cracking in the cooling tray."""
    phase = Phase(SCORES, JUDGE)
    marks = _first_crack(np.random.default_rng(0), 100, 190)
    marks = [mark for mark in marks if mark.time < 200] + _marks(np.arange(200, 240, 0.15).tolist(), 5.0, SECOND)
    said = []
    for tick in range(round(240 / TICK_S)):
        if tick * TICK_S == 200:
            phase.drop()
        now = [mark for mark in marks if tick * TICK_S <= mark.time < (tick + 1) * TICK_S]
        said += [(tick * TICK_S, item) for item in phase.push(_judged(phase, now), tick=tick, observed_s=TICK_S)]

    assert _turns(said, "first_crack.start")
    assert [item for at, item in said if at >= 200 and isinstance(item, Turn)] == []
    assert phase.second_crack is None


def test_second_crack_is_not_told_without_first() -> None:
    """A dishwasher full of bright clicks from the start may be taken for a chorus, not for second crack."""
    marks = _marks(np.arange(30.0, 45.0, 0.2).tolist(), 5.0, SECOND)
    assert not _turns(_run(marks, 45)[1], "second_crack.start")


# -- the numbers it is built on --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("crack", [0.1] * (SCORE_BINS - 1)),
        ("crack", [0.0] * SCORE_BINS),
        ("crack", [0.2] * SCORE_BINS),
        ("crack", [0.001] * SCORE_BINS),
        ("other_per_minute", [-1.0] * SCORE_BINS),
        ("other_per_minute", [float("nan")] * SCORE_BINS),
        ("first_kind", [0.1] * (KIND_BINS + 1)),
        ("second_kind", [float("inf")] * KIND_BINS),
    ],
)
def test_score_statistics_that_cannot_be_are_refused(name: str, values: list[float]) -> None:
    with pytest.raises(ModelError, match="train it again"):
        ScoreModel.from_marks(MARKS | {name: values})


def test_missing_score_statistics_are_refused() -> None:
    with pytest.raises(ModelError, match="incomplete"):
        ScoreModel.from_marks({name: values for name, values in MARKS.items() if name != "crack"})
