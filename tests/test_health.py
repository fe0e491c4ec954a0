"""What was wrong with the sound, second by second."""

from __future__ import annotations

import numpy as np
import pytest
from clicks import cut

from crackdetect.hearing.health import Health, HealthFinding

RATE = 8_000


def _noise(seconds: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 0.1, round(seconds * RATE)).astype(np.float32)


def _brief(told: list[HealthFinding]) -> list[tuple[str, int, int]]:
    return [(ailment.kind, ailment.count, ailment.second) for ailment in told]


def test_good_sound_is_not_talked_about() -> None:
    health = Health(samplerate=RATE)
    assert health.push(_noise(10.5)) + health.finish() == []
    assert health.usable_share == 1.0
    assert not health.totals


@pytest.mark.parametrize("level", [0.0, 0.25], ids=["zeros", "direct current"])
def test_exact_silence_is_told_after_three_seconds_once(level: float) -> None:
    health = Health(samplerate=RATE)
    told = health.push(_noise(2)) + health.push(np.full(20 * RATE, level, np.float32))

    assert _brief(told) == [("silence", 3, 4)]
    assert "muted" in told[0].message
    assert health.usable_share == pytest.approx(2 / 22)
    # sound in between: a new episode
    assert _brief(health.push(_noise(1)) + health.push(np.zeros(4 * RATE, np.float32))) == [("silence", 3, 25)]
    assert health.totals == {"silence": 2}


def test_two_silent_seconds_are_no_matter() -> None:
    health = Health(samplerate=RATE)
    silence = np.zeros(2 * RATE, np.float32)
    assert health.push(np.concatenate([silence, _noise(1), silence])) == []


def test_clipping_is_told_with_its_count_and_at_most_once_a_minute() -> None:
    health = Health(samplerate=RATE)
    sound = _noise(130)
    sound[3 * RATE : 3 * RATE + 40] = 1.0  # 5 in a thousand of the second
    sound[10 * RATE : 10 * RATE + 20] = -1.0
    sound[20 * RATE] = 1.0  # a single sample is a loud crack
    sound[70 * RATE : 70 * RATE + 9] = 1.0

    assert _brief(health.push(sound)) == [("clipping", 40, 3), ("clipping", 9, 70)]
    assert health.totals == {"clipping": 69}
    assert health.usable_share == 1.0


def test_a_square_wave_is_useless() -> None:
    health = Health(samplerate=RATE)
    health.push(np.sign(_noise(10)))
    assert health.usable_share == 0.0


def test_losses_are_counted_in_the_second_in_which_they_fall() -> None:
    """3 s of sound, 2.5 s lost, 1 s of sound: the last half second of the gap shares its second with sound."""
    health = Health(samplerate=RATE)
    told = health.push(_noise(3)) + health.lose(5 * RATE // 2, "gap") + health.push(_noise(1)) + health.finish()

    assert _brief(told) == [("gap", RATE, 3), ("gap", RATE, 4), ("gap", RATE // 2, 5)]
    assert told[2].message.startswith("0.500 s of sound were lost")
    assert health.totals == {"gap": 5 * RATE // 2}
    assert health.seconds == 7
    assert health.usable_share == pytest.approx(5 / 7)


def test_lost_time_is_not_silence() -> None:
    health = Health(samplerate=RATE)
    assert [ailment.kind for ailment in health.lose(10 * RATE, "gap")] == ["gap"] * 10


def test_an_overflow_without_a_length_is_told() -> None:
    health = Health(samplerate=RATE)
    health.push(_noise(0.5))
    health.note("overflow")
    health.note("overflow")
    assert _brief(health.push(_noise(0.5))) == [("overflow", 2, 0)]


def test_any_blocks_tell_the_same() -> None:
    sound = np.concatenate([_noise(2), np.zeros(4 * RATE, np.float32), _noise(1), np.sign(_noise(2))])
    whole = Health(samplerate=RATE)
    expected = whole.push(sound)
    assert {ailment.kind for ailment in expected} == {"silence", "clipping"}
    for length in (1, 999, RATE, 30_000):
        health = Health(samplerate=RATE)
        assert [ailment for block in cut(sound, length) for ailment in health.push(block.samples)] == expected
        assert health.totals == whole.totals
