"""The filter that says whether first crack has begun, against an obvious forward algorithm."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from conftest import SCORES

from crackdetect.deciding.first_crack import FirstCrackHMM, HMMSettings, start_hazard
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.evaluate.announcement_limit import poisson_cusum_delay

CRACK, BURST, BACKGROUND = SCORES.crack, SCORES.burst, SCORES.other_per_minute / 60
TICK_S = 0.25
S = HMMSettings()
THRESHOLD = TrackerSettings().threshold

Doubles = npt.NDArray[np.float64]


def _filter() -> FirstCrackHMM:
    return FirstCrackHMM(crack=CRACK, burst=BURST, tick_s=TICK_S)


def _at(bins: list[int], background: Doubles = BACKGROUND) -> list[tuple[int, float]]:
    """Candidates of these bins of score, each with the background of its bin."""
    return [(b, float(background[b])) for b in bins]


def _sure(count: int) -> list[tuple[int, float]]:
    return _at([len(CRACK) - 1] * count)


def slow_forward(ticks: list[list[int]], hazards: list[float]) -> float:
    """The same by the textbook (Rabiner 1989, forward algorithm): every path state by state, no vectors."""
    alone, bursts = "alone", ("in a burst", "in a dense burst")
    states = ["quiet", "clump", *bursts] + [f"{c} {b}" for b in (alone, *bursts) for c in range(4)]
    extra: dict[str, list[float]] = {
        "quiet": [0.0] * len(CRACK),
        "clump": [S.clump_per_second * c for c in CRACK],
    }
    for name, per_second in zip(bursts, S.burst_per_second, strict=True):
        extra[name] = [per_second * b for b in BURST]
    for stage, rate in enumerate(S.chorus_per_minute):
        extra[f"{stage} alone"] = [rate / 60 * c for c in CRACK]
        for name in bursts:
            extra[f"{stage} {name}"] = [a + b for a, b in zip(extra[f"{stage} alone"], extra[name], strict=True)]
    clump, burst, usual = (TICK_S / 60 / m for m in (S.clump_every_min, S.burst_every_min, S.start_every_min))
    end_clump, end_burst = (1 - math.exp(-TICK_S / t) for t in (S.clump_s, S.burst_s))
    climb = [1 - math.exp(-TICK_S / t) for t in S.climb_s] + [0.0]
    move = {("quiet", "clump"): clump, ("clump", "quiet"): end_clump}
    for name in bursts:
        move |= {("quiet", name): burst / 2, (name, "quiet"): end_burst}
    for stage in range(4):
        for rises, further in ((0, 1 - climb[stage]), (1, climb[stage])):
            if stage + rises < 4:
                move[f"{stage} alone", f"{stage + rises} alone"] = further * (1 - burst)
                for name in bursts:
                    move[f"{stage} alone", f"{stage + rises} {name}"] = further * burst / 2
                    move[f"{stage} {name}", f"{stage + rises} alone"] = further * end_burst
                    move[f"{stage} {name}", f"{stage + rises} {name}"] = further * (1 - end_burst)
    weights = {state: float(state == "quiet") for state in states}
    for bins, hazard in zip(ticks, hazards, strict=True):
        start = hazard * usual
        move |= {("quiet", "quiet"): 1 - clump - burst - start, ("quiet", "0 alone"): start}
        move |= {("clump", "clump"): 1 - end_clump - start, ("clump", "0 alone"): start}
        for name in bursts:
            move |= {(name, name): 1 - end_burst - start, (name, f"0 {name}"): start}
        following = dict.fromkeys(states, 0.0)
        for (origin, state), share in move.items():
            following[state] += weights[origin] * share
        for state in states:
            following[state] *= math.exp(-sum(extra[state]) * TICK_S)
            for b in bins:
                following[state] *= 1 + extra[state][b] / BACKGROUND[b]
        total = sum(following.values())
        weights = {state: max(weight / total, 1e-15) for state, weight in following.items()}  # never impossible
    before = sum(weights[state] for state in ("quiet", "clump", *bursts))
    return math.log((sum(weights.values()) - before) / before)


@pytest.mark.parametrize("seed", range(5))
def test_the_filter_is_the_forward_algorithm(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ticks = [rng.integers(0, len(CRACK), rng.poisson(0.4)).tolist() for _ in range(160)]
    for hazards in ([1.0] * 160, rng.uniform(0, 1, 160).tolist()):
        found = _filter()
        for bins, hazard in zip(ticks, hazards, strict=True):
            odds = found.push(_at(bins), observed_s=TICK_S, hazard=hazard)
        assert odds == pytest.approx(slow_forward(ticks, hazards), abs=1e-6)


def test_soon_after_charge_first_crack_is_unlikely() -> None:
    """The hazard of a log-normal time by scipy's distribution, a tenth of the usual one at least and never over it."""
    stats = pytest.importorskip("scipy.stats")
    timed, usual_s = stats.lognorm(s=0.5, scale=420), 60 * S.start_every_min
    assert timed.ppf([0.05, 0.95]) == pytest.approx([185, 960], abs=5)  # 3:05 and 16:00
    hazards = [start_hazard(t, usual_s=usual_s) for t in range(1, 3600)]
    expected = [timed.pdf(t) / timed.sf(t) * usual_s for t in range(1, 3600)]
    assert hazards == pytest.approx(np.clip(expected, 0.1, 1).tolist(), rel=1e-9)
    assert len({hazard for hazard in hazards if 0.1 < hazard < 1}) > 60  # it rises for more than a minute
    assert start_hazard(-30.0, usual_s=usual_s) == start_hazard(0.0, usual_s=usual_s) == 0.1
    assert start_hazard(30 * 86_400.0, usual_s=usual_s) == 1.0  # charge was given wrongly, or long ago


