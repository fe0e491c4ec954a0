"""The sound inputs of this computer: listed, and the one that is meant chosen among them."""

from __future__ import annotations

import contextlib
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from crackdetect.audio.silenced_stderr import quiet
from crackdetect.errors import DeviceError

#: Held around what must not happen while the list of devices is made anew: whoever plays sound holds it meanwhile.
AUDIO_LOCK = threading.RLock()


def how_to_install(platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which) -> str:
    """The command that installs the audio layer on this system."""
    if platform == "darwin":
        return "brew install portaudio"
    if platform == "win32":
        return "pip install --force-reinstall sounddevice"
    commands = {
        "apt-get": "sudo apt-get install libportaudio2",
        "dnf": "sudo dnf install portaudio",
        "pacman": "sudo pacman -S portaudio",
        "zypper": "sudo zypper install libportaudio2",
        "apk": "sudo apk add portaudio",
    }
    return next((command for name, command in commands.items() if which(name)), commands["apt-get"])


@dataclass(frozen=True, slots=True)
class Device:
    """A sound input.

    Attributes
    ----------
    index
        Its number in the audio layer.
    name, host_api
        As the system calls it and its way there.
    channels
        Inputs, 1 or more.
    samplerate
        Its own, Hz.
    default
        Whether the system would choose it.
    """

    index: int
    name: str
    host_api: str
    channels: int
    samplerate: int
    default: bool

    def __str__(self) -> str:
        return f"{self.index} {self.name} ({self.host_api})"


def list_devices() -> list[Device]:
    """All devices with inputs, by number. Raises DeviceError when there is no audio layer."""
    sounddevice = audio_layer()
    apis = sounddevice.query_hostapis()
    default = sounddevice.default.device[0]
    return [
        Device(
            index=index,
            name=entry["name"],
            host_api=apis[entry["hostapi"]]["name"],
            channels=entry["max_input_channels"],
            samplerate=round(entry["default_samplerate"]),
            default=index == default,
        )
        for index, entry in enumerate(sounddevice.query_devices())
        if entry["max_input_channels"] > 0
    ]


def choose_device(devices: list[Device], wanted: str | int | None) -> Device:
    """The one device that is meant.

    Parameters
    ----------
    devices
        To choose from.
    wanted
        A number, a name or a part of a name, without regard to case; ``None`` = the system's default.

    Raises
    ------
    DeviceError
        With the candidates, when none or several are meant: never silently another one.
    """
    if not devices:
        raise DeviceError("no microphone was found; plug one in, or allow this program to use it")
    listed = ", ".join(map(str, devices))
    if wanted is None:
        for device in devices:
            if device.default:
                return device
        raise DeviceError(f"the system names no default microphone; choose one with --device: {listed}")
    if isinstance(wanted, int) or wanted.strip().isdecimal():
        for device in devices:
            if device.index == int(wanted):
                return device
        raise DeviceError(f"there is no microphone number {int(wanted)}; choose one of: {listed}")
    name = wanted.strip().casefold()
    exact = [d for d in devices if name == d.name.casefold()]
    found = exact or [d for d in devices if name and name in d.name.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        raise DeviceError(f"no microphone has {wanted!r} in its name; choose one of: {listed}")
    raise DeviceError(f"{wanted!r} fits several microphones; choose by number: {', '.join(map(str, found))}")


def list_again() -> list[Device]:
    """The devices as they are by now, for the audio layer lists them once in its life. Takes seconds on some systems.

    All open streams end. Raises DeviceError when the layer does not come up again.
    """
    layer = audio_layer()
    with AUDIO_LOCK, quiet():
        try:
            layer._terminate()  # documented as the way to get a fresh list, private all the same
            layer._initialize()
            return list_devices()
        except layer.PortAudioError as error:
            raise DeviceError(f"the audio system does not list its devices ({error})") from None


def audio_layer() -> Any:
    """The sounddevice package. Imported here, for files must be read where PortAudio is missing."""
    try:
        with ending_at_once():
            import sounddevice
    except (OSError, ImportError):
        raise DeviceError(
            "the audio layer PortAudio is missing, so no microphone can be heard: install it with "
            f"'{how_to_install()}'; recordings are read without it"
        ) from None
    return sounddevice


@contextlib.contextmanager
def ending_at_once() -> Iterator[None]:
    """Meanwhile Ctrl-C is left to the system, which ends the program.

    A sound server that hangs holds the call, and Python would look at signals only after it. Not where somebody handles
    Ctrl-C, as during a roast.
    """
    handled = signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    if handled or threading.current_thread() is not threading.main_thread():
        yield
        return
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
