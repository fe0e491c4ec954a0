"""What a roast's events amount to: what is said above, what holds beneath."""

from __future__ import annotations

import contextlib
import json
from itertools import accumulate
from typing import Any

import numpy as np
import pytest
from clicks import clicks_in_noise, poisson_times
from hypothesis import example, given, settings
from hypothesis import strategies as st
from roasts import roast_events

from crackdetect.blocks import Block, Samples
from crackdetect.config import Settings, Target, UsualStart
from crackdetect.deciding.density import shrunken_peak
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.errors import InputError, SettingError
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.roast.course import MARKS
from crackdetect.roast.event_reader import read_event
from crackdetect.roast.state import READY_S, RoastState, summary_of
from crackdetect.roast.statements import Statement

Told = tuple[str, float, dict[str, Any]]


def told(*said: Event) -> RoastState:
    state = RoastState()
    for event in said:
        state.apply(event)
    return state


def event(type_: str, at: float, announced_at: float | None = None, /, **fields: Any) -> Event:
    return Event(type_, at, at if announced_at is None else announced_at, None, 0, "roast", fields)


def start(**settings: Any) -> Event:
    return event("roast.start", 0.0, settings=Settings(**settings).as_fields(), about={})


def mark(what: str, at: float) -> Event:
    return event("mark", at, what=what)


def phase(what: str, at: float, announced_at: float) -> Event:
    return event(what, at, announced_at, earliest=at - 2, latest=at + 2, confidence=0.9)


def begun(at: float, announced_at: float) -> Event:
    return phase("first_crack.start", at, announced_at)


def development(at: float, first_crack: float, *, sure: bool = True, **more: Any) -> Event:
    interval = (first_crack - 1, first_crack + 1) if sure else (None, None)
    dates = dict(zip(("first_crack_earliest", "first_crack_latest"), interval, strict=True))
    return event("development", at, elapsed=at - first_crack, first_crack=first_crack, **dates, **more)


def density(at: float, per_minute: float) -> Event:
    return event("density", at, at + 0.1, per_minute=per_minute, low=per_minute / 2, high=2 * per_minute)


def target(stage: str, at: float, remaining: float) -> Event:
    return event("target", at, at + 0.1, stage=stage, remaining=remaining)


# -- what outranks what ----------------------------------------------------------------------------------------


def test_the_persons_mark_outranks_what_was_heard_in_either_order() -> None:
    heard = {"heard": 540.0, "earliest": 538.0, "latest": 542.0, "confidence": 0.9, "announced_at": 548.0}
    both = Statement(**heard, marked=550.0)
    for said in ([begun(540, 548), mark("first_crack.start", 550)], [mark("first_crack.start", 550), begun(540, 548)]):
        assert told(*said).first_crack == both
    assert (both.at, both.how, both.interval) == (550.0, "key", None)
    assert told(event("drop", 700, how="key"), event("drop", 690, how="heard")).drop == Statement(
        heard=690, announced_at=690, marked=700
    )


def test_what_was_given_outranks_what_was_heard_and_a_mark_outranks_both() -> None:
    state = told(event("charge", 5, how="heard"), event("charge", 3, how="given"))
    assert (state.charge.at, state.charge.how) == (3, "given")
    state.apply(event("charge", 8, how="key"))
    assert (state.charge.at, state.charge.how, state.charge.given, state.charge.heard) == (8, "key", 3, 5)


def test_a_better_date_of_first_crack_is_taken_over_but_never_over_the_persons() -> None:
    dated = told(begun(500, 510), development(520, 503)).first_crack
    assert (dated.at, dated.interval, dated.announced_at) == (503, (502, 504), 510)
    marked = told(begun(500, 510), mark("first_crack.start", 512), development(520, 512, sure=False)).first_crack
    assert (marked.at, marked.heard) == (512, 500)


@pytest.mark.parametrize(
    ("said", "how"),
    [
        ([event("cooled", 900)], "given"),  # the cooling time has run out
        ([mark("cooled", 900), event("cooled", 900)], "key"),
        ([event("cooled", 900, how="heard", confidence=0.95)], "heard"),
    ],
)
def test_the_end_of_cooling_is_known_by_time_by_hand_or_by_ear(said: list[Event], how: str) -> None:
    state = told(start(cool_s=120.0), event("drop", 780, how="key"), *said)
    assert (state.cooled.at, state.cooled.how) == (900, how)
    assert (state.cooled.as_moment().heard_s is None) == (how != "heard")


