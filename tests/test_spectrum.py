"""Band energies against librosa's short-time Fourier transform, the reference implementation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.optimize
from clicks import candidates_of, clicks_in_noise

from crackdetect.errors import SettingError
from crackdetect.hearing.spectrum import (
    BAND_EDGES,
    BANDS,
    FRAME_S,
    HOPS_PER_FRAME,
    IN_BAND,
    BandSplitter,
    frame_length,
    present_bands,
)

RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000)


def test_frames_last_the_same_at_every_sample_rate() -> None:
    for samplerate in range(8_000, 192_001, 50):
        length = frame_length(samplerate)
        assert length % HOPS_PER_FRAME == 0
        # 4 % as documented, and half a hop group where a low rate leaves no choice
        assert abs(length / samplerate - FRAME_S) <= max(0.04 * FRAME_S, 2 / samplerate)


def test_band_edges_in_hz() -> None:
    """As in the module's table, within the 4 % that the length of the frame may differ."""
    expected = [333, 667, 1000, 1667, 2667, 4000, 5667, 8000, 12000, 16000, 20000]
    for samplerate in (44_100, 48_000, 96_000):
        assert np.array(BAND_EDGES) * samplerate / frame_length(samplerate) == pytest.approx(expected, rel=0.041)
    assert (expected[IN_BAND.start], expected[IN_BAND.stop]) == (1000, 12000)


def test_bands_that_a_sample_rate_carries() -> None:
    """Half the rate must lie above 60 % of the band: 8 kHz ends with 2.7-4 kHz, 16 kHz with 5.7-8 kHz."""
    found = {samplerate: present_bands(samplerate) for samplerate in (8_000, 16_000, 22_050, 32_000, 44_100, 192_000)}
    assert found == {8_000: 5, 16_000: 7, 22_050: 8, 32_000: 9, 44_100: 10, 192_000: BANDS}


