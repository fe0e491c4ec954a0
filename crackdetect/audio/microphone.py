"""The microphone as a source of sound: a watchdog notices a lost device, which is waited for and opened again."""

from __future__ import annotations

import atexit
import threading
import time
from collections.abc import Iterator
from typing import Literal

import numpy as np

from crackdetect.audio.channels import given_channel, one_channel
from crackdetect.audio.device_stream import Captured, DeviceStream
from crackdetect.audio.devices import Device, audio_layer, choose_device, ending_at_once, list_devices
from crackdetect.audio.gap_meter import GapMeter, RateMeter, SleepMeter, clock_through_sleep
from crackdetect.audio.reconnect import Reconnect
from crackdetect.blocks import Block
from crackdetect.errors import DeviceError, DeviceLost
from crackdetect.hearing.spectrum import MAX_SAMPLERATE, MIN_SAMPLERATE
from crackdetect.notation import clock
from crackdetect.notice import Notice, Notices

#: Sound that waits for a busy computer, at most, seconds; beyond it whole blocks are lost, and counted.
QUEUE_S = 30.0
#: A device that gives nothing for so long is lost, seconds.
WATCHDOG_S = 2.0
#: How often the wait for a block looks at the device, seconds.
POLL_S = 0.1
#: How long ``listen`` waits for a lost device, seconds: a cable is found and plugged in again within that (chosen).
WAIT_S = 180.0
#: A loss that is not reported counts from here on, seconds, and from twice the device's own delay.
_UNREPORTED_S = 0.5