def test_the_same_cracks_are_worth_less_soon_after_charge() -> None:
    """By the ln of the hazard (Bayes), while a chorus is unlikely; what goes on is announced all the same."""
    usual, soon = _filter(), _filter()
    for _ in range(240):  # a minute of silence
        usual.push([], observed_s=TICK_S)
        soon.push([], observed_s=TICK_S, hazard=0.1)
    odds = []
    for i in range(160):
        marks = _sure(1) if i % 4 == 0 else []
        odds.append((usual.push(marks, observed_s=TICK_S), soon.push(marks, observed_s=TICK_S, hazard=0.1)))
    assert odds[0][1] - odds[0][0] == pytest.approx(math.log(0.1), abs=0.1)
    assert odds[-1][1] > THRESHOLD


def test_a_chorus_raises_the_odds_and_silence_lowers_them() -> None:
    found = _filter()
    first = [found.push(_sure(1) if i % 4 == 0 else [], observed_s=TICK_S) for i in range(80)]
    then = [found.push([], observed_s=TICK_S) for _ in range(400)]
    assert first[0] < 0 < 6 < first[-1]
    assert then[-1] < first[-1] - 15


def test_ten_sure_cracks_at_once_are_a_clump() -> None:
    """Ten within two seconds, then nothing: a chorus of as many, a second apart, is worth far more."""
    burst, chorus = _filter(), _filter()
    at_once = [burst.push(_sure(5) if i < 2 else [], observed_s=TICK_S) for i in range(60)]
    spread = [chorus.push(_sure(1) if i % 4 == 0 else [], observed_s=TICK_S) for i in range(40)]
    assert max(at_once) < 3
    assert spread[-1] > max(at_once) + 2


def test_unheard_time_changes_nothing() -> None:
    found = _filter()
    for i in range(40):
        before = found.push(_sure(1) if i % 8 == 0 else [], observed_s=TICK_S)
    for _ in range(240):
        assert found.push([], observed_s=0.0) == before


def test_eight_hours_of_silence_stay_numbers_and_do_not_deafen() -> None:
    found = _filter()
    for _ in range(8 * 3600 * 4):
        odds = found.push([], observed_s=TICK_S)
    assert math.isfinite(odds)
    assert odds < 0
    late = [found.push(_sure(1) if i % 4 == 0 else [], observed_s=TICK_S) for i in range(80)]
    assert late[-1] > 6


def test_reset_equals_new() -> None:
    used = _filter()
    for _ in range(20):
        used.push(_sure(1), observed_s=TICK_S)
    used.reset()
    assert used.push(_sure(2), observed_s=TICK_S) == _filter().push(_sure(2), observed_s=TICK_S)


def test_fewer_sounds_of_the_machine_make_the_same_cracks_worth_more() -> None:
    odds = []
    for factor in (0.25, 1.0, 4.0, 16.0):
        found = _filter()
        for i in range(60):
            last = found.push(_at([8], factor * BACKGROUND) if i % 4 == 0 else [], observed_s=TICK_S)
        odds.append(last)
    assert odds == sorted(odds, reverse=True)
    assert odds[0] > odds[-1] + 5


