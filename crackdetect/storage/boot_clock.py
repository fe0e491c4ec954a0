"""A clock that nobody sets: seconds since the computer was started, those that it slept among them.

The wall clock may be put right, or wrong, in the middle of a roast. Of two readings of this clock it is known whether
the computer was started anew between them; where it was, or where the system does not tell, the wall clock has to do.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from crackdetect.audio.gap_meter import clock_through_sleep


@dataclass(frozen=True, slots=True)
class BootTime:
    """A reading.

    Attributes
    ----------
    boot
        Which start of the computer it counts from; empty where the system does not tell.
    at_s
        Seconds since then.
    """

    boot: str
    at_s: float

    def since(self, earlier: BootTime) -> float | None:
        """Seconds from another reading to this one; ``None`` where the two cannot be compared."""
        if not self.boot or self.boot != earlier.boot or self.at_s < earlier.at_s:
            return None
        return self.at_s - earlier.at_s

    def before(self, seconds: float) -> BootTime:
        """The reading so many seconds earlier."""
        return BootTime(self.boot, self.at_s - seconds)


def now() -> BootTime:
    """The reading of this moment."""
    return BootTime(_boot(), clock_through_sleep())


@lru_cache(maxsize=1)
def _boot() -> str:
    try:
        if sys.platform == "linux":
            return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        if sys.platform == "darwin":
            command = ["/usr/sbin/sysctl", "-n", "kern.bootsessionuuid"]
            return subprocess.run(command, capture_output=True, text=True, timeout=5, check=True).stdout.strip()
        if sys.platform == "win32":
            import winreg

            where = r"SYSTEM\CurrentControlSet\Control\Session Manager\Memory Management\PrefetchParameters"
            with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, where) as key:
                return str(winreg.QueryValueEx(key, "BootId")[0])
    except (OSError, ValueError, subprocess.SubprocessError):
        return ""
    return ""
