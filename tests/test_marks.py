"""What the person says of a roast: it outranks what was heard, can be taken back, and stays in the record."""

from __future__ import annotations

import numpy as np
import pytest
from clicks import clicks_in_noise, cut, poisson_times

from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.config import Settings, Target
from crackdetect.events import Event
from crackdetect.pipeline import Pipeline
from crackdetect.so_far import SoFar

RATE = 16_000
#: A rattle from 30 to 50 s that sounds like cracks, then a pause, then a chorus from 90 s on.
RATTLE = poisson_times(90, 30, 50, seed=4)
CHORUS = poisson_times(150, 90, 130, seed=5)


def _hear(model: Model, marks: dict[int, str], *, wishes: Settings | None = None, duration_s: int = 130) -> list[Event]:
    """A second at a time; ``marks`` are made before the second of their key."""
    sound = clicks_in_noise(RATTLE + CHORUS, samplerate=RATE, duration_s=duration_s, frequency_hz=3_000)
    pipeline = Pipeline(samplerate=RATE, model=model, settings=wishes)
    events: list[Event] = []
    for second, block in enumerate(cut(sound, RATE)):
        if second in marks:
            events += pipeline.mark(marks[second])
        events += pipeline.push(block)
    return events + pipeline.finish()


def _of(events: list[Event], kind: str) -> list[Event]:
    return [event for event in events if event.type == kind]


def _quiet(model: Model, wishes: Settings, steps: list[float | str]) -> list[Event]:
    """Silence for so many seconds, or a mark."""
    pipeline = Pipeline(samplerate=8_000, model=model, settings=wishes)
    events = pipeline.start()
    for step in steps:
        silence = None if isinstance(step, str) else Block(np.zeros(round(step * 8_000), np.float32))
        events += pipeline.mark(str(step)) if silence is None else pipeline.push(silence)
    return events + pipeline.finish()


# -- charge ----------------------------------------------------------------------------------------------------


def _announced(events: list[Event]) -> float:
    (start,) = _of(events, "first_crack.start")
    return start.announced_at


def test_soon_after_a_known_charge_more_evidence_is_wanted(plain_model: Model) -> None:
    """A rattle half a minute after charge, for which first crack is too early, be charge given or marked."""
    unknown = _announced(_hear(plain_model, {}))
    given = _announced(_hear(plain_model, {}, wishes=Settings(charge_at=0.0)))
    assert unknown + 0.2 < given < unknown + 5
    yet_to_come = _announced(_hear(plain_model, {}, wishes=Settings(charge_at=90.0)))  # none before charge either
    assert yet_to_come == pytest.approx(given, abs=0.1)
    assert _announced(_hear(plain_model, {2: "charge"})) == pytest.approx(given, abs=0.1)
    taken_back = _hear(plain_model, {25: "charge.not_yet"}, wishes=Settings(charge_at=0.0))
    assert _announced(taken_back) == pytest.approx(unknown, abs=0.1)


def test_a_charge_before_the_program_was_ended_is_still_known(plain_model: Model) -> None:
    sound = clicks_in_noise(RATTLE, samplerate=RATE, duration_s=60, frequency_hz=3_000)
    times = []
    for charge_at in (None, 0.0):
        first = Pipeline(samplerate=RATE, model=plain_model, settings=Settings(charge_at=charge_at))
        so_far = SoFar.of(event.to_dict() for event in first.push(Block(sound[: 5 * RATE])))
        again = Pipeline(samplerate=RATE, model=plain_model, settings=so_far.settings, so_far=so_far)
        times.append(_announced([event for block in cut(sound[again.position :], RATE) for event in again.push(block)]))
    assert times[0] + 0.2 < times[1] < times[0] + 5


# -- not yet ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def taken_back(plain_model: Model) -> list[Event]:
    return _hear(plain_model, {55: "first_crack.not_yet"}, wishes=Settings(target=Target(seconds=30)))


def test_not_yet_goes_back_to_listening_and_the_real_start_is_announced(taken_back: list[Event]) -> None:
    (first,) = _of(taken_back, "first_crack.start")  # at most one a roast, in the record for good
    assert 30 <= first.announced_at < 55
    (renewed,) = [event for event in _of(taken_back, "development") if event.fields.get("renewed")]
    assert renewed.fields["first_crack"] == pytest.approx(90, abs=6)
    assert renewed.fields["first_crack_earliest"] <= 90 <= renewed.fields["first_crack_latest"]
    assert 0.5 < renewed.fields["confidence"] <= 1
    summary = taken_back[-1].fields
    assert summary["first_crack"] == pytest.approx(90, abs=6)
    assert summary["first_crack_announced"] == pytest.approx(renewed.announced_at, abs=0.001)