@pytest.mark.parametrize("factor", [0.5, 3.0])
def test_a_clock_that_runs_faster_changes_nothing(factor: float) -> None:
    """All rates times a factor and all durations through it: the same odds, tick by tick."""
    scaled = HMMSettings(
        chorus_per_minute=tuple(factor * rate for rate in S.chorus_per_minute),  # type: ignore[arg-type]
        climb_s=tuple(time / factor for time in S.climb_s),  # type: ignore[arg-type]
        clump_per_second=factor * S.clump_per_second,
        burst_per_second=tuple(factor * rate for rate in S.burst_per_second),  # type: ignore[arg-type]
        **{
            name: getattr(S, name) / factor
            for name in ("clump_s", "burst_s", "clump_every_min", "burst_every_min", "start_every_min")
        },
    )
    usual = _filter()
    other = FirstCrackHMM(crack=CRACK, burst=BURST, tick_s=TICK_S / factor, settings=scaled)
    rng = np.random.default_rng(5)
    for tick in range(200):
        bins = rng.integers(0, len(CRACK), rng.poisson(0.1 if tick < 100 else 0.4)).tolist()
        expected = usual.push(_at(bins), observed_s=TICK_S)
        found = other.push(_at(bins, factor * BACKGROUND), observed_s=TICK_S / factor)
        assert found == pytest.approx(expected, abs=1e-9)


def test_as_many_candidates_as_a_hold_off_lets_through_stay_numbers() -> None:
    """12 ms of hold-off: 21 in a tick, all sure, on a machine that never makes such a sound; and silence after."""
    found = _filter()
    for _ in range(240):
        odds = found.push([(len(CRACK) - 1, 1e-6)] * 21, observed_s=TICK_S)
    assert math.isfinite(odds)
    assert odds > THRESHOLD
    for _ in range(4 * 600):
        odds = found.push([], observed_s=TICK_S)
    assert math.isfinite(odds)
    assert odds < 0


# -- many runs at once, against the optimum ----------------------------------------------------------------------


class Runs:
    """The same filter for many independent runs of one background at once, in matrices."""

    def __init__(self, *, background: Doubles, runs: int, seed: int) -> None:
        one = FirstCrackHMM(crack=CRACK, burst=BURST, tick_s=TICK_S)
        self.move, self.silence = one._move, np.exp(-one._total * TICK_S)
        self.gains = 1 + (one._extra / background).T
        self.rng = np.random.default_rng(seed)
        self.weights = np.tile(_filter()._weights, (runs, 1))

    def push(self, per_second: Doubles) -> Doubles:
        """One tick of marks at these rates in each score bin; log odds of each run."""
        counts = self.rng.poisson(per_second.sum() * TICK_S, len(self.weights))
        bins = self.rng.choice(len(per_second), size=counts.sum(), p=per_second / per_second.sum())
        return self.take(np.repeat(np.arange(len(counts)), counts), bins)

    def take(self, run: npt.NDArray[np.intp], bins: npt.NDArray[np.intp]) -> Doubles:
        gain = np.tile(self.silence, (len(self.weights), 1))
        np.multiply.at(gain, run, self.gains[bins])
        weights = (self.weights @ self.move) * gain
        self.weights = np.maximum(weights / weights.sum(axis=1, keepdims=True), 1e-15)
        before = FirstCrackHMM.BEFORE
        odds: Doubles = np.log(self.weights[:, before:].sum(axis=1) / self.weights[:, :before].sum(axis=1))
        return odds

    def again(self, where: npt.NDArray[np.bool_]) -> None:
        self.weights[where] = _filter()._weights


def test_many_runs_at_once_are_the_filter() -> None:
    many, one = Runs(background=BACKGROUND, runs=3, seed=0), _filter()
    rng = np.random.default_rng(6)
    for _ in range(200):
        bins = rng.integers(0, len(CRACK), rng.poisson(0.3))
        odds = many.take(np.ones(len(bins), np.intp), bins)
        assert odds[1] == pytest.approx(one.push(_at(bins.tolist()), observed_s=TICK_S), abs=1e-6)
        assert odds[0] == pytest.approx(odds[2], abs=1e-9)  # rows of a product of matrices may differ in the last place
        assert odds[0] < 0


