"""Keys that forgive: what was pressed above, what holds and what is said beneath; and no sequence of keys in which
summary, log and report do not agree."""

from __future__ import annotations

import contextlib
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from clicks import clicks_in_noise, poisson_times
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_alerts import begun, development, event, mark, start

from crackdetect.blocks import Block
from crackdetect.config import Settings, Target
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.marking import AGAIN_S, CONFIRMS_S, Answer, Keys, Mark
from crackdetect.roast.record import MOMENTS, Moment, Roast, what_is_wrong
from crackdetect.roast.standing import marked
from crackdetect.roast.state import RoastState
from crackdetect.storage.roast_store import RoastLog

RATE = 8_000
CHARGE = [mark("charge", 0.0), event("charge", 0.0, how="key")]
#: First crack at 5:00, announced at 5:06.
BEGUN = begun(300.0, 306.0)


def told(*events: Event) -> RoastState:
    state = RoastState()
    for one in events:
        state.apply(one)
    return state


# -- what a key means now --------------------------------------------------------------------------------------


def test_yes_i_hear_it_just_after_the_announcement_confirms_and_moves_nothing() -> None:
    state = told(*CHARGE, BEGUN)
    assert Keys().press("first_crack.start", "f", state, 310.0) == Answer(Mark("first_crack.confirmed"))
    assert Keys().press("first_crack.start", "f", state, 306.0 + CONFIRMS_S).mark == Mark("first_crack.confirmed")
    state.apply(mark("first_crack.confirmed", 310.0))
    assert (state.first_crack.at, state.first_crack.how, state.confirmed) == (300.0, "heard", True)


def test_a_mark_that_is_set_asks_and_the_second_press_marks_the_moment_of_the_first() -> None:
    keys, state = Keys(), told(*CHARGE, BEGUN)
    asked = keys.press("first_crack.start", "f", state, 329.0)
    assert asked == Answer(None, "First crack is already at 5:00. Press f again to move it to 5:29.")
    assert keys.press("first_crack.start", "f", state, 331.0) == Answer(Mark("first_crack.start", 329.0))
    # too late, or another key between
    assert keys.press("first_crack.start", "f", state, 340.0).mark is None
    assert keys.press("first_crack.start", "f", state, 340.1 + AGAIN_S).mark is None
    assert keys.press("drop", "d", state, 346.0).mark == Mark("drop")
    assert keys.press("first_crack.start", "f", state, 347.0).mark is None


def test_what_is_not_set_is_marked_at_once() -> None:
    for what in ("charge", "first_crack.start", "second_crack.start", "drop"):
        assert Keys().press(what, "x", told(), 10.0) == Answer(Mark(what))
    assert Keys().press("undo", "u", told(), 10.0) == Answer(None, "There is nothing to undo.")
    assert Keys().press("undo", "u", told(*CHARGE), 10.0) == Answer(Mark("undo"))


def test_what_cannot_be_is_refused_with_the_sentence_of_the_log() -> None:
    """Charge in development, and first crack after the drop."""
    answer = Keys().press("charge", "c", told(BEGUN), 319.0)
    sentence = "First crack 5:00 must come after charge 5:19, counted from the beginning"
    assert answer == Answer(None, f"{sentence}; undo what is wrong first.")
    corrected = Moment(entered_s=319.0, corrected=True)
    roast = Roast(1, "x", "", "", moments={"charge": corrected, "first_crack.start": Moment(heard_s=300.0)})
    of_the_log = what_is_wrong(roast, ["charge"])
    assert of_the_log is not None
    assert of_the_log.startswith(sentence[0].lower() + sentence[1:] + "; ")
    dropped = told(*CHARGE, event("drop", 400.0, how="key"))
    late = Keys().press("first_crack.start", "f", dropped, 410.0).sentence
    assert late == "Drop 6:40 must come after first crack 6:50; undo what is wrong first."


# -- undo ------------------------------------------------------------------------------------------------------


def heard(model: Model, keys: dict[int, str], *, cracks: list[float], duration_s: int, **wishes: Any) -> Pipeline:
    """Cracks at these seconds, keys at theirs; the pipeline that has heard and told them."""
    sound = clicks_in_noise(cracks, samplerate=16_000, duration_s=duration_s, frequency_hz=3_000)
    pipeline = Pipeline(samplerate=16_000, model=model, settings=Settings(**wishes))
    told_events[id(pipeline)] = events = pipeline.start()
    for second in range(duration_s):
        events += pipeline.mark(keys[second]) if second in keys else []
        events += pipeline.push(Block(sound[second * 16_000 : (second + 1) * 16_000]))
    return pipeline


told_events: dict[int, list[Event]] = {}
CHORUS = poisson_times(150, 40, 80, seed=5)


