"""Findings in plain words: good, usable with a price, or not usable, and what to change."""

from __future__ import annotations

import math
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from crackdetect.mic.analysis import DUCKED_DB, Click, Findings

#: Share of single cracks found, by their SNR from so many dB on (README, "Limits": unseen synthetic roasts).
RECALL_FROM_DB = ((18.0, 0.94), (15.0, 0.90), (12.0, 0.77))
#: Median delay of the announcement in the same measurement, seconds.
USUAL_DELAY_S = 21.0
#: Under this level of peaks a microphone hardly hears the room, dB of full scale (chosen).
FAINT_DB = -75.0
WANTED_CLICKS = 5

_PROCESSING = {
    "darwin": "in Control Centre choose the microphone mode Standard",
    "win32": "in Settings, System, Sound, choose the microphone and switch audio enhancements off",
    "linux": "choose the microphone itself and not a noise- or echo-cancelled source, and switch off automatic gain in "
    "the sound mixer",
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """fit: what it is. sentence: the same, with why. advice: what to change, one sentence each."""

    fit: Literal["good", "usable", "not usable"]
    sentence: str
    advice: tuple[str, ...]


def how_to_unprocess(platform: str = sys.platform) -> str:
    """Where noise suppression and automatic level are switched off on this system."""
    return _PROCESSING.get(platform, _PROCESSING["linux"])


def later_s(snr_db: float) -> float | None:
    """How many seconds later than usual first crack is announced when cracks have this SNR; None: hardly at all.

    Computed. On a ramp the cracks heard until t grow with the share found times t squared, so the time to the same
    evidence goes with 1/sqrt(share): delay = 21 s (sqrt(0.94/share) - 1).
    """
    for least, share in RECALL_FROM_DB:
        if snr_db >= least:
            return USUAL_DELAY_S * (math.sqrt(RECALL_FROM_DB[0][1] / share) - 1)
    return None


def judge(findings: Findings, clicks: Sequence[Click] | None, *, ducked: float | None = None) -> Verdict:
    """clicks: of the click test, None when there was none. ducked: see ``analysis.ducked_db``."""
    advice = _advice(findings, ducked)
    if findings.zero_share > 0.9:
        return Verdict("not usable", "Not usable: the microphone gives exact silence.", advice)
    if findings.clipped > 0.001 * findings.seconds * 8_000:
        return Verdict(
            "not usable", "Not usable as it is: the sound is clipped, and clipping looks like cracks.", advice
        )
    if clicks is not None and len(clicks) < 3:
        heard = "none" if not clicks else f"only {len(clicks)}"
        sentence = f"Not usable as it is: {heard} of your {WANTED_CLICKS} clicks was heard."
        return Verdict("not usable", sentence, (*advice, _NEARER))
    if clicks is not None:
        strongest = sorted((click.snr_db for click in clicks), reverse=True)[:WANTED_CLICKS]
        middle = statistics.median(strongest)
        later = later_s(middle)
        if later is None:
            sentence = (
                f"Not usable as it is: your clicks stand only {middle:.0f} dB over the noise; cracks of that strength "
                "are mostly missed."
            )
            return Verdict("not usable", sentence, (*advice, _NEARER))
        if later >= 0.5 or findings.signs or _is_ducked(ducked):
            price = (
                f"first crack may be announced about {max(1, round(later))} s later" if later >= 0.5 else "with care"
            )
            return Verdict("usable", f"Usable, {price}: cracks as strong as your clicks ({middle:.0f} dB).", advice)
        return Verdict("good", f"Good: your clicks stand {middle:.0f} dB over the noise.", advice)
    if findings.signs or findings.peak_db < FAINT_DB:
        return Verdict("usable", "Usable perhaps: see below.", advice)
    return Verdict("good", "Nothing is wrong with the sound as such.", advice)


_NEARER = "Bring the microphone nearer to the roaster, out of heat and air stream, and point it at the drum."


def _is_ducked(ducked: float | None) -> bool:
    return ducked is not None and ducked > DUCKED_DB


def _advice(findings: Findings, ducked: float | None) -> tuple[str, ...]:
    advice = []
    if findings.zero_share > 0.9:
        advice.append("Unmute the microphone, and allow this program to use it in the system's privacy settings.")
    elif findings.peak_db < FAINT_DB:
        advice.append(f"Hardly anything is heard (peaks of {findings.peak_db:.0f} dB): turn the input level up.")
    if findings.clipped > 0.001 * findings.seconds * 8_000:
        advice.append("Turn the microphone's input level down, or move it away from the roaster.")
    signs = list(findings.signs)
    if _is_ducked(ducked):
        signs.append(f"after each click the noise is {ducked:.0f} dB weaker, as automatic level makes it")
    if signs:
        advice.append(f"It looks as if the sound were processed ({'; '.join(signs)}): {how_to_unprocess()}.")
    if findings.hum is not None:
        hz, level = findings.hum
        advice.append(
            f"There is {hz} Hz hum ({level:.0f} dB over its neighbours); it does not hide cracks, but a cable or a "
            "charger may be the cause."
        )
    return tuple(advice)
