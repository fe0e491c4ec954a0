"""Charge, drop and the end of cooling: what is done to the noise above, what is heard beneath."""

from __future__ import annotations

import pickle
from functools import cache

import numpy as np
import pytest
from clicks import clicks_in_noise, cut, hear
from hypothesis import given, settings
from hypothesis import strategies as st

from crackdetect.blocks import Block, Samples
from crackdetect.config import Settings, Target
from crackdetect.deciding.first_crack import HMMSettings
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.hearing.charge_drop import (
    EVIDENCE,
    Awaited,
    ChargeDropDetection,
    ChargeDropDetector,
    ChargeDropSettings,
)
from crackdetect.hearing.onset import Cell
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.roast.course import LEAST_DEVELOPMENT_S
from crackdetect.roast.state import RoastState

RATE = 16_000
CELL_S = 0.192
BANDS = 8
CHARGE, POUR_S, DROP, RUSH_S, FAN_OFF, END = 20.0, 3.0, 85.0, 2.0, 125.0, 150.0
HANDLED = ("charge", "drop", "cooled")
#: A start is thought likely and believed early, so that a short roast has one.
HASTY = TrackerSettings(threshold=0.0, start=HMMSettings(start_every_min=0.2))


# -- cells ------------------------------------------------------------------------------------------------------


def _cells(seconds: float, *, seed: int = 3) -> list[Cell]:
    """Steady noise: the statistics of 128 frames of chi-square energies (16 degrees of freedom) in each band."""
    rng = np.random.default_rng(seed)
    ranked = np.sort(rng.chisquare(16, (round(seconds / CELL_S), 128, BANDS)) / 16, axis=1)
    return [Cell(i, cell[[63, 95, 119]].astype(np.float32)) for i, cell in enumerate(ranked)]


def _change(
    cells: list[Cell], start_s: float, end_s: float, *, lowest: float, highest: float, grain: float = 1.0
) -> list[Cell]:
    """The same with all energies of some seconds times a factor, from the lowest to the highest band, and the upper
    sixteenth times ``grain`` more."""
    factors = np.geomspace(lowest, highest, BANDS) * np.array([1, 1, grain])[:, None]
    return [
        Cell(cell.index, cell.levels * factors.astype(np.float32)) if start_s <= cell.index * CELL_S < end_s else cell
        for cell in cells
    ]


def _rush(cells: list[Cell], start_s: float, length_s: float) -> list[Cell]:
    """Dense impacts: up to 4.8 dB in the highest band, and grainier than noise."""
    return _change(cells, start_s, start_s + length_s, lowest=1.0, highest=3.0, grain=1.2)


def _tumbling(cells: list[Cell], start_s: float) -> list[Cell]:
    """Beans in the drum: up to 1.1 dB in the highest band, a little grainier."""
    return _change(cells, start_s, 1e9, lowest=1.0, highest=1.3, grain=1.03)


def _said(
    cells: list[Cell], awaiting: Awaited | None, *, since_s: float = 0.0, level: float = 0.85
) -> list[ChargeDropDetection]:
    return ChargeDropDetector(cell_s=CELL_S, settings=ChargeDropSettings(level=level)).push(
        cells, awaiting=awaiting, since_s=since_s
    )


POURED = _tumbling(_rush(_cells(60), 20, 3), 23)
STEPPED = _change(_cells(60), 25, 60, lowest=1.0, highest=2.5)


def test_a_dense_rush_of_three_seconds_is_the_pour() -> None:
    (charge,) = _said(POURED, "charge")
    assert charge.what == "charge"
    assert charge.time == pytest.approx(20, abs=0.5)
    assert 0.85 <= charge.confidence <= 1


def test_a_lasting_step_is_the_drop() -> None:
    (drop,) = _said(STEPPED, "drop")
    assert drop.what == "drop"
    assert drop.time == pytest.approx(25, abs=0.5)


@pytest.mark.parametrize("awaiting", HANDLED)
def test_steady_noise_says_nothing(awaiting: Awaited) -> None:
    assert _said(_cells(240), awaiting) == []


@pytest.mark.parametrize("awaiting", [None, *HANDLED])
def test_only_what_is_awaited_is_heard(awaiting: Awaited | None) -> None:
    assert {heard.what for heard in _said(POURED, awaiting)} <= {awaiting}
    assert _said(STEPPED, None) == []