def test_a_drop_marked_again_after_cooling_has_not_cooled_yet() -> None:
    cooled = [event("drop", 700, how="key"), mark("cooled", 800), event("cooled", 800)]
    assert told(*cooled).cooled is not None
    for again in ([mark("drop", 810)], [event("drop", 810, how="given")]):
        assert told(*cooled, *again).cooled is None


def test_a_roast_that_is_gone_on_with_keeps_its_settings() -> None:
    wishes = {
        "charge_at": 5.0,
        "drop_at": 600.0,
        "target": Target(ratio=0.18),
        "near_s": (20.0, 5.0),
        "cool_s": 90.0,
        "sensitivity": "surer",
        "usual_start": UsualStart(500.0, 0.1, 12),
    }
    settings = Settings(**wishes)
    assert all(getattr(settings, name) != getattr(Settings(), name) for name in Settings.__dataclass_fields__)
    assert (
        RoastState.of(
            [
                start(**wishes).to_dict()
                | {"source": "file", "samplerate": 8000, "version": "1", "model": {"name": "m", "hash": "h"}}
            ]
        ).settings
        == settings
    )


# -- not yet ---------------------------------------------------------------------------------------------------


def test_what_hangs_on_first_crack_falls_with_it() -> None:
    roast = [begun(500, 510), density(520, 80), phase("first_crack.end", 560, 570), mark("second_crack.start", 600)]
    assert list(told(*roast).statements) == ["first_crack.start", "first_crack.end", "second_crack.start"]
    assert list(told(*roast, mark("second_crack.not_yet", 610)).statements) == ["first_crack.start", "first_crack.end"]
    fallen = told(*roast, mark("first_crack.not_yet", 610))
    assert not fallen.statements
    assert fallen.series.peak is None
    assert fallen.start_told  # it is said once a roast


def test_first_crack_begins_anew_with_a_development_event() -> None:
    renewed = development(620, 600, renewed=True, confidence=0.8)
    again = told(begun(500, 510), mark("first_crack.not_yet", 520), renewed).first_crack
    assert (again.at, again.interval, again.confidence, again.announced_at) == (600, (599, 601), 0.8, 620)


@pytest.mark.parametrize("what", ["charge", "drop"])
def test_a_given_time_that_was_taken_back_does_not_come_again(what: str) -> None:
    wishes = start(charge_at=5.0, drop_at=600.0)
    given = {"charge": 5.0, "drop": 600.0}[what]
    assert told(wishes, mark(f"{what}.not_yet", given - 1)).given_over == set()  # it has not come yet
    assert told(wishes, mark(f"{what}.not_yet", given + 1)).given_over == {what}
    assert told(wishes, event(what, given, how="given")).given_over == {what}
    assert told(wishes, mark(f"{what}.not_yet", given + 1)).taken_back_at[what] == given + 1


# -- target, readiness -----------------------------------------------------------------------------------------


def test_of_the_targets_stages_only_later_ones_are_left() -> None:
    """A warning is the shortest lead time that is not shorter than what remains: others were overtaken."""
    wishes = start(target=Target(seconds=60), near_s=(30.0, 10.0))
    assert told(wishes).told_lead is None
    assert told(wishes, target("near", 540, 29.8)).told_lead == 30
    assert told(wishes, target("near", 540, 30.0)).told_lead == 30
    assert told(wishes, target("near", 540, 8.0)).told_lead == 10  # first crack was announced late
    assert told(wishes, target("reached", 560, -0.2)).told_lead == 0
    assert told(wishes, target("over", 590, -30.0)).told_lead == -30


@pytest.mark.parametrize(
    ("wish", "what", "moved"),
    [
        (Target(seconds=60), "first_crack.start", True),
        (Target(seconds=60), "first_crack.not_yet", True),
        (Target(seconds=60), "charge", False),
        (Target(ratio=0.2), "charge", True),
        (Target(ratio=0.2), "charge.not_yet", True),
        (Target(ratio=0.2), "drop", False),
    ],
)
def test_a_target_that_moves_is_told_anew(wish: Target, what: str, moved: bool) -> None:
    state = told(start(target=wish), begun(500, 510), target("near", 540, 30.0), mark(what, 545))
    assert (state.told_lead is None) == moved


