"""A pipeline that goes on with a roast: from its events alone it says what the one before would have said."""

from __future__ import annotations

import copy
from typing import Any

import kills
import numpy as np
import pytest
from clicks import clicks_in_noise, poisson_times

from crackdetect.blocks import Block
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import RoastState


def _summary_of(pipeline: Pipeline) -> dict[str, Any]:
    """What it would say if the roast ended now; the pipeline itself goes on."""
    return dict(copy.deepcopy(pipeline).finish()[-1].fields)


class Cut:
    """The demonstration with the person's marks, cut into what came until each second."""

    def __init__(self, model: Model) -> None:
        samples = kills.sound()
        self.pipeline = Pipeline(samplerate=kills.RATE, model=model, settings=kills.SETTINGS, source="microphone")
        self.events: list[Event] = []
        self.summaries: dict[int, dict[str, object]] = {}
        marks = {40: "charge.not_yet", 45: "charge", 130: "first_crack.not_yet", 150: "first_crack.start"}
        marks |= {160: "second_crack.start", 165: "second_crack.not_yet", 185: "drop", 190: "cooled"}
        for second in range(200):
            block = samples[second * kills.RATE : (second + 1) * kills.RATE]
            self.events += self.pipeline.push(Block(block))
            if second in marks:
                self.events += self.pipeline.mark(marks[second])
            self.summaries[len(self.events)] = _summary_of(self.pipeline)


@pytest.fixture(scope="module")
def cut(model: Model) -> Cut:
    return Cut(model)


def test_the_events_up_to_any_second_give_the_summary_of_that_second(cut: Cut, model: Model) -> None:
    """The oracle is the pipeline itself, asked for its summary at that moment."""
    compared = bettered = 0
    before: dict[str, Any] = {}
    for count, summary in cut.summaries.items():
        state = RoastState.of(event.to_dict() for event in cut.events[:count])
        again = Pipeline(samplerate=kills.RATE, model=model, settings=state.settings, state=state)
        ended = again.finish()[-1]
        dates = ("first_crack", "first_crack_earliest", "first_crack_latest")
        expected = {name: value for name, value in summary.items() if name not in dates}
        assert {name: ended.fields[name] for name in expected} == expected, f"after {count} events"
        # they ride in `development` once a second, rounded: one that was bettered since then is a second old
        found = [ended.fields[name] for name in dates]
        if found != pytest.approx([summary[name] for name in dates], abs=0.01):
            assert found == pytest.approx([before[name] for name in dates], abs=0.01)
            bettered += 1
        before = summary
        assert ended.seq == count
        compared += summary["first_crack"] is not None
    assert compared > 50
    assert bettered <= 4  # every 10 s for 40 s


def test_a_roast_goes_on_where_its_events_end(cut: Cut, model: Model) -> None:
    """Cut off after first crack was announced; half a minute later another process goes on."""
    begun = next(i for i, event in enumerate(cut.events) if event.type == "first_crack.start")
    taken_back = next(i for i, event in enumerate(cut.events) if event.fields.get("what") == "first_crack.not_yet")
    # between two ticks, for of one that is cut through the rest is lost
    tick_ends = [i for i in range(begun, taken_back) if cut.events[i].type == "development"]
    before = cut.events[: tick_ends[-1] + 1]
    state = RoastState.of(event.to_dict() for event in before)
    again = Pipeline(samplerate=kills.RATE, model=model, settings=state.settings, roast=state.roast, state=state)
    samples = kills.sound()
    position = again.position
    assert position == round(state.until * kills.RATE)
    gap = 8 * kills.RATE
    events = again.push(Block(np.zeros(0, np.float32), lost=gap, lost_to="outage"))
    for start in range(position + gap, position + gap + 40 * kills.RATE, kills.RATE):
        events += again.push(Block(samples[start : start + kills.RATE]))
    events += again.mark("drop")
    events += again.finish()

    assert events[0].seq == before[-1].seq + 1
    whole = [*before, *events]
    assert [event.seq for event in whole] == list(range(len(whole)))
    types = [event.type for event in whole]
    for once in ("roast.start", "first_crack.start", "summary"):
        assert types.count(once) == 1
    stages = [(event.fields["stage"], event.at) for event in whole if event.type == "target"]
    assert len({stage for stage, _ in stages}) >= len(stages) - 1  # near comes twice, at 30 s or at 10 s
    assert "reached" in dict(stages)
    assert "charge" not in [event.type for event in events]
    charge = [event.at for event in before if event.type == "charge"][-1]
    assert all(event.roast_time == pytest.approx(event.at - charge) for event in events if event.at > charge)
    # the development clock never stopped: one event for every second, those of the gap among them
    seconds = [round(event.at) for event in whole if event.type == "development"]
    assert seconds == list(range(seconds[0], seconds[0] + len(seconds)))
    summary = events[-1].fields
    assert summary["health"]["gap"] == gap
    assert summary["development"] == pytest.approx(again.position / kills.RATE - summary["first_crack"], abs=0.01)


def test_time_is_told_while_nobody_listens(model: Model, cut: Cut) -> None:
    """The target is reached in an outage: it is told then, not when sound is back."""
    begun = next(i for i, event in enumerate(cut.events) if event.fields.get("what") == "first_crack.start")
    state = RoastState.of(event.to_dict() for event in cut.events[: begun + 3])
    again = Pipeline(samplerate=kills.RATE, model=model, settings=state.settings, state=state)
    told = []
    for _ in range(60):
        told += again.push(Block(np.zeros(0, np.float32), lost=kills.RATE // 2, lost_to="outage"))
    (reached,) = [event for event in told if event.type == "target" and event.fields["stage"] == "reached"]
    assert reached.announced_at - reached.at < 1.0
    assert [event for event in told if event.type in ("crack", "density", "first_crack.start", "health")] == []


def test_it_listens_anew_before_it_announces_however_long_nobody_did(plain_model: Model) -> None:
    """Noise and machine are learnt anew: a minute in which nobody listened teaches nothing."""
    rate = 16_000
    chorus = clicks_in_noise(poisson_times(150, 2, 60, seed=5), samplerate=rate, duration_s=60, frequency_hz=3_000)
    first = Pipeline(samplerate=rate, model=plain_model)
    state = RoastState.of([*first.push(Block(np.zeros(10 * rate, np.float32))), *first.mark("charge.not_yet")])
    again = Pipeline(samplerate=rate, model=plain_model, settings=state.settings, state=state)
    events = again.push(Block(np.zeros(0, np.float32), lost=60 * rate, lost_to="outage"))
    back_at = again.duration_s
    events += again.push(Block(chorus))
    (start,) = [event for event in events if event.type == "first_crack.start"]
    assert back_at + TrackerSettings().ready_s <= start.announced_at < back_at + 30