def test_first_crack_moved_by_a_slip_is_where_it_was_again(plain_model: Model) -> None:
    """It was taken away altogether, and announced anew half a minute late."""
    still = heard(plain_model, {0: "charge"}, cracks=CHORUS, duration_s=80).state.first_crack
    keys = {0: "charge", 62: "first_crack.start", 64: "undo"}
    pipeline = heard(plain_model, keys, cracks=CHORUS, duration_s=80)
    assert pipeline.state.first_crack.how == "heard"
    assert pipeline.state.first_crack.at == pytest.approx(still.at, abs=3)  # bettered less often meanwhile
    undo = [one for one in told_events[id(pipeline)] if "undo" in one.fields]
    assert [(one.fields["what"], one.fields["undo"], one.announced_at) for one in undo] == [
        ("first_crack.start", "key", 64.0)
    ]
    assert undo[0].at == pytest.approx(still.at, abs=3)
    assert not any(one.fields.get("renewed") for one in told_events[id(pipeline)])
    assert marked(undo[0], pipeline.state, undo="u") == f"First crack is at 0:{undo[0].at:02.0f} again."


def test_a_mark_by_slip_undone_teaches_nothing_about_the_machine(plain_model: Model) -> None:
    """First crack marked too early and undone is announced as if nothing had been pressed."""
    keys = {30: "first_crack.start", 33: "undo"}
    slip, none = (heard(plain_model, one, cracks=CHORUS, duration_s=80) for one in (keys, {}))
    (late,), (usual,) = (
        [e.announced_at for e in told_events[id(p)] if e.type == "first_crack.start"] for p in (slip, none)
    )
    assert late == pytest.approx(usual, abs=1.0)
    assert slip.state.first_crack.at == pytest.approx(none.state.first_crack.at, abs=2.0)


def test_an_announcement_undone_is_listened_for_anew(plain_model: Model) -> None:
    rattle = poisson_times(90, 30, 50, seed=4)
    later = [time + 60 for time in rattle]
    pipeline = heard(plain_model, {55: "undo"}, cracks=rattle + later, duration_s=120)
    undo = next(one for one in told_events[id(pipeline)] if "undo" in one.fields)
    assert dict(undo.fields) == {"what": "first_crack.not_yet", "undo": "heard"}
    assert marked(undo, pipeline.state, undo="u") == "First crack is taken back; listening for it."
    assert pipeline.state.first_crack is None  # the same rattle is this machine's, learnt


def test_charge_in_development_is_refused_and_costs_nothing(plain_model: Model) -> None:
    pipeline = heard(plain_model, {0: "charge"}, cracks=CHORUS, duration_s=60)
    with pytest.raises(SettingError, match="must come after charge"):
        pipeline.mark("charge")
    assert pipeline.state.charge.at == 0.0


def test_undo_goes_back_to_the_beginning_a_step_at_a_time() -> None:
    pipeline = Pipeline(samplerate=RATE, model=_silent(), settings=Settings(target=Target(seconds=60)))
    held = [dict(pipeline.state.statements)]
    for what in ("charge", "first_crack.start", "second_crack.start", "drop", "first_crack.not_yet"):
        pipeline.push(Block(np.zeros(5 * RATE, np.float32)))
        pipeline.mark(what)
        held.append(dict(pipeline.state.statements))
    for before in reversed(held[:-1]):
        pipeline.push(Block(np.zeros(RATE, np.float32)))
        pipeline.mark("undo")
        assert dict(pipeline.state.statements) == before
    with pytest.raises(SettingError, match="nothing to undo"):
        pipeline.mark("undo")


def test_what_was_heard_while_the_persons_word_holds_is_undone_after_it() -> None:
    state = told(mark("first_crack.start", 290.0), BEGUN, mark("charge", 310.0))
    kinds = [(step.what, step.kind) for step in state.steps]
    assert kinds == [("first_crack.start", "heard"), ("first_crack.start", "key"), ("charge", "key")]


def test_undo_of_a_second_drop_brings_back_the_first_and_its_cooling() -> None:
    state = told(start(cool_s=60.0), mark("drop", 400.0), event("cooled", 460.0), mark("drop", 470.0))
    assert state.cooled is None
    state.apply(event("mark", 400.0, 471.0, what="drop", undo="key"))
    assert (state.drop.at, state.cooled.at) == (400.0, 460.0)


def test_a_target_told_is_not_told_again_by_a_slip_undone() -> None:
    reached = event("target", 360.0, stage="reached", remaining=0.0)
    state = told(start(target="1:00", near_s=[30.0]), BEGUN, development(350, 300), reached)
    state.apply(mark("first_crack.start", 365.0))
    assert state.told_lead is None
    state.apply(event("mark", 300.0, 366.0, what="first_crack.start", undo="key"))
    assert (state.first_crack.at, state.told_lead) == (300.0, 0.0)