def test_a_short_knock_and_a_long_noise_are_no_pour() -> None:
    assert _said(_tumbling(_rush(_cells(60), 20, 0.5), 20.5), "charge") == []
    assert _said(_tumbling(_rush(_cells(60), 20, 15), 35), "charge") == []


def test_a_rush_that_comes_again_and_again_is_no_pour() -> None:
    """Fifteen times in two minutes: after the first few, it is the kitchen's."""
    cells = _cells(240)
    for start in range(20, 230, 8):
        cells = _rush(cells, start, 3)
    assert [heard for heard in _said(cells, "charge") if heard.time > 100] == []


def test_a_noise_that_comes_and_goes_is_no_drop() -> None:
    assert _said(_change(_cells(60), 25, 31, lowest=1.0, highest=2.5), "drop") == []


def test_cooling_ends_with_a_fall_of_six_decibels_that_lasts() -> None:
    """6 dB is a quarter of the energy (10 lg 4 = 6.02)."""
    (cooled,) = _said(_change(_cells(60), 30, 60, lowest=0.2, highest=0.2), "cooled")
    assert cooled.time == pytest.approx(30, abs=0.5)
    assert _said(_change(_cells(60), 30, 60, lowest=0.4, highest=0.4), "cooled") == []
    assert _said(_change(_cells(60), 30, 36, lowest=0.2, highest=0.2), "cooled") == []


def test_what_was_before_the_given_time_is_not_meant() -> None:
    assert _said(STEPPED, "drop", since_s=24.0) != []
    assert _said(STEPPED, "drop", since_s=26.0) == []


def test_a_gap_over_the_pour_or_the_edge_is_not_judged() -> None:
    """The change is still there on both sides: what was lost is not guessed."""
    assert _said([cell for cell in POURED if not 20.5 < cell.index * CELL_S < 21.5], "charge") == []
    assert _said([cell for cell in STEPPED if not 24 < cell.index * CELL_S < 26], "drop") == []


def test_a_gap_elsewhere_takes_nothing_away() -> None:
    with_gap = [cell for cell in STEPPED if not 30 < cell.index * CELL_S < 32]
    assert [heard.time for heard in _said(with_gap, "drop")] == [heard.time for heard in _said(STEPPED, "drop")]


def test_after_a_long_gap_everything_begins_anew() -> None:
    """The noise before an hour's gap is no ground for what comes after it."""
    moved = [Cell(cell.index + 20_000, cell.levels * np.float32(9)) for cell in _cells(60)]
    assert _said(_cells(60) + moved, "drop") == []


def test_a_gain_of_a_power_of_two_changes_no_bit() -> None:
    louder = [Cell(cell.index, cell.levels * np.float32(256)) for cell in POURED]
    assert _said(louder, "charge", level=0.0) == _said(POURED, "charge", level=0.0)


def test_cells_one_by_one_say_the_same() -> None:
    stage = ChargeDropDetector(cell_s=CELL_S)
    assert [heard for cell in POURED for heard in stage.push([cell], awaiting="charge")] == _said(POURED, "charge")


def test_state_is_bounded() -> None:
    stage = ChargeDropDetector(cell_s=CELL_S, settings=ChargeDropSettings(level=0.0))
    sizes = []
    for start in range(0, 12_000, 3_000):
        cells = [Cell(cell.index + start, cell.levels) for cell in _cells(3_000 * CELL_S)]
        stage.push(cells, awaiting="charge")
        sizes.append(len(pickle.dumps(stage)))
    assert max(sizes) < 1.1 * min(sizes)


def test_every_judgement_names_its_evidence() -> None:
    for heard in _said(POURED, "charge", level=0.0) + _said(STEPPED, "drop", level=0.0):
        assert len(heard.evidence) == len(EVIDENCE)
        assert np.isfinite(heard.evidence).all()


@pytest.mark.parametrize("level", [-0.1, 1.0])
def test_a_confidence_that_cannot_be_is_refused(level: float) -> None:
    with pytest.raises(SettingError, match="least confidence"):
        ChargeDropSettings(level=level)


# -- through the pipeline ---------------------------------------------------------------------------------------


