"""How people write times and targets, and which settings are refused."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crackdetect.config import About, Settings, Target, parse_time, parse_weight, parse_window
from crackdetect.errors import SettingError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("9:36", 576),
        ("0:30", 30),
        (" 11:20 ", 680),
        ("9:36.5", 576.5),
        ("1:02:03", 3723),
        ("90:00", 5400),
        ("576s", 576),
        ("57.5 s", 57.5),
    ],
)
def test_times(text: str, seconds: float) -> None:
    assert parse_time(text) == seconds


@pytest.mark.parametrize(("text", "told"), [("2", "2s or 2:00"), ("11", "11s or 11:00"), ("0.30", "0.30s or 0:30")])
def test_a_number_alone_is_refused_as_it_could_be_either(text: str, told: str) -> None:
    with pytest.raises(SettingError, match=f"^cool '{text}' could be seconds or minutes; write {told}$"):
        parse_time(text, name="cool")
    assert parse_time(text, bare=True) == float(text)  # in a column that says seconds


@pytest.mark.parametrize("text", ["9" * 400 + "s", "360001s", f"{'9' * 12}s", "999999s"])
def test_times_that_nobody_can_mean_are_refused(text: str) -> None:
    with pytest.raises(SettingError, match="charge-at .* is out of range") as refused:
        parse_time(text, name="charge-at")
    assert len(str(refused.value)) < 100
    with pytest.raises(SettingError, match="expect .* is out of range"):
        parse_window(f"0:00-{text}")


@pytest.mark.parametrize("text", ["", "9:75", "1:75:00", "-1:00", "nine", "9.36.1", "1e3", "nan", ":30", "9:", "5m"])
def test_what_is_no_time_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(SettingError, match="charge-at") as refused:
        parse_time(text, name="charge-at")
    assert repr(text) in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("text", "seconds", "ratio", "again"),
    [
        ("1:45", 105, None, "1:45"),
        ("105s", 105, None, "1:45"),
        ("18%", None, 0.18, "18%"),
        ("17.5 %", None, 0.175, "17.5%"),
    ],
)
def test_targets(text: str, seconds: float | None, ratio: float | None, again: str) -> None:
    target = Target.parse(text)
    assert (target.seconds, target.ratio) == (seconds, ratio)
    assert str(target) == again


@pytest.mark.parametrize(
    ("text", "advice"),
    [("18", "write 18%, 1:45 or 18s"), ("17.5 ", "write 17.5%, "), ("105", "or 105s"), ("0.30", "write 30%, ")],
)
def test_a_number_alone_is_no_target(text: str, advice: str) -> None:
    with pytest.raises(SettingError, match=f"could be seconds or percent; .*{advice}"):
        Target.parse(text)
    # what was written down when it was still taken for seconds stays readable
    assert Target.of_record(text.strip()) == Target(seconds=float(text))
    assert Target.of_record("18%") == Target(ratio=0.18)


def test_what_is_no_target_names_both_forms() -> None:
    with pytest.raises(SettingError, match="target 'banana' is neither a time nor a share .*1:45, 105s or 18%"):
        Target.parse("banana")


@pytest.mark.parametrize("text", ["0%", "-5%", "95%", "100%", "nan%", "inf%", "x%", "%", "0:00", "45:00", "soon"])
def test_targets_out_of_reach_are_refused(text: str) -> None:
    with pytest.raises(SettingError, match="target"):
        Target.parse(text)


@pytest.mark.parametrize(("seconds", "ratio"), [(None, None), (90.0, 0.2), (math.nan, None), (None, math.nan)])
def test_a_target_is_exactly_one_thing(seconds: float | None, ratio: float | None) -> None:
    with pytest.raises(SettingError, match="target"):
        Target(seconds=seconds, ratio=ratio)


def test_a_target_in_seconds_needs_no_charge_and_a_ratio_does() -> None:
    assert Target(seconds=105).drop_after(None) == 105
    assert Target(ratio=0.2).drop_after(None) is None


@given(st.floats(60, 1200), st.floats(0.01, 0.89))
def test_a_drop_at_the_target_has_the_ratio(first_crack_s: float, ratio: float) -> None:
    """The definition: development time over roast time."""
    after = Target(ratio=ratio).drop_after(first_crack_s)
    assert after is not None
    assert after / (first_crack_s + after) == pytest.approx(ratio, rel=1e-9)


def test_settings_as_they_are_told() -> None:
    settings = Settings(charge_at=30.0, drop_at=680.0, target=Target(ratio=0.18))

    fields = settings.as_fields()

    assert fields == {
        "charge_at": 30.0,
        "drop_at": 680.0,
        "target": "18%",
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }
    assert json.loads(json.dumps(fields, allow_nan=False)) == fields
    assert Settings().as_fields() == {
        "charge_at": None,
        "drop_at": None,
        "target": None,
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"charge_at": -1.0}, "charge-at"),
        ({"drop_at": math.nan}, "drop-at"),
        ({"charge_at": 90_000.0}, "24:00:00"),
        ({"charge_at": 600.0, "drop_at": 600.0}, "after charge-at"),
        ({"near_s": (30.0, 30.0)}, "near"),
        ({"near_s": (0.0,)}, "near"),
        ({"near_s": (math.nan,)}, "near"),
        ({"sensitivity": "deaf"}, "earlier, usual, surer"),
    ],
)
def test_settings_out_of_range_are_refused(wrong: dict[str, object], told: str) -> None:
    with pytest.raises(SettingError, match=told) as refused:
        Settings(**wrong)  # type: ignore[arg-type]
    assert refused.value.exit_code == 2


# NIST Handbook 44 (from memory): the avoirdupois ounce is 28.349523125 g, the pound 453.59237 g, both exactly
@pytest.mark.parametrize(
    ("text", "grams"),
    [("200g", 200), ("0.2 kg", 200), ("0,2kg", 200), ("8 oz", 226.796185), ("1lb", 453.59237)],
)
def test_weights_are_read_in_the_units_people_use(text: str, grams: float) -> None:
    assert parse_weight(text) == pytest.approx(grams, rel=1e-12)


@pytest.mark.parametrize("text", ["", "g", "-5g", "0g", "1 stone", "200 kg", "1e5", "nan"])
def test_a_weight_that_is_none_names_its_field(text: str) -> None:
    with pytest.raises(SettingError, match="batch"):
        parse_weight(text, name="batch")


def test_a_window_is_two_times() -> None:
    assert parse_window("8:00-10:00") == (480.0, 600.0)
    assert parse_window("480s - 10:00") == (480.0, 600.0)


@pytest.mark.parametrize("text", ["8-10", "480 - 600", "8-10:00", "8:00-10"])
def test_a_window_of_numbers_alone_is_refused_with_the_way_to_write_it(text: str) -> None:
    with pytest.raises(SettingError, match="could be minutes or seconds; write it as 8:00-10:00"):
        parse_window(text)


@pytest.mark.parametrize("text", ["8:00", "10:00-8:00", "8:00-8:00", "x-9:00", ""])
def test_a_window_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(SettingError, match="expect"):
        parse_window(text)


def test_what_is_not_known_of_a_roast_is_not_said() -> None:
    assert About().as_fields() == {}
    assert About(coffee="Ridge", green_g=200.0, expect=(480.0, 600.0)).as_fields() == {
        "coffee": "Ridge",
        "green_g": 200.0,
        "expect": [480.0, 600.0],
    }


@pytest.mark.parametrize("text", ["200", "7", "0.5"])
def test_a_weight_without_a_unit_is_refused_with_the_ways_to_write_it(text: str) -> None:
    with pytest.raises(SettingError, match=f"could be grams or ounces; write {text}g or {text}oz"):
        parse_weight(text)