def test_a_target_told_is_not_told_again_when_a_yes_is_undone() -> None:
    """The yes moved nothing."""
    reached = event("target", 360.0, stage="reached", remaining=0.0)
    yes = mark("first_crack.confirmed", 320.0)
    state = told(start(target="1:00", near_s=[30.0]), BEGUN, yes, development(350, 300), reached)
    state.apply(event("mark", 366.0, 366.0, what="first_crack.confirmed", undo="confirmed"))
    assert (state.confirmed, state.told_lead) == (False, 0.0)


def test_the_end_that_was_heard_falls_by_a_start_that_is_later() -> None:
    ended = event("first_crack.end", 360.0, 380.0, earliest=355.0, latest=365.0, confidence=0.9)
    state = told(BEGUN, ended, mark("first_crack.start", 390.0))
    assert state.first_crack_end is None
    state.apply(event("mark", 300.0, 391.0, what="first_crack.start", undo="key"))
    assert state.first_crack_end.at == 360.0


# -- any sequence of keys --------------------------------------------------------------------------------------

SOUND = clicks_in_noise(
    [*poisson_times(150, 4, 16, seed=4), *poisson_times(500, 26, 38, seed=5)], samplerate=RATE, duration_s=40
)
HASTY = TrackerSettings(threshold=3.0, ready_s=3.0, again_after_s=1.0, refine_every_s=4.0, end_not_before_s=5.0)
LETTERS = {"c": "charge", "f": "first_crack.start", "s": "second_crack.start", "d": "drop", "u": "undo"}
PRESSED = st.lists(st.tuples(st.integers(0, 5 * RATE), st.sampled_from("cfsdu")), max_size=14)
WISHES = st.builds(
    Settings,
    charge_at=st.sampled_from([None, 0.0, 12.5]),
    drop_at=st.sampled_from([None, 33.3]),
    target=st.sampled_from([None, Target(seconds=6), Target(ratio=0.2)]),
    cool_s=st.sampled_from([None, 4.0]),
)

_models: list[Model] = []


def _silent() -> Model:
    return _models[0]


@pytest.fixture(autouse=True)
def _plain(plain_model: Model) -> None:
    _models[:] = [plain_model]


@settings(max_examples=20)
@given(wishes=WISHES, presses=PRESSED)
@example(wishes=Settings(), presses=[(0, "c"), (15 * RATE, "f"), (RATE, "u"), (10 * RATE, "d")])
@example(wishes=Settings(), presses=[(14 * RATE, "c"), (RATE, "c"), (RATE, "f"), (RATE, "f"), (9 * RATE, "d")])
def test_summary_log_and_report_agree_after_any_keys(
    plain_model: Model, tmp_path_factory: pytest.TempPathFactory, wishes: Settings, presses: list[tuple[int, str]]
) -> None:
    """And undo pressed often enough leaves nothing, and no moment is out of order by a key."""
    pipeline = Pipeline(samplerate=RATE, model=plain_model, settings=wishes, phase_settings=HASTY, roast="x")
    events, keys, at = pipeline.start(), Keys(), 0
    for wait, letter in presses:
        at = min(at + wait, len(SOUND))
        events += pipeline.push(Block(SOUND[pipeline.position : at]))
        answer = keys.press(LETTERS[letter], letter, pipeline.state, pipeline.duration_s)
        assert (answer.mark is None) != (answer.sentence == "")
        if answer.mark is not None:
            before = dict(pipeline.state.statements)
            try:
                events += pipeline.mark(answer.mark.what, at=answer.mark.at)
            except SettingError:  # asked for a moment ago; by now something else was heard
                assert dict(pipeline.state.statements) == before
    events += pipeline.push(Block(SOUND[pipeline.position :])) + pipeline.finish()
    summary = events[-1].fields
    with RoastLog(tmp_path_factory.mktemp("log") / "roasts.sqlite") as log:
        log.keep(json.loads(one.to_json()) for one in events)
        roast = log.find("last")
    for what, name in (
        ("first_crack.start", "first_crack"),
        ("first_crack.end", "first_crack_end"),
        ("second_crack.start", "second_crack"),
        ("drop", "drop"),
    ):
        assert roast.at_s(what) == _near(summary[name]), what
    assert (roast.total, roast.development) == (_near(summary["total"]), _near(summary["development"]))
    assert roast.ratio == _near(summary["ratio"])
    marks = [what for what in MOMENTS if roast.moment(what).marked_s is not None]
    by_hand = {what: roast.at_s(what) for what in marks}
    assert list(by_hand.values()) == sorted(by_hand.values()) or "second_crack.start" in by_hand


