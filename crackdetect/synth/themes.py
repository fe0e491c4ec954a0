"""Scenes of one disturbance in which nothing cracks: what fools a detector shows by itself, not in a mixture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crackdetect.synth.plan import Household, RoastPlan

#: Themes made of one household kind: the range of how many such sounds a minute, and of their length (s).
_HOUSEHOLD_THEMES: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "typing": ((1.0, 4.0), (4.0, 20.0)),
    "dishes": ((2.0, 12.0), (0.5, 6.0)),
    "knocks": ((2.0, 15.0), (0.5, 2.0)),
    "door": ((2.0, 12.0), (0.5, 1.0)),
    "claps": ((2.0, 12.0), (0.5, 6.0)),
    "speech": ((3.0, 6.0), (4.0, 15.0)),
    "music": ((3.0, 6.0), (6.0, 20.0)),
    "dog": ((2.0, 20.0), (0.5, 2.0)),
    "clock": ((4.0, 6.0), (10.0, 20.0)),
    "rain": ((4.0, 6.0), (10.0, 20.0)),
    "footsteps": ((2.0, 6.0), (4.0, 15.0)),
    "switch": ((5.0, 30.0), (0.1, 0.2)),
    "crinkle": ((2.0, 8.0), (0.5, 8.0)),
}
#: Themes made by the machine itself.
_MACHINE_THEMES = ("drum knock", "tumbling", "pour of beans", "rattle", "tick")
THEMES = (*_HOUSEHOLD_THEMES, *_MACHINE_THEMES)


def themed(plan: RoastPlan, theme: str, rng: np.random.Generator) -> RoastPlan:
    """One kind of disturbance, often and loud; everything else as drawn."""
    if theme in _HOUSEHOLD_THEMES:
        (fewest, most), (shortest, longest) = _HOUSEHOLD_THEMES[theme]
        count = rng.poisson(float(rng.uniform(fewest, most)) * plan.duration_s / 60)
        low = float(rng.uniform(0, 16))  # a person stays where he is: levels differ by some dB only
        return replace(
            plan,
            household=tuple(
                Household(theme, start, float(rng.uniform(shortest, longest)), low + float(rng.uniform(0, 14)))
                for start in np.sort(rng.uniform(0, plan.duration_s, count)).tolist()
            ),
        )
    loud = float(rng.uniform(8, 22))
    machine = plan.machine
    if theme == "drum knock":
        machine = replace(machine, kind="drum", turn_s=float(rng.uniform(0.7, 2.5)), knock_db=loud)
    elif theme == "rattle":
        machine = replace(machine, rattle_per_minute=float(rng.uniform(3, 12)), rattle_db=loud)
    elif theme == "tick":
        machine = replace(machine, tick_per_second=float(rng.uniform(0.5, 8)), tick_db=loud)
    else:  # beans that tumble densely, and are poured in after a while
        machine = replace(machine, impacts_per_second=float(rng.uniform(20, 60)), impact_db=float(rng.uniform(-8, -1)))
    pour = theme in ("tumbling", "pour of beans")
    charge_s = float(rng.uniform(1 / 20, 1 / 3)) * plan.duration_s
    return replace(plan, machine=machine, charge_s=charge_s if pour else plan.charge_s)
