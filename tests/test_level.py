"""The level of a crack against scipy.signal and numpy: peak over rms in 1-12 kHz."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from clicks import candidates_of, click, clicks_in_noise

from crackdetect.hearing.level import LevelMeter


def _reference_db(samplerate: int, amplitude: float, noise_rms: float, frequency_hz: float) -> float:
    """Peak of the clean click over rms of the noise alone, both through an order-8 Butterworth band-pass."""
    high = min(12_000, 0.49 * samplerate)
    sections = scipy.signal.butter(8, [1_000, high], "bandpass", fs=samplerate, output="sos")
    padded = np.pad(amplitude * click(samplerate, frequency_hz=frequency_hz), samplerate // 10)
    peak = np.abs(scipy.signal.sosfiltfilt(sections, padded)).max()
    noise = np.random.default_rng(0).normal(0, noise_rms, 5 * samplerate)
    rms = np.sqrt(np.mean(scipy.signal.sosfilt(sections, noise)[samplerate:] ** 2))
    return float(20 * np.log10(peak / rms))


@pytest.mark.parametrize("samplerate", [16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("frequency_hz", [2_500, 5_000])
@pytest.mark.parametrize("amplitude", [0.05, 0.5])
def test_snr_of_a_click_in_white_noise(samplerate: int, frequency_hz: float, amplitude: float) -> None:
    """Within 1 dB in the mean of eight clicks; one alone may differ by what the noise adds to its peak."""
    expected = _reference_db(samplerate, amplitude, 0.002, frequency_hz)
    times = [0.8 + 0.15 * i for i in range(8)]
    sound = clicks_in_noise(
        times,
        samplerate=samplerate,
        duration_s=2.2,
        amplitude=amplitude,
        noise_rms=0.002,
        frequency_hz=frequency_hz,
    )
    meter = LevelMeter(samplerate=samplerate)
    meter.push(sound)
    splitter, candidates = candidates_of(sound, samplerate=samplerate)
    found = [meter.snr_db(splitter.centre(c.frame), c.in_band_floor) for c in candidates if c.strength > 1]

    assert len(found) == len(times)
    assert np.mean(found) == pytest.approx(expected, abs=1.0)
    assert found == pytest.approx([expected] * len(found), abs=2.0)


def test_what_lies_outside_1_to_12_khz_does_not_count() -> None:
    """A whistle of 15 kHz, 20 dB above the click, changes its level by less than 0.1 dB."""
    samplerate = 48_000
    sound = clicks_in_noise([0.05], samplerate=samplerate, duration_s=0.1, amplitude=0.1, noise_rms=1e-4)
    t = np.arange(len(sound)) / samplerate
    # a whole number of periods in the 24 ms that are looked at
    loud = sound + np.sin(2 * np.pi * 15_000 * t).astype(np.float32)
    levels = []
    for samples in (sound, loud):
        meter = LevelMeter(samplerate=samplerate)
        meter.push(samples)
        levels.append(meter.snr_db(round(0.05 * samplerate), 1e-3))
    assert levels[1] == pytest.approx(levels[0], abs=0.1)


def test_the_meter_remembers_only_so_much() -> None:
    """A click 0.3 s ago is measured; after a gap only what came since."""
    samplerate = 8_000
    sound = clicks_in_noise([0.1], samplerate=samplerate, duration_s=0.4)
    whole, pieces = LevelMeter(samplerate=samplerate), LevelMeter(samplerate=samplerate)
    whole.push(sound)
    for start in range(0, len(sound), 50):
        pieces.push(sound[start : start + 50])
    centre = round(0.1 * samplerate)

    assert pieces.snr_db(centre, 1e-3) == whole.snr_db(centre, 1e-3) > 20
    pieces.gap(1_000)
    pieces.push(sound)
    assert pieces.snr_db(centre + len(sound) + 1_000, 1e-3) == whole.snr_db(centre, 1e-3)


def test_silence_and_a_floor_of_nothing_have_no_level() -> None:
    meter = LevelMeter(samplerate=8_000)
    meter.push(np.zeros(4_000, np.float32))
    assert meter.snr_db(2_000, 1.0) == 0.0
    assert meter.snr_db(2_000, 0.0) == 0.0