@cache
def _roast() -> Samples:
    """Noise; beans poured in at 20 s; cracks from 50 s; at 85 s they rush out and a fan runs; at 125 s it stops."""
    rng = np.random.default_rng(12)

    def strikes(start: float, length: float, rate: float, level: float, seed: int) -> Samples:
        times = np.sort(rng.uniform(start, start + length, round(rate * length))).tolist()
        pitches = rng.uniform(3_000, 6_500, len(times)).tolist()
        return clicks_in_noise(
            times,
            samplerate=RATE,
            duration_s=END,
            amplitude=level,
            noise_rms=0.0,
            frequency_hz=pitches,
            seed=seed,
        )

    cracks = np.sort(rng.uniform(50, DROP, 60)).tolist()
    sound = clicks_in_noise(cracks, samplerate=RATE, duration_s=END, amplitude=0.2)
    sound += strikes(CHARGE, POUR_S, 400, 0.014, 2) + strikes(CHARGE + POUR_S, DROP - CHARGE - POUR_S, 40, 0.01, 3)
    sound += strikes(DROP, RUSH_S, 400, 0.02, 4)
    fan = rng.normal(0, 0.006, len(sound)).astype(np.float32)
    fan[: round(DROP * RATE)] = 0
    sound += fan
    sound[round(FAN_OFF * RATE) :] *= np.float32(0.1)
    sound.setflags(write=False)
    return sound


def _pipeline(model: Model, wishes: Settings | None = None, *, state: RoastState | None = None) -> Pipeline:
    return Pipeline(samplerate=RATE, model=model, settings=wishes, roast="handled", phase_settings=HASTY, state=state)


def _handled(events: list[Event]) -> list[tuple[str, str]]:
    return [(event.type, event.fields["how"]) for event in events if event.type in HANDLED]


@pytest.fixture(scope="module")
def heard(plain_model: Model) -> list[Event]:
    return hear(_pipeline(plain_model, Settings(target=Target(seconds=300))), cut(_roast(), RATE))


def test_a_whole_roast_is_timed_without_a_hand(heard: list[Event]) -> None:
    assert _handled(heard) == [("charge", "heard"), ("drop", "heard"), ("cooled", "heard")]
    charge, drop, cooled = (event for event in heard if event.type in HANDLED)
    told = heard[-1].fields

    assert charge.at == pytest.approx(CHARGE, abs=0.5)
    assert drop.at == pytest.approx(DROP, abs=1.0)
    assert cooled.at == pytest.approx(FAN_OFF, abs=0.5)
    assert charge.roast_time == 0.0
    for event in (charge, drop, cooled):
        assert 0.85 <= event.fields["confidence"] <= 1
        assert 12 < event.announced_at - event.at < 27
    assert told["drop"] == pytest.approx(drop.at, abs=0.001)
    assert told["total"] == pytest.approx(DROP - CHARGE, abs=1.5)
    assert told["development"] == pytest.approx(drop.at - told["first_crack"], abs=0.001)


def test_development_ends_where_the_drop_is_told(heard: list[Event]) -> None:
    (drop,) = [event for event in heard if event.type == "drop"]
    last = max(event.announced_at for event in heard if event.type == "development")
    assert drop.announced_at - 1.1 < last <= drop.announced_at


@settings(max_examples=3)
@given(cuts=st.lists(st.integers(0, len(_roast())), max_size=12).map(sorted))
def test_any_blocks_say_the_same(plain_model: Model, heard: list[Event], cuts: list[int]) -> None:
    blocks = [Block(part) for part in np.split(_roast(), cuts)]
    assert hear(_pipeline(plain_model, Settings(target=Target(seconds=300))), blocks) == heard


@pytest.mark.parametrize("gain", [0.25, 0.3, 3.7])
def test_the_level_does_not_matter(plain_model: Model, heard: list[Event], gain: float) -> None:
    quieter = hear(_pipeline(plain_model), [Block(_roast() * np.float32(gain))])
    times = [[event.at for event in events if event.type in HANDLED] for events in (quieter, heard)]
    assert times[0] == times[1]


@pytest.mark.parametrize("kind", HANDLED)
def test_it_is_said_at_the_very_sample_it_names(plain_model: Model, heard: list[Event], kind: str) -> None:
    (event,) = [event for event in heard if event.type == kind]
    sample = round(event.announced_at * RATE)
    wishes = Settings(target=Target(seconds=300))

    assert event in _pipeline(plain_model, wishes).push(Block(_roast()[:sample]))
    before = _pipeline(plain_model, wishes).push(Block(_roast()[: sample - 1]))
    assert before == heard[: len(before)]
    assert kind not in {event.type for event in before}