def test_the_report_of_a_slipped_roast_says_what_its_summary_says(plain_model: Model, tmp_path: Path) -> None:
    """First crack moved by a slip and brought back, charge pressed in development and refused."""
    pytest.importorskip("matplotlib")
    from crackdetect.report.page import render

    keys = {0: "charge", 62: "first_crack.start", 64: "undo", 78: "drop"}
    pipeline = heard(plain_model, keys, cracks=CHORUS, duration_s=80)
    events = told_events[id(pipeline)] + pipeline.finish()
    with RoastLog(tmp_path / "roasts.sqlite") as log:
        log.keep(json.loads(one.to_json()) for one in events)
        page = render(log.record(log.find("last")), None)
    summary = events[-1].fields
    for seconds in (summary["first_crack"], summary["drop"], summary["development"]):
        assert clock(seconds) in page


def _near(value: float | None) -> Any:
    return None if value is None else pytest.approx(value, abs=0.0055)


# -- charge comes first ----------------------------------------------------------------------------------------

#: Also what no key says.
SAID = LETTERS | {"n": "charge.not_yet", "y": "first_crack.not_yet"}


def _in_order(state: RoastState) -> bool:
    """Whether first crack and all of its interval come after charge, as far as there are any; told to a hundredth."""
    charge, start = state.charge, state.first_crack
    if charge is None or start is None:
        return True
    return min([start.at, *(start.interval or ())]) > charge.at - 0.0055


@settings(max_examples=20)
@given(
    charge_at=st.none() | st.floats(0, 39),
    said=st.lists(
        st.tuples(st.integers(0, 5 * RATE), st.sampled_from("cccfduny"), st.just(0.0) | st.floats(0, 10)), max_size=12
    ),
)
@example(charge_at=8.1, said=[])  # given for a moment that comes after a rattle
@example(charge_at=None, said=[(7 * RATE, "c", 0.0)])  # marked just before the announcement
@example(charge_at=None, said=[(7 * RATE + 1999, "c", 0.0), (1, "u", 0.0), (RATE, "c", 0.0)])
@example(charge_at=None, said=[(10 * RATE, "c", 8.6)])  # marked within the interval of what was announced
@example(charge_at=30.0, said=[(5 * RATE, "c", 2.0), (5 * RATE, "n", 0.0)])  # given for later, marked, taken back
@example(charge_at=None, said=[(5 * RATE, "c", 1.95), (5 * RATE, "n", 0.0), (4 * RATE, "u", 0.0)])  # bettered meanwhile
def test_first_crack_never_comes_before_charge_whatever_is_said(
    plain_model: Model,
    tmp_path_factory: pytest.TempPathFactory,
    charge_at: float | None,
    said: list[tuple[int, str, float]],
) -> None:
    """In no event, not in the summary and not in the log."""
    wishes = Settings(charge_at=charge_at)
    pipeline = Pipeline(samplerate=RATE, model=plain_model, settings=wishes, phase_settings=HASTY, roast="x")
    events, at = pipeline.start(), 0
    for wait, letter, ago in said:
        at = min(at + wait, len(SOUND))
        events += pipeline.push(Block(SOUND[pipeline.position : at]))
        with contextlib.suppress(SettingError):  # what cannot have been is refused
            events += pipeline.mark(SAID[letter], at=pipeline.duration_s - ago)
        assert _in_order(pipeline.state)
    events += pipeline.push(Block(SOUND[pipeline.position :])) + pipeline.finish()
    fold = RoastState()
    for one in events:
        fold.apply(one)
        assert _in_order(fold), one
    assert _in_order(pipeline.state)
    summary = events[-1].fields
    with RoastLog(tmp_path_factory.mktemp("log") / "roasts.sqlite") as log:
        log.keep(json.loads(one.to_json()) for one in events)
        roast = log.find("last")
    charge, moment = roast.at_s("charge"), roast.moment("first_crack.start")
    for told in (summary["first_crack"], summary["first_crack_earliest"], moment.at_s, *(moment.interval_s or ())):
        assert charge is None or told is None or told > charge - 0.0055


def test_the_report_of_a_charge_marked_just_before_the_announcement_counts_from_it(
    plain_model: Model, tmp_path: Path
) -> None:
    """Beans that pop at once: no time in it lies before charge."""
    pytest.importorskip("matplotlib")
    from crackdetect.report.page import render

    pipeline = heard(plain_model, {45: "charge", 78: "drop"}, cracks=CHORUS, duration_s=80)
    events = told_events[id(pipeline)] + pipeline.finish()
    (start,) = [one for one in events if one.type == "first_crack.start"]
    assert 45 < start.at < start.announced_at < 53
    with RoastLog(tmp_path / "roasts.sqlite") as log:
        log.keep(json.loads(one.to_json()) for one in events)
        page = render(log.record(log.find("last")), None)
    assert clock(events[-1].fields["development"]) in page
    assert re.findall(r">[-\u2212]\d+:\d\d", page) == []