def test_a_roast_that_is_gone_on_with_is_ready_after_as_much_listening_again() -> None:
    assert told(start()).ready_at == READY_S == TrackerSettings().ready_s
    assert told(event("health", 130.0, kind="interrupted", count=1, message="goes on")).ready_at == 150.0


# -- clocks and figures ----------------------------------------------------------------------------------------


def test_the_clocks() -> None:
    """First crack at 9:36 and a fifth of development end at 12:00 (arithmetic)."""
    state = told(start(target=Target(ratio=0.2), cool_s=120.0), event("charge", 10, how="key"), begun(586, 590))
    assert state.roast_time(646) == 636
    assert state.development(646) == 60
    assert state.goal == pytest.approx(144)
    assert state.remaining(646) == pytest.approx(84)
    assert state.ratio(730) == pytest.approx(0.2)
    assert state.cooling(700) is None
    state.apply(event("drop", 730, how="key"))
    assert (state.development(800), state.roast_time(800)) == (144, 720)
    assert state.ratio(800) == pytest.approx(0.2)
    assert state.cooling(800) == 50
    state.apply(event("cooled", 850))
    assert state.cooling(851) == 0


def test_the_peak_is_first_cracks() -> None:
    """A density is said before what begins at the same moment; so 60 is first crack's and 500 is not."""
    roast = [density(499.9, 300), density(509.9, 60), begun(500, 510), density(520, 80), density(521, 70)]
    reached = (520.0, *shrunken_peak(80, 40, 160))
    assert told(*roast[:3]).series.peak == (509.9, *shrunken_peak(60, 30, 120))
    assert told(*roast).series.peak == reached
    second = [density(599.9, 500), phase("second_crack.start", 590, 600), density(601, 500)]
    assert told(*roast, *second).series.peak == reached
    dropped = [event("drop", 600, how="key"), density(601, 500)]
    assert told(*roast, *dropped).series.peak == reached
    assert told(*roast, *dropped, mark("drop.not_yet", 602), density(603, 90)).series.peak[0] == 603


def test_a_state_is_bounded_unless_the_whole_roast_is_wanted() -> None:
    hour = [density(float(second), 60.0) for second in range(3600)]
    hour += [event("crack", float(second), kind="first", probability=0.9, snr_db=20.0) for second in range(3600)]
    kept = [RoastState.of([start(), *hour], whole=whole).series for whole in (False, True)]
    assert [(len(series.density), len(series.cracks), series.crack_count) for series in kept] == [
        (120, 1000, 3600),
        (3600, 3600, 3600),
    ]


def test_the_summary_has_the_last_word() -> None:
    """Events of the same roast from elsewhere, of which some got lost."""
    events = roast_events()
    lost = ("crack", "density", "drop", "first_crack.start")
    for kept in (events, [row for row in events if row["type"] not in lost]):
        state = RoastState.of(kept)
        summary = summary_of(state)
        expected = {name: value for name, value in events[-1].items() if name in summary}
        expected["first_crack_announced"] = summary["first_crack_announced"]  # it does not say it of its own
        expected["ratio"] = round(expected["ratio"], 5)
        expected["first_crack_earliest"], expected["first_crack_latest"] = 394, 406
        assert summary == expected
        assert state.finished


# -- the pipeline and the fold say the same ----------------------------------------------------------------------

RATE = 8_000
#: Announces within seconds, and leaves every date as it was announced: between two of them a fold lags a second behind.
HASTY = TrackerSettings(threshold=3.0, ready_s=3.0, again_after_s=1.0, refine_every_s=1e9, end_not_before_s=5.0)
#: A chorus, a pause, a denser chorus.
SOUND = clicks_in_noise(
    [*poisson_times(150, 4, 16, seed=4), *poisson_times(500, 26, 38, seed=5)], samplerate=RATE, duration_s=40
)
WISHES = st.builds(
    Settings,
    charge_at=st.sampled_from([None, 0.0, 2.5]),
    drop_at=st.sampled_from([None, 21.0, 33.3]),
    target=st.sampled_from([None, Target(seconds=6), Target(ratio=0.2)]),
    near_s=st.sampled_from([(), (5.0, 2.0), (30.0, 10.0)]),
    cool_s=st.sampled_from([None, 4.0]),
)
#: Samples until a mark, and the mark.
KEYS = st.lists(st.tuples(st.integers(1, 8 * RATE), st.sampled_from(MARKS)), max_size=8)


