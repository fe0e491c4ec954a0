"""Dates of the start and the end of first crack, from points whose ramps are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crackdetect.deciding.dating import Dated, DatingSettings, StrayClumps, _quantiles, date_end, date_start
from crackdetect.deciding.recent import TICK_S, Recent

#: f1 / lambda0 of a sure crack on a machine that makes such a sound once in 20 s.
SURE_S = 20.0


def _recent(times: list[float], end_s: float, *, lost: tuple[float, float] = (-1.0, -1.0)) -> Recent:
    recent = Recent(keep_s=500.0)
    for tick in range(round(end_s / TICK_S)):
        end = (tick + 1) * TICK_S
        for time in times:
            if end - TICK_S <= time < end:
                recent.add(time, weight=SURE_S, probability=1.0)
        heard = lost[0] <= end - TICK_S and end <= lost[1]
        recent.close_tick(end, observed_s=0.0 if heard else TICK_S)
    return recent


def _start(recent: Recent, now: float, **settings: float) -> Dated:
    return date_start(
        recent, now=now, not_before=0.0, announced_at=now, detected=0.9, settings=DatingSettings(**settings)
    )


#: A crack at 60 s, then ever more, to one a second from 80 s on.
RAMP = [60.0, 66.0, 70.0, 73.0, 75.5, 77.5, 79.0, *np.arange(80.0, 100.0).tolist()]


def test_the_start_lies_where_the_ramp_begins() -> None:
    date = _start(_recent(RAMP, 100), 100)
    assert date.earliest < date.time < date.latest < 75
    assert date.time == pytest.approx(58, abs=5)


def test_the_rise_in_coal_mining_disasters_backwards_is_dated() -> None:
    """191 events, 3.10 a year before 1891 and 0.91 after (Jarrett, Biometrika 66, 1979); the change lies from 1887 to
    1895 (95 % interval of Raftery and Akman, Biometrika 73, 85, 1986, from memory). A year is a second here; all
    disasters are told, and they are independent, so trust is 1."""
    lines = (Path(__file__).parent / "data" / "coal_mining_disasters.txt").read_text(encoding="utf-8").splitlines()
    days = np.array([float(day) for line in lines if line[0] != "#" for day in line.split()])
    times = np.sort(1962.22 - (1851 + days / 365.25))
    recent = Recent(keep_s=500.0)
    for tick in range(round(111.25 / TICK_S)):
        end = (tick + 1) * TICK_S
        for time in times[(end - TICK_S <= times) & (times < end)]:
            recent.add(float(time), weight=1 / 0.91, probability=1.0)
        recent.close_tick(end, observed_s=TICK_S)
    settings = DatingSettings(trust=1.0, delay_usual_s=111.0)
    date = date_start(recent, now=111.25, not_before=0.0, announced_at=111.25, detected=1.0, settings=settings)
    # a rise that may take its time begins before the step that others fitted, which is the latest that is left
    assert 1887 < 1962.22 - date.latest < 1895
    assert 1891 < 1962.22 - date.time < 1891 + 14


def test_a_later_clock_gives_later_dates() -> None:
    here = _start(_recent(RAMP, 100), 100, span_s=80.0)
    later = _start(_recent([time + 37 for time in RAMP], 137), 137, span_s=80.0)
    assert np.array(later) == pytest.approx(np.array(here) + 37)


def test_less_trust_is_a_wider_interval() -> None:
    recent = _recent(RAMP, 100)
    widths = [(date := _start(recent, 100, trust=trust)).latest - date.earliest for trust in (1.0, 0.6, 0.2)]
    assert widths == sorted(widths)


def test_lost_time_before_the_chorus_makes_an_earlier_start_likelier() -> None:
    cracks = [time for time in RAMP if time >= 80]
    lost, silent = (_start(_recent(cracks, 100, lost=lost), 100) for lost in ((40.0, 80.0), (-1.0, -1.0)))
    assert lost.earliest < silent.earliest - 5


def _not_before(earliest_s: float, *, now: float = 100.0) -> Dated:
    return date_start(
        _recent(RAMP, now),
        now=now,
        not_before=earliest_s,
        announced_at=now,
        detected=0.9,
        settings=DatingSettings(),
    )


@pytest.mark.parametrize("not_before", [50.0, 56.3, 62.5, 75.0, 90.1, 98.6])
def test_no_start_lies_before_it_can_have_been(not_before: float) -> None:
    """Of the posterior only what comes after is left, so that it is not merely cut: no date lies at the edge."""
    free, date = _not_before(0.0), _not_before(not_before)
    assert not_before < date.earliest < date.time < date.latest <= 100
    assert date >= free
    if not_before < free.earliest:
        assert date == pytest.approx(free, abs=1.5)


def test_what_is_left_may_be_next_to_nothing() -> None:
    """By hand: of three cells all lies in the first, which is cut at .9; its last tenth is dated within."""
    left, weights = np.array([0.0, 1.0, 2.0]), np.array([1.0, 1e-20, 1e-20])
    assert _quantiles(left, weights, not_before=0.9) == pytest.approx([0.905, 0.95, 0.995])
    assert _quantiles(left, weights, not_before=1.0) == pytest.approx([1.1, 2.0, 2.9])


@pytest.mark.parametrize("not_before", [99.5, 100.0, 100.2])
def test_where_nothing_is_left_to_date_from_it_is_the_moment_of_the_announcement(not_before: float) -> None:
    """Charge may be marked in the tick that is judged now."""
    moment = max(100.0, not_before)
    assert _not_before(not_before) == Dated(moment, not_before, moment)


def test_the_end_lies_where_a_tenth_is_left() -> None:
    """One a second until 100 s, then ever less until 120 s: a straight fall of 20 s has a tenth left at 118 s."""
    times = [*np.arange(60.0, 100.0).tolist(), 101.1, 102.3, 103.6, 105.1, 106.8, 108.9, 111.6, 116.0]
    date = date_end(
        _recent(times, 150), now=150, begun=60.0, peak_per_minute=60.0, detected=0.9, settings=DatingSettings()
    )
    assert date.earliest < date.time < date.latest
    assert date.time == pytest.approx(118, abs=4)


def test_a_stray_soon_after_another_weighs_less() -> None:
    """The excess is share / length at once, here 0.2 / 0.3 a second, and fades with exp(-age / length)."""
    clumps = StrayClumps(detected=0.9, share=0.2, length_s=0.3)
    first, second, late = (clumps.push(time, crack_llr=50.0, weight=SURE_S) for time in (10.0, 10.1, 30.0))
    assert first == late == pytest.approx(SURE_S)
    assert second == pytest.approx(1 / (1 / SURE_S + 0.2 / 0.3 * np.exp(-0.1 / 0.3) / 0.9))
