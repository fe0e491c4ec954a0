"""The worth of teaching: what the person says of a drawn roast, and figures of machines that were taught, by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from clicks import poisson_times
from commands import Run
from conftest import OWN_MACHINE
from scipy.special import logit

from crackdetect.deciding.own_machine import AskedCandidate
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import AskedTick
from crackdetect.evaluate import taught
from crackdetect.evaluate.announcement import Announcement
from crackdetect.evaluate.taught import (
    IF_BETTER,
    JUDGED,
    MOST_TAUGHT,
    UNTAUGHT,
    Judged,
    TaughtMachine,
    Way,
    kitchen_tasks,
    record_of,
    roast_tasks,
    teach_machines,
)
from crackdetect.evaluate.taught_figures import taught_figures, taught_table
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.model import Model
from crackdetect.synth.truth import Truth, TruthEvent
from crackdetect.teach import machine_profile
from crackdetect.teach.comparison import Told
from crackdetect.teach.heard_again import HeardAgain, answers_of
from crackdetect.train.scenes import FIRST_SEED, machine_scenes, scenes

LENGTH_S, START_S = 150.0, 90.0
ALL, CARDS, MARK = Way("all", 2, "all"), Way("cards", 2, "cards"), Way("mark", 2, "mark")


def heard(seed: int, *, cracking: bool = True) -> Any:
    """A roast on a machine of which the score alone tells little, and the point beside it much."""
    rng = np.random.default_rng([seed, 5])
    times: list[float] = []
    drawn = poisson_times(60, START_S, LENGTH_S, seed=seed) if cracking else []
    for time in (*drawn, *poisson_times(80, 0.2, LENGTH_S, seed=seed + 999)):
        if all(abs(time - other) > 0.04 for other in times):  # within the hold-off there is no other
            times.append(time)
    cracks = sorted(set(drawn) & set(times))
    candidates = []
    for time in sorted(times):
        is_crack = time in cracks
        llr = float(rng.normal(0.8 if is_crack else -0.8, 1.5))
        hidden = rng.normal((2.0, -1.0) if is_crack else (0.0, 3.0)).astype(np.float32)
        sound = Sound(rng.normal(size=features.COUNT).astype(np.float32), hidden)
        candidates.append(AskedCandidate(time, llr, -3.0, 1.0, sound, 1 / (1 + math.exp(-llr))))
    ends = TICK_S * np.arange(1, round(LENGTH_S / TICK_S) + 1)
    counts = np.histogram([one.time for one in candidates], [0.0, *ends])[0].tolist()
    ticks = tuple(
        AskedTick(count, number, TICK_S, 5.0 if cracking and end > START_S + 10 else -5.0, not cracking or end <= 100)
        for number, (count, end) in enumerate(zip(counts, ends.tolist(), strict=True))
    )
    events = tuple(TruthEvent(time, "first", 15.0, "") for time in cracks)
    start_s = START_S if cracking else None
    truth = Truth(44_100, LENGTH_S, None, start_s, None, None, None, 60.0 if cracking else 0.0, events)
    again = HeardAgain(tuple(candidates), ticks)
    return taught._Heard(seed, truth, again, answers_of(again, OWN_MACHINE))


@pytest.fixture(scope="module")
def machine() -> Any:
    roasts = [heard(seed) for seed in range(4)]
    return taught._Machine("drum", roasts[:2], roasts[2:], [heard(9, cracking=False)])


def recorded(one: Any, way: Way) -> Any:
    return record_of(way, seed=one.seed, truth=one.truth, heard=one.heard, untaught=one.untaught)


# -- what the person says --------------------------------------------------------------------------------------


def test_all_is_what_every_sound_was_and_cards_are_what_review_asks(machine: Any) -> None:
    one = machine.teaching[0]
    cracks = {event.time_s for event in one.truth.events}
    said = {label.at: label.is_crack for label in recorded(one, ALL).corrections.cracks}
    assert set(said) == set(one.heard.times)
    assert {time for time, is_crack in said.items() if is_crack} == cracks
    cards = recorded(one, CARDS).corrections.cracks
    likely = {time: p for time, p in zip(one.heard.times, one.untaught.probabilities, strict=True) if 0.2 <= p < 0.9}
    assert len(cards) == min(20, len(likely))
    assert all(label.at in likely and label.is_crack == (label.at in cracks) for label in cards)


def test_a_fifth_of_the_answers_is_wrong(machine: Any) -> None:
    right = recorded(machine.teaching[0], ALL).corrections.cracks
    said = recorded(machine.teaching[0], replace(ALL, wrong=0.2)).corrections.cracks
    wrong = sum(one.is_crack != other.is_crack for one, other in zip(said, right, strict=True))
    assert wrong / len(said) == pytest.approx(0.2, abs=3 * math.sqrt(0.16 / len(said)))  # binomial


def test_the_mark_is_some_seconds_late_and_the_same_whatever_else_is_said(machine: Any) -> None:
    marks = [recorded(one, MARK).roast.at_s("first_crack.start") - START_S for one in map(heard, range(30))]
    assert np.mean(marks) == pytest.approx(4, abs=3 * 4 / math.sqrt(30))
    one = machine.teaching[0]
    assert recorded(one, CARDS).roast.moments == recorded(one, MARK).roast.moments
    late = recorded(one, replace(MARK, late_s=30.0)).roast.at_s("first_crack.start")
    assert late == pytest.approx(recorded(one, MARK).roast.at_s("first_crack.start") + 30)
    assert recorded(one, ALL).roast.at_s("first_crack.start") == START_S


# -- taught and judged -----------------------------------------------------------------------------------------


def same(one: Judged, other: Judged) -> bool:
    return np.array_equal(one.false, other.false) and np.array_equal(one.cracks, other.cracks)


def test_no_roast_is_the_untaught_machine(machine: Any) -> None:
    found = taught._taught(machine, machine, OWN_MACHINE, [replace(ALL, roasts=0)])
    assert same(found.ways["all"], found.ways[UNTAUGHT])
    assert found.ways["all"].announcements == found.ways[UNTAUGHT].announcements
    assert not found.compared


def test_what_is_taught_shows_and_the_other_machine_is_not_this_one(machine: Any) -> None:
    found = taught._taught(machine, machine, OWN_MACHINE, [ALL])

    def apart(judged: Judged) -> float:
        """Nats, so that it does not matter how sure of all of them it is."""
        return float(np.mean(logit(judged.cracks)) - np.mean(logit(judged.false)))

    assert apart(found.ways["all"]) > apart(found.ways[UNTAUGHT]) + 0.3
    assert found.minutes == pytest.approx(2 * LENGTH_S / 60)
    assert found.quiet_hours == pytest.approx(LENGTH_S / 3600)
    assert [one.present for one in found.ways["all"].announcements] == [True, True, False]
    other = replace(machine, teaching=[heard(seed) for seed in (50, 51)])
    mistaken = taught._taught(machine, other, OWN_MACHINE, [replace(ALL, mistaken=True)])
    assert not same(mistaken.ways["all"], found.ways["all"])
    assert same(mistaken.ways["all"], taught._taught(other, other, OWN_MACHINE, [ALL]).ways["all"])


def test_but_for_the_half_life_the_order_of_roasts_does_not_matter(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(machine_profile, "HALF_LIFE", math.inf)
    turned = replace(machine, teaching=machine.teaching[::-1])
    one, other = (taught._taught(m, m, OWN_MACHINE, [CARDS]).ways["cards"] for m in (machine, turned))
    assert one.cracks == pytest.approx(other.cracks, abs=1e-9)
    assert one.false == pytest.approx(other.false, abs=1e-9)


@pytest.mark.parametrize("better", [True, False])
def test_if_better_is_taught_only_where_teach_would_adopt_it(
    machine: Any, monkeypatch: pytest.MonkeyPatch, better: bool
) -> None:
    both = Told(2, 1, 0, 30.0, 1.0, 20, 12), Told(2, 1, 0, 30.0, 1.0, 20, 14 if better else 10)
    monkeypatch.setattr(taught, "compared", lambda roasts, own: both)
    found = taught._taught(machine, machine, OWN_MACHINE, [ALL, replace(MARK, roasts=1)])
    assert found.compared == {"all" + IF_BETTER: both}
    assert found.adopts("all" + IF_BETTER) is better
    assert found.ways["all" + IF_BETTER] is found.ways["all" if better else UNTAUGHT]


# -- figures by hand -------------------------------------------------------------------------------------------


def told(*delays: float | None, kitchen: bool = False) -> tuple[Announcement, ...]:
    roasts = (Announcement(True, delay is not None, False, delay) for delay in delays)
    return (*roasts, Announcement(False, False, kitchen, None))


def by_hand(scale: float = 1.0) -> TaughtMachine:
    """Two minutes. Untaught, .7 and .6 are let pass at two false ones, .5 is not: two of four cracks are missed."""
    untaught = Judged(np.array([0.7, 0.6, 0.5, 0.3]), np.array([0.9, 0.55, 0.4, 0.2]), told(20.0, 30.0, kitchen=True))
    better = Judged(np.array([0.85, 0.3, 0.2]), np.array([0.9, 0.8, 0.4, 0.15]), told(10.0 * scale, None))
    as_shipped, by_others = Told(2, 1, 0, 30.0, 1.0, 20, 12), Told(2, 2, 0, 30.0, 1.0, 20, 12)
    return TaughtMachine("drum", 2.0, 0.5, {UNTAUGHT: untaught, "taught": better}, {"taught": (as_shipped, by_others)})


def test_figures_of_machines_by_hand() -> None:
    """Taught, .85 and .3 are let pass: one of four is missed. For the recall of two of four only .85 need be."""
    figures = taught_figures([by_hand(), by_hand()])
    untaught, better = figures[UNTAUGHT], figures["taught"]
    assert (untaught["missed"], better["missed"], better["missed_over"]) == (0.5, 0.25, 0.5)
    assert (untaught["false_per_minute"], better["false_per_minute"]) == (1.0, 0.5)
    assert (better["false_per_minute_over"], untaught["false_per_minute_over"]) == (0.5, 1.0)
    assert (untaught["said_found"], better["said_found"]) == (0.5, 0.5)
    assert (untaught["said_false_per_minute"], better["said_false_per_minute"]) == (1.5, 0.5)
    assert (untaught["delay_s"], better["delay_s"], better["delay_s_over"]) == (25.0, 10.0, 0.5)
    assert (better["first_crack_announced"], better["first_crack_present"]) == (2, 4)
    assert (untaught["kitchens_false"], better["kitchens_false"], better["quiet_hours"]) == (2, 0, 1.0)
    assert (untaught["adopted"], better["adopted"]) == (None, 2)


def test_intervals_are_over_machines() -> None:
    figures = taught_figures([by_hand(), by_hand(1.5), by_hand(0.5)])["taught"]
    low, high = figures["intervals"]["delay_s"]
    assert 5 <= low < figures["delay_s"] == 10 < high <= 15
    assert "missed" not in figures["intervals"]  # alike on all
    kitchens = taught_figures([by_hand()])[UNTAUGHT]["intervals"]["kitchens_false"]
    assert kitchens == pytest.approx((40 * 0.0253, 40 * 5.572), rel=1e-3)  # Garwood 1936, one event in half an hour


def test_figures_that_cannot_be_are_none() -> None:
    """No crack, no pair of announcements, no kitchen, and a recall that is never reached."""
    none = Judged(np.zeros(0), np.zeros(0), (Announcement(True, False, False, None),))
    figures = taught_figures([TaughtMachine("drum", 2.0, 0.0, {UNTAUGHT: none}, {})])[UNTAUGHT]
    assert [figures[key] for key in ("missed", "false_per_minute", "delay_s", "delay_s_over")] == [None] * 4
    deaf = replace(by_hand(), ways=by_hand().ways | {"taught": Judged(np.zeros(0), np.zeros(4), told(None, None))})
    assert taught_figures([deaf])["taught"]["false_per_minute"] is None
    assert "-" in taught_table({UNTAUGHT: figures})


# -- the command -----------------------------------------------------------------------------------------------


def test_a_machine_is_drawn_apart_from_its_roasts_and_none_was_met_in_training() -> None:
    tasks = [task for n in (0, 1, 999) for task in roast_tasks(n, seed=7, sounds=None)]
    tasks += [task for n in (0, 1) for task in kitchen_tasks(n, range(n, 4, 2), seed=7, sounds=None)]
    plans = [task.plan for task in tasks if task.plan is not None]
    machines = {plan.wide.machine for plan in plans if plan.wide is not None}
    assert len(machines) == 3
    ovens = [task.plan for task in roast_tasks(0, seed=7, sounds=None, family="kind:oven")]
    assert {plan.wide.machine.kind for plan in ovens if plan is not None and plan.wide is not None} == {"oven"}
    assert len({plan.seed for plan in plans}) == len(plans) == 3 * (MOST_TAUGHT + JUDGED) + 4
    assert all(plan.first_start_s is not None for plan in plans if plan.scenario == "roast")
    met = [
        scene.plan.seed for purpose in ("train", "calibrate") for scene in scenes(purpose, count=9, seed=999, bank=None)
    ]
    met += [scene.plan.seed for scene in machine_scenes(count=16, seed=999, bank=None)]
    own = range(FIRST_SEED["taught"], FIRST_SEED["taught kitchen"] + 10_000_000)
    assert all(plan.seed in own for plan in plans)
    assert not any(seed in own for seed in met)


def test_the_command_tells_the_table_and_writes_all_figures(
    run: Run, plain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: dict[str, Any] = {}

    def teach(**how: Any) -> list[TaughtMachine]:
        asked.update(how)
        return [by_hand(), by_hand(1.5)]

    monkeypatch.setattr(taught, "teach_machines", teach)
    out = tmp_path / "taught.json"
    done = run("evaluate", "--taught", "2", "--quiet-hours", "3", "--seed", "5", "--model", plain, "--json", out)
    assert (done.code, done.errors) == (0, [])
    assert "2 machines" in done.out
    assert "2 of 2" in done.out
    assert (asked["machines"], asked["quiet_hours"], asked["seed"]) == (2, 3.0, 5)
    content = json.loads(out.read_text())
    assert content["ways"]["taught"]["missed"] == 0.25
    assert content["machines"][0]["ways"]["taught"]["cracks"] == [0.9, 0.8, 0.4, 0.15]
    assert [told["announced"] for told in content["machines"][0]["compared"]["taught"]] == [1, 2]
    assert "of its own" in run("evaluate", "--taught", "2", "--sets", "1", "--model", plain).err
    asked.clear()
    models = tmp_path / "left out"
    models.mkdir()
    for name in ("crack-modes+kind-oven", "blow-slap"):
        (models / f"{name}.json").write_bytes(plain.read_bytes())
    done = run("evaluate", "--taught", "8", "--quiet-hours", "3", "--left-out", models, "--model", plain)
    assert "2 models, each on what it never met, seed 0: 4 machines" in done.out
    assert (asked["machines"], asked["quiet_hours"], asked["families"]) == (4, 1.5, ["crack:modes", "kind:oven"])
    monkeypatch.undo()
    assert "does not learn machines" in run("evaluate", "--taught", "2", "--model", plain).err


@pytest.mark.long
def test_two_machines_from_the_first_sample_to_the_figures(model: Model) -> None:
    """By the shipped model; whether teaching is worth anything two machines cannot tell."""
    ways = [replace(ALL, name="none", roasts=0), CARDS]
    machines = teach_machines(machines=2, quiet_hours=1 / 6, seed=999, model=model, ways=ways, jobs=1)
    figures = taught_figures(machines)
    assert list(figures) == [UNTAUGHT, "none", "cards", "cards" + IF_BETTER]
    assert {key: value for key, value in figures["none"].items() if key != "intervals"} == {
        key: value for key, value in figures[UNTAUGHT].items() if key != "intervals"
    }
    assert figures["cards"]["missed"] != figures[UNTAUGHT]["missed"]
    assert figures[UNTAUGHT]["quiet_hours"] == pytest.approx(1 / 6, abs=0.01)
