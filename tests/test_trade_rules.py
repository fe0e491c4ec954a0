"""The trade's arithmetic and rules of thumb, and two facts of measurement that the hearing rests on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crackdetect.blocks import Block
from crackdetect.config import Target, parse_time
from crackdetect.errors import SettingError
from crackdetect.model import Model
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.arithmetic import development_goal, development_ratio, development_verdict, total_time
from crackdetect.train.bandpass_peaks import bandpass_peaks


def test_first_crack_at_936_and_a_fifth_give_twelve_minutes() -> None:
    """Arithmetic: drop = first crack / (1 - ratio)."""
    first_crack = parse_time("9:36")
    after = development_goal(Target.parse("20%"), first_crack, charge=0)
    assert after is not None
    assert clock(first_crack + after) == "12:00"


def test_two_minutes_of_twelve_are_a_sixth_and_usual() -> None:
    """Arithmetic; the band of 15 to 25 %: common practice, no source."""
    ratio = development_ratio(600, 720, charge=0)
    assert ratio == pytest.approx(0.167, abs=0.0005)
    assert development_verdict(ratio, 120) == (
        "development 2 min, 16.7 % of the roast: inside the usual 15 to 25 % (common practice)"
    )


def test_ten_seconds_of_twelve_minutes_are_under_developed() -> None:
    """Below 2 %, far under 15 to 25 %; light, thin and dry in the cup: common practice, no source."""
    ratio = development_ratio(710, 720, charge=0)
    assert ratio < 0.02
    assert development_verdict(ratio, 10) == (
        "development 10 s, 1.4 % of the roast: far below the usual 15 to 25 % (common practice): "
        "expect a light, thin, dry, under-developed cup"
    )


@pytest.mark.parametrize(
    ("ratio", "seconds", "told"),
    [
        (0.099, 70, "far below the usual"),
        (0.10, 72, "10.0 % of the roast: below the usual"),
        (0.149, 107, "roast: below the usual"),
        (0.15, 108, "inside the usual"),
        (0.25, 180, "inside the usual"),
        (0.26, 187, "roast: above the usual"),
        (0.35, 252, "roast: above the usual"),
        (0.36, 260, "far above the usual"),
        (-0.02, -14, "dropped 14 s before first crack"),
        (None, -14, "dropped 14 s before first crack"),
        (None, 12, "far shorter than usual"),
        (None, 125, "development 2 min 5 s, charge unknown: mark the charge"),
    ],
)
def test_verdicts(ratio: float | None, seconds: float, told: str) -> None:
    """Edges of the bands: common practice, no source; 10 and 35 % are chosen."""
    sentence = development_verdict(ratio, seconds)
    assert told in sentence
    assert "\n" not in sentence


def test_charge_counts_from_where_it_was() -> None:
    #          charge at 0:30: 120 s of 690 s
    assert development_ratio(600, 720, charge=30) == pytest.approx(120 / 690)


def test_a_charge_after_first_crack_or_drop_is_another_roasts() -> None:
    for charge in (None, 601, 720, 800):
        assert development_ratio(600, 720, charge=charge) is None
        assert development_goal(Target(ratio=0.2), 600, charge=charge) is None
    assert development_ratio(600, 720, charge=600) == 1
    assert development_ratio(710, 700, charge=0) == pytest.approx(-1 / 70)  # dropped before first crack
    assert development_goal(Target(seconds=90), 600, charge=None) == 90
    assert (total_time(720, 720), total_time(30, 720), total_time(None, 720)) == (None, 690, None)


def test_development_that_makes_no_sense_is_refused() -> None:
    for ratio, seconds in ((1.0, 10), (math.nan, 10), (0.1, math.inf)):
        with pytest.raises(SettingError, match="does not make sense"):
            development_verdict(ratio, seconds)


def test_the_summary_of_a_roast_marked_by_hand(plain_model: Model) -> None:
    """Charge at once, first crack at 9:36, drop at 12:00, all marked: development 2:24, one fifth."""
    pipeline = Pipeline(samplerate=8000, model=plain_model)
    minute = Block(np.zeros(8000 * 60, np.float32))
    pipeline.start()
    pipeline.mark("charge")
    for _ in range(9):
        pipeline.push(minute)
    pipeline.push(Block(np.zeros(8000 * 36, np.float32)))
    pipeline.mark("first_crack.start")
    pipeline.push(minute)
    pipeline.push(minute)
    pipeline.push(Block(np.zeros(8000 * 24, np.float32)))
    pipeline.mark("drop")

    summary = pipeline.finish()[-1]

    assert summary.type == "summary"
    assert {name: summary.fields[name] for name in ("first_crack", "drop", "total", "development", "ratio")} == {
        "first_crack": 576.0,
        "drop": 720.0,
        "total": 720.0,
        "development": 144.0,
        "ratio": 0.2,
    }


def test_a_level_meter_hides_cracks() -> None:
    """IEC 61672-1, F weighting (125 ms): a 3 ms burst reads -16.3 dB (from memory), 10 lg(1 - exp(-T / tau)).

    The 1 ms RMS of the reference detector shows the same burst to within a decibel.
    """
    rate, tau, burst = 48_000, 0.125, 0.003
    tone = np.sin(2 * np.pi * 4000 * np.arange(rate) / rate)
    quiet = 1e-3 * np.random.default_rng(0).standard_normal(rate)
    on = (np.arange(rate) >= rate // 2) & (np.arange(rate) < rate // 2 + burst * rate)

    reading, highest = 0.0, 0.0
    for power in ((tone * on) ** 2).tolist():
        reading += (power - reading) / (tau * rate)
        highest = max(highest, reading)
    found = bandpass_peaks((tone * on + quiet).astype(np.float32), rate)
    floor_db = 10 * math.log10(1e-6 * 11_000 / 24_000)  # the noise within 1 to 12 kHz

    assert 10 * math.log10(1 - math.exp(-burst / tau)) == pytest.approx(-16.3, abs=0.1)
    assert 10 * math.log10(highest / 0.5) == pytest.approx(-16.3, abs=0.1)
    assert found.time_s == pytest.approx([0.5 + burst / 2], abs=burst)
    assert floor_db + found.strength[0] - 10 * math.log10(0.5) == pytest.approx(0, abs=1)