Keys = list[tuple[int, str]]


def roasted(model: Model, wishes: Settings, keys: Keys, sound: Samples) -> tuple[list[Event], Pipeline]:
    """All events but the summary, and the pipeline that has said them."""
    pipeline = Pipeline(samplerate=RATE, model=model, settings=wishes, phase_settings=HASTY)
    return go_on(pipeline, keys, sound), pipeline


def go_on(pipeline: Pipeline, keys: Keys, sound: Samples) -> list[Event]:
    """The rest of the sound from the pipeline's position on; every key counts from the one before."""
    events, at = pipeline.start(), 0
    for wait, what in keys:
        at = min(at + wait, len(sound))
        if at >= pipeline.position:
            events += pipeline.push(Block(sound[pipeline.position : at]))
            with contextlib.suppress(SettingError):  # what cannot have been is refused
                events += pipeline.mark(what)
    return events + pipeline.push(Block(sound[pipeline.position :]))


def saved(events: list[Event]) -> list[dict[str, Any]]:
    """As a journal gives them back."""
    return [json.loads(event.to_json()) for event in events]


@settings(max_examples=25)
@given(wishes=WISHES, keys=KEYS)
@example(wishes=Settings(), keys=[])
@example(wishes=Settings(), keys=[(18 * RATE, "first_crack.not_yet")])
@example(wishes=Settings(), keys=[(18 * RATE, "first_crack.not_yet"), (2 * RATE, "first_crack.start")])
@example(wishes=Settings(cool_s=4.0), keys=[(9 * RATE, "drop"), (6 * RATE, "cooled"), (RATE, "drop")])
@example(wishes=Settings(), keys=[(18 * RATE, "first_crack.start"), (RATE, "undo"), (RATE, "undo")])
@example(wishes=Settings(), keys=[(18 * RATE, "first_crack.not_yet"), (RATE, "undo")])
def test_the_folds_summary_is_the_pipelines(plain_model: Model, wishes: Settings, keys: Keys) -> None:
    events, pipeline = roasted(plain_model, wishes, keys, SOUND)
    *given_at_the_end, summary = pipeline.finish()
    fold = RoastState.of(saved(events + given_at_the_end))
    assert [(what, said.how) for what, said in fold.statements.items()] == [
        (what, said.how) for what, said in pipeline.state.statements.items()
    ]
    summed, expected = summary_of(fold), dict(summary.fields)
    assert summed.pop("health") == expected.pop("health")
    assert summed == pytest.approx(expected, abs=0.0055)  # what was heard is told to a hundredth of a second


def test_in_the_roast_of_that_test_first_crack_is_heard_and_after_not_yet_once_more(plain_model: Model) -> None:
    events, _ = roasted(plain_model, Settings(), [(18 * RATE, "first_crack.not_yet")], SOUND)
    assert {"first_crack.start", "crack", "density", "mark"} <= {event.type for event in events}
    assert any(event.fields.get("renewed") for event in events)


@settings(max_examples=25)
@given(wishes=WISHES, keys=KEYS, share=st.floats(0, 1))
def test_any_prefix_of_the_events_saved_and_gone_on_with_gives_the_state_of_the_whole(
    plain_model: Model, wishes: Settings, keys: Keys, share: float
) -> None:
    events, pipeline = roasted(plain_model, wishes, keys, SOUND)
    events += pipeline.finish()
    count = 1 + round(share * (len(events) - 1))
    state = RoastState.of(saved(events[:count]))
    for event in events[count:]:
        state.apply(event)
    assert plain(state) == plain(RoastState.of(events))


def plain(state: RoastState) -> dict[str, Any]:
    """All that is in a state."""
    told = dict(vars(state))
    parts = {"statements": list(state.statements.items()), "steps": list(state.steps)}
    return told | parts | {"series": vars(state.series)}


