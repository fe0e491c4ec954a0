"""The recording of a kept roast, found again: only our own, and only as it was heard."""

from __future__ import annotations

from pathlib import Path

from crackdetect.errors import InputError
from crackdetect.roast.record import Roast
from crackdetect.storage.log_keeping import sha256_of


def is_kept(roast: Roast, *, folder: Path) -> bool:
    """Whether the recording of a roast lies in the data folder; what is in it is not looked at."""
    return _looked_for(roast.recording, folder)[2]


def _looked_for(path: Path | None, folder: Path) -> tuple[Path | None, bool, bool]:
    """Where a recording lies, whether that is in the folder, and whether it is there."""
    try:
        place = None if path is None else path.resolve()
        inside = place is not None and place.is_relative_to(folder.resolve())
        return place, inside, inside and place is not None and place.is_file()
    except (OSError, ValueError, RuntimeError):  # of names that no system takes, and links in a circle
        return None, False, False


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
    place, inside, there = _looked_for(path, folder)
    if path is None:
        raise InputError(f"no recording of {roast.name} was kept; sound is kept with: crackdetect listen --record")
    if not inside:
        raise InputError(
            f"the recording of {roast.name} is not one that was kept here, but {path}; name it: crackdetect review FILE"
        )
    if not there:
        raise InputError(f"the recording of {roast.name} is no longer at {path}; put it back, or name it where it is")
    if place is None or roast.recording_sha256 != sha256_of(place):
        raise InputError(f"the recording {path} has changed since {roast.name} was heard; put the former one back")
    return place