class MicrophoneSource:
    """A microphone, opened at once.

    Iteration gives blocks as they come, an empty one whenever nothing came for a moment, and ends after ``close``. It
    raises DeviceLost once when the device is gone for good. While a lost device is waited for, the blocks are empty and
    carry the time that passes; the device of the same name is opened again when it is back, never another one.

    Parameters
    ----------
    device
        Number, name or part of a name; ``None`` = the system's default.
    channel
        Counted from 1; ``None`` = the mean of the first two, or the only one.
    samplerate
        Hz, MIN_SAMPLERATE to MAX_SAMPLERATE; ``None`` = the device's own.
    watchdog_s
        A device that gives nothing for so long is lost, seconds.
    queue_s
        Sound that may wait to be read, seconds.
    wait_s
        How long a device that was lost is waited for, seconds; 0 = not at all.
    notices
        Where its loss and return are told.

    Raises
    ------
    DeviceError
        When it cannot be opened.
    SettingError
        For a channel that it does not have.
    """

    kind: Literal["microphone"] = "microphone"
    duration_s: float | None = None
    truncated = False

    def __init__(
        self,
        device: str | int | None = None,
        *,
        channel: int | None = None,
        samplerate: int | None = None,
        watchdog_s: float = WATCHDOG_S,
        queue_s: float = QUEUE_S,
        wait_s: float = 0.0,
        notices: Notices | None = None,
    ) -> None:
        self.device = choose_device(list_devices(), device)
        self.name = self.device.name
        self.samplerate = self.device.samplerate if samplerate is None else samplerate
        if not MIN_SAMPLERATE <= self.samplerate <= MAX_SAMPLERATE:
            raise DeviceError(
                f"microphone {self.name!r} cannot be heard at {self.samplerate} Hz; choose a sample rate of "
                f"{MIN_SAMPLERATE} to {MAX_SAMPLERATE} Hz"
            )
        self._choose_channel(channel)
        self._watchdog_s = watchdog_s
        self._wait_s = wait_s
        self._notices = notices
        self._capacity = round(queue_s * self.samplerate)
        self._closed = threading.Event()
        self._letting_go: threading.Thread | None = None
        self._outage: Reconnect | None = None
        self._came_s = clock_through_sleep()  # when the last block came
        self._slept = SleepMeter()
        self._begin(self._open(self.device))

    def _choose_channel(self, channel: int | None) -> None:
        self.channel_note: str | None = None
        if channel is None:
            self.channels = min(2, self.device.channels)
            self._channel = None if self.channels == 2 else 0
            if self.channels == 2:
                self.channel_note = "both channels are heard, as their mean; --channel 1 or 2 hears one alone"
            return
        self._channel = given_channel(self.name, channel, self.device.channels)
        self.channels = channel
        if self.device.channels > 1:
            self.channel_note = f"channel {channel} of {self.device.channels}, as asked for"

    def _open(self, device: Device) -> DeviceStream:
        return DeviceStream(device, channels=self.channels, samplerate=self.samplerate, capacity=self._capacity)

    def _begin(self, stream: DeviceStream) -> None:
        """What is reckoned from the clocks begins anew with each stream."""
        self._stream: DeviceStream | None = stream
        unreported_s = max(_UNREPORTED_S, 2 * stream.latency_s)
        self._gaps = GapMeter(samplerate=self.samplerate, unreported_s=unreported_s)
        self._rate = RateMeter(samplerate=self.samplerate)

    def __iter__(self) -> Iterator[Block]:
        heard_at = time.monotonic()
        while not self._closed.is_set() and (stream := self._stream) is not None:
            item = stream.inbox.get(POLL_S)
            if item is not None:
                heard_at = time.monotonic()
                yield self._block(item)
                continue
            reason = self._gone(stream, time.monotonic() - heard_at)
            if reason is None:
                yield Block(np.zeros(0, np.float32))
                continue
            while (item := stream.inbox.get(0)) is not None:
                yield self._block(item)
            lost, overflow = stream.inbox.rest()
            yield Block(np.zeros(0, np.float32), lost=lost, overflow=overflow)
            yield from self._wait_for_return(stream, reason)
            heard_at = time.monotonic()

    def _gone(self, stream: DeviceStream, quiet_s: float) -> str | None:
        if self._closed.is_set():
            return None
        if stream.ended:
            return "the audio system ended the stream"
        if quiet_s > self._watchdog_s:
            return f"no sound came for {quiet_s:.1f} s"
        return None

    def _wait_for_return(self, stream: DeviceStream, reason: str) -> Iterator[Block]:
        """Time that passes, until the device is open again. Raises DeviceLost when it does not come back."""
        lost = f"microphone {self.name!r} was lost ({reason})"
        if self._wait_s <= 0:
            raise DeviceLost(f"{lost}; check its cable, then listen again")
        waits = f"it is waited for up to {clock(self._wait_s)}, and the clocks go on"
        self._tell("device_lost", f"{lost}; check its cable: {waits}")
        yield Block(np.zeros(0, np.float32))  # so that it is told before anything else is tried
        self._stream = None
        self._outage = Reconnect(
            self.device,
            open_stream=self._open,
            letting_go=stream.release(),
            samplerate=self.samplerate,
            gone_at=self._came_s,
            wait_s=self._wait_s,
            watchdog_s=self._watchdog_s,
        )
        outage = self._outage
        yield from outage
        if self._closed.is_set():
            return
        if outage.stream is None or outage.first is None:
            raise DeviceLost(
                f"{lost} and did not come back within {clock(self._wait_s)}; check its cable, then listen again"
            )
        self.device = outage.device
        self._begin(outage.stream)
        self._tell("device_back", f"microphone {self.name!r} is back; {outage.missed_s:.1f} s were not heard")
        yield self._block(outage.first)

    def _tell(self, kind: str, message: str) -> None:
        if self._notices is not None:
            self._notices.put(Notice(kind, message))

    def _block(self, item: Captured) -> Block:
        self._came_s = item.clock_s
        # frames that found no room went by as well; the clocks must not count them a second time
        gap = self._gaps.push(
            item.lost + len(item.frames),
            adc_s=item.adc_s - item.lost / self.samplerate,
            clock_s=item.clock_s - item.lost / self.samplerate,
            overflow=item.overflow,
        )
        samples = one_channel(item.frames[:, : self.channels], self._channel)
        slept = round(self._slept.push() * self.samplerate)
        lost = item.lost + max(gap, slept)
        share = self._rate.push(lost + len(item.frames), clock_s=item.clock_s)
        if share is not None:
            self._tell("wrong_rate", self._told_of_rate(share))
        return Block(samples, lost=lost, overflow=item.overflow)

    def _told_of_rate(self, share: float) -> str:
        off = 100 * abs(share - 1)
        return (
            f"microphone {self.name!r} gives about {off:.{0 if off >= 2 else 1}f} % {'fewer' if share < 1 else 'more'} "
            f"samples than its rate of {self.samplerate} Hz says, and all times of this roast are off by that; choose "
            "another rate in the system's sound settings, or another microphone"
        )

    def close(self) -> None:
        """Lets go of the device, within a few seconds even if it hangs. May be called twice."""
        self._closed.set()
        stream, self._stream = self._stream, None
        with ending_at_once():  # an exit in the middle of it would close the same stream once more, and hang or crash
            if self._outage is not None:
                self._outage.close()
            if stream is not None:
                self._letting_go = stream.release()
        hangs = self._letting_go is not None and self._letting_go.is_alive()
        if hangs or (self._outage is not None and self._outage.hangs):
            # at exit the audio layer would wait for the same device, without end
            atexit.unregister(getattr(audio_layer(), "_exit_handler", self.close))
