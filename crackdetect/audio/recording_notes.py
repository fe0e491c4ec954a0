"""What is to be said of a recording beside its events: its channel, what its rate and length cost, what lay past it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from crackdetect.blocks import Source
from crackdetect.config import Settings
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.state import READY_S

#: Below this share of usable seconds a recording holds nothing that can be heard (chosen).
USABLE_SHARE = 0.01
#: Second crack's spectral peak is near 15 kHz (from memory of Wilson, JASA 135, EL265, 2014).
SECOND_CRACK_PEAK_HZ = 15_000


@runtime_checkable
class Recording(Source, Protocol):
    """A source that ends: a file, samples in memory, or a pipe.

    Attributes
    ----------
    duration_s
        Seconds; ``None`` where nothing says so beforehand.
    channel_note
        Which channel is heard and why, one sentence; ``None`` where there is but one.
    notes
        Sentences worth telling; complete once the source has been read to its end.
    truncated
        It breaks off before its end.
    """

    duration_s: float | None
    channel_note: str | None
    notes: list[str]
    truncated: bool


def rate_note(samplerate: int) -> str | None:
    """What a low sample rate costs, in one sentence; None when it costs nothing that matters."""
    if samplerate >= 2 * SECOND_CRACK_PEAK_HZ:
        return None
    limit = f"at {samplerate:,} Hz nothing above {samplerate / 2000:g} kHz is heard"
    if samplerate > 16_000:
        return f"{limit}: second crack, brightest near 15 kHz, is harder to tell from first"
    if samplerate > 10_000:
        return f"{limit}: second crack's brightness near 15 kHz is lost, and weak cracks are missed more often"
    return (
        f"{limit}: only the lower part of each crack is left, so weak cracks are missed, second crack can hardly be "
        "told from first, and first crack is announced later"
    )


def length_note(duration_s: float) -> str | None:
    """Said of a recording in which first crack cannot have been announced."""
    if duration_s >= READY_S:
        return None
    return f"only {duration_s:.1f} s of sound: first crack can be announced after {READY_S:.0f} s of listening"


def why_inaudible(source: Recording, pipeline: Pipeline) -> str | None:
    """One sentence when a recording that has been heard to its end held nothing that can be heard, else None."""
    health = pipeline.health
    if health.usable_share > USABLE_SHARE:
        return None
    if health.clipped_seconds > health.silent_seconds:
        reason = "is clipped throughout; turn the microphone's level down and record again"
    elif health.totals["invalid_samples"] > 0.5 * health.seconds * health.samplerate:
        reason = "holds no sound but samples that are not numbers throughout; write it again as 16-bit WAV"
    else:
        reason = "is silent or constant throughout; check that the microphone was connected and not muted"
    return f"{source.name} {reason}"


def opening_notes(source: Recording) -> list[str]:
    """Sentences on a recording that has been opened: which channel is heard and why, what its rate costs."""
    notes = [source.channel_note, rate_note(source.samplerate), *source.notes]
    return [note for note in notes if note]


def too_late(settings: Settings, duration_s: float) -> list[str]:
    """Names of the given times that lie past the end of a recording, which nobody can have meant."""
    given = {"charge-at": settings.charge_at, "drop-at": settings.drop_at}
    return [name for name, at_s in given.items() if at_s is not None and at_s > duration_s]


def closing_notes(source: Recording, pipeline: Pipeline, *, told: Sequence[str], to_its_end: bool = True) -> list[str]:
    """Sentences on a recording that has been heard, without those told already.

    to_its_end: whether all of it was heard; else nobody knows how long it is, and what was given may still have come.
    """
    notes = list(source.notes)
    if to_its_end:
        given = {"charge-at": pipeline.settings.charge_at, "drop-at": pipeline.settings.drop_at}
        notes += [length_note(pipeline.duration_s) or ""]
        notes += [
            f"{name} {clock(given[name])} lies after the end of the recording ({clock(pipeline.duration_s)}) and was "
            "left out of account"
            for name in too_late(pipeline.settings, pipeline.duration_s)
        ]
    return [note for note in notes if note and note not in told]


def tags(source: Recording, pipeline: Pipeline, *, to_its_end: bool = True) -> list[str]:
    """What is special about a recording that has been heard, in a word or two each, for a table."""
    channel = (source.channel_note or "").partition(":")[0].partition(",")[0]
    rate = f"{source.samplerate:,} Hz" if rate_note(source.samplerate) else ""
    length = [f"not finished, {clock(pipeline.duration_s)} heard"]
    if to_its_end:
        length = [f"{pipeline.duration_s:.0f} s only" if length_note(pipeline.duration_s) else ""]
        length += [f"{name} past its end" for name in too_late(pipeline.settings, pipeline.duration_s)]
    return [tag for tag in ("breaks off" if source.truncated else "", *length, rate, channel) if tag]
