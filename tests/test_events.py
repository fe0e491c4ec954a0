"""The events' JSON form and the clock that people read."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crackdetect.config import parse_time
from crackdetect.events import TYPES, Event
from crackdetect.notation import clock, percent_sure


def _event(kind: str = "crack", **fields: object) -> Event:
    return Event(type=kind, at=576.4, announced_at=577.0, roast_time=546.4, seq=3, roast="lot-seven", fields=fields)


def test_an_event_is_what_its_own_form_says() -> None:
    event = Event("drop", 1.5, 2.0, None, 3, "roast", {"how": "key"})
    assert Event.from_dict(event.to_dict()) == event
    with pytest.raises(KeyError):
        Event.from_dict({"type": "drop"})


def test_one_line_of_json() -> None:
    event = _event(kind="crack", probability=0.97, snr_db=14.5)

    assert event.to_json() == (
        '{"type":"crack","at":576.4,"announced_at":577.0,"roast_time":546.4,"seq":3,"roast":"lot-seven",'
        '"probability":0.97,"snr_db":14.5}'
    )


def test_roast_time_is_null_before_charge() -> None:
    event = Event(type="density", at=1.0, announced_at=1.0, roast_time=None, seq=0, roast="r")
    assert json.loads(event.to_json())["roast_time"] is None


def test_the_types_are_those_of_the_contract() -> None:
    contract = """
        roast.start charge crack density first_crack.start first_crack.end second_crack.start
        development target drop cooled mark health summary
    """
    assert sorted(TYPES) == sorted(contract.split())


def test_an_unknown_type_is_a_defect_of_ours() -> None:
    with pytest.raises(ValueError, match="pop"):
        _event(kind="pop")


def test_a_field_cannot_overwrite_the_envelope() -> None:
    with pytest.raises(ValueError, match="seq"):
        _event(seq=9)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_that_json_does_not_know(value: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        _event(probability=value).to_json()


@given(st.text())
def test_any_text_stays_on_one_line_and_comes_back(text: str) -> None:
    line = _event(kind="health", message=text).to_json()
    assert "\n" not in line
    assert "\r" not in line
    assert json.loads(line.encode("utf-8"))["message"] == text


def test_a_name_that_is_not_text_can_still_be_written() -> None:
    """Linux hands a file name of other bytes over as half a surrogate pair, which UTF-8 cannot hold."""
    event = Event(type="drop", at=1.0, announced_at=1.0, roast_time=None, seq=0, roast="roast\udcff.wav")
    assert json.loads(event.to_json().encode("utf-8"))["roast"] == "roast?.wav"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (576.4, "9:36"),
        (576.5, "9:37"),
        (59.6, "1:00"),
        (0, "0:00"),
        (-0.3, "0:00"),
        (-75, "-1:15"),
        (3661, "61:01"),
        (None, "-"),
        (math.nan, "-"),
        (math.inf, "-"),
    ],
)
def test_clock(seconds: float | None, text: str) -> None:
    assert clock(seconds) == text


def test_nothing_that_was_heard_is_certain() -> None:
    assert [percent_sure(probability) for probability in (0.0, 0.904, 0.989, 0.9951, 1.0)] == [
        "0",
        "90",
        "99",
        "99",
        "99",
    ]


@given(st.integers(0, 59_999))
def test_the_clock_can_be_typed_back(seconds: int) -> None:
    assert parse_time(clock(seconds)) == seconds
