"""Speech by the system's own command, where there is one."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

#: A sentence takes at most this long, else the command is ended: an alert that hangs must not silence the next one.
TIMEOUT_S = 8.0
_POLL_S = 0.05
#: The words arrive on standard input, so that no shell and no quoting is between us and the voice.
_WINDOWS = (
    "Add-Type -AssemblyName System.Speech; "
    "$voice = New-Object System.Speech.Synthesis.SpeechSynthesizer; "
    "$voice.Volume = {volume}; $voice.Speak([Console]::In.ReadToEnd())"
)


@dataclass(frozen=True, slots=True)
class Voice:
    """A command that speaks what it reads from standard input, or its last argument.

    Attributes
    ----------
    command
        Its words.
    by_input
        Whether the text goes to standard input.
    """

    command: tuple[str, ...]
    by_input: bool

    def speak(self, text: str, *, enough: Callable[[], bool], timeout_s: float = TIMEOUT_S) -> bool:
        """Returns whether it was spoken to its end. Ended early when ``enough`` says so or time is up."""
        arguments = self.command if self.by_input else (*self.command, text)
        # a file and not a pipe: a voice that does not read, or has gone, is then no matter
        with tempfile.TemporaryFile() as words:
            if self.by_input:
                words.write(text.encode("utf-8"))
                words.seek(0)
            try:
                process = subprocess.Popen(arguments, stdin=words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            except OSError:
                return False
        until = time.monotonic() + timeout_s
        while process.poll() is None:
            if enough() or time.monotonic() > until:
                process.kill()
                process.wait()
                return False
            time.sleep(_POLL_S)
        return process.returncode == 0


def find_voice(
    *, volume: float = 1.0, platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which
) -> Voice | None:
    """The system's voice, ``None`` where it has none.

    Parameters
    ----------
    volume
        0 to 1, as far as the command knows of volume.
    platform, which
        The system, as in ``sys.platform``, and what finds a command on it.
    """
    percent = round(100 * volume)
    candidates: Sequence[tuple[str, tuple[str, ...], bool]]
    if platform == "darwin":
        candidates = [("say", (), True)]
    elif platform == "win32":
        script = _WINDOWS.format(volume=percent)
        candidates = [("powershell", ("-NoProfile", "-NonInteractive", "-Command", script), True)]
    else:
        candidates = [
            # amplitude 0 to 200, of which 100 is usual; a little slower than usual, for a loud room
            ("espeak-ng", ("-a", str(2 * percent), "-s", "150", "--stdin"), True),
            ("spd-say", ("--wait", "--volume", str(2 * percent - 100)), False),
        ]
    for name, arguments, by_input in candidates:
        if (path := which(name)) is not None:
            return Voice((path, *arguments), by_input)
    return None
