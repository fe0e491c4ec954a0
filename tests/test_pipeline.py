"""A roast through the whole pipeline: what is done above, the events that must come of it beneath."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Iterator
from typing import Any, NoReturn

import numpy as np
import pytest
from clicks import clicks_in_noise, cut, hear, poisson_times
from hypothesis import example, given, settings
from hypothesis import strategies as st

from crackdetect.blocks import Block, Samples
from crackdetect.config import Settings, Target
from crackdetect.deciding.density import shrunken_peak
from crackdetect.errors import SettingError
from crackdetect.events import TYPES, Event
from crackdetect.hearing.chain import Heard, HearingChain
from crackdetect.model import Model
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import RoastState

RATE = 8_000
#: Sample rate at which second crack's clicks have a band.
FULL_RATE = 32_000
#: The microphone's part of a latency: frames must be complete before they are judged.
HEARING_S = 0.15

NUMBER = (int, float)
NUMBER_OR_NULL = (int, float, type(None))
TURN = {"earliest": NUMBER, "latest": NUMBER, "confidence": NUMBER}
#: Further fields of each type and what JSON value each one is; the envelope is common to all.
ENVELOPE: dict[str, Any] = {
    "type": (str,),
    "at": (float,),
    "announced_at": (float,),
    "roast_time": (float, type(None)),
    "seq": (int,),
    "roast": (str,),
}
FIELDS: dict[str, dict[str, Any]] = {
    "roast.start": {
        "source": (str,),
        "samplerate": (int,),
        "model": (dict,),
        "version": (str,),
        "settings": (dict,),
        "about": (dict,),
    },
    "charge": {"how": (str,)},
    "crack": {"kind": (str,), "probability": NUMBER, "snr_db": NUMBER},
    "density": {"per_minute": NUMBER, "low": NUMBER, "high": NUMBER, "begun": NUMBER},
    "first_crack.start": TURN,
    "first_crack.end": TURN,
    "second_crack.start": TURN,
    "development": {
        "elapsed": NUMBER,
        "ratio": NUMBER_OR_NULL,
        "remaining": NUMBER_OR_NULL,
        "first_crack": NUMBER,
        "first_crack_earliest": NUMBER_OR_NULL,
        "first_crack_latest": NUMBER_OR_NULL,
    },
    "target": {"stage": (str,), "remaining": NUMBER},
    "drop": {"how": (str,)},
    "cooled": {},
    "mark": {"what": (str,)},
    "health": {"kind": (str,), "count": (int,), "message": (str,)},
    "summary": {
        **dict.fromkeys(("first_crack", "first_crack_earliest", "first_crack_latest"), NUMBER_OR_NULL),
        **dict.fromkeys(("first_crack_announced", "drop", "total", "development", "ratio"), NUMBER_OR_NULL),
        **dict.fromkeys(("peak_per_minute", "peak_low", "peak_high"), NUMBER_OR_NULL),
        **dict.fromkeys(("first_crack_end", "second_crack"), NUMBER_OR_NULL),
        "cracks": (int,),
        "health": (dict,),
    },
}


def _seconds(duration_s: float) -> Block:
    """Silence."""
    return Block(np.zeros(round(duration_s * RATE), np.float32))


def _quiet_roast(model: Model, wishes: Settings, steps: list[float | str]) -> list[Event]:
    """Silence for so many seconds, or a mark; then the end."""
    pipeline = Pipeline(samplerate=RATE, model=model, settings=wishes)
    events = pipeline.start()
    for step in steps:
        events += pipeline.mark(step) if isinstance(step, str) else pipeline.push(_seconds(step))
    return events + pipeline.finish()


def _of(events: list[Event], kind: str) -> list[Event]:
    return [event for event in events if event.type == kind]


def _targets(events: list[Event]) -> list[tuple[str, float, float]]:
    return [(event.fields["stage"], event.at, event.fields["remaining"]) for event in _of(events, "target")]


# -- one roast from charge to cooled ---------------------------------------------------------------------------

# strays, first crack from 22 to 75 s, second crack from 100 to 115 s, brighter and denser
FIRST = poisson_times(100, 22, 75, seed=4)
SECOND = poisson_times(400, 100, 115, seed=5)


@pytest.fixture(scope="module")
def roast(plain_model: Model) -> list[Event]:
    """Charge given at 1 s, target 60 s; the person marks the drop at 121 s and the end of cooling at 123 s."""
    times = [3.0, 8.5, 14.0, *FIRST, *SECOND]
    pitches = [12_000.0 if time >= 100 else 2_500.0 for time in times]
    sound = clicks_in_noise(times, samplerate=FULL_RATE, duration_s=125, frequency_hz=pitches)
    pipeline = Pipeline(
        samplerate=FULL_RATE,
        model=plain_model,
        settings=Settings(charge_at=1.0, target=Target(seconds=60)),
        roast="whole",
        source="microphone",
    )
    events: list[Event] = []
    for second, block in enumerate(cut(sound, FULL_RATE)):
        if second == 121:
            events += pipeline.mark("drop")
        if second == 122:
            events += pipeline.notice("webhook_down", message="no answer", count=3)
        if second == 123:
            events += pipeline.mark("cooled")
        events += pipeline.push(block)
    return events + pipeline.finish()


def test_every_type_of_event_has_its_fields_and_no_others(roast: list[Event]) -> None:
    assert {event.type for event in roast} == set(TYPES) == set(FIELDS)
    for event in roast:
        told = event.to_dict()
        expected = ENVELOPE | FIELDS[event.type]
        assert list(told)[: len(ENVELOPE)] == list(ENVELOPE)
        assert set(told) == set(expected), event.type
        for name, kinds in expected.items():
            assert type(told[name]) in kinds, f"{event.type}.{name} is {told[name]!r}"


def test_a_line_of_json_gives_the_event_back(roast: list[Event]) -> None:
    for event in roast:
        line = event.to_json()
        assert "\n" not in line
        assert json.loads(line, parse_constant=_no_number) == event.to_dict()


def _no_number(name: str) -> NoReturn:
    raise AssertionError(f"{name} is no JSON number")


def test_sequence_identity_and_roast_time(roast: list[Event]) -> None:
    assert [event.seq for event in roast] == list(range(len(roast)))
    assert {event.roast for event in roast} == {"whole"}
    (known,) = (event.seq for event in roast if event.type == "charge")
    for event in roast:
        if event.seq < known or event.at < 1.0:
            assert event.roast_time is None
        else:
            assert event.roast_time == pytest.approx(event.at - 1.0, abs=1e-9)


def test_nothing_is_said_before_it_is_known(roast: list[Event]) -> None:
    assert all(event.announced_at >= event.at for event in roast)
    announced = [event.announced_at for event in roast]
    # a crack and the second it lies in become known within one frame of each other
    assert all(later >= earlier - HEARING_S for earlier, later in zip(announced, announced[1:], strict=False))


def test_the_start_says_what_listens(roast: list[Event], plain_model: Model) -> None:
    first = roast[0]
    assert (first.type, first.at, first.announced_at, first.seq) == ("roast.start", 0.0, 0.0, 0)
    assert first.fields["source"] == "microphone"
    assert first.fields["samplerate"] == FULL_RATE
    assert first.fields["model"] == {"name": plain_model.name, "hash": plain_model.digest}
    wishes = {
        "charge_at": 1.0,
        "drop_at": None,
        "target": "1:00",
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }
    assert first.fields["settings"] == wishes


def test_phases_lie_where_the_cracks_were_put(roast: list[Event]) -> None:
    (start,), (end,), (second,) = (
        _of(roast, kind) for kind in ("first_crack.start", "first_crack.end", "second_crack.start")
    )
    assert start.at == pytest.approx(22, abs=5)
    assert end.at == pytest.approx(75, abs=5)
    assert second.at == pytest.approx(100, abs=4)
    for turn, truth in ((start, 22), (end, 75)):
        assert turn.fields["earliest"] <= truth <= turn.fields["latest"]
    for turn in (start, end, second):
        assert turn.fields["latest"] <= turn.announced_at
        assert turn.fields["earliest"] - 0.01 <= turn.at <= turn.fields["latest"] + 0.01
        assert 0.5 < turn.fields["confidence"] <= 1


def test_cracks_have_a_kind_and_a_probability(roast: list[Event]) -> None:
    cracks = _of(roast, "crack")
    assert all(0.5 <= event.fields["probability"] <= 1 for event in cracks)
    (turn,) = _of(roast, "second_crack.start")
    first = [event for event in cracks if event.at < 90]
    second = [event for event in cracks if event.at >= 100]
    known = [event.fields["kind"] for event in second if event.at > turn.announced_at]

    # clicks closer than a hold-off of 12 ms are one; the first seconds of a phase may be doubted
    assert {event.fields["kind"] for event in first} == {"first"}
    assert len(FIRST) * 0.9 <= len(first) <= len(FIRST) + 3
    assert len(SECOND) * 0.8 <= len(second) <= len(SECOND)
    assert known.count("second") >= 0.95 * len(known)
    assert len(known) > len(second) / 2
    apart = [min(abs(event.at - time) for time in [3.0, 8.5, 14.0, *FIRST, *SECOND]) for event in cracks]
    assert max(apart) < 0.012
    assert np.median(apart) < 0.003


def test_density_comes_once_a_second_on_whole_seconds(roast: list[Event]) -> None:
    densities = _of(roast, "density")
    assert [event.at for event in densities] == [float(second) for second in range(3, 125)]
    for event in densities:
        assert 0 <= event.fields["low"] <= event.fields["per_minute"] <= event.fields["high"]
    # the cracks that were put into the last 15 s; Jeffreys' mean is half a crack more than were heard
    for at, cracks in ((60.0, FIRST), (115.0, SECOND)):
        (there,) = [event.fields for event in densities if event.at == at]
        truth = 4 * sum(at - 15 <= time < at for time in cracks)
        assert there["low"] <= truth <= there["high"]
        assert there["per_minute"] == pytest.approx(truth, rel=0.12)


def test_development_counts_from_the_date_it_names(roast: list[Event]) -> None:
    development = _of(roast, "development")
    (start,) = _of(roast, "first_crack.start")
    first = math.ceil(start.announced_at - HEARING_S)
    assert [event.at for event in development] == [float(second) for second in range(first, 121)]
    for event in development:
        told = event.fields
        assert told["elapsed"] == pytest.approx(event.at - told["first_crack"], abs=0.002)
        assert told["ratio"] == pytest.approx(told["elapsed"] / (event.at - 1.0), abs=5e-5)
        assert told["remaining"] == pytest.approx(60 - told["elapsed"], abs=0.002)
        assert told["first_crack_earliest"] <= told["first_crack"] <= told["first_crack_latest"]
    dates = {event.fields["first_crack"] for event in development}
    assert 1 < len(dates) <= 5  # as announced, and bettered four times


def test_the_summary_is_the_sum_of_what_was_said(roast: list[Event]) -> None:
    told, last = roast[-1].fields, _of(roast, "development")[-1].fields
    (end,), (second,), (start,) = (
        _of(roast, kind) for kind in ("first_crack.end", "second_crack.start", "first_crack.start")
    )
    assert roast[-1].type == "summary"
    assert (roast[-1].at, roast[-1].announced_at) == (125.0, 125.0)
    for name in ("first_crack", "first_crack_earliest", "first_crack_latest"):
        assert told[name] == pytest.approx(last[name], abs=0.006)
    assert told["first_crack_announced"] == pytest.approx(start.announced_at, abs=0.001)
    assert (told["drop"], told["total"]) == (121.0, 120.0)
    assert told["development"] == pytest.approx(121 - told["first_crack"], abs=0.001)
    assert told["ratio"] == pytest.approx(told["development"] / 120, abs=2e-5)
    assert told["cracks"] == len(_of(roast, "crack"))
    assert told["first_crack_end"] == pytest.approx(end.at, abs=0.001)
    assert told["second_crack"] == pytest.approx(second.at, abs=0.001)
    # the peak is first crack's, not that of what follows
    assert told["peak_low"] <= told["peak_per_minute"] <= told["peak_high"]
    chorus = [e for e in _of(roast, "density") if start.announced_at <= e.announced_at < second.announced_at]
    reached = max(shrunken_peak(*(event.fields[name] for name in ("per_minute", "low", "high"))) for event in chorus)
    assert (told["peak_per_minute"], told["peak_low"], told["peak_high"]) == reached
    assert RoastState.of(roast).series.peak[1:] == reached  # the log adds up the same
    assert told["peak_per_minute"] < 250
    assert told["health"] == {"webhook_down": 3}


def test_what_the_person_does_is_told_where_it_is_done(roast: list[Event]) -> None:
    by_hand = [
        (event.type, event.at, dict(event.fields))
        for event in roast
        if event.type in ("mark", "drop", "cooled", "charge")
    ]
    assert by_hand == [
        ("charge", 1.0, {"how": "given"}),
        ("mark", 121.0, {"what": "drop"}),
        ("drop", 121.0, {"how": "key"}),
        ("mark", 123.0, {"what": "cooled"}),
        ("cooled", 123.0, {}),
    ]
    (health,) = _of(roast, "health")
    assert (health.at, health.fields) == (122.0, {"kind": "webhook_down", "count": 3, "message": "no answer"})


# -- the arithmetic of development -----------------------------------------------------------------------------


def test_first_crack_at_936_and_a_fifth_of_development_end_at_1200(plain_model: Model) -> None:
    """drop = first crack / (1 - ratio): arithmetic. The roast goes on past it."""
    wishes = Settings(charge_at=0.0, target=Target.parse("20%"))
    events = _quiet_roast(plain_model, wishes, [576.0, "first_crack.start", 184.0])

    assert _targets(events) == [
        ("near", 690.0, 30.0),
        ("near", 710.0, 10.0),
        ("reached", 720.0, 0.0),
        ("over", 750.0, -30.0),
    ]
    assert all(event.announced_at - event.at < HEARING_S for event in _of(events, "target"))
    (at_1200,) = [event for event in _of(events, "development") if clock(event.at) == "12:00"]
    assert at_1200.fields["elapsed"] == 144.0
    assert at_1200.fields["ratio"] == 0.2
    assert at_1200.fields["remaining"] == 0.0


def test_the_roast_time_counts_from_charge(plain_model: Model) -> None:
    """Charge half a minute into the recording: everything of the test above, 30 s later."""
    wishes = Settings(target=Target(ratio=0.2))
    steps: list[float | str] = [30.0, "charge", 576.0, "first_crack.start", 144.0, "drop", 5.0]
    events = _quiet_roast(plain_model, wishes, steps)
    told = events[-1].fields

    assert _targets(events)[:2] == [("near", 720.0, 30.0), ("near", 740.0, 10.0)]
    assert [event.roast_time for event in _of(events, "target")][:2] == [690.0, 710.0]
    assert (told["first_crack"], told["drop"], told["total"]) == (606.0, 750.0, 720.0)
    assert (told["development"], told["ratio"]) == (144.0, 0.2)
    assert _of(events, "charge")[0].fields == {"how": "key"}


def test_a_target_in_seconds_needs_no_charge(plain_model: Model) -> None:
    wishes = Settings(target=Target(seconds=12), near_s=(5.0,))
    events = _quiet_roast(plain_model, wishes, [20.0, "first_crack.start", 15.0])

    assert _targets(events) == [("near", 27.0, 5.0), ("reached", 32.0, 0.0)]
    assert [event.fields["ratio"] for event in _of(events, "development")] == [None] * 15
    assert [event.fields["remaining"] for event in _of(events, "development")] == [float(12 - s) for s in range(15)]
    assert {event.roast_time for event in events} == {None}


def test_a_ratio_without_charge_has_no_answer(plain_model: Model) -> None:
    wishes = Settings(target=Target(ratio=0.2))
    events = _quiet_roast(plain_model, wishes, [20.0, "first_crack.start", 15.0, "drop"])

    assert _targets(events) == []
    assert {event.fields["remaining"] for event in _of(events, "development")} == {None}
    assert events[-1].fields["development"] == 15.0
    assert (events[-1].fields["total"], events[-1].fields["ratio"]) == (None, None)


def test_a_warning_that_the_next_one_overtook_is_not_said(plain_model: Model) -> None:
    """Eight seconds are wanted: 30 s before is past already, and 10 s before is said at once."""
    wishes = Settings(target=Target(seconds=8), near_s=(30.0, 10.0, 5.0))
    events = _quiet_roast(plain_model, wishes, [40.0, "first_crack.start", 40.0])

    stages = [(event.fields["stage"], event.fields["remaining"]) for event in _of(events, "target")]
    assert stages == [("near", 8.0), ("near", 5.0), ("reached", 0.0), ("over", -30.0)]
    assert [event.announced_at for event in _of(events, "target")] == pytest.approx([40, 43, 48, 78], abs=HEARING_S)


def test_no_warning_of_a_target_that_is_past_when_first_crack_is_announced(plain_model: Model) -> None:
    """Two seconds are wanted, and first crack is heard only some seconds after it began."""
    sound = clicks_in_noise(poisson_times(90, 40, 70, seed=4), samplerate=RATE, duration_s=70)
    wishes = Settings(target=Target(seconds=2))
    events = hear(Pipeline(samplerate=RATE, model=plain_model, settings=wishes), [Block(sound)])
    (start,) = _of(events, "first_crack.start")
    first = _of(events, "target")[0]

    assert start.announced_at - start.at > 2
    assert [stage for stage, _, _ in _targets(events)] == ["reached"] or _targets(events)[1][0] == "over"
    assert first.announced_at == start.announced_at
    assert first.fields["remaining"] == pytest.approx(2 - (start.announced_at - start.at), abs=HEARING_S)


def test_the_drop_ends_development_and_warnings(plain_model: Model) -> None:
    wishes = Settings(charge_at=0.0, drop_at=60.0, target=Target(seconds=40), near_s=(25.0,))
    events = _quiet_roast(plain_model, wishes, [30.0, "first_crack.start", 60.0])

    assert _targets(events) == [("near", 45.0, 25.0)]
    assert _of(events, "development")[-1].at == 59.0
    assert [(event.at, event.fields) for event in _of(events, "drop")] == [(60.0, {"how": "given"})]
    told = events[-1].fields
    assert (told["drop"], told["total"], told["development"], told["ratio"]) == (60.0, 60.0, 30.0, 0.5)


def test_a_drop_given_for_the_last_instant_counts_and_one_beyond_it_does_not(plain_model: Model) -> None:
    for drop_at, expected in ((20.0, 20.0), (20.5, None)):
        events = _quiet_roast(plain_model, Settings(charge_at=0.0, drop_at=drop_at), [20.0])
        assert events[-1].fields["drop"] == expected
        assert events[-1].fields["total"] == expected
        assert len(_of(events, "drop")) == (expected is not None)


# -- the person's marks ----------------------------------------------------------------------------------------


def test_a_mark_outranks_what_was_heard(plain_model: Model) -> None:
    """Cracks from 40 s on; the person says 61 s: everything after it counts from there, and no interval is left."""
    sound = clicks_in_noise(poisson_times(90, 40, 80, seed=4), samplerate=RATE, duration_s=80)
    pipeline = Pipeline(samplerate=RATE, model=plain_model, settings=Settings(charge_at=0.0))
    before = pipeline.push(Block(sound[: 61 * RATE]))
    after = pipeline.mark("first_crack.start") + pipeline.push(Block(sound[61 * RATE :])) + pipeline.finish()
    (heard,) = _of(before, "first_crack.start")
    told = after[-1].fields

    assert heard.at == pytest.approx(40, abs=5)
    assert _of(after, "first_crack.start") == []  # the mark says it
    assert [(event.at, event.fields) for event in _of(after, "mark")] == [(61.0, {"what": "first_crack.start"})]
    development = _of(after, "development")
    assert [event.fields["elapsed"] for event in development] == [float(second) for second in range(len(development))]
    assert {event.fields["first_crack"] for event in development} == {61.0}
    assert {event.fields["first_crack_earliest"] for event in development} == {None}
    assert (told["first_crack"], told["first_crack_earliest"], told["first_crack_latest"]) == (61.0, None, None)
    assert told["first_crack_announced"] == pytest.approx(heard.announced_at, abs=0.001)


def test_a_charge_by_key_outranks_the_given_one(plain_model: Model) -> None:
    events = _quiet_roast(plain_model, Settings(charge_at=1.0), [10.0, "charge", 20.0, "drop"])
    assert [(event.at, event.fields["how"]) for event in _of(events, "charge")] == [(1.0, "given"), (10.0, "key")]
    assert events[-1].fields["total"] == 20.0
    assert events[-1].roast_time == 20.0


@pytest.mark.parametrize(
    ("steps", "sentence"),
    [
        ([10.0, "first_crack.start", 10.0, "charge"], "first crack 0:10 must come after charge 0:20"),
        ([10.0, "first_crack.start", 10.25, "drop", 5.0, "charge"], "first crack 0:10 must come after charge 0:25"),
        ([10.0, "drop", 5.0, "charge"], "drop 0:10 must come after charge 0:15"),
        ([5.0, "charge", 10.0, "drop", 5.0, "first_crack.start"], "drop 0:10 must come after first crack 0:15"),
        ([10.0, "charge", "first_crack.start"], "first crack 0:10 must come after charge 0:10"),
    ],
)
def test_what_cannot_have_been_is_refused_and_changes_nothing(
    plain_model: Model, steps: list[float | str], sentence: str
) -> None:
    *before, last = steps
    with pytest.raises(SettingError, match=sentence):
        _quiet_roast(plain_model, Settings(), steps)
    assert isinstance(last, str)
    kinds = [event.type for event in _quiet_roast(plain_model, Settings(), before)]
    assert kinds.count("mark") == sum(isinstance(step, str) for step in before)


def test_development_does_not_begin_before_its_mark(plain_model: Model) -> None:
    events = _quiet_roast(plain_model, Settings(charge_at=0.0), [20.003, "first_crack.start", 5.0])
    assert min(event.fields["elapsed"] for event in _of(events, "development")) >= 0


def test_a_drop_by_key_comes_before_the_given_one(plain_model: Model) -> None:
    events = _quiet_roast(plain_model, Settings(charge_at=0.0, drop_at=30.0), [20.0, "drop", 20.0])
    assert [(event.at, event.fields["how"]) for event in _of(events, "drop")] == [(20.0, "key")]
    assert events[-1].fields["drop"] == 20.0


def test_a_mark_that_is_unknown_is_refused_with_the_choices(plain_model: Model) -> None:
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    with pytest.raises(SettingError, match="'pop' is unknown; choose one of charge, charge.not_yet, first_crack"):
        pipeline.mark("pop")
    assert [event.type for event in pipeline.finish()] == ["roast.start", "summary"]


def test_notices_are_counted_in_the_summary(plain_model: Model) -> None:
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    pipeline.push(_seconds(1.5))
    told = pipeline.notice("device_lost", message="the microphone is gone", count=1)
    pipeline.notice("device_lost", message="the microphone is gone", count=2)
    expected = {"kind": "device_lost", "count": 1, "message": "the microphone is gone"}

    assert [(event.type, event.at, event.fields) for event in told] == [("health", 1.5, expected)]
    assert pipeline.finish()[-1].fields["health"] == {"device_lost": 3}


def test_a_roast_without_sound_has_an_empty_summary(plain_model: Model) -> None:
    events = Pipeline(samplerate=RATE, model=plain_model).finish()
    assert [event.type for event in events] == ["roast.start", "summary"]
    nothing = dict.fromkeys(FIELDS["summary"]) | {"cracks": 0, "health": {}}
    assert events[-1].fields == nothing


# -- numbers ---------------------------------------------------------------------------------------------------

_SOUNDS = {
    "silence": np.zeros(RATE, np.float32),
    "noise": np.random.default_rng(1).normal(0, 0.01, RATE).astype(np.float32),
    "clicks": clicks_in_noise(poisson_times(300, 0, 1, seed=2), samplerate=RATE, duration_s=1),
    "full scale": np.sign(np.random.default_rng(2).normal(size=RATE)).astype(np.float32),
    "beyond all scale": np.full(RATE, 3e38, np.float32),
    "denormal": np.full(RATE, 1e-42, np.float32),
    "not a number": np.full(RATE, np.nan, np.float32),
    "infinite": np.full(RATE, -np.inf, np.float32),
}


def _steps() -> st.SearchStrategy[list[tuple[str, int, float]]]:
    """What is heard, how many samples are lost before it, how much of a second is kept."""
    step = st.tuples(st.sampled_from(sorted(_SOUNDS)), st.sampled_from([0, 0, 1, 20_000]), st.floats(0.1, 1))
    return st.lists(step, min_size=1, max_size=12)


@settings(max_examples=40)
@given(steps=_steps(), repeats=st.integers(1, 4), marked=st.integers(0, 12))
@example(  # 2,545 cracks a minute, more than can be counted
    steps=[("beyond all scale", 0, 0.5), ("beyond all scale", 0, 0.75), ("clicks", 20_000, 1), ("full scale", 0, 1)],
    repeats=3,
    marked=0,
)
def test_no_sound_makes_a_number_that_is_none(
    plain_model: Model, steps: list[tuple[str, int, float]], repeats: int, marked: int
) -> None:
    pipeline = Pipeline(samplerate=RATE, model=plain_model, settings=Settings(charge_at=0.0, target=Target(ratio=0.15)))
    events: list[Event] = []
    for number, block in enumerate(_blocks(steps * repeats)):
        events += pipeline.push(block)
        if number == marked:
            events += pipeline.mark("first_crack.start")
    with contextlib.suppress(SettingError):  # where first crack is this very moment
        events += pipeline.mark("drop")
    events += pipeline.finish()

    for event in events:
        json.loads(event.to_json(), parse_constant=_no_number)
    assert events[-1].type == "summary"


def _blocks(steps: list[tuple[str, int, float]]) -> Iterator[Block]:
    for name, lost, share in steps:
        yield Block(_SOUNDS[name][: max(1, int(share * RATE))], lost=lost)


def test_small_blocks_are_heard_together(plain_model: Model, monkeypatch: pytest.MonkeyPatch) -> None:
    """A device that gives a block every 10 ms: five at a time, and the last four at the end."""
    heard: list[int] = []
    push = HearingChain.push

    def counted(chain: HearingChain, samples: Samples) -> Heard:
        heard.append(len(samples))
        return push(chain, samples)

    monkeypatch.setattr(HearingChain, "push", counted)
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    for block in cut(clicks_in_noise([0.5], samplerate=RATE, duration_s=0.99), RATE // 100):
        pipeline.push(block)
        assert pipeline.duration_s * 100 == pytest.approx(round(pipeline.duration_s * 100))  # of all that came
    pipeline.finish()
    assert heard == [RATE // 20] * 19 + [RATE // 25]


def test_what_a_refused_mark_met_is_said_by_the_next_call(plain_model: Model) -> None:
    sound = clicks_in_noise(poisson_times(120, 1, 8, seed=4), samplerate=RATE, duration_s=9)
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    said: list[Event] = []
    for block in cut(sound, RATE // 100):
        said += pipeline.push(block)
        with pytest.raises(SettingError, match="undo"):
            pipeline.mark("undo")
    assert said + pipeline.finish() == hear(Pipeline(samplerate=RATE, model=plain_model), [Block(sound)])


def test_endless_empty_blocks_hold_no_memory(model: Model) -> None:
    pipeline = Pipeline(samplerate=44_100, model=model)
    for _ in range(100):
        pipeline.push(Block(np.zeros(0, np.float32)))
    assert pipeline._waiting == []
