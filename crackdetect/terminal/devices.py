"""The microphones as a list on standard output."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from crackdetect.errors import DeviceError
from crackdetect.terminal.lines import print_line

if TYPE_CHECKING:
    from crackdetect.audio.devices import Device


def print_devices(devices: Sequence[Device]) -> None:
    """Two lines a microphone. Raises DeviceError where there is none."""
    if not devices:
        raise DeviceError("no microphone was found; plug one in, or allow this program to use it")
    for device in devices:
        plural = "channel" if device.channels == 1 else "channels"
        chosen = ", the default" if device.default else ""
        print_line(f"{device.index:>3}  {device.name}")
        print_line(f"     {device.host_api}, {device.channels} {plural}, {device.samplerate:,} Hz{chosen}")
