"""A microphone that was lost: waited for while time goes on, and opened again when it is back."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator

import numpy as np

from crackdetect.audio.device_stream import Captured, DeviceStream
from crackdetect.audio.devices import Device, list_again
from crackdetect.audio.gap_meter import clock_through_sleep
from crackdetect.blocks import Block
from crackdetect.errors import DeviceError, OutputError
from crackdetect.worker import begin

#: How often a lost device is looked for, seconds.
LOOK_AGAIN_S = 1.0
#: What the audio layer may take to list the devices, at most (seen: 4 s on a busy computer). Ending the program in the
#: middle of it would crash.
LOOK_S = 10.0
#: While it is gone, time is passed on up to this long ago: what came last is still on its way.
BEHIND_S = 0.5
#: How often time is passed on.
PASS_S = 0.1


class Reconnect:
    """One outage: blocks without samples carry the time that passes.

    It goes on until the device of the same name gives sound again, never another one, or is given up.

    Parameters
    ----------
    device
        The one that was lost.
    open_stream
        Opens a stream on it; raises DeviceError.
    letting_go
        The thread that lets go of the lost stream: nothing is tried before it has ended.
    samplerate
        Hz.
    gone_at
        When its last block came, by ``clock_through_sleep``, seconds.
    wait_s
        How long it is waited for, seconds.
    watchdog_s
        A stream that gives nothing for so long is not back, seconds.

    Attributes
    ----------
    device
        As it is by now: it may have come back under another number.
    stream, first
        Once it is back, the stream and its first block; else ``None``.
    missed_s
        How much was not heard, seconds.
    """

    def __init__(
        self,
        device: Device,
        *,
        open_stream: Callable[[Device], DeviceStream],
        letting_go: threading.Thread,
        samplerate: int,
        gone_at: float,
        wait_s: float,
        watchdog_s: float,
    ) -> None:
        self.device = device
        self.stream: DeviceStream | None = None
        self.first: Captured | None = None
        self.missed_s = 0.0
        self._open_stream = open_stream
        self._busy = letting_go
        self._looking: threading.Thread | None = None
        self._tried: DeviceStream | None = None
        self._samplerate = samplerate
        self._gone_at = gone_at
        self._wait_s = wait_s
        self._watchdog_s = watchdog_s
        self._passed = 0  # samples of the outage that were passed on
        self._closed = threading.Event()

    @property
    def hangs(self) -> bool:
        """Whether the audio system still works on something that it was asked for."""
        return self._busy.is_alive()

    def __iter__(self) -> Iterator[Block]:
        looked_at = 0.0
        while self._gone_s() < self._wait_s and not self._closed.is_set():
            yield self._pass_to(round((self._gone_s() - BEHIND_S) * self._samplerate))
            if self._closed.is_set():
                return
            if self._busy.is_alive() or (self._looking is None and clock_through_sleep() - looked_at < LOOK_AGAIN_S):
                self._closed.wait(PASS_S)
            elif self._looking is None:
                looked_at = clock_through_sleep()
                self._look()
            else:
                self._looking = None
                if self._tried is not None:
                    yield from self._listen_to(self._tried)
                if self.stream is not None:
                    return
        if not self._closed.is_set():
            yield self._pass_to(round(self._gone_s() * self._samplerate))

    def close(self) -> None:
        """Gives it up, and lets go of what was opened meanwhile. May be called twice."""
        self._closed.set()
        if self._looking is not None:
            self._looking.join(LOOK_S)
        tried, self._tried = self._tried, None
        if tried is not None:
            self._busy = tried.release()

    def _gone_s(self) -> float:
        return clock_through_sleep() - self._gone_at

    def _pass_to(self, due: int) -> Block:
        """The time up to so many samples after the last one, as far as it was not passed on."""
        lost = max(0, due - self._passed)
        self._passed += lost
        return Block(np.zeros(0, np.float32), lost=lost, lost_to="outage")

    def _look(self) -> None:
        """In a thread of its own, for some systems take seconds for it."""
        looking = threading.Thread(target=self._try, name="look-for-microphone", daemon=True)
        with contextlib.suppress(OutputError):  # it is looked again
            begin(looking)
            self._busy = self._looking = looking

    def _try(self) -> None:
        with contextlib.suppress(DeviceError):
            name = (self.device.name, self.device.host_api)
            same = [device for device in list_again() if (device.name, device.host_api) == name]
            if len(same) != 1:
                return
            self.device = same[0]
            stream = self._open_stream(same[0])
            if self._closed.is_set():  # nobody is left to hear it, or to let go of it
                self._busy = stream.release()
            else:
                self._tried = stream

    def _listen_to(self, stream: DeviceStream) -> Iterator[Block]:
        """What is left of the outage, where the stream gives sound; else the stream is let go of."""
        first = stream.inbox.get(self._watchdog_s)
        if first is None:
            self._tried = None
            self._busy = stream.release()
            return
        # both blocks came as late as the device makes them, so the time between them is that between samples
        missed = max(0, round((first.clock_s - self._gone_at) * self._samplerate) - len(first.frames))
        yield self._pass_to(missed)
        self.missed_s = missed / self._samplerate
        self._tried, self.stream, self.first = None, stream, first
