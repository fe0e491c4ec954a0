"""What the person says of a roast outranks what was heard, can be taken back, and stays in the record.

A roast is written as it happens: seconds of sound, and what the person says between them. The events that must come
of it stand beneath.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from clicks import clicks_in_noise, cut, poisson_times

from crackdetect.blocks import Block
from crackdetect.config import Settings, Target
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import RoastState

RATE = 16_000
#: A rattle from 30 to 50 s that sounds like cracks, then a pause, then a chorus from 90 s on.
RATTLE = poisson_times(90, 30, 50, seed=4)
CHORUS = poisson_times(150, 90, 130, seed=5)


def quiet(model: Model, roast: str, **wishes: object) -> list[Event]:
    """Nothing is heard: ``"20 first_crack.start 10 drop"`` is 20 s, a mark, 10 s, a mark and the end."""
    pipeline = Pipeline(samplerate=8_000, model=model, settings=Settings(**wishes))  # type: ignore[arg-type]
    events = pipeline.start()
    for step in roast.split():
        if step[0].isdigit():
            events += pipeline.push(Block(np.zeros(round(float(step) * 8_000), np.float32)))
        else:
            events += pipeline.mark(step)
    return events + pipeline.finish()


def heard(
    model: Model,
    marks: dict[int, str],
    *,
    cracks: Sequence[float] = (*RATTLE, *CHORUS),
    duration_s: int = 130,
    phase_settings: TrackerSettings | None = None,
    **wishes: object,
) -> list[Event]:
    """Cracks at these seconds; a mark is made at the second of its key."""
    sound = clicks_in_noise(cracks, samplerate=RATE, duration_s=duration_s, frequency_hz=3_000)
    settings = Settings(**wishes)  # type: ignore[arg-type]
    pipeline = Pipeline(samplerate=RATE, model=model, settings=settings, phase_settings=phase_settings)
    events: list[Event] = []
    for second, block in enumerate(cut(sound, RATE)):
        events += pipeline.mark(marks[second]) if second in marks else []
        events += pipeline.push(block)
    return events + pipeline.finish()


def of(events: Sequence[Event], *kinds: str) -> list[Event]:
    return [event for event in events if event.type in kinds]


def times(events: Sequence[Event], kind: str) -> list[float]:
    return [event.at for event in of(events, kind)]


def how(events: Sequence[Event], kind: str) -> list[tuple[float, str]]:
    return [(event.at, event.fields["how"]) for event in of(events, kind)]


def announced(events: Sequence[Event]) -> float:
    (start,) = of(events, "first_crack.start")
    return start.announced_at


# -- charge ----------------------------------------------------------------------------------------------------


def test_soon_after_a_known_charge_more_evidence_is_wanted(plain_model: Model) -> None:
    """A rattle half a minute after charge, for which first crack is too early, be charge given or marked."""
    unknown = announced(heard(plain_model, {}))
    given = announced(heard(plain_model, {}, charge_at=0.0))
    assert unknown + 0.2 < given < unknown + 5
    assert announced(heard(plain_model, {}, charge_at=90.0)) > 90  # and before it there is none
    assert announced(heard(plain_model, {2: "charge"})) == pytest.approx(given, abs=0.1)
    assert announced(heard(plain_model, {25: "charge.not_yet"}, charge_at=0.0)) == pytest.approx(unknown, abs=0.1)


def test_a_charge_before_the_program_was_ended_is_still_known(plain_model: Model) -> None:
    sound = clicks_in_noise(RATTLE, samplerate=RATE, duration_s=60, frequency_hz=3_000)
    told_at = []
    for charge_at in (None, 0.0):
        first = Pipeline(samplerate=RATE, model=plain_model, settings=Settings(charge_at=charge_at))
        before = RoastState.of(event.to_dict() for event in first.push(Block(sound[: 5 * RATE])))
        again = Pipeline(samplerate=RATE, model=plain_model, settings=before.settings, state=before)
        told_at.append(announced([e for block in cut(sound[again.position :], RATE) for e in again.push(block)]))
    assert told_at[0] + 0.2 < told_at[1] < told_at[0] + 5


def test_charge_given_beforehand_can_be_taken_back_and_marked(plain_model: Model) -> None:
    events = quiet(plain_model, "10 charge.not_yet 10 charge 60 drop", charge_at=5.0)
    assert how(events, "charge") == [(5.0, "given"), (20.0, "key")]
    assert events[-1].fields["total"] == 60.0
    without = quiet(plain_model, "10 charge.not_yet 10 drop", charge_at=5.0)
    assert without[-1].fields["total"] is None
    assert without[-1].roast_time is None


@pytest.mark.parametrize("what", ["charge", "drop"])
def test_a_given_time_does_not_come_back_with_the_mark_that_stood_in_its_place(plain_model: Model, what: str) -> None:
    given = {f"{what}_at": 5.0}
    events = quiet(plain_model, f"2 {what} 8 {what}.not_yet 10", **given)
    assert how(events, what) == [(2.0, "key")]
    assert what in RoastState.of(event.to_dict() for event in events[:-1]).given_over  # nor after a restart
    # taken back before it has come: it still does
    assert how(quiet(plain_model, f"2 {what} 1 {what}.not_yet 10", **given), what) == [(2.0, "key"), (5.0, "given")]


# -- first crack has not begun ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def taken_back(plain_model: Model) -> list[Event]:
    return heard(plain_model, {55: "first_crack.not_yet"}, target=Target(seconds=30))


def test_not_yet_goes_back_to_listening_and_the_real_start_is_announced(taken_back: list[Event]) -> None:
    (first,) = of(taken_back, "first_crack.start")  # at most one a roast, in the record for good
    assert 30 <= first.announced_at < 55
    (renewed,) = [event for event in of(taken_back, "development") if event.fields.get("renewed")]
    assert renewed.fields["first_crack"] == pytest.approx(90, abs=6)
    assert renewed.fields["first_crack_earliest"] <= 90 <= renewed.fields["first_crack_latest"]
    assert 0.5 < renewed.fields["confidence"] <= 1
    summary = taken_back[-1].fields
    assert summary["first_crack"] == pytest.approx(90, abs=6)
    assert summary["first_crack_announced"] == pytest.approx(renewed.announced_at, abs=0.001)


def test_between_not_yet_and_the_next_announcement_nothing_develops(taken_back: list[Event]) -> None:
    (renewed,) = [event.seq for event in taken_back if event.fields.get("renewed")]
    (mark,) = [event.seq for event in of(taken_back, "mark")]
    assert {event.type for event in taken_back[mark + 1 : renewed]} <= {"crack", "density"}
    development = [event.seq for event in of(taken_back, "development")]
    assert min(development) < mark < renewed < max(development)
    seconds = times(taken_back, "development")
    assert len(set(seconds)) == len(seconds)


def test_what_fooled_the_hearing_is_learnt(plain_model: Model) -> None:
    """The same rattle a minute later: after "not yet" it is clatter of this machine; never heard before it is not."""
    again = [time + 60 for time in RATTLE]
    learnt = heard(plain_model, {55: "first_crack.not_yet"}, cracks=RATTLE + again)
    assert announced(learnt) < 55
    assert [event for event in learnt if event.fields.get("renewed")] == []
    assert announced(heard(plain_model, {55: "first_crack.not_yet"}, cracks=again)) == pytest.approx(97, abs=3)


def test_a_mark_by_hand_may_be_taken_back_as_well(plain_model: Model) -> None:
    events = quiet(plain_model, "20 first_crack.start 10 first_crack.not_yet 10 drop")
    assert times(events, "development") == [float(second) for second in range(20, 30)]
    assert events[-1].fields["first_crack"] is None
    marks = [event.fields["what"] for event in of(events, "mark")]
    assert marks == ["first_crack.start", "first_crack.not_yet", "drop"]


# -- first crack is now ----------------------------------------------------------------------------------------


def test_the_persons_start_outranks_the_heard_one_and_both_are_told(plain_model: Model) -> None:
    events = heard(plain_model, {40: "first_crack.start"})
    assert times(events, "first_crack.start") == [pytest.approx(30, abs=5)]
    later = [event.fields for event in of(events, "development") if event.at >= 40]
    assert {fields["first_crack"] for fields in later} == {40.0}
    assert {fields["first_crack_earliest"] for fields in later} == {None}
    assert events[-1].fields["first_crack"] == 40.0


def test_marked_after_it_was_taken_back_no_later_announcement_moves_it(plain_model: Model) -> None:
    events = heard(plain_model, {55: "first_crack.not_yet", 85: "first_crack.start"})
    assert len(of(events, "first_crack.start")) == 1
    assert [event for event in events if event.fields.get("renewed")] == []
    assert {event.at % 1 for event in of(events, "development")} == {0.0}
    assert events[-1].fields["first_crack"] == 85.0
    assert events[-1].fields["first_crack_announced"] is None


def test_the_target_counts_from_the_mark_anew(plain_model: Model) -> None:
    roast = "20 first_crack.start 15 first_crack.start 14"
    told = of(quiet(plain_model, roast, target=Target(seconds=12), near_s=()), "target")
    assert [(event.fields["stage"], event.at) for event in told] == [("reached", 32.0), ("reached", 47.0)]


def test_after_a_mark_the_end_of_first_crack_is_heard_without_an_announcement(plain_model: Model) -> None:
    """Evidence that suffices for no announcement: the person says that it was first crack."""
    early = poisson_times(200, 3, 16, seed=8)
    never = TrackerSettings(threshold=1e9)
    unmarked, marked = (
        heard(plain_model, marks, cracks=early, duration_s=75, phase_settings=never)
        for marks in ({}, {4: "first_crack.start"})
    )
    assert of(unmarked, "first_crack.start", "first_crack.end") == []
    assert of(marked, "first_crack.start") == []
    assert times(marked, "first_crack.end") == [pytest.approx(16, abs=6)]


def test_a_start_marked_when_first_crack_is_over_is_waited_for_anew(plain_model: Model) -> None:
    """Marked at a moment that is not judged yet; no end is told until so long after it."""
    early, settings = poisson_times(200, 3, 16, seed=8), TrackerSettings(threshold=1e9)
    marks = {4: "first_crack.start", 70: "first_crack.start"}
    events = heard(plain_model, marks, cracks=early, duration_s=110, phase_settings=settings)
    first, again = of(events, "first_crack.end")
    assert first.at == pytest.approx(16, abs=6)
    assert again.announced_at >= 70 + settings.end_not_before_s
    assert again.at >= 70
    assert events[-1].fields["first_crack"] == 70.0


# -- second crack ----------------------------------------------------------------------------------------------


def test_second_crack_by_hand_is_the_summarys(plain_model: Model) -> None:
    roast = "20 first_crack.start 10 second_crack.start 5"
    assert quiet(plain_model, roast)[-1].fields["second_crack"] == 30.0
    assert quiet(plain_model, f"{roast} second_crack.not_yet")[-1].fields["second_crack"] is None
    assert quiet(plain_model, f"{roast} first_crack.not_yet")[-1].fields["second_crack"] is None


# -- drop, cooling ---------------------------------------------------------------------------------------------


def test_a_drop_taken_back_lets_development_go_on(plain_model: Model) -> None:
    roast = "20 first_crack.start 10 drop 10 drop.not_yet 20 drop 1"
    events = quiet(plain_model, roast, target=Target(seconds=30), near_s=())
    assert times(events, "development") == [*map(float, range(20, 30)), *map(float, range(40, 60))]
    assert times(events, "target") == [50.0]
    assert events[-1].fields["drop"] == 60.0


def test_announcements_go_on_after_a_drop_taken_back(plain_model: Model) -> None:
    assert of(heard(plain_model, {25: "drop"}, duration_s=60), "first_crack.start") == []
    assert of(heard(plain_model, {25: "drop", 28: "drop.not_yet"}, duration_s=60), "first_crack.start") != []


@pytest.mark.parametrize(
    ("roast", "wishes", "cooled"),
    [
        ("60", {"drop_at": 20.0}, [35.0]),
        ("30 drop.not_yet 20 drop 20", {"drop_at": 20.0}, [65.0]),
        ("30 cooled 20", {"drop_at": 20.0}, [30.0]),
        ("20 drop 10 cooled 5 drop 20", {}, [30.0, 50.0]),  # dropped once more, it cools once more
    ],
)
def test_the_cooling_time_runs_from_the_drop_and_ends_once(
    plain_model: Model, roast: str, wishes: dict[str, float], cooled: list[float]
) -> None:
    assert times(quiet(plain_model, roast, cool_s=15.0, **wishes), "cooled") == cooled


# -- the program's own sound -----------------------------------------------------------------------------------


def test_own_sound_is_a_gap_of_its_own_kind(plain_model: Model) -> None:
    pipeline = Pipeline(samplerate=8_000, model=plain_model)
    second = np.random.default_rng(1).normal(0, 0.01, 8_000).astype(np.float32)
    events = pipeline.push(Block(second))
    events += pipeline.push(Block(second, lost=4_000, lost_to="own_sound"))
    events += pipeline.push(Block(second[:4_000], lost=2_000))
    events += pipeline.finish()
    told = [(event.fields["kind"], event.fields["count"]) for event in of(events, "health")]
    assert told == [("own_sound", 4_000), ("gap", 2_000)]
    assert events[-1].fields["health"] == {"gap": 2_000, "own_sound": 4_000}
    (message,) = [event.fields["message"] for event in events if event.fields.get("kind") == "own_sound"]
    assert message == "0.500 s were not listened to, as crackdetect itself sounded; passed over as a gap"
