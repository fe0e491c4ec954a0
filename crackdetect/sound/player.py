"""Plays samples on the system's loudspeaker."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from crackdetect.audio.devices import AUDIO_LOCK
from crackdetect.audio.silenced_stderr import quiet
from crackdetect.errors import DeviceError
from crackdetect.roast.alerts import Signal
from crackdetect.sound.signals import signal

#: A signal can be cut short after this much of it.
_PART_S = 0.05


class Player:
    """The default output. volume: 0 to 1. Raises DeviceError when there is none that can be opened.

    The device is opened for each signal, so that one that was plugged in or taken away is no matter.
    """

    def __init__(self, *, volume: float = 1.0) -> None:
        self.volume = volume
        try:
            import sounddevice
        except (OSError, ImportError):
            raise DeviceError("no sound can be played, as the audio layer PortAudio is missing") from None
        self._layer: Any = sounddevice

    def check(self) -> None:
        """Raises DeviceError when the system names no output."""
        try:
            with AUDIO_LOCK, quiet():
                self._layer.query_devices(kind="output")
        except (self._layer.PortAudioError, ValueError) as error:
            raise DeviceError(_refused(error)) from None

    def play(self, name: Signal, *, enough: Callable[[], bool]) -> None:
        """Returns when the signal has sounded, or soon after ``enough`` says so. Raises DeviceError."""
        with AUDIO_LOCK:  # a lost microphone is looked for by starting the audio layer anew
            self._play(name, enough)

    def _play(self, name: Signal, enough: Callable[[], bool]) -> None:
        try:
            # small buffers run dry on a busy computer; a signal begins some 0.03 s after the call all the same
            with quiet():
                samplerate = round(self._layer.query_devices(kind="output")["default_samplerate"])
                stream = self._layer.OutputStream(samplerate=samplerate, channels=1, dtype="float32", latency="high")
        except (self._layer.PortAudioError, ValueError) as error:
            raise DeviceError(_refused(error)) from None
        samples = signal(name, samplerate=samplerate, volume=self.volume)
        part = round(_PART_S * samplerate)
        try:
            stream.start()
            for start in range(0, len(samples), part):
                if enough():
                    stream.abort()
                    return
                stream.write(samples[start : start + part])
            stream.stop()
        except self._layer.PortAudioError as error:
            raise DeviceError(_refused(error)) from None
        finally:
            _close(stream, self._layer.PortAudioError)


def _close(stream: Any, error: type[Exception]) -> None:
    try:
        stream.close()
    except error:
        return  # a dead stream has nothing left to close


def _refused(error: Exception) -> str:
    reason = str(error.args[0]).partition("\n")[0] if error.args else "no reason given"
    return f"no sound can be played ({reason}); connect a loudspeaker, or leave sound out with --quiet"
