"""When first crack usually comes on the machine at hand, from the log."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path

from crackdetect.config import UsualStart
from crackdetect.errors import CrackdetectError


def usual_here(data: Path, *, machine: str | None, coffee: str | None, green_g: float | None) -> UsualStart | None:
    """See :func:`crackdetect.roast.usual_start.usual_start`; None also where the log cannot be read.

    Parameters
    ----------
    data
        The data folder.
    machine, coffee, green_g
        Of the roast to come; grams.
    """
    from crackdetect.roast.usual_start import usual_start
    from crackdetect.storage.log_file import FILE
    from crackdetect.storage.roast_store import RoastLog

    if not os.path.exists(data / FILE):
        return None
    try:
        with closing(RoastLog(data / FILE)) as log:
            roasts = log.roasts()
    except CrackdetectError:
        return None
    return usual_start(roasts, machine=machine, coffee=coffee, green_g=green_g)
