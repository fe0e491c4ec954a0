"""The recording of a kept roast, found again: only our own, and only as it was heard."""

from __future__ import annotations

from pathlib import Path

from crackdetect.errors import InputError
from crackdetect.roast.record import Roast
from crackdetect.storage.log_keeping import sha256_of


def own_recording(roast: Roast, *, folder: Path) -> Path:
    """Where the recording of a roast lies in the data folder.

    A log may be of any origin: what it names outside the folder is not opened, nor what is not what was heard.

    Parameters
    ----------
    roast : Roast
    folder : pathlib.Path
        The data folder.

    Raises
    ------
    InputError
        Where there is none, where it lies elsewhere, or is not the one that was heard.
    """
    path = roast.recording
    if path is None:
        raise InputError(f"no recording of {roast.name} was kept; sound is kept with: crackdetect listen --record")
    try:
        place = path.resolve()
        inside = place.is_relative_to(folder.resolve())
        there = inside and place.is_file()
    except (OSError, ValueError, RuntimeError):  # of names that no system takes, and links in a circle
        inside = there = False
    if not inside:
        raise InputError(
            f"the recording of {roast.name} is not one that was kept here, but {path}; name it: crackdetect review FILE"
        )
    if not there:
        raise InputError(f"the recording of {roast.name} is no longer at {path}; put it back, or name it where it is")
    if roast.recording_sha256 != sha256_of(place):
        raise InputError(f"the recording {path} has changed since {roast.name} was heard; put the former one back")
    return place