@pytest.mark.long
@pytest.mark.parametrize("samplerate", RATES)
def test_energies_equal_librosa(samplerate: int, librosa: Any) -> None:
    """|librosa.stft|**2 summed over the band, same periodic Hann window and hop, center=False."""
    sound = clicks_in_noise([0.05, 0.1, 0.17], samplerate=samplerate, duration_s=0.25, noise_rms=0.02)
    splitter = BandSplitter(samplerate=samplerate)
    frames = splitter.push(sound)
    spectrum = librosa.stft(
        sound.astype(np.float64),
        n_fft=splitter.frame_length,
        hop_length=splitter.hop,
        window="hann",
        center=False,
    )
    power = np.abs(spectrum.T) ** 2
    edges = zip(BAND_EDGES[: splitter.bands], BAND_EDGES[1 : splitter.bands + 1], strict=True)
    bands = np.stack([power[:, low:high][:, : splitter.frame_length // 2 - low].sum(axis=1) for low, high in edges], 1)

    assert len(frames) == len(power)
    assert frames.bin_energy == pytest.approx(power[:, : frames.bin_energy.shape[1]], rel=1e-4, abs=1e-6 * power.max())
    assert frames.band_energy == pytest.approx(bands, rel=1e-5)


@pytest.mark.parametrize("samplerate", [8_000, 44_100])
def test_a_tone_is_in_its_band(samplerate: int) -> None:
    """A sine of amplitude a has |X|**2 = (a sum(w) / 2)**2 in its bin, and a quarter of that in each neighbour."""
    splitter = BandSplitter(samplerate=samplerate)
    k = 12  # about 2 kHz, inside the fourth band (bins 10 to 15)
    t = np.arange(splitter.frame_length * 3)
    frames = splitter.push((0.1 * np.sin(2 * np.pi * k * t / splitter.frame_length)).astype(np.float32))
    energy = (0.1 * splitter.frame_length / 2 / 2) ** 2

    assert frames.bin_energy[3, k - 1 : k + 2] == pytest.approx(energy * np.array([0.25, 1, 0.25]), rel=1e-3)
    assert frames.band_energy[3, 3] == pytest.approx(1.5 * energy, rel=1e-3)
    assert frames.band_energy[3, [0, 1, 2, 4]].max() < 1e-6 * energy


def test_white_noise_has_the_energy_of_its_variance() -> None:
    """Parseval: the mean energy of a bin is sigma**2 sum(w**2) = sigma**2 3 N / 8."""
    noise = np.random.default_rng(3).normal(0, 0.1, 44_100 * 10).astype(np.float32)
    splitter = BandSplitter(samplerate=44_100)
    mean = splitter.push(noise).bin_energy[:, 3:].mean()
    assert mean == pytest.approx(0.1**2 * 3 * splitter.frame_length / 8, rel=0.01)


def test_where_the_energy_of_a_frame_comes_from() -> None:
    """Half of the squared Hann window lies in the middle 0.236 of the frame, 9/10 in the middle 0.51 (computed)."""
    length = frame_length(44_100)
    weight = np.hanning(length + 1)[:-1] ** 2

    def outside(share: float) -> float:
        half = share * length / 2
        return float(weight[abs(np.arange(length) - length / 2) <= half].sum() / weight.sum() - 0.9)

    share = scipy.optimize.brentq(outside, 0.2, 0.9)
    assert share * length / 44_100 == pytest.approx(0.003, abs=0.0003)


def test_the_buffer_of_a_block_may_be_used_again() -> None:
    sound = clicks_in_noise([0.1], samplerate=8_000, duration_s=0.5)
    whole = BandSplitter(samplerate=8_000).push(sound)
    splitter, buffer = BandSplitter(samplerate=8_000), np.empty(100, np.float32)
    bands = []
    for start in range(0, len(sound), 100):
        buffer[:] = sound[start : start + 100]
        bands.append(splitter.push(buffer).band_energy)

    assert np.array_equal(np.concatenate(bands), whole.band_energy)


def test_a_gap_starts_again_on_the_grid() -> None:
    """100 samples, 777 lost, the rest: only frames that touch nothing lost, at their own places."""
    sound = clicks_in_noise([0.1], samplerate=8_000, duration_s=1)
    whole = BandSplitter(samplerate=8_000).push(sound)
    splitter = BandSplitter(samplerate=8_000)
    splitter.push(sound[:100])
    splitter.gap(777)
    after = splitter.push(sound[877:])

    assert after.first == -(-877 // splitter.hop)
    assert np.array_equal(after.band_energy, whole.band_energy[after.first :])
    assert splitter.centre(after.first) - splitter.frame_length // 2 >= 877


@pytest.mark.long
def test_peaks_of_librosas_onset_strength_are_our_candidates(librosa: Any) -> None:
    """A click train: one peak of the spectral flux (dB, librosa) and one candidate for each click, within 6 ms."""
    times = [0.8, 1.0, 1.3, 1.35, 1.7, 2.0, 2.04, 2.5]
    samplerate = 44_100
    sound = clicks_in_noise(times, samplerate=samplerate, duration_s=3)

    splitter, candidates = candidates_of(sound, samplerate=samplerate)
    ours = [splitter.centre(c.frame) / samplerate for c in candidates if c.strength > 1.5]

    bands = BandSplitter(samplerate=samplerate).push(sound).band_energy.T
    strength = librosa.onset.onset_strength(
        S=librosa.power_to_db(bands, ref=np.median), sr=samplerate, hop_length=splitter.hop, center=False
    )
    peaks = librosa.util.peak_pick(strength, pre_max=8, post_max=8, pre_avg=60, post_avg=60, delta=6.0, wait=8)
    theirs = [splitter.centre(int(frame)) / samplerate for frame in peaks]

    assert len(ours) == len(theirs) == len(times)
    assert ours == pytest.approx(times, abs=0.003)
    assert theirs == pytest.approx(ours, abs=0.006)


@pytest.mark.parametrize("samplerate", [0, 7_999, 192_001, 1_000_000])
def test_sample_rates_out_of_range_are_refused(samplerate: int) -> None:
    with pytest.raises(SettingError, match=f"{samplerate} Hz is out of range"):
        BandSplitter(samplerate=samplerate)
