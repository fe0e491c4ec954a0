"""Which microphone is meant, and what is said where there is none."""

from __future__ import annotations

import subprocess
import sys

import pytest

from crackdetect.audio import devices
from crackdetect.audio.devices import Device, choose_device
from crackdetect.errors import DeviceError

DESK = Device(0, "Desk microphone", "A", 1, 44_100, False)
USB_ONE = Device(3, "USB microphone one", "A", 2, 48_000, True)
USB_TWO = Device(4, "USB microphone two", "A", 1, 48_000, False)
USB = Device(7, "USB", "A", 1, 48_000, False)
ALL = [DESK, USB_ONE, USB_TWO]


@pytest.mark.parametrize(
    ("devices", "wanted", "chosen"),
    [
        (ALL, None, USB_ONE),
        (ALL, 4, USB_TWO),
        (ALL, "4", USB_TWO),
        (ALL, "desk", DESK),
        (ALL, " usb MICROPHONE two ", USB_TWO),
        ([*ALL, USB], "usb", USB),  # the whole name before a part of one
    ],
)
def test_the_device_that_is_meant(devices: list[Device], wanted: str | int | None, chosen: Device) -> None:
    assert choose_device(devices, wanted) is chosen


@pytest.mark.parametrize(
    ("devices", "wanted", "says"),
    [
        ([], None, "no microphone was found"),
        ([DESK], None, "no default microphone; choose one with --device: 0 Desk microphone (A)"),
        (ALL, 1, "no microphone number 1; choose one of: 0 Desk microphone (A), 3 USB"),
        (ALL, -1, "no microphone number -1; choose one of"),
        (ALL, "", "no microphone has '' in its name"),
        (ALL, "attic", "no microphone has 'attic' in its name; choose one of: 0 Desk microphone (A), 3 USB"),
        (ALL, "usb", "'usb' fits several microphones; choose by number: 3 USB microphone one (A), 4 USB"),
    ],
)
def test_never_silently_another_device(devices: list[Device], wanted: str | int | None, says: str) -> None:
    with pytest.raises(DeviceError) as error:
        choose_device(devices, wanted)
    assert says in str(error.value)


def test_without_portaudio_one_sentence_says_what_to_install() -> None:
    """In a process of its own, in which the audio layer cannot be imported, as where PortAudio is missing."""
    code = """
import sys
class Missing:
    def find_spec(self, name, path=None, target=None):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
sys.meta_path.insert(0, Missing())
from crackdetect.audio import files
from crackdetect.audio.devices import list_devices
from crackdetect.errors import DeviceError
try:
    list_devices()
except DeviceError as error:
    print(error.exit_code, error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.count("\n") == 1
    assert done.stdout.startswith("4 the audio layer PortAudio is missing")
    assert f"install it with '{devices.how_to_install()}'" in done.stdout
