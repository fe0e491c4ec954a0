"""Findings in plain words: good, usable with a price, or not usable, and what to change."""

from __future__ import annotations

import math
import statistics
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from crackdetect.mic.analysis import DUCKED_DB, Click, Findings

#: Share of single cracks found, by their SNR from so many dB on (models/README.md: unseen synthetic roasts).
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
    """What a microphone is good for.

    Attributes
    ----------
    fit : {"good", "usable", "not usable"}
    sentence : str
        The same, with why.
    delay : str
        What is to be expected of real cracks, in seconds; empty where nothing can be.
    most : str
        The one thing that would help most; empty where nothing is wrong.
    """

    fit: Literal["good", "usable", "not usable"]
    sentence: str
    delay: str
    most: str


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


def expected() -> str:
    """How soon first crack is announced, by how far cracks stand over the noise: as measured, nothing is promised."""
    strong, _, weak = (db for db, _ in RECALL_FROM_DB)
    later = round(later_s(weak) or 0)
    return (
        f"First crack is announced some {USUAL_DELAY_S:.0f} s after it begins where cracks stand {strong:.0f} dB or "
        f"more over this noise, {later} s later where they stand {weak:.0f} dB over it; weaker ones are found in part "
        "only (measured on synthetic roasts). How loud your beans are here only a roast can tell."
    )


def machine_told(own_per_minute: float) -> str:
    """What the roaster's own knocks mean. own_per_minute: sounds taken for cracks, a minute, in a running machine."""
    if own_per_minute < 1:
        return "Nothing in the machine's own noise sounds like a crack."
    return (
        f"The machine makes some {own_per_minute:.0f} sounds a minute that could be cracks by themselves; they are "
        "learnt while it listens, before first crack."
    )


def judge(
    findings: Findings, clicks: Sequence[Click] | None, *, running: bool | None = None, ducked: float | None = None
) -> Verdict:
    """The verdict on what was measured.

    Loud clicks promise nothing, for spoons are louder than beans; weak ones are a warning.

    Parameters
    ----------
    findings : Findings
    clicks : sequence of Click or None
        Of the click test, None when there was none.
    running : bool, optional
        Whether the roaster was on, None where nobody said.
    ducked : float, optional
        dB, see :func:`crackdetect.mic.analysis.ducked_db`.
    """
    most = next(iter(_advice(findings, ducked, running)), "")
    if findings.zero_share > 0.9:
        return Verdict("not usable", "Not usable: the microphone gives exact silence.", "", most)
    if findings.clipped > 0.001 * findings.seconds * 8_000:
        told = "Not usable as it is: the sound is clipped, and clipping looks like cracks."
        return Verdict("not usable", told, "", most)
    if clicks is not None and len(clicks) < 3:
        heard = "none" if not clicks else f"only {len(clicks)}"
        told = f"Not usable as it is: {heard} of your {WANTED_CLICKS} clicks was heard."
        return Verdict("not usable", told, "", most or _NEARER)
    altered = bool(findings.signs) or _is_ducked(ducked)
    if clicks is not None:
        strongest = sorted((click.snr_db for click in clicks), reverse=True)[:WANTED_CLICKS]
        middle = statistics.median(strongest)
        later = later_s(middle)
        stand = f"your clicks stand only {middle:.0f} dB over the noise, and beans may be softer"
        if later is None:
            told = f"Not usable as it is: {stand}; cracks of that strength are mostly missed."
            return Verdict("not usable", told, "", most or _NEARER)
        if later >= 0.5:
            told = f"Usable, about {max(1, round(later))} s late at best: {stand}."
            return Verdict("usable", told, expected(), most or _NEARER)
        if not altered and running is not False:
            told = f"Good: your clicks are heard, {middle:.0f} dB over the noise, and nothing alters the sound."
            return Verdict("good", told, expected(), most)
    if altered or findings.peak_db < FAINT_DB:
        return Verdict("usable", "Usable perhaps: the sound is altered or very faint.", expected(), most)
    if running is False:
        return Verdict("usable", "Good without the roaster; with it there will be more noise.", expected(), most)
    return Verdict("good", "Nothing is wrong with the sound as such.", expected(), most)


_NEARER = "Bring the microphone nearer to the roaster, out of heat and air stream, and point it at the drum."


def _is_ducked(ducked: float | None) -> bool:
    return ducked is not None and ducked > DUCKED_DB


def _advice(findings: Findings, ducked: float | None, running: bool | None) -> Iterator[str]:
    """What would help, the most helpful first."""
    if findings.zero_share > 0.9:
        yield "Unmute the microphone, and allow this program to use it in the system's privacy settings."
    elif findings.peak_db < FAINT_DB:
        yield f"Hardly anything is heard (peaks of {findings.peak_db:.0f} dB): turn the input level up."
    if findings.clipped > 0.001 * findings.seconds * 8_000:
        yield "Turn the microphone's input level down, or move it away from the roaster."
    signs = list(findings.signs)
    if _is_ducked(ducked):
        signs.append(f"after each click the noise is {ducked:.0f} dB weaker, as automatic level makes it")
    if signs:
        yield f"It looks as if the sound were processed ({'; '.join(signs)}): {how_to_unprocess()}."
    if running is False:
        yield "Check once more with the roaster on, its fan running and no beans in it."
    if findings.hum is not None:
        hz, level = findings.hum
        yield (
            f"There is {hz} Hz hum ({level:.0f} dB over its neighbours); it does not hide cracks, but a cable or a "
            "charger may be the cause."
        )
