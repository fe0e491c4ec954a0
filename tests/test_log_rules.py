"""Weight loss, drop, spread, plan, comparison and repeatability against worked examples and tables."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import scipy.stats

from crackdetect.config import Target
from crackdetect.errors import SettingError
from crackdetect.notation import clock
from crackdetect.roast.arithmetic import roast_level, weight_loss
from crackdetect.roast.comparing import Spread, best_told, differs_most, liked_best, title, trend_of, verdict
from crackdetect.roast.planning import cup_of, make_plan
from crackdetect.roast.record import Moment, Note, Roast
from crackdetect.terminal.plan_lines import plan_lines


def roast(
    number: int,
    *,
    first_crack: float | None = 576.0,
    drop: float | None = 700.0,
    target: str | None = None,
    green: float = 200.0,
    roasted: float | None = None,
    half: float | None = None,
) -> Roast:
    """Charge at 0. half: half of the interval of first crack, None where it was marked."""
    moments = {"charge": Moment(marked_s=0.0)}
    if first_crack is not None:
        moments["first_crack.start"] = (
            Moment(marked_s=first_crack)
            if half is None
            else Moment(heard_s=first_crack, earliest_s=first_crack - half, latest_s=first_crack + half)
        )
    if drop is not None:
        moments["drop"] = Moment(marked_s=drop)
    return Roast(
        number,
        f"roast-{number}",
        f"2026-03-{number:02d}",
        "2026-03-30T00:00:00+00:00",
        green_g=green,
        roasted_g=roasted,
        target=None if target is None else Target.parse(target),
        moments=moments,
    )


# -- weight loss -----------------------------------------------------------------------------------------------


def test_200_g_that_weigh_168_g_have_lost_16_percent() -> None:
    """Arithmetic: (green - roasted) / green."""
    assert weight_loss(200, 168) == pytest.approx(0.16)


@pytest.mark.parametrize(
    ("loss", "level"),
    [
        (0.11, "light"),
        (0.13, "light"),
        (0.14, "medium"),
        (0.16, "medium"),
        (0.17, "dark"),
        (0.20, "dark"),
        (0.22, "very dark"),
    ],
)
def test_roast_levels(loss: float, level: str) -> None:
    """Light 11-13 %, medium 14-16 %, dark 17-20 % and more: common practice, no source."""
    assert roast_level(loss) == level


@pytest.mark.parametrize(("green", "roasted"), [(200, 200), (200, 0), (168, 200)])
def test_a_roasted_weight_that_is_not_below_the_green_one_is_refused(green: float, roasted: float) -> None:
    with pytest.raises(SettingError, match="below the green weight"):
        weight_loss(green, roasted)


# -- spread ----------------------------------------------------------------------------------------------------


def test_mean_and_standard_deviation_are_numpys() -> None:
    values = [571.0, 590.5, 560.0, 602.0]
    spread = Spread.of(values)
    assert spread is not None
    assert spread.mean == pytest.approx(np.mean(values))
    assert spread.sd == pytest.approx(np.std(values, ddof=1))


def test_the_next_of_five_falls_within_t_times_the_spread() -> None:
    """t of 4 degrees at 95 % one-sided is 2.132 (NIST/SEMATECH e-Handbook 1.3.6.7.2, from memory); the formula of the
    prediction interval from memory of Hahn and Meeker."""
    spread = Spread(5, 600.0, 20.0)
    low, high = spread.next_within(at_least=0, guess=60)
    side = 2.132 * 20 * np.sqrt(1 + 1 / 5)
    assert (low, high) == pytest.approx((600 - side, 600 + side), abs=0.05)
    assert scipy.stats.t.ppf(0.95, 4) == pytest.approx(2.132, abs=5e-4)


def test_the_interval_holds_nine_in_ten() -> None:
    """Simulation: of normal samples of six, the seventh falls inside in 90 %."""
    rng = np.random.default_rng(3)
    samples = rng.normal(600, 15, (4_000, 7))
    inside = 0
    for row in samples:
        spread = Spread.of(row[:6].tolist())
        assert spread is not None
        low, high = spread.next_within(at_least=0, guess=60)
        inside += low <= row[6] <= high
    assert inside / 4_000 == pytest.approx(0.90, abs=0.02)


def test_one_or_two_values_only_guess() -> None:
    assert Spread(1, 600.0, None).next_within(at_least=15, guess=60) == (540, 660)
    assert Spread(2, 600.0, 0.5).next_within(at_least=15, guess=60) == (540, 660)


# -- plan ------------------------------------------------------------------------------------------------------


def test_first_crack_at_936_and_a_fifth_are_dropped_at_twelve_minutes() -> None:
    """Arithmetic, t_fc / (1 - ratio); the ratio is common practice, no source."""
    plan = make_plan([roast(n) for n in (3, 2, 1)], {}, green_g=200, target=Target.parse("20%"), same=0.05)
    assert plan.drop is not None
    assert clock(plan.drop[1]) == "12:00"
    assert not plan.guessed


def test_a_target_in_time_is_added_to_first_crack() -> None:
    plan = make_plan([roast(1)], {}, green_g=200, target=Target.parse("1:45"), same=0.05)
    assert plan.drop is not None
    assert clock(plan.drop[1]) == "11:21"
    assert plan.guessed
    assert plan.window == (576 - 60, 576 + 60)


def test_roasts_of_another_weight_are_used_only_where_there_is_none_of_this() -> None:
    light, heavy = roast(1, green=200, first_crack=500), roast(2, green=400, first_crack=700)
    plan = make_plan([heavy, light], {}, green_g=205, target=None, same=0.05)
    assert [used.number for used in plan.roasts] == [1]
    plan = make_plan([heavy, light], {}, green_g=300, target=None, same=0.05)
    assert (len(plan.roasts), plan.same_weight) == (2, False)


def test_without_any_roast_nothing_is_expected() -> None:
    plan = make_plan([], {}, green_g=None, target=Target.parse("18%"), same=0.05)
    assert (plan.first_crack, plan.window, plan.drop, plan.off) == (None, None, None, None)


@pytest.mark.parametrize(
    ("drop", "cup", "told"),
    [
        (660, -1, "under after 1:24, 12.7 %: longer by about 10 s, to 1:34"),
        (660, -2, "grassy after 1:24, 12.7 %: longer by about 20 s, to 1:44"),
        (760, 1, "over after 3:04, 24.2 %: shorter by about 10 s, to 2:54"),
        (760, 2, "burnt after 3:04, 24.2 %: shorter by about 20 s, to 2:44"),
        (700, 0, "balanced; aim for the same development again"),
        (900, -1, "longer will hardly mend it"),
        (620, 2, "shorter will hardly mend it"),
        (700, 3, "stalled: keep the heat up towards and through first crack"),
    ],
)
def test_what_the_last_cup_suggests(drop: float, cup: int, told: str) -> None:
    """Under after a short development: longer; over: shorter; flat or baked: the heat, not the time.

    Common practice, no source; steps chosen.
    """
    notes = {1: [Note(1, date(2026, 3, 4), "", cup)]}
    plan = make_plan([roast(1, drop=drop)], notes, green_g=None, target=None, same=0.05)
    assert told in plan.advice[0]
    if cup:
        assert "(common practice, no source)" in plan.advice[0]


@pytest.mark.parametrize(
    ("text", "cup"),
    [
        ("Thin, dry.", -1),
        ("rather BITTER", 1),
        ("sweet", None),
        ("thin but bitter", None),
        ("flat, baked", 3),
        ("flat and bitter", None),
        ("highlight", None),
    ],
)
def test_the_words_of_a_note_name_a_side_or_none(text: str, cup: int | None) -> None:
    assert cup_of(Note(1, date(2026, 3, 4), text)) == cup


def test_a_plan_takes_the_last_cup_into_account() -> None:
    """Under after 1:25: 10 s longer, so the drop comes 1:35 after first crack at 9:36; a target that is given stays."""
    notes = {1: [Note(1, date(2026, 3, 4), "", -1)]}
    tasted = [roast(1, drop=576 + 85, target="1:25")]
    plan = make_plan(tasted, notes, green_g=None, target=None, same=0.05)
    assert (str(plan.target), plan.by_cup, plan.after) == ("1:35", True, 95)
    assert plan.drop is not None
    assert clock(plan.drop[1]) == "11:11"
    lines = [" ".join(line.split()) for line in plan_lines("Lot Seven", plan)]
    assert lines[1].startswith("drop 1:35 after first crack, as the last cup suggests: at 11:11")
    given = make_plan(tasted, notes, green_g=None, target=Target.parse("1:00"), same=0.05)
    assert (str(given.target), given.by_cup) == ("1:00", False)


def test_how_far_from_the_target_the_drops_were() -> None:
    """Wanted 1:45 = 105 s; dropped after 110, 100 and 120 s: 5 s past on average, spread 10 s."""
    roasts = [roast(n, drop=576 + development, target="1:45") for n, development in ((3, 110), (2, 100), (1, 120))]
    plan = make_plan(roasts, {}, green_g=None, target=None, same=0.05)
    assert plan.off is not None
    assert (plan.off.n, plan.off.mean, plan.off.sd) == (3, pytest.approx(5), pytest.approx(10))


# -- comparison ------------------------------------------------------------------------------------------------


def test_what_differs_most_is_named_with_its_figures() -> None:
    two = [roast(1, drop=676), roast(2, drop=726)]
    assert differs_most(two) == "Development differs most: 1:40 in roast 1, 2:30 in roast 2, 50 s apart."


def test_what_the_dating_leaves_open_is_not_called_a_difference() -> None:
    two = [roast(1, first_crack=576, drop=676, half=15), roast(2, first_crack=560, drop=676, half=15)]
    assert differs_most(two).startswith("Nothing differs for certain: the development")
    sure = [roast(1, first_crack=576, drop=676, half=3), roast(2, first_crack=560, drop=676, half=3)]
    assert "the dating of first crack leaves 4 s open" in differs_most(sure)  # sqrt(3² + 3²) = 4.2


def test_alike_roasts_differ_by_nothing() -> None:
    assert differs_most([roast(1), roast(2)]) == "Nothing differs by an amount worth a word."


def test_the_one_liked_best_is_named_only_where_one_stands_out() -> None:
    roasts = [roast(1, roasted=168.0), roast(2)]

    def notes(*likings: int) -> dict[int, list[Note]]:
        return {n: [Note(n, date(2026, 3, 4), "", None, liking)] for n, liking in enumerate(likings, start=1)}

    best = liked_best(roasts, notes(5, 3))
    assert best is roasts[0]
    told = "Liked best: roast 1 (5/5), development 2:04, 17.7 %, weight loss 16.0 %."
    assert best_told(best, notes(5, 3)[1]) == told
    assert liked_best(roasts, notes(4, 4)) is None
    assert liked_best(roasts, notes(4)) is None
    named = [replace(one, coffee="Meadow Lane") for one in roasts]
    assert title(named, notes(3, 5)) == "Meadow Lane, 2 roasts; roast 2 won in the cup (5/5)"
    assert title([*named, roasts[1]], notes(4, 4)) == "Meadow Lane and no coffee named, 3 roasts"


# -- trend -----------------------------------------------------------------------------------------------------


def _series(offs: list[float]) -> list[Roast]:
    """Newest first."""
    made = [roast(n, drop=576 + 105 + off, target="1:45") for n, off in enumerate(offs, start=1)]
    return made[::-1]


def test_repeatability_is_told_from_three_roasts_on() -> None:
    assert "cannot say how repeatable" in verdict(trend_of(_series([3, 4])))
    assert verdict(trend_of(_series([10, 0, 20]))) == (
        "Against the target you dropped 10 s past it on average, with a spread of 10 s (standard deviation of 3 "
        "roasts)."
    )


def test_a_steadier_hand_is_called_so_only_when_it_is_no_chance() -> None:
    """F test of the variances; 30 s against 2 s with 4 and 5 degrees of freedom is far beyond 5 %."""
    steadier = verdict(trend_of(_series([-40, 30, -20, 35, -30, 25, 2, -2, 1, -1, 0])))
    assert steadier.endswith("which is steadier.")
    same = verdict(trend_of(_series([-9, 8, -10, 9, 7, -8, 9, -9, 8, -9])))
    assert same.endswith("which may be chance.")
    assert scipy.stats.f.cdf(0.01, 4, 5) < 0.05


def test_roasts_without_development_are_left_out_of_a_trend() -> None:
    made = trend_of([roast(3), roast(2, drop=None), roast(1, first_crack=None)])
    assert [each.number for each in made.roasts] == [3]
    assert verdict(trend_of([roast(1, drop=None)])).startswith("No roast of this coffee has a development yet")
