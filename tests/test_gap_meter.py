"""How much went missing between two blocks: by both clocks, and by the computer's sleep."""

from __future__ import annotations

import numpy as np
import pytest

from crackdetect.audio.gap_meter import GapMeter, RateMeter, SleepMeter

RATE = 48_000


def losses(meter: GapMeter, *, jitter_s: float, adc_jump_s: float, clock_jump_s: float, overflow: bool) -> list[int]:
    """40 blocks of 480 frames, the jump, and 80 more; what was found missing before each."""
    random = np.random.default_rng(7)
    found = []
    for i in range(120):
        late = i >= 40
        at = 5 + i * 0.01 + random.uniform(-jitter_s, jitter_s) / 2
        adc_s, clock_s = at + late * adc_jump_s, at + late * clock_jump_s
        found.append(meter.push(480, adc_s=adc_s, clock_s=clock_s, overflow=overflow and i == 40))
    return found


@pytest.mark.parametrize(
    ("jitter_s", "adc_jump_s", "clock_jump_s", "overflow", "lost_s"),
    [
        pytest.param(0.0002, 0.050, 0.050, True, 0.050, id="reported, clear"),
        pytest.param(0.0002, 0.800, 0.800, False, 0.800, id="unreported, long"),
        pytest.param(0.0002, 0.100, 0.100, False, 0, id="unreported and short: may be lateness"),
        pytest.param(0.0300, 0.050, 0.050, True, 0, id="reported, but the clock is too coarse to say how much"),
        pytest.param(0.0002, 60.00, 0.050, True, 0.050, id="the audio clock jumps, the computer's does not"),
        pytest.param(0.0002, 0.000, 1.500, False, 0, id="only late: nothing is missing"),
        pytest.param(0.0002, -2.00, -2.00, True, 0, id="a clock set back"),
        pytest.param(0.0002, 0.000, 0.000, False, 0, id="nothing happened"),
    ],
)
def test_a_gap_is_what_both_clocks_agree_on(
    jitter_s: float, adc_jump_s: float, clock_jump_s: float, overflow: bool, lost_s: float
) -> None:
    found = losses(
        GapMeter(samplerate=RATE),
        jitter_s=jitter_s,
        adc_jump_s=adc_jump_s,
        clock_jump_s=clock_jump_s,
        overflow=overflow,
    )
    assert found[40] == pytest.approx(lost_s * RATE, abs=0.0005 * RATE)
    assert sum(found) == found[40]  # found once


def test_slow_drift_between_the_clocks_is_no_gap() -> None:
    """Eight hours at a sample clock that is 0.1 % off, far more than any real one."""
    meter = GapMeter(samplerate=RATE)
    assert not any(
        meter.push(4800, adc_s=1 + i * 0.1001, clock_s=1 + i * 0.1001, overflow=i % 50 == 0) for i in range(8000)
    )


def test_a_computer_that_slept_has_lost_that_time() -> None:
    asleep = [100.0]
    meter = SleepMeter(asleep=lambda: asleep[0])
    assert meter.push() == 0
    asleep[0] += 0.01  # the clocks' own unevenness
    assert meter.push() == 0
    asleep[0] += 600
    assert meter.push() == pytest.approx(600.01)
    assert meter.push() == 0


# -- a device whose rate is not what it says -----------------------------------------------------------------


def first_word(
    share: float, *, seconds: float, jitter_s: float = 0.05, block_s: float = 0.1, seed: int = 3
) -> float | None:
    """When a device that gives ``share`` of the samples that it promises is told of, s, and that it is told as that."""
    random = np.random.default_rng(seed)
    meter = RateMeter(samplerate=RATE)
    frames = round(block_s * RATE)
    told = None
    for i in range(1, round(seconds * share / block_s)):
        came_s = 1_000 + i * block_s / share + random.exponential(jitter_s)  # late, never early
        found = meter.push(frames, clock_s=came_s)
        if found is not None:
            assert told is None, "told once"
            assert found == pytest.approx(share, abs=0.01)
            told = came_s - 1_000
    return told


@pytest.mark.parametrize("share", [0.8, 0.92, 0.985, 0.99, 1.01, 1.015, 1.08, 1.2])
def test_a_lying_rate_is_told_within_a_minute(share: float) -> None:
    told = first_word(share, seconds=120)
    assert told is not None
    assert told < 60


@pytest.mark.parametrize("share", [0.997, 0.9999, 1.0, 1.0001, 1.003])
@pytest.mark.parametrize("seed", range(5))
def test_a_rate_that_is_nearly_right_is_no_lie(share: float, seed: int) -> None:
    """Clocks of sound cards are off by up to 0.01 %; half an hour."""
    assert first_word(share, seconds=1800, seed=seed) is None


@pytest.mark.parametrize("block_s", [0.01, 0.1, 1.0])
def test_late_blocks_of_any_length_are_no_lie(block_s: float) -> None:
    assert first_word(1.0, seconds=600, block_s=block_s, jitter_s=0.3) is None


def test_lost_samples_are_part_of_the_time() -> None:
    meter = RateMeter(samplerate=RATE)
    position = 0
    for i in range(1, 3000):
        lost = 5 * RATE if i % 300 == 0 else 0
        position += lost + RATE // 10
        assert meter.push(lost + RATE // 10, clock_s=position / RATE) is None
