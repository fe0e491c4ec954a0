"""Which scenes are heard for training, calibration and evaluation; their seeds never meet.

Seeds are numbered from a start of their own for each purpose, so that no machine, room, microphone or roast of one
purpose is ever drawn for another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crackdetect.synth.plan import RoastPlan, plan_roast
from crackdetect.synth.sounds import SoundBank

#: First seed of each purpose; a purpose has less than ten million scenes.
FIRST_SEED = {"train": 10_000_000, "calibrate": 20_000_000, "evaluate": 30_000_000, "judge": 50_000_000}
SAMPLERATES = (44_100, 48_000, 32_000, 22_050, 16_000)
_RATE_SHARES = (0.55, 0.15, 0.08, 0.07, 0.15)
SCENARIOS = ("chorus", "second", "kitchen", "machine")
_SCENARIO_SHARES = (0.48, 0.17, 0.28, 0.07)


@dataclass(frozen=True, slots=True)
class Scene:
    """A plan and whether it uses real sounds."""

    plan: RoastPlan
    scenario: str
    real: bool


def scenes(purpose: str, *, count: int, seed: int, bank: SoundBank | None, duration_s: float = 50.0) -> Iterator[Scene]:
    """``count`` scenes of a purpose, the same for the same seed (0 to 999) and bank sizes."""
    for i in range(count):
        own_seed = FIRST_SEED[purpose] + seed * 10_000 + i
        rng = np.random.default_rng([own_seed, 7])
        scenario = str(rng.choice(SCENARIOS, p=_SCENARIO_SHARES))
        samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
        real = bank is not None and bool(rng.random() < 0.6)
        crack_share, rate, bed = 0.0, 0.0, None
        if real and bank is not None:
            if bank.cracks:
                crack_share = float(rng.choice([0.0, 0.5, 1.0], p=[0.25, 0.25, 0.5]))
            if bank.distractors:
                rate = float(rng.choice([0.0, 2.0, 6.0, 15.0], p=[0.4, 0.25, 0.2, 0.15]))
                if scenario == "kitchen":
                    rate = float(rng.uniform(5, 30))
            if bank.beds and rng.random() < 0.5:
                bed = int(rng.integers(len(bank.beds)))
        plan = plan_roast(
            seed=own_seed,
            scenario=scenario,
            samplerate=samplerate,
            duration_s=duration_s,
            real_crack_fraction=crack_share,
            real_distractor_rate_per_minute=rate,
            bed_index=bed,
            overrides=_dense(rng, scenario, duration_s),
        )
        yield Scene(plan, scenario, real)


def whole_scenes(*, count: int, seed: int, bank: SoundBank | None, duration_s: float = 300.0) -> Iterator[Scene]:
    """``count`` scenes long enough to know a machine by, for the judge: two roasts to a kitchen or bare machine."""
    for i in range(count):
        own_seed = FIRST_SEED["judge"] + seed * 10_000 + i
        rng = np.random.default_rng([own_seed, 7])
        scenario = str(rng.choice(("roast", "second", "kitchen", "machine"), p=(0.56, 0.11, 0.27, 0.06)))
        real = bank is not None and bool(rng.random() < 0.5)
        crack_share, rate, bed = 0.0, 0.0, None
        if real and bank is not None:
            if bank.cracks:
                crack_share = float(rng.choice([0.0, 0.5, 1.0]))
            if bank.distractors:
                rate = float(rng.uniform(5, 30) if scenario == "kitchen" else rng.choice([0.0, 1.0, 3.0, 8.0]))
            if bank.beds and rng.random() < 0.5:
                bed = int(rng.integers(len(bank.beds)))
        plan = plan_roast(
            seed=own_seed,
            scenario=scenario,
            samplerate=int(rng.choice(SAMPLERATES, p=_RATE_SHARES)),
            duration_s=duration_s,
            real_crack_fraction=crack_share,
            real_distractor_rate_per_minute=rate,
            bed_index=bed,
        )
        yield Scene(plan, scenario, real)


def _dense(rng: np.random.Generator, scenario: str, duration_s: float) -> dict[str, float]:
    """A chorus that soon begins and stays: a scene is short, and cracks are what it is for."""
    if scenario != "chorus":
        return {}
    return {
        "first_start_s": float(rng.uniform(0.05, 0.3)) * duration_s,
        "peak_per_minute": float(rng.uniform(60, 160)),
        "first_hold_s": duration_s,
    }