@pytest.mark.parametrize("cut_at", [60.0, 115.0])
def test_a_roast_that_was_cut_off_goes_on_with_what_was_heard(
    plain_model: Model, heard: list[Event], cut_at: float
) -> None:
    """Cut off after the charge, or after the drop; another process hears the rest, and nothing is heard twice."""
    before = [event for event in heard if event.announced_at <= cut_at]
    state = RoastState.of(event.to_dict() for event in before)
    again = _pipeline(plain_model, state.settings, state=state)
    events = before + again.push(Block(_roast()[again.position :])) + again.finish()

    assert _handled(before) == [("charge", "heard"), ("drop", "heard")][: len(_handled(before))]
    assert _handled(events) == [("charge", "heard"), ("drop", "heard"), ("cooled", "heard")]
    (charge,) = [event for event in events if event.type == "charge"]
    assert all(event.roast_time == pytest.approx(event.at - charge.at) for event in events[charge.seq + 1 :])
    assert events[-1].fields["total"] == pytest.approx(heard[-1].fields["total"], abs=0.5)


def test_what_the_person_gave_is_not_listened_for(plain_model: Model) -> None:
    events = hear(_pipeline(plain_model, Settings(charge_at=18.0, drop_at=149.0, cool_s=60.0)), [Block(_roast())])
    assert [(event.type, event.fields["how"]) for event in events if event.type in ("charge", "drop")] == [
        ("charge", "given"),
        ("drop", "given"),
    ]


def _with_marks(model: Model, marks: dict[float, str]) -> list[Event]:
    pipeline = _pipeline(model)
    events: list[Event] = []
    for second, block in enumerate(cut(_roast(), RATE)):
        events += pipeline.mark(marks[second]) if second in marks else []
        events += pipeline.push(block)
    return events + pipeline.finish()


def test_a_mark_silences_what_would_be_heard(plain_model: Model) -> None:
    events = _with_marks(plain_model, {21: "charge", 86: "drop"})
    assert _handled(events)[:2] == [("charge", "key"), ("drop", "key")]
    assert events[-1].fields["total"] == 65.0


def test_a_mark_outranks_what_was_heard(plain_model: Model) -> None:
    events = _with_marks(plain_model, {48: "charge", 120: "drop"})
    assert _handled(events)[:4] == [("charge", "heard"), ("charge", "key"), ("drop", "heard"), ("drop", "key")]
    assert events[-1].fields["total"] == 72.0


def test_a_heard_drop_can_be_taken_back_and_development_goes_on(plain_model: Model, heard: list[Event]) -> None:
    (drop,) = [event for event in heard if event.type == "drop"]
    back = int(drop.announced_at) + 3
    events = _with_marks(plain_model, {back: "drop.not_yet"})
    seconds = [event.at for event in events if event.type == "development"]

    assert max(seconds) > back + 5
    assert events[-1].fields["drop"] is None or events[-1].fields["drop"] >= back


def test_a_heard_charge_can_be_taken_back(plain_model: Model) -> None:
    events = _with_marks(plain_model, {48: "charge.not_yet"})
    assert _handled(events)[0] == ("charge", "heard")
    assert events[-1].fields["total"] is None


def test_without_first_crack_no_drop_is_heard(plain_model: Model) -> None:
    pipeline = Pipeline(samplerate=RATE, model=plain_model, phase_settings=TrackerSettings(threshold=1e9))
    events = hear(pipeline, [Block(_roast())])
    assert _handled(events) == [("charge", "heard")]


def test_a_drop_comes_some_time_after_first_crack(plain_model: Model) -> None:
    """A mark of first crack 10 s before the beans leave: too soon for a drop (common practice, no source)."""
    assert LEAST_DEVELOPMENT_S == 15.0
    pipeline = Pipeline(samplerate=RATE, model=plain_model, phase_settings=TrackerSettings(threshold=1e9))
    events: list[Event] = []
    for second, block in enumerate(cut(_roast(), RATE)):
        events += pipeline.mark("first_crack.start") if second == 75 else []
        events += pipeline.push(block)
    assert ("drop", "heard") not in [
        pair
        for pair, event in zip(_handled(events), (e for e in events if e.type in HANDLED), strict=True)
        if event.at < 90
    ]
