"""The drawing of a roast on a machine of the wide family: when beans go in, crack and come out, and what changes.

Sources: first crack louder, lower and slower than second (Wilson 2014, by the American Institute of Physics' release);
rates of 20 to 160 a minute in first and up to 600 in second crack about Wilson's 100 and 500 (from memory); one bean in
four to ten heard and roasts cut to 150 to 480 s: chosen. All else is chosen, wide rather than typical.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crackdetect.synth.chance import log_uniform
from crackdetect.synth.chorus import SHAPES, Chorus
from crackdetect.synth.wide import Wide, WideMachine

#: At most so many of the beans are heard to crack, and to crack again.
_AUDIBLE, _AUDIBLE_AGAIN = 0.25, 0.5
#: A stalled roast has a chorus that goes on after the stall.
_FADE_RAMP_S = 35.0


def draw_roast(
    seed: int, machine: WideMachine, *, scenario: str, length_s: float | None
) -> tuple[float, dict[str, Any]]:
    """Length (s) and values of a roast on a machine: fields of ``plan.RoastPlan``, ``wide`` among them."""
    rng = np.random.default_rng([seed, 42])
    usual = float(rng.uniform(150, 480)) if scenario in ("roast", "second", "kitchen", "machine") else 50.0
    length = length_s if length_s is not None else usual
    values = _levels_and_rates(rng, machine, scenario)
    values |= _times(rng, scenario, length)
    last = values.get("drop_s") or length
    shape = str(rng.choice(SHAPES))
    skew = float(rng.uniform(0.4, 1.1) if shape == "gamma" else rng.uniform(0.15, 0.6))
    second_shape = str(rng.choice(SHAPES))
    second_skew = float(rng.uniform(0.4, 1.1) if second_shape == "gamma" else rng.uniform(0.15, 0.6))
    begins = values.get("charge_s") or 0.0
    first = values.get("first_start_s")
    if first is not None:
        crack = Chorus(first, values["ramp_s"], values["peak_per_minute"], shape, skew)
        values["peak_per_minute"] *= min(1.0, _AUDIBLE * machine.beans / crack.cracks)
    if values.get("second_start_s") is not None:
        crack = Chorus(0.0, values["second_ramp_s"], values["second_peak_per_minute"], second_shape, second_skew)
        values["second_peak_per_minute"] *= min(1.0, _AUDIBLE_AGAIN * machine.beans / crack.cracks)
    fade = None
    if first is not None and values["ramp_s"] >= _FADE_RAMP_S and rng.random() < 0.12:
        fade = first + values["ramp_s"] * float(rng.uniform(0.6, 1.3))
    wide = Wide(
        machine=machine,
        beans=scenario not in ("kitchen", "machine") or rng.random() < 0.7,
        blow_below_db=float(np.clip(rng.normal(14, 3.5), 8, 20)),
        blow_share=float(np.sqrt(rng.uniform(0.1, 0.92))),
        # lighter beans strike more softly, dry and hollow ones ring
        blow_drift_db=float(rng.uniform(-4, 6)),
        first_shape=shape,
        first_skew=skew,
        second_shape=second_shape,
        second_skew=second_skew,
        fade_s=fade,
        voice_pitch=float(np.exp(rng.normal(0, 0.12))),
        second_pitch=float(rng.uniform(1.5, 3.5)),
        doubles=float(rng.uniform(0, 0.3)),
        air_steps=_air_steps(rng, begins, last),
        hood=_hood(rng, length),
        lid_open=_lid_open(rng, begins, last) if machine.lid_air_hz else (),
        chaff_per_minute=float(rng.choice([0.0, log_uniform(rng, 2, 60)], p=[0.6, 0.4])),
        crackle_per_minute=float(rng.choice([0.0, log_uniform(rng, 0.3, 6)], p=[0.75, 0.25])),
    )
    return length, values | {"wide": wide}


def _levels_and_rates(rng: np.random.Generator, machine: WideMachine, scenario: str) -> dict[str, Any]:
    """How loud the cracks are, and how many come at the densest."""
    # the machine's usual level first, what this batch and place of the lid make of it second
    own = np.random.default_rng([machine.seed, 43])
    median = float(np.clip(own.uniform(6, 30) + rng.normal(0, 2), 6, 30))
    spread = float(rng.uniform(10, 20))
    if scenario == "quiet":
        median = float(rng.uniform(20, 30))
    if scenario == "noisy":
        median = float(rng.uniform(9, 13))
    low, high = median - spread / 2, median + spread / 2
    return {
        "snr_low_db": low,
        "snr_high_db": high,
        "second_snr_offset_db": float(rng.uniform(-8, -1)),
        "level_dbfs": float(rng.uniform(-62, min(-26.0, -high - 12))),
        "peak_per_minute": log_uniform(rng, 20, 160),
        "second_peak_per_minute": log_uniform(rng, 150, 600),
        "second_ramp_s": float(rng.uniform(8, 30)),
        "strays_per_minute": float(
            rng.choice([0.0, log_uniform(rng, 0.1, 1.0), log_uniform(rng, 1.0, 6.0)], p=[0.1, 0.5, 0.4])
        ),
        "stray_clump_probability": float(rng.uniform(0, 0.4)),
    }


def _times(rng: np.random.Generator, scenario: str, length: float) -> dict[str, Any]:
    """When beans go in and out, and when they crack."""
    ramp = float(rng.uniform(22, 90))
    if scenario == "chorus":
        return {
            "first_start_s": float(rng.uniform(-20, 0.35 * length)),
            "ramp_s": float(rng.uniform(8, 25)),
            "peak_per_minute": float(rng.uniform(60, 160)),
        }
    if scenario == "second" and length < 200:
        return {
            "first_start_s": float(rng.uniform(-60, 0)),
            "ramp_s": float(rng.uniform(10, 25)),
            "second_start_s": float(rng.uniform(-0.1, 0.5)) * length,
        }
    if scenario in ("kitchen", "machine"):
        charged = rng.random() < 0.4
        return {"strays_per_minute": 0.0, "charge_s": float(rng.uniform(0.05, 0.3)) * length if charged else None}
    charge = float(rng.uniform(0.02, 0.10) * length) if rng.random() < 0.8 else None
    dropped = rng.random() < 0.75
    cooling = float(rng.uniform(5, max(6.0, min(45.0, 0.12 * length))))
    drop = length - min(cooling, 0.3 * length) if dropped else None
    last = drop or length
    if scenario == "second":
        second = float(rng.uniform(0.65, 0.85)) * last
        return {
            "charge_s": charge, "drop_s": drop, "first_start_s": float(rng.uniform(0.25, 0.45)) * last,
            "ramp_s": min(ramp, 0.12 * last), "second_start_s": second,
        }  # fmt: skip
    return {
        "charge_s": charge, "drop_s": drop, "first_start_s": float(rng.uniform(0.25, 0.75)) * last,
        "ramp_s": min(ramp, 0.25 * last),
    }  # fmt: skip


def _air_steps(rng: np.random.Generator, begins: float, last: float) -> tuple[tuple[float, float], ...]:
    """Fan or flame set anew, each time by 3 to 9 dB, within 9 dB either way of where they were at first."""
    steps, level = [], 0.0
    for time in np.sort(rng.uniform(begins, last, rng.poisson(1.2))).tolist():
        change = float(rng.uniform(3, 9)) * (1 if rng.random() < 0.5 else -1)
        level = level + change if abs(level + change) <= 9 else level - change
        steps.append((time, level))
    return tuple(steps)


def _hood(rng: np.random.Generator, length: float) -> tuple[tuple[float, float, float], ...]:
    if rng.random() < 0.75:
        return ()
    start = float(rng.uniform(0, 0.8)) * length
    return ((start, start + float(rng.uniform(0.1, 0.6)) * length, float(rng.uniform(-9, 6))),)


def _lid_open(rng: np.random.Generator, begins: float, last: float) -> tuple[tuple[float, float], ...]:
    times = np.sort(rng.uniform(begins, last, rng.poisson(0.7))).tolist()
    return tuple((time, time + float(rng.uniform(1, 8))) for time in times)
