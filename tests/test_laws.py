"""The laws of the core: any blocks, no look-back, exact time, reset, gain, gaps, bounded state."""

from __future__ import annotations

import gc
import json
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from clicks import clicks_in_noise, cut, hear, poisson_times
from conftest import OWN_MACHINE
from hypothesis import given, settings
from hypothesis import strategies as st

from crackdetect.blocks import Block, Samples
from crackdetect.config import Settings, Target
from crackdetect.deciding import own_machine
from crackdetect.deciding.first_crack import HMMSettings
from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.errors import InputError, SettingError
from crackdetect.events import TYPES, Event
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline

RATE = 8_000

# A small roast: strays, a chorus from 22 s, and everything that can go wrong on the way.
STRAYS = [3.0, 8.5, 14.0]
CHORUS = poisson_times(90, 22, 40, seed=4)
ROAST = clicks_in_noise(STRAYS + CHORUS, samplerate=RATE, duration_s=40)
WISHES = Settings(charge_at=1.0, drop_at=39.0, target=Target(seconds=10), near_s=(5.0,))

#: A start is thought likely and believed early: the roast is short, and the laws need it to be announced.
HASTY = TrackerSettings(threshold=0.0, start=HMMSettings(start_every_min=0.2))


def _troubled() -> Samples:
    sound = ROAST.copy()
    sound[int(5.2 * RATE) : int(5.9 * RATE)] = np.sign(sound[int(5.2 * RATE) : int(5.9 * RATE)])  # clipping
    sound[int(9.1 * RATE) : int(13.3 * RATE)] = 0  # exact silence
    sound[int(15.5 * RATE) : int(15.6 * RATE)] = np.nan  # not numbers
    sound[int(30.25 * RATE) : int(30.25 * RATE) + 3] = np.inf
    sound.setflags(write=False)
    return sound


TROUBLED = _troubled()
#: sample position -> samples lost before it; 1.5 s in the quiet, 100 samples in the chorus, a hole without a length.
LOST = {int(17.1 * RATE): int(1.5 * RATE), int(28.4 * RATE): 100}
OVERFLOW = int(33.3 * RATE)


def _blocks(samples: Samples, cuts: list[int], lost: dict[int, int], overflow: int | None) -> Iterator[Block]:
    fixed = [position for position in (*lost, overflow) if position is not None and position < len(samples)]
    borders = [*{0, *cuts, *fixed, len(samples)}, len(samples)]
    repeated = sorted([*borders, *(c for c in cuts if cuts.count(c) > 1)])  # equal borders: empty blocks
    told: set[int] = set()
    for start, end in zip(repeated[:-1], repeated[1:], strict=True):
        first = start not in told
        told.add(start)
        yield Block(
            samples[start:end],
            lost=lost.get(start, 0) if first and start < len(samples) else 0,
            overflow=first and start == overflow,
        )


def _roast(model: Model, samplerate: int = RATE) -> Pipeline:
    return Pipeline(samplerate=samplerate, model=model, settings=WISHES, roast="law", phase_settings=HASTY)


