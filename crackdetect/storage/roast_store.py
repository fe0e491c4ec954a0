"""The log of all roasts: one SQLite file that keeps every roast heard and what the person says of it.

What it does stands by its kind in the modules ``log_keeping`` (a roast goes in), ``log_reading`` (roasts are found),
``log_correcting`` (what the person says afterwards), ``log_plans`` (what the next roast is to be) and ``log_rescue`` (a
damaged file, a backup); its tables stand in ``schema``.
"""

from __future__ import annotations

from crackdetect.storage.log_correcting import LogCorrecting
from crackdetect.storage.log_keeping import LogKeeping
from crackdetect.storage.log_plans import LogPlans


class RoastLog(LogKeeping, LogCorrecting, LogPlans):
    """All that can be done with the log. See :class:`crackdetect.storage.log_file.LogFile` for where it is.

    Examples
    --------
    >>> with RoastLog(path) as log:  # doctest: +SKIP
    ...     log.edit(log.find("last"), values={"green_g": 200.0})
    """


def number_of(identity: str) -> int:
    """The number of a roast in the log, by which people call it. Raises LogError, SettingError."""
    with RoastLog() as log:
        return log.find(identity).number