def test_between_not_yet_and_the_next_announcement_nothing_develops(taken_back: list[Event]) -> None:
    (renewed,) = [event.seq for event in taken_back if event.fields.get("renewed")]
    (mark,) = [event.seq for event in _of(taken_back, "mark")]
    between = {event.type for event in taken_back[mark + 1 : renewed]}
    assert between <= {"crack", "density"}
    development = [event.seq for event in _of(taken_back, "development")]
    assert min(development) < mark < renewed
    assert max(development) > renewed


def test_what_fooled_the_hearing_is_learnt(plain_model: Model) -> None:
    """The same rattle again, after *not yet*: without it the roast would have begun at the first one."""
    again = [time + 60 for time in RATTLE]
    sound = clicks_in_noise(RATTLE + again, samplerate=RATE, duration_s=111, frequency_hz=3_000)
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    doubt = []
    for second, block in enumerate(cut(sound, RATE)):
        pipeline.push(block)
        if second == 55:
            pipeline.mark("first_crack.not_yet")
        if second in (29, 56):
            doubt.append(pipeline._phase._background.copy())
    before, after = doubt
    assert (after >= before * 0.5).all()
    for _ in range(14):  # learnt with the usual lag of 12 s
        pipeline.push(Block(np.zeros(RATE, np.float32)))
    assert pipeline._phase._background[-1] > 2 * before[-1]


def test_a_mark_by_hand_may_be_taken_back_as_well(plain_model: Model) -> None:
    events = _quiet(plain_model, Settings(), [20.0, "first_crack.start", 10.0, "first_crack.not_yet", 10.0, "drop"])
    assert [event.at for event in _of(events, "development")] == [float(second) for second in range(20, 30)]
    assert events[-1].fields["first_crack"] is None
    assert [event.fields["what"] for event in _of(events, "mark")] == [
        "first_crack.start",
        "first_crack.not_yet",
        "drop",
    ]


# -- first crack is now ----------------------------------------------------------------------------------------


def test_the_persons_start_outranks_the_heard_one_and_both_are_told(plain_model: Model) -> None:
    events = _hear(plain_model, {40: "first_crack.start"})
    (heard,) = _of(events, "first_crack.start")
    assert heard.at == pytest.approx(30, abs=5)
    later = [event for event in _of(events, "development") if event.at >= 40]
    assert {event.fields["first_crack"] for event in later} == {40.0}
    assert {event.fields["first_crack_earliest"] for event in later} == {None}
    assert events[-1].fields["first_crack"] == 40.0


def test_the_target_counts_from_the_mark_anew(plain_model: Model) -> None:
    wishes = Settings(target=Target(seconds=12), near_s=())
    steps: list[float | str] = [20.0, "first_crack.start", 15.0, "first_crack.start", 14.0]
    told = [(event.fields["stage"], event.at) for event in _of(_quiet(plain_model, wishes, steps), "target")]
    assert told == [("reached", 32.0), ("reached", 47.0)]


def test_after_a_mark_the_end_of_first_crack_is_heard_without_an_announcement(plain_model: Model) -> None:
    """A chorus too short and too early for an announcement: the person says that it was first crack."""
    sound = clicks_in_noise(poisson_times(200, 3, 16, seed=8), samplerate=RATE, duration_s=75, frequency_hz=3_000)
    ends = {}
    for marked in (False, True):
        pipeline = Pipeline(samplerate=RATE, model=plain_model)
        events = []
        for second, block in enumerate(cut(sound, RATE)):
            if marked and second == 4:
                events += pipeline.mark("first_crack.start")
            events += pipeline.push(block)
            if second == 15:
                pipeline._phase._start.reset()  # as if the evidence had not sufficed
        ends[marked] = [event.at for event in _of(events, "first_crack.end")]
        assert _of(events, "first_crack.start") == []
    assert ends[False] == []
    assert ends[True] == [pytest.approx(16, abs=6)]


# -- second crack ----------------------------------------------------------------------------------------------


def test_second_crack_by_hand_is_the_summarys(plain_model: Model) -> None:
    steps: list[float | str] = [20.0, "first_crack.start", 10.0, "second_crack.start", 5.0]
    assert _quiet(plain_model, Settings(), steps)[-1].fields["second_crack"] == 30.0
    assert _quiet(plain_model, Settings(), [*steps, "second_crack.not_yet"])[-1].fields["second_crack"] is None
    assert _quiet(plain_model, Settings(), [*steps, "first_crack.not_yet"])[-1].fields["second_crack"] is None