@pytest.fixture(scope="module")
def expected(plain_model: Model) -> list[Event]:
    """The troubled roast in blocks of 0.1 s, as a microphone gives it."""
    cuts = list(range(0, len(TROUBLED), RATE // 10))
    return hear(_roast(plain_model), _blocks(TROUBLED, cuts, LOST, OVERFLOW))


def _types(events: list[Event]) -> set[str]:
    return {event.type for event in events}


# A roast with every announcement, by the shipped numbers: first crack 22 to 60 s, second crack 95 to 104 s, brighter.
FULL_RATE = 32_000
FULL_TIMES = [3.0, 8.5, *poisson_times(100, 22, 60, seed=4), *poisson_times(400, 95, 104, seed=5)]
FULL_PITCHES = [12_000.0 if time > 90 else 2_500.0 for time in FULL_TIMES]
FULL = clicks_in_noise(FULL_TIMES, samplerate=FULL_RATE, duration_s=108, frequency_hz=FULL_PITCHES)
FULL_WISHES = Settings(charge_at=1.0, drop_at=107.0, target=Target(seconds=30), near_s=(10.0, 4.0))
TURNS = ("first_crack.start", "first_crack.end", "second_crack.start")
#: Lost in the chorus, between the cracks and in second crack; and a hole without a length.
FULL_LOST = {40 * FULL_RATE + 7: 2_345, 70 * FULL_RATE: FULL_RATE, 97 * FULL_RATE + 1: 61}
FULL_OVERFLOW = 50 * FULL_RATE + 3


def _full(model: Model) -> Pipeline:
    return Pipeline(samplerate=FULL_RATE, model=model, settings=FULL_WISHES, roast="full")


def _full_troubled() -> Samples:
    sound = FULL.copy()
    sound[30 * FULL_RATE : 30 * FULL_RATE + 400] = np.nan
    sound[80 * FULL_RATE : 84 * FULL_RATE] = 0
    sound[99 * FULL_RATE : 99 * FULL_RATE + 9_000] *= np.float32(1e6)  # clipped
    return sound


FULL_TROUBLED = _full_troubled()


@pytest.fixture(scope="module")
def announced(plain_model: Model) -> list[Event]:
    """The troubled roast with every announcement, in blocks of 0.1 s."""
    cuts = list(range(0, len(FULL_TROUBLED), FULL_RATE // 10))
    return hear(_full(plain_model), _blocks(FULL_TROUBLED, cuts, FULL_LOST, FULL_OVERFLOW))


@pytest.fixture(scope="module")
def untroubled(plain_model: Model) -> list[Event]:
    """The small roast without trouble, in one block."""
    return hear(_roast(plain_model), [Block(ROAST)])


@pytest.fixture(scope="module")
def untroubled_shipped(model: Model) -> list[Event]:
    """The same by the shipped model."""
    return hear(_roast(model), [Block(ROAST)])


@pytest.fixture(scope="module")
def full(plain_model: Model) -> list[Event]:
    """The roast with every announcement without trouble, in one block."""
    return hear(_full(plain_model), [Block(FULL)])


# -- 1: any blocks, same events ------------------------------------------------------------------------------


def test_the_troubled_roast_says_everything_that_the_laws_are_tested_on(expected: list[Event]) -> None:
    assert _types(expected) >= {
        "roast.start",
        "charge",
        "crack",
        "density",
        "first_crack.start",
        "development",
        "target",
        "drop",
        "health",
        "summary",
    }
    told = {event.fields["kind"] for event in expected if event.type == "health"}
    assert told == {"clipping", "silence", "invalid_samples", "gap", "overflow"}
    assert sum(event.type == "crack" for event in expected) > 15


@settings(max_examples=25)
@given(cuts=st.lists(st.integers(0, len(TROUBLED)), max_size=12).map(lambda cuts: cuts + cuts[:3]))
def test_any_blocks_give_the_same_events(plain_model: Model, expected: list[Event], cuts: list[int]) -> None:
    assert hear(_roast(plain_model), _blocks(TROUBLED, cuts, LOST, OVERFLOW)) == expected


@pytest.mark.parametrize("length", [61, 1024, 7_777, 100_000])
def test_equal_blocks_of_any_length_give_the_same_events(
    plain_model: Model, expected: list[Event], length: int
) -> None:
    cuts = list(range(0, len(TROUBLED), length))
    assert hear(_roast(plain_model), _blocks(TROUBLED, cuts, LOST, OVERFLOW)) == expected


def test_the_full_roast_announces_everything_that_can_be_heard(announced: list[Event]) -> None:
    assert [event.type for event in announced if event.type in TURNS] == list(TURNS)
    stages = [event.fields["stage"] for event in announced if event.type == "target"]
    assert stages == ["near", "near", "reached", "over"]
    assert _types(announced) >= {"charge", "crack", "density", "development", "drop", "health", "summary"}
    assert {event.fields["kind"] for event in announced if event.type == "crack"} == {"first", "second"}


@settings(max_examples=15)
@given(cuts=st.lists(st.integers(0, len(FULL_TROUBLED)), max_size=12).map(lambda cuts: cuts + cuts[:3]))
def test_any_blocks_give_the_same_announcements(plain_model: Model, announced: list[Event], cuts: list[int]) -> None:
    assert hear(_full(plain_model), _blocks(FULL_TROUBLED, cuts, FULL_LOST, FULL_OVERFLOW)) == announced


@pytest.mark.parametrize("length", [1_021, 65_536])
def test_equal_blocks_of_any_length_give_the_same_announcements(
    plain_model: Model, announced: list[Event], length: int
) -> None:
    cuts = list(range(0, len(FULL_TROUBLED), length))
    assert hear(_full(plain_model), _blocks(FULL_TROUBLED, cuts, FULL_LOST, FULL_OVERFLOW)) == announced


def test_one_sample_at_a_time_gives_the_same_events(plain_model: Model) -> None:
    sound = clicks_in_noise([0.9, 1.3, 1.306, 2.0, 2.6], samplerate=RATE, duration_s=3)
    sound[int(1.6 * RATE) : int(1.7 * RATE)] = np.nan
    whole = hear(_roast(plain_model), [Block(sound)])

    assert hear(_roast(plain_model), cut(sound, 1)) == whole
    assert sum(event.type == "crack" for event in whole) >= 2


@pytest.mark.parametrize("samplerate", [11_025, 22_050, 44_100, 48_000, 96_000])
def test_any_blocks_give_the_same_events_at_other_sample_rates(model: Model, samplerate: int) -> None:
    sound = clicks_in_noise([1.1, 2.2, 2.9, 3.3], samplerate=samplerate, duration_s=4)
    cuts = sorted(np.random.default_rng(samplerate).integers(0, len(sound), 40).tolist())
    lost = {int(2.5 * samplerate): 1_234}

    pieces = hear(_roast(model, samplerate), _blocks(sound, cuts, lost, None))
    assert pieces == hear(_roast(model, samplerate), _blocks(sound, [], lost, None))


def test_a_gap_told_in_pieces_is_the_same_gap(plain_model: Model) -> None:
    nothing = ROAST[:0]
    at = 10 * RATE
    once = [Block(ROAST[:at]), Block(ROAST[at:], lost=30_000)]
    pieces = [Block(ROAST[:at]), Block(nothing, lost=12_345), Block(nothing), Block(ROAST[at:], lost=17_655)]

    assert hear(_roast(plain_model), pieces) == hear(_roast(plain_model), once)


# -- 2: no look-back that changes ----------------------------------------------------------------------------


@pytest.mark.parametrize("stop_s", [0.01, 0.7, 5.55, 13.3, 15.55, 18.0, 24.05, 27.5, 33.33, 39.2])
def test_what_was_said_by_a_sample_does_not_depend_on_what_follows(
    plain_model: Model, expected: list[Event], stop_s: float
) -> None:
    pipeline = _roast(plain_model)
    said = [
        event for block in _blocks(TROUBLED[: int(stop_s * RATE)], [], LOST, OVERFLOW) for event in pipeline.push(block)
    ]
    assert said == expected[: len(said)]
    assert all(event.announced_at <= pipeline.duration_s for event in said)
    # nothing that could be said by then was held back
    later = expected[len(said) :]
    assert all(event.announced_at > pipeline.duration_s for event in later if event.type == "crack")


@pytest.mark.parametrize("kind", [*TURNS, "target", "development"])
def test_a_statement_is_made_at_the_very_sample_that_it_names(plain_model: Model, full: list[Event], kind: str) -> None:
    """Heard to that sample, it is said; heard to the sample before, it is not, and nothing else differs."""
    first = next(event for event in full if event.type == kind)
    sample = round(first.announced_at * FULL_RATE)

    assert first in _full(plain_model).push(Block(FULL[:sample]))
    before = _full(plain_model).push(Block(FULL[: sample - 1]))
    assert kind not in _types(before)
    assert before == full[: len(before)]


# -- 3: time is exact ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("samplerate", [8_000, 11_025, 44_100, 48_000])
def test_every_time_is_a_whole_number_of_samples(plain_model: Model, samplerate: int) -> None:
    sound = clicks_in_noise(STRAYS + CHORUS, samplerate=samplerate, duration_s=40)
    events = hear(_roast(plain_model, samplerate), cut(sound, samplerate))

    assert _types(events) >= {"crack", "density", "first_crack.start", "development", "target", "drop"}
    for event in events:
        assert event.type in TYPES
        assert event.at * samplerate == pytest.approx(round(event.at * samplerate), abs=1e-6)
        assert event.announced_at * samplerate == pytest.approx(round(event.announced_at * samplerate), abs=1e-6)
        assert event.announced_at >= event.at
        assert event.roast_time is None or event.roast_time == pytest.approx(event.at - 1.0, abs=1e-9)
        json.loads(event.to_json())
    assert [event.seq for event in events] == list(range(len(events)))


def test_an_hour_of_lost_sound_does_not_shift_time(plain_model: Model) -> None:
    sound = clicks_in_noise([2.0], samplerate=44_100, duration_s=3)
    events = hear(
        Pipeline(samplerate=44_100, model=plain_model),
        [Block(sound[: 44_100 // 2]), Block(sound[44_100 // 2 :], lost=44_100 * 3_600)],
    )
    (crack,) = [event for event in events if event.type == "crack"]

    assert crack.at == pytest.approx(3_602.0, abs=0.003)


# -- 4: reset equals new, nothing is shared, nothing is written to ---------------------------------------------


def test_reset_equals_new(plain_model: Model, expected: list[Event]) -> None:
    pipeline = _roast(plain_model)
    for stop in (0, 1, 12_345, int(30.7 * RATE), len(ROAST)):
        pipeline.push(Block(ROAST[:stop], lost=7))
        pipeline.mark("drop" if pipeline.duration_s > 2 else "first_crack.not_yet")  # none before charge
        pipeline.notice("disk_full", message="no space left")
        pipeline.reset()
    hear(pipeline, [Block(ROAST)])
    pipeline.reset()

    assert hear(pipeline, _blocks(TROUBLED, [], LOST, OVERFLOW)) == expected


def test_two_roasts_at_once_do_not_disturb_each_other(plain_model: Model, expected: list[Event]) -> None:
    other = hear(Pipeline(samplerate=44_100, model=plain_model, roast="b"), cut(ROAST, 8_000))
    one, two = _roast(plain_model), Pipeline(samplerate=44_100, model=plain_model, roast="b")
    first: list[Event] = []
    second: list[Event] = []
    blocks = iter(_blocks(TROUBLED, list(range(0, len(TROUBLED), 8_000)), LOST, OVERFLOW))
    for block in cut(ROAST, 8_000):
        second += two.push(block)
        first += one.push(next(blocks))
    first += [event for block in blocks for event in one.push(block)]

    assert first + one.finish() == expected
    assert second + two.finish() == other


def test_the_samples_belong_to_the_caller(plain_model: Model) -> None:
    sound = ROAST[: 20 * RATE] * np.float32(500)  # also beyond the limit to which samples are clipped
    sound.setflags(write=False)  # writing raises
    before = hear(_roast(plain_model), cut(sound, 1_000))
    kept = sound.copy()
    shared = np.empty(1_000, np.float32)
    pipeline = _roast(plain_model)
    after: list[Event] = []
    for start in range(0, len(sound), 1_000):  # a caller may use one buffer again and again
        shared[:] = kept[start : start + 1_000]
        after += pipeline.push(Block(shared))
    after += pipeline.finish()

    assert after == before
    assert np.array_equal(sound, kept)


def test_a_finished_roast_takes_no_more_sound_and_says_its_summary_once(plain_model: Model) -> None:
    pipeline = _roast(plain_model)
    assert hear(pipeline, [Block(ROAST)])[-1].type == "summary"
    assert pipeline.finish() == []
    with pytest.raises(SettingError, match="finished"):
        pipeline.push(Block(ROAST))


# -- 5: gain and sample rate -----------------------------------------------------------------------------------


def _decisions(events: list[Event]) -> list[tuple[str, float]]:
    """What was said and when; dates that are read off a posterior to 0.1 s."""
    dated = ("first_crack.start", "target")
    return [(event.type, round(event.at, 1 if event.type in dated else 6)) for event in events]


@pytest.mark.parametrize("gain", [0.25, 0.5, 2.0, 4.0])
def test_a_gain_of_a_power_of_two_changes_nothing(plain_model: Model, untroubled: list[Event], gain: float) -> None:
    assert hear(_roast(plain_model), [Block(ROAST * np.float32(gain))]) == untroubled


@pytest.mark.parametrize("gain", [0.3, 0.77, 1.9, 3.7])
def test_any_other_gain_changes_no_decision(
    plain_model: Model, model: Model, untroubled: list[Event], untroubled_shipped: list[Event], gain: float
) -> None:
    for classifier, plain in ((plain_model, untroubled), (model, untroubled_shipped)):
        louder = hear(_roast(classifier), [Block(ROAST * np.float32(gain))])

        assert _decisions(louder) == _decisions(plain)
        for a, b in zip(plain, louder, strict=True):
            if a.type == "crack":
                assert b.fields["probability"] == pytest.approx(a.fields["probability"], abs=2e-3)
                assert b.fields["snr_db"] == pytest.approx(a.fields["snr_db"], abs=0.11)


def test_44_1_and_48_khz_agree(plain_model: Model) -> None:
    """The same sound at both rates: the same strong cracks within 3 ms, first crack within 1 s."""
    at_44 = clicks_in_noise(CHORUS, samplerate=44_100, duration_s=40)
    at_48 = scipy.signal.resample_poly(at_44, 160, 147).astype(np.float32)
    heard = [hear(_roast(plain_model, rate), [Block(sound)]) for rate, sound in ((44_100, at_44), (48_000, at_48))]
    cracks = [
        np.array([event.at for event in events if event.type == "crack" and event.fields["snr_db"] > 25])
        for events in heard
    ]
    starts = [next(event for event in events if event.type == "first_crack.start") for events in heard]

    assert len(cracks[0]) > 25
    assert len(cracks[0]) == len(cracks[1])
    assert np.abs(cracks[0] - cracks[1]).max() <= 0.003
    assert abs(starts[0].at - starts[1].at) <= 1.0
    assert abs(starts[0].announced_at - starts[1].announced_at) <= 1.0


@pytest.mark.parametrize("samplerate", [8_000, 16_000, 32_000, 44_100, 88_200, 96_000, 192_000])
def test_a_strong_click_is_heard_at_every_sample_rate(plain_model: Model, samplerate: int) -> None:
    sound = clicks_in_noise([1.5], samplerate=samplerate, duration_s=2)
    events = hear(_roast(plain_model, samplerate), [Block(sound)])
    strong = [event.at for event in events if event.type == "crack" and event.fields["snr_db"] > 25]

    assert strong == pytest.approx([1.5], abs=0.003)


@pytest.mark.parametrize("samplerate", [-1, 0, 7_999, 192_001])
def test_other_sample_rates_are_refused_with_the_range(plain_model: Model, samplerate: int) -> None:
    with pytest.raises(SettingError, match="8000 to 192000 Hz"):
        Pipeline(samplerate=samplerate, model=plain_model)


@pytest.mark.parametrize(
    "samples",
    [np.zeros((4, 2), np.float32), np.zeros(4, np.float64), np.zeros(4, np.int16)],
    ids=["two channels", "float64", "int16"],
)
def test_a_block_of_anything_else_is_refused(samples: Samples) -> None:
    with pytest.raises(InputError, match="one channel of float32"):
        Block(samples)


# -- 6: a gap is a gap -----------------------------------------------------------------------------------------


def test_nothing_is_invented_at_a_gap(plain_model: Model) -> None:
    """A jump of level across a gap is not an onset, and no crack is placed inside one."""
    quiet = clicks_in_noise([], samplerate=RATE, duration_s=5, seed=5)
    loud = clicks_in_noise([], samplerate=RATE, duration_s=5, seed=6) * np.float32(30)
    events = hear(
        Pipeline(samplerate=RATE, model=plain_model), [Block(quiet), Block(loud, lost=RATE), Block(quiet, lost=11)]
    )
    assert [event.at for event in events if event.type == "crack" and 5 <= event.at < 6.2] == []
    gaps = [event for event in events if event.type == "health" and event.fields["kind"] == "gap"]
    assert [(event.fields["count"], event.at) for event in gaps] == [(RATE, 5.0), (11, 11.0)]
    assert events[-1].fields["health"] == {"gap": RATE + 11}


def test_numbers_that_are_none_are_a_gap(plain_model: Model) -> None:
    sound = ROAST[: 12 * RATE].copy()
    as_gap = [Block(sound[: 4 * RATE]), Block(sound[5 * RATE :], lost=RATE)]
    sound[4 * RATE : 5 * RATE] = np.nan
    lost, invalid = hear(_roast(plain_model), as_gap), hear(_roast(plain_model), [Block(sound)])

    assert [e for e in invalid if e.type == "crack"] == [e for e in lost if e.type == "crack"]
    assert [e for e in invalid if e.type == "density"] == [e for e in lost if e.type == "density"]
    assert [e.fields["kind"] for e in invalid if e.type == "health"] == ["invalid_samples"]
    assert [e.fields["count"] for e in invalid if e.type == "health"] == [RATE]


def test_a_gap_is_taken_out_of_the_denominator(plain_model: Model) -> None:
    """Cracks every second from 20 s on; 5 of the last 15 s are lost, and 0.3 s around them cannot be judged.

    Jeffreys' mean (n + 1/2) / (P_d T) of 15 cracks in 15 s and of 10 in 9.7 s: 65 and 68 a minute. Counted as
    silence, the gap would make it 44.
    """
    sound = clicks_in_noise(np.arange(20.5, 60).tolist(), samplerate=RATE, duration_s=60)
    blocks = [Block(sound[: 40 * RATE]), Block(sound[45 * RATE :], lost=5 * RATE)]

    def at_50(events: list[Event]) -> float:
        (density,) = [event for event in events if event.type == "density" and event.at == 50.0]
        return float(density.fields["per_minute"])

    whole = at_50(hear(_roast(plain_model), [Block(sound)]))
    assert whole == pytest.approx(60 * 15.5 / (0.95 * 15), rel=0.06)
    assert at_50(hear(_roast(plain_model), blocks)) == pytest.approx(60 * 10.5 / (0.95 * 9.7), rel=0.06)


def test_nothing_is_announced_while_sound_is_lost(plain_model: Model) -> None:
    """A statement about the time of a gap becomes possible when sound is back, 5 s later."""
    events = hear(_roast(plain_model), [Block(ROAST[: 30 * RATE]), Block(ROAST[30 * RATE :], lost=5 * RATE)])
    inside = [event for event in events if 30 <= event.at < 35 and event.type in ("density", "development")]

    assert inside
    assert [event for event in events if 30 < event.announced_at < 35 and event.type != "health"] == []


def test_a_long_gap_has_no_density(plain_model: Model) -> None:
    events = hear(_roast(plain_model), [Block(ROAST[: 10 * RATE]), Block(ROAST[10 * RATE :], lost=60 * RATE)])
    inside = [event.at for event in events if event.type == "density" and 24 <= event.at <= 71]
    assert inside == []


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(30 * RATE, np.float32),
        np.full(30 * RATE, 0.25, np.float32),
        np.full(30 * RATE, np.nan, np.float32),
        np.sign(ROAST[: 30 * RATE]),
        ROAST[:3],
        ROAST[:0],
    ],
    ids=["zeros", "direct current", "not a number", "clipped", "3 samples", "no samples"],
)
def test_a_sound_with_nothing_in_it_announces_nothing(plain_model: Model, sound: Samples) -> None:
    events = hear(_roast(plain_model), [Block(sound)])
    assert not _types(events) & {"first_crack.start", "second_crack.start"}
    assert events[-1].type == "summary"


# -- 7: bounded state ------------------------------------------------------------------------------------------


@pytest.mark.long
def test_memory_does_not_grow(plain_model: Model) -> None:
    """Candidates are kept for 200 s, and the last 1000 cracks: from the sixth minute on there is nothing left to fill.

    What comes and goes makes 1 to 12 kB of difference between the sixth and the eighth (measured).

    300 kicks a minute put candidates, cracks and health into every buffer there is.
    """
    minute = clicks_in_noise(poisson_times(300, 0, 60, seed=8), samplerate=RATE, duration_s=60, seed=9)
    minute[50_000:58_000] = 1.0
    troubled = minute.copy()
    troubled[1000:1100] = np.nan  # only at first, for a gap empties buffers
    pipeline = Pipeline(samplerate=RATE, model=plain_model)
    sizes = []
    tracemalloc.start()
    try:
        for number in range(8):
            for block in cut(minute if number > 1 else troubled, RATE // 2):
                pipeline.push(block)
            if number in (5, 7):
                gc.collect()  # the interpreter's lists of freed tuples too
                sizes.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()

    assert sizes[1] - sizes[0] < 20_000


# -- the same laws where the machine at hand is learnt ------------------------------------------------------------


@pytest.fixture(scope="module", params=["written by hand", "shipped"])
def learning(request: pytest.FixtureRequest, plain_model: Model, model: Model) -> Iterator[Model]:
    """A model that learns the machine at hand, and believes to know it soon."""
    assert model.own_machine is not None, "the shipped model learns the machine at hand"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(own_machine, "KNOWN_FROM_S", 5.0)
        yield model if request.param == "shipped" else replace(plain_model, own_machine=OWN_MACHINE)


@pytest.fixture(scope="module")
def learnt(learning: Model) -> list[Event]:
    """What it says of the troubled roast in blocks of 0.1 s."""
    return hear(_roast(learning), _blocks(TROUBLED, list(range(0, len(TROUBLED), RATE // 10)), LOST, OVERFLOW))


def test_what_is_learnt_changes_what_is_said(learning: Model, learnt: list[Event]) -> None:
    assert _types(learnt) >= {"crack", "density", "health", "summary"}
    untaught = replace(learning, own_machine=None)
    assert hear(_roast(untaught), _blocks(TROUBLED, [], LOST, OVERFLOW)) != learnt


@pytest.mark.parametrize("seed", range(3))
def test_any_blocks_teach_the_same(learning: Model, learnt: list[Event], seed: int) -> None:
    cuts = np.random.default_rng(seed).integers(0, len(TROUBLED), (3, 40, 400)[seed]).tolist()
    assert hear(_roast(learning), _blocks(TROUBLED, cuts + cuts[:3], LOST, OVERFLOW)) == learnt


@pytest.mark.parametrize("stop_s", [13.3, 24.05, 33.33])
def test_what_was_learnt_by_a_sample_does_not_depend_on_what_follows(
    learning: Model, learnt: list[Event], stop_s: float
) -> None:
    pipeline = _roast(learning)
    blocks = _blocks(TROUBLED[: int(stop_s * RATE)], [], LOST, OVERFLOW)
    said = [event for block in blocks for event in pipeline.push(block)]
    assert said == learnt[: len(said)]


def test_a_reset_forgets_the_machine(learning: Model, learnt: list[Event]) -> None:
    pipeline = _roast(learning)
    for stop in (1, 12_345, int(30.7 * RATE), len(ROAST)):
        pipeline.push(Block(ROAST[:stop], lost=7))
        pipeline.mark("drop" if pipeline.duration_s > 2 else "first_crack.not_yet")
        pipeline.reset()
    hear(pipeline, [Block(ROAST)])
    pipeline.reset()
    assert hear(pipeline, _blocks(TROUBLED, [], LOST, OVERFLOW)) == learnt


def test_a_gain_of_a_power_of_two_teaches_the_same(learning: Model) -> None:
    plain = hear(_roast(learning), [Block(ROAST)])
    assert hear(_roast(learning), [Block(ROAST * np.float32(0.25))]) == plain


def test_numbers_that_are_none_teach_what_a_gap_does(learning: Model) -> None:
    """Lost time adds nothing to how long the machine is known."""
    sound = ROAST[: 32 * RATE].copy()
    as_gap = [Block(sound[: 4 * RATE]), Block(sound[5 * RATE :], lost=RATE)]
    sound[4 * RATE : 5 * RATE] = np.nan
    lost, invalid = hear(_roast(learning), as_gap), hear(_roast(learning), [Block(sound)])
    for kind in ("crack", "density", "first_crack.start"):
        assert [event for event in invalid if event.type == kind] == [event for event in lost if event.type == kind]
