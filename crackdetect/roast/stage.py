"""Where a roast stands, in one word that can be read at two metres."""

from __future__ import annotations

from typing import Literal

from crackdetect.roast.state import RoastState

Stage = Literal["listening", "pops coming", "first crack", "drop soon", "drop now", "cooling"]
#: The drop is soon when so many seconds are left to the target.
SOON_S = 30.0
#: Pops are counted in the last so many seconds.
POPS_S = 15.0


def stage(state: RoastState, now: float) -> Stage:
    """The stage of the roast. now: seconds from the first sample.

    Without a target nothing says when to drop, and first crack is the last stage before cooling.
    """
    if state.drop is not None:
        return "cooling"
    if state.first_crack is None:
        return "pops coming" if state.coming else "listening"
    remaining = state.remaining(now)
    if remaining is None or remaining > SOON_S:
        return "first crack"
    return "drop soon" if remaining > 0 else "drop now"


def pops(state: RoastState, now: float) -> str:
    """What was heard of late, as a person would say it: ``"12 pops in 15 s"``, ``"none yet"``."""
    count = sum(now - POPS_S <= crack.at_s <= now for crack in state.series.cracks)
    if count == 0 and state.coming:
        return "faint pops"  # each too faint to be sure of
    if count == 0:
        return "none yet" if state.series.crack_count == 0 else f"none in {POPS_S:.0f} s"
    return f"{count} pop{'s' * (count > 1)} in {POPS_S:.0f} s"


def how_dense(state: RoastState, now: float) -> str:
    """Cracks a minute with the 90 % interval; where that reaches down to none, what was heard instead of a figure."""
    if not state.series.density or now < POPS_S:
        return pops(state, now)
    _, per_minute, low, high = state.series.density[-1]
    if low < 1 or state.series.crack_count == 0:
        return pops(state, now)
    return f"{per_minute:.0f} a minute ({low:.0f} to {high:.0f})"