@pytest.mark.parametrize(
    ("strays_per_minute", "threshold", "hours"),
    [
        # three nats less are false often enough to be counted
        pytest.param(1, THRESHOLD - 3, 1000, marks=pytest.mark.long),
        pytest.param(3, THRESHOLD - 3, 1000, marks=pytest.mark.long),
        pytest.param(10, THRESHOLD - 3, 1000, marks=pytest.mark.long),
        pytest.param(3, THRESHOLD, 1000, marks=pytest.mark.long),
        pytest.param(10, THRESHOLD, 1000, marks=pytest.mark.long),
        pytest.param(1, THRESHOLD, 10_000, marks=pytest.mark.long),
    ],
)
def test_the_delay_is_near_twice_the_optimum_at_most(strays_per_minute: int, threshold: float, hours: int) -> None:
    """Page's cumulative sum (Biometrika 41, 1954) is optimal for a step (Moustakides, Ann. Statist. 14, 1986).

    Every mark looks like a crack, the strays as well, so only their number tells. Both make as many false
    announcements: the filter's are counted (none counts as one, which favours the sum). The filter knows of bursts
    besides, and the sum does not.
    """
    shape = CRACK / CRACK.sum()
    strays = strays_per_minute / 60
    background = strays * shape
    calm = Runs(background=background, runs=1000, seed=1)
    false = 0
    for _ in range(round(hours / 1000 * 3600 / TICK_S)):
        wrong = calm.push(background) >= threshold
        if wrong.any():
            false += int(wrong.sum())
            calm.again(wrong)
    print(f"{strays_per_minute} strays a minute, {threshold:g} nats: {false} false announcements in {hours} h")
    if threshold == THRESHOLD:
        assert false / hours < 1 / 50

    for name, rise, ramp_s in (
        ("step to 60", 60.0 - strays_per_minute, 0.0),
        *((f"ramp of {s:.0f} s to +100", 100.0, s) for s in (20.0, 40.0, 60.0)),
    ):
        runs = Runs(background=background, runs=500, seed=2)
        for _ in range(240):  # a minute of strays
            runs.push(background)
        delay = np.full(500, np.nan)
        for tick in range(round(180 / TICK_S)):
            share = 1.0 if ramp_s == 0 else min(1.0, (tick + 0.5) * TICK_S / ramp_s)
            odds = runs.push((strays + share * rise / 60) * shape)
            delay[np.isnan(delay) & (odds >= threshold)] = (tick + 1) * TICK_S
            if not np.isnan(delay).any():
                break
        best = poisson_cusum_delay(
            background_per_minute=strays_per_minute,
            rise_per_minute=rise,
            ramp_s=ramp_s,
            between_false_h=hours / max(false, 1),
            runs=4000,
        )
        ratio = delay.mean() / best
        print(f"  {name}: {delay.mean():.1f} s, optimum {best:.1f} s, ratio {ratio:.2f}")
        assert not np.isnan(delay).any()
        assert 0.8 < ratio < 2.25  # far below one would be a mistake in the simulation


@pytest.mark.parametrize(
    ("per_second", "duration_s"),
    [(2.0, 5.0), (2.5, 5.0), (4.0, 2.0), (4.0, 5.0), (8.0, 5.0), (8.0, 10.0), (8.0, 15.0), (12.0, 10.0)],
)
def test_a_burst_of_some_seconds_is_not_a_chorus(per_second: float, duration_s: float) -> None:
    """Somebody types, claps or drops cutlery, with the scores of such sounds: 400 times, at most 8 announcements.

    A chorus of a crack a second, of as many marks as the densest of these, is announced in more than nine of ten.
    """
    strays = BACKGROUND + 1.5 / 60 * CRACK

    def announced(extra: Doubles, seconds: float) -> int:
        runs = Runs(background=strays, runs=400, seed=3)
        ever = np.zeros(400, bool)
        for tick in range(round((20 + seconds + 10) / TICK_S)):
            during = 20 <= tick * TICK_S < 20 + seconds
            ever |= runs.push(strays + extra if during else strays) >= THRESHOLD
        return int(ever.sum())

    assert announced(per_second * BURST, duration_s) <= 8
    assert announced(1.0 * CRACK, 40.0) >= 360


_THINNER = pytest.mark.xfail(strict=True, reason="the bursts that are known come in fives a second and twelves")


@pytest.mark.parametrize("per_second", [*(pytest.param(rate, marks=_THINNER) for rate in (4.0, 5.0)), 6.0])
def test_a_chorus_in_a_rattle_is_announced(per_second: float) -> None:
    """A machine that rattles so often from before the ramp on, with the scores of bursts: 40 s after the ramp's end.
    A filter for which it is a burst or a chorus announces one in seven by then."""
    strays = BACKGROUND + 1.5 / 60 * CRACK
    runs = Runs(background=strays, runs=400, seed=4)
    delay = np.full(400, np.nan)
    for tick in range(round(150 / TICK_S)):
        time = tick * TICK_S - 70  # of the ramp, 40 s to 100 cracks a minute
        chorus = min(max(time / 40, 0), 1) * 100 / 60 * CRACK
        odds = runs.push(strays + (per_second * BURST if time > -10 else 0) + chorus)
        delay[np.isnan(delay) & (odds >= THRESHOLD)] = time
    assert (delay < 0).mean() < 0.02
    assert (delay < 80).mean() > 0.95