@settings(max_examples=25)
@given(wishes=WISHES, keys=KEYS, share=st.floats(0, 1))
@example(
    wishes=Settings(target=Target(seconds=6), near_s=(5.0, 2.0)), keys=[(10 * RATE, "first_crack.start")], share=0.3
)
@example(wishes=Settings(drop_at=21.0), keys=[(22 * RATE, "drop.not_yet")], share=0.6)
@example(wishes=Settings(cool_s=4.0), keys=[(9 * RATE, "drop"), (6 * RATE, "drop")], share=0.4)
def test_another_pipeline_goes_on_as_the_first_one_would_have(
    plain_model: Model, wishes: Settings, keys: Keys, share: float
) -> None:
    """Nothing is heard, for what was learnt of noise and machine is learnt anew."""
    silence = np.zeros(40 * RATE, np.float32)
    whole, _ = roasted(plain_model, wishes, keys, silence)
    cut_at = round(share * len(silence))
    before = keys[: sum(at <= cut_at for at in accumulate(wait for wait, _ in keys))]
    events, _ = roasted(plain_model, wishes, before, silence[:cut_at])
    state = RoastState.of(saved(events))
    again = Pipeline(samplerate=RATE, model=plain_model, settings=state.settings, state=state, phase_settings=HASTY)
    waited = sum(wait for wait, _ in before)
    rest = [(wait + (waited if number == 0 else 0), what) for number, (wait, what) in enumerate(keys[len(before) :])]
    events += go_on(again, rest, silence)
    assert [heard(event) for event in events if event.type != "health"] == [
        heard(event) for event in whole if event.type != "health"
    ]


def heard(event: Event) -> tuple[Any, ...]:
    """All of an event but its number."""
    return event.type, event.at, event.announced_at, event.roast_time, dict(event.fields)


# -- damage ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["start", "crack", "density", "first_crack.start", "drop", "summary"])
def test_an_event_that_lacks_a_field_or_holds_another_thing_is_refused(name: str) -> None:
    (row,) = [row for row in roast_events(cracks=1) if row["type"] == name or row["type"] == f"roast.{name}"][:1]
    assert read_event(row).to_dict() == row
    for field in row.keys() - {"about", "type", "health", "total", "development", "ratio", "first_crack_announced"}:
        with pytest.raises(InputError, match=f"'{row['type']}' is incomplete or damaged"):
            read_event({key: value for key, value in row.items() if key != field})
        with pytest.raises(InputError, match="incomplete or damaged"):
            read_event(row | {field: ["something else"]})


def test_what_is_no_event_at_all_is_refused() -> None:
    for wrong in ({}, {"type": "pop"}, {"type": 3}, None, [1, 2]):
        with pytest.raises(InputError, match="incomplete or damaged"):
            read_event(wrong)  # type: ignore[arg-type]


def test_a_first_crack_told_before_any_density_has_no_peak() -> None:
    """Times before the first sample can be read in a journal."""
    start, *_ = roast_events(cracks=0)
    (told,) = [row for row in roast_events(cracks=1) if row["type"] == "first_crack.start"]
    state = RoastState.of([start, told | {"announced_at": -1}])
    assert state.first_crack is not None
    assert state.series.peak is None


def test_a_number_that_no_roast_has_is_damage() -> None:
    """Python and JSON know greater ones than any database takes."""
    (density,) = [row for row in roast_events(cracks=1) if row["type"] == "density"][:1]
    for wrong in (2**64, -(10**400), 1e300, float("nan"), float("-inf"), True):
        with pytest.raises(InputError, match="not a number that can be"):
            read_event(density | {"per_minute": wrong})
    whole = read_event(density | {"per_minute": 3}).fields["per_minute"]
    assert isinstance(whole, float)


def test_halves_of_characters_are_read_as_question_marks() -> None:
    """JSON can hold them as escapes; no file and no database takes them."""
    start, *rest = roast_events(cracks=1)
    start |= {"source": "\ud800", "version": "\udfff1", "model": {"name": "a\ud800", "hash": "\ud800b"}}
    start["about"] = {"coffee": "Tria\udc80l"}
    state = RoastState.of([start, *rest])
    assert (state.source, state.version, dict(state.model)) == ("?", "?1", {"name": "a?", "hash": "?b"})
    assert state.about.coffee == "Tria?l"