# -- charge, drop, cooling -------------------------------------------------------------------------------------


def test_charge_given_beforehand_can_be_taken_back_and_marked(plain_model: Model) -> None:
    wishes = Settings(charge_at=5.0)
    events = _quiet(plain_model, wishes, [10.0, "charge.not_yet", 10.0, "charge", 60.0, "drop"])
    assert [(event.at, event.fields["how"]) for event in _of(events, "charge")] == [(5.0, "given"), (20.0, "key")]
    assert events[-1].fields["total"] == 60.0
    without = _quiet(plain_model, wishes, [10.0, "charge.not_yet", 10.0, "drop"])
    assert without[-1].fields["total"] is None
    assert without[-1].roast_time is None


@pytest.mark.parametrize("what", ["charge", "drop"])
def test_a_given_time_does_not_come_back_with_the_mark_that_stood_in_its_place(plain_model: Model, what: str) -> None:
    wishes = Settings(charge_at=5.0) if what == "charge" else Settings(drop_at=5.0)
    events = _quiet(plain_model, wishes, [2.0, what, 8.0, f"{what}.not_yet", 10.0])
    assert [(event.at, event.fields["how"]) for event in _of(events, what)] == [(2.0, "key")]
    assert what in SoFar.of(event.to_dict() for event in events[:-1]).given_told  # nor after a restart
    # taken back before it has come: it still does
    earlier = _quiet(plain_model, wishes, [2.0, what, 1.0, f"{what}.not_yet", 10.0])
    assert [(event.at, event.fields["how"]) for event in _of(earlier, what)] == [(2.0, "key"), (5.0, "given")]


def test_a_drop_taken_back_lets_development_go_on(plain_model: Model) -> None:
    wishes = Settings(target=Target(seconds=30), near_s=())
    steps: list[float | str] = [20.0, "first_crack.start", 10.0, "drop", 10.0, "drop.not_yet", 20.0, "drop", 1.0]
    events = _quiet(plain_model, wishes, steps)
    assert [event.at for event in _of(events, "development")] == [
        *map(float, range(20, 30)),
        *map(float, range(40, 60)),
    ]
    assert [event.at for event in _of(events, "target")] == [50.0]
    assert events[-1].fields["drop"] == 60.0


def test_announcements_go_on_after_a_drop_taken_back(plain_model: Model) -> None:
    dropped = _hear(plain_model, {25: "drop"}, duration_s=60)
    assert _of(dropped, "first_crack.start") == []
    taken_back = _hear(plain_model, {25: "drop", 28: "drop.not_yet"}, duration_s=60)
    assert _of(taken_back, "first_crack.start") != []


def test_the_cooling_time_runs_from_the_drop_and_ends_once(plain_model: Model) -> None:
    wishes = Settings(drop_at=20.0, cool_s=15.0)
    events = _quiet(plain_model, wishes, [60.0])
    assert [event.at for event in _of(events, "cooled")] == [35.0]
    taken_back = _quiet(plain_model, wishes, [30.0, "drop.not_yet", 20.0, "drop", 20.0])
    assert [event.at for event in _of(taken_back, "cooled")] == [65.0]
    by_hand = _quiet(plain_model, wishes, [30.0, "cooled", 20.0])
    assert [event.at for event in _of(by_hand, "cooled")] == [30.0]


# -- the program's own sound -----------------------------------------------------------------------------------


def test_own_sound_is_a_gap_of_its_own_kind(plain_model: Model) -> None:
    pipeline = Pipeline(samplerate=8_000, model=plain_model)
    second = np.random.default_rng(1).normal(0, 0.01, 8_000).astype(np.float32)
    events = pipeline.push(Block(second))
    events += pipeline.push(Block(second, lost=4_000, lost_to="own_sound"))
    events += pipeline.push(Block(second[:4_000], lost=2_000))
    events += pipeline.finish()
    told = [(event.fields["kind"], event.fields["count"]) for event in _of(events, "health")]
    assert told == [("own_sound", 4_000), ("gap", 2_000)]
    assert events[-1].fields["health"] == {"gap": 2_000, "own_sound": 4_000}
    (message,) = [event.fields["message"] for event in events if event.fields.get("kind") == "own_sound"]
    assert message == "0.500 s were not listened to, as crackdetect itself sounded; passed over as a gap"
