"""Tells a person whose microphone does not hear the machine as it did in the roasts that taught."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from crackdetect.errors import InputError, ModelError
from crackdetect.hearing.onset import Cell
from crackdetect.model import Model
from crackdetect.notice import Notice, Notices
from crackdetect.storage import machine_profiles
from crackdetect.teach.sound_sums import MicrophoneCheck


def listens_to_the_microphone(
    model: Model, *, samplerate: int, data: Path, notices: Notices
) -> Callable[[Sequence[Cell]], None]:
    """What the pipeline may tell how loud the noise is; it puts one notice, or none.

    Parameters
    ----------
    model
        With what is known of the machine that was named.
    samplerate
        Hz.
    data
        The data folder.
    notices
        Where it is told.
    """
    try:
        profile = None if model.taught is None else machine_profiles.find(model.taught.machine, data=data)
    except (InputError, ModelError):  # changed since it was read
        profile = None
    if profile is None:
        return lambda cells: None
    check = MicrophoneCheck(profile.sound, samplerate=samplerate)

    def listen(cells: Sequence[Cell]) -> None:
        change = check.push(cells)
        if change:
            notices.put(Notice("other_microphone", change))

    return listen
