"""The classical detectors that the hearing is compared with, against worked values and slow oracles."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crackdetect.errors import InputError, MissingPartError, SettingError
from crackdetect.evaluate.baselines import (
    aic,
    aic_pick,
    count_rule,
    librosa_onsets,
    recursive_sta_lta,
    sta_lta_peaks,
)
from crackdetect.evaluate.matching import match
from crackdetect.train.bandpass_peaks import Onsets, bandpass_peaks

RATE = 44_100
POPS = np.array([1.0, 1.5, 2.0, 2.03, 3.0, 4.25])


def _pops_in_noise(*, snr_db: float, samplerate: int = RATE, pops: np.ndarray = POPS) -> np.ndarray:
    """5 s of white noise with decaying tones of 3 kHz, ``snr_db`` over its part from 1 to 12 kHz."""
    rng = np.random.default_rng(5)
    sound = 0.01 * rng.standard_normal(5 * samplerate)
    in_band = 0.01 * math.sqrt((min(12_000, 0.45 * samplerate) - 1000) / (samplerate / 2))
    for time in pops:
        t = np.arange(round(0.012 * samplerate)) / samplerate
        pop = np.exp(-t / 0.0013) * np.cos(2 * np.pi * 3000 * t)
        sound[round(time * samplerate) :][: len(t)] += in_band * 10 ** (snr_db / 20) * pop
    return sound.astype(np.float32)


def test_sta_lta_worked_values() -> None:
    """Allen 1978, Withers 1998; the formula of obspy's recursive_sta_lta (values computed)."""
    x = np.array([1, 1, 1, 1, 1, 1, 1, 1, 3, 3, 1.0])
    assert recursive_sta_lta(x, ns=2, nl=4)[-3:] == pytest.approx([1.722858, 1.581510, 1.120587], abs=1e-6)


@given(st.lists(st.floats(-100, 100, width=16), min_size=1, max_size=60), st.integers(1, 5), st.integers(6, 20))
def test_sta_lta_equals_the_slow_loop(x: list[float], ns: int, nl: int) -> None:
    short, long, expected = 0.0, 1e-99, [0.0]
    for i in range(1, len(x)):
        short += (x[i] ** 2 - short) / ns
        long = max(long + (x[i] ** 2 - long) / nl, 1e-99)
        expected.append(0.0 if i < nl else short / long)
    assert recursive_sta_lta(np.array(x), ns=ns, nl=nl) == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_aic_worked_value() -> None:
    """Maeda 1985: three of (1, -1), then three of (4, -4): changes after the sixth sample (computed)."""
    assert aic_pick(np.array([1, -1, 1, -1, 1, -1, 4, -4, 4, -4, 4, -4.0])) == 6


@given(st.lists(st.integers(-50, 50), min_size=4, max_size=40), st.sampled_from([0.0, 1000.0]))
def test_aic_equals_the_slow_formula(values: list[int], offset: float) -> None:
    """The formula of Maeda 1985 written out, on noise enough that no stretch is constant."""
    x = np.array(values) + np.random.default_rng(0).standard_normal(len(values)) + offset
    n = len(x)
    slow = [k * math.log(x[:k].var()) + (n - k - 1) * math.log(x[k:].var()) for k in range(2, n - 1)]
    assert aic(x) == pytest.approx(slow, rel=1e-6, abs=1e-4)


def test_aic_dates_a_pop_to_a_tenth_of_a_millisecond() -> None:
    sound = _pops_in_noise(snr_db=30, pops=np.array([1.0]))
    excerpt = sound[RATE - 400 : RATE + 120]
    assert aic_pick(excerpt) == pytest.approx(400, abs=4)


def test_count_rule() -> None:
    #           three within 10 s: 21, 24, 31 -> said at the third of them
    assert count_rule([1, 5, 21, 24, 31, 32]) == 31
    assert count_rule([1, 5, 11.5, 22]) is None
    assert count_rule([1, 2]) is None
    assert count_rule([4], n=1) == 4


@pytest.mark.parametrize(
    "detector", [bandpass_peaks, sta_lta_peaks, pytest.param(librosa_onsets, marks=pytest.mark.long)]
)
@pytest.mark.parametrize("samplerate", [16_000, 44_100])
def test_loud_pops_are_all_found_and_nothing_else(
    detector: Callable[..., Onsets], samplerate: int, request: pytest.FixtureRequest
) -> None:
    """Six pops at 30 dB, two of them 30 ms apart; within ±25 ms (Böck, Krebs & Schedl, ISMIR 2012)."""
    if detector is librosa_onsets:
        request.getfixturevalue("librosa")
    found = detector(_pops_in_noise(snr_db=30, samplerate=samplerate), samplerate)

    told = match(POPS, found.time_s, window_s=0.025)
    assert (told.recall, told.precision) == (1.0, 1.0)
    assert np.abs(told.error_s).max() < 0.005


@pytest.mark.parametrize("detector", [bandpass_peaks, sta_lta_peaks])
def test_gain_does_not_matter_and_a_threshold_can_be_raised_later(detector: Callable[..., Onsets]) -> None:
    sound = _pops_in_noise(snr_db=15)
    low = detector(sound, RATE, **({"threshold_db": 4.0} if detector is bandpass_peaks else {"threshold": 2.0}))
    threshold = float(np.sort(low.strength)[-5:-3].mean())  # between the fifth and the fourth

    raised = low.above(threshold)
    named = {"threshold_db": threshold} if detector is bandpass_peaks else {"threshold": threshold}
    again = detector(sound, RATE, **named)

    assert len(raised.time_s) == 4 < len(low.time_s)
    assert raised.time_s.tolist() == again.time_s.tolist()
    assert detector(sound / 4, RATE, **named).time_s.tolist() == again.time_s.tolist()


@pytest.mark.parametrize(
    "detector", [bandpass_peaks, sta_lta_peaks, pytest.param(librosa_onsets, marks=pytest.mark.long)]
)
def test_next_to_nothing_holds_nothing(detector: Callable[..., Onsets], request: pytest.FixtureRequest) -> None:
    if detector is librosa_onsets:
        request.getfixturevalue("librosa")
    for samples in (np.zeros(0, np.float32), np.zeros(3, np.float32), np.zeros(RATE, np.float32)):
        assert detector(samples, RATE).time_s.size == 0


def test_bad_input_is_refused() -> None:
    with pytest.raises(SettingError, match="samplerate"):
        bandpass_peaks(np.zeros(100, np.float32), 100)
    with pytest.raises(InputError, match="one channel"):
        sta_lta_peaks(np.zeros((2, 100), np.float32), RATE)
    with pytest.raises(SettingError, match="0 < ns < nl"):
        recursive_sta_lta(np.zeros(9), ns=4, nl=4)
    with pytest.raises(InputError, match="4 or more"):
        aic_pick(np.zeros(3))
    with pytest.raises(SettingError, match="count"):
        count_rule([1.0], n=0)


def test_without_librosa_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "librosa", None)
    with pytest.raises(MissingPartError, match="install"):
        librosa_onsets(np.zeros(RATE, np.float32), RATE)


def test_importing_it_is_light() -> None:
    """scipy.signal takes 0.7 s to import, librosa more: only who calls a detector pays."""
    code = (
        "import sys; from crackdetect.evaluate import announcement_limit, baselines, detection_limit, matching;"
        "heavy = ('scipy.signal', 'scipy.stats', 'librosa', 'sklearn');"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
