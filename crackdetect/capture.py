"""The microphone as a source of sound: the callback copies and counts, a watchdog notices a lost device."""

from __future__ import annotations

import atexit
import contextlib
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from queue import Empty, SimpleQueue
from typing import Any, Literal

import numpy as np

from crackdetect.blocks import Block
from crackdetect.channels import Frames, given_channel, one_channel
from crackdetect.errors import DeviceError
from crackdetect.events import clock
from crackdetect.notice import Notice, Notices
from crackdetect.quiet import quiet
from crackdetect.spectrum import MAX_SAMPLERATE, MIN_SAMPLERATE

#: Sound that waits for a busy computer, at most; beyond it whole blocks are lost, and counted.
QUEUE_S = 30.0
WATCHDOG_S = 2.0
#: How often the wait for a block looks at the device.
POLL_S = 0.1
#: What a device may take to let go, at most.
CLOSE_S = 2.0
#: How long ``listen`` waits for a lost device: a cable is found and plugged in again within that (chosen).
WAIT_S = 180.0
#: How often a lost device is looked for.
LOOK_AGAIN_S = 1.0
#: What the audio layer may take to list the devices, at most (seen: 4 s on a busy computer). Ending the program in the
#: middle of it would crash.
LOOK_S = 10.0
#: While it is gone, time is passed on up to this long ago: what came last is still on its way.
_BEHIND_S = 0.5
#: Held around what must not happen while the list of devices is made anew: whoever plays sound holds it meanwhile.
AUDIO_LOCK = threading.RLock()

_INSTALL = (
    "the audio layer PortAudio is missing, so no microphone can be heard: install it with "
    "'sudo apt-get install libportaudio2' (Debian, Ubuntu), 'sudo dnf install portaudio' (Fedora), "
    "'brew install portaudio' (macOS) or 'pip install --force-reinstall sounddevice' (Windows); "
    "recordings are read without it"
)


class DeviceLost(DeviceError):
    """The microphone was there and is gone."""


@dataclass(frozen=True, slots=True)
class Device:
    """A sound input.

    index: its number. channels: inputs. samplerate: its own, Hz. default: the system's choice.
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
    sounddevice = _audio_layer()
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
    """The one device meant by a number, a name or a part of a name; ``None`` = the system's default.

    Raises DeviceError, with the candidates, when none or several are meant: never silently another one.
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


class GapMeter:
    """How many samples went missing between two blocks, from the clocks, where these can be trusted.

    The capture time of a block's first sample runs ahead of its frame count by a step where something was
    lost. The step must show in the audio layer's clock *and* in the computer's; the smaller one counts. It
    counts from 5 ms after the audio system reported an overflow, and from ``unreported_s`` without a report.
    Either way it must be four times the spread of the blocks before it, of which there must be 16. (Figures
    chosen.)

    samplerate: Hz. unreported_s: seconds; more than what the device buffers, or lateness would pass for loss.
    """

    _HISTORY, _WARM = 32, 16
    _SPREADS = 4.0
    _REPORTED_S = 0.005

    def __init__(self, *, samplerate: int, unreported_s: float = 0.5) -> None:
        self.samplerate = samplerate
        self.unreported_s = unreported_s
        self._offsets: deque[tuple[float, float]] = deque(maxlen=self._HISTORY)
        self._frames = 0

    def push(self, frames: int, *, adc_s: float, clock_s: float, overflow: bool) -> int:
        """frames: of this block. adc_s, clock_s: both clocks at it. Returns samples lost just before it."""
        elapsed = self._frames / self.samplerate
        self._frames += frames
        now = (adc_s - elapsed, clock_s - elapsed)
        lost = 0
        if len(self._offsets) >= self._WARM:
            adc, clock = zip(*self._offsets, strict=True)
            middle = len(adc) // 2
            step = min(now[0] - sorted(adc)[middle], now[1] - sorted(clock)[middle])
            least = max(self._REPORTED_S if overflow else self.unreported_s, self._SPREADS * (max(adc) - min(adc)))
            if adc_s > 0 and step >= least:
                lost = round(step * self.samplerate)
        if lost:
            self._frames += lost
            now = (now[0] - lost / self.samplerate, now[1] - lost / self.samplerate)
            self._offsets.clear()
        self._offsets.append(now)
        return lost


@dataclass(frozen=True, slots=True)
class _Captured:
    """What one callback hands over. lost: frames that found no room in the queue before it."""

    frames: Frames
    lost: int
    overflow: bool
    adc_s: float
    clock_s: float


class Inbox:
    """Between the audio thread and the listening one: bounded, and it never makes the audio thread wait.

    capacity: frames that may wait. What does not fit is dropped and counted exactly.
    """

    def __init__(self, *, capacity: int) -> None:
        self.capacity = capacity
        # Unbounded by itself, for its put never waits; the bound is kept by counting frames in (written by
        # the audio thread only) and out (by the listening one only).
        self._queue: SimpleQueue[_Captured] = SimpleQueue()
        self._put = 0
        self._got = 0
        self._lost = 0
        self._overflow = False

    def put(self, frames: Frames, *, overflow: bool, adc_s: float, clock_s: float) -> None:
        """Called by the audio thread. frames: float32 (n, channels), copied."""
        count = len(frames)
        if self._put - self._got + count > self.capacity:
            self._lost += count
            self._overflow = self._overflow or overflow
            return
        self._put += count
        item = _Captured(frames.copy(), self._lost, overflow or self._overflow, adc_s, clock_s)
        self._lost, self._overflow = 0, False
        self._queue.put_nowait(item)

    def get(self, timeout_s: float) -> _Captured | None:
        """The next block, ``None`` when none comes in time."""
        try:
            item = self._queue.get(timeout=timeout_s)
        except Empty:
            return None
        self._got += len(item.frames)
        return item

    def rest(self) -> tuple[int, bool]:
        """Frames lost and overflow seen since the last block that found room; for the end of the stream."""
        return self._lost, self._overflow


class MicrophoneSource:
    """A microphone, opened at once.

    device: number, name or part of a name; ``None`` = the system's default. channel: counted from 1; ``None``
    = the mean of the first two, or the only one. samplerate: Hz; ``None`` = the device's own.
    wait_s: how long a device that was lost is waited for, 0 = not at all. notices: where its loss and return are told.
    Iteration gives blocks as they come, an empty one whenever nothing came for a moment, ends after
    ``close``, and raises DeviceLost once when the device is gone for good. While a lost device is waited for, the
    blocks are empty and carry the time that passes; the device of the same name is opened again when it is back,
    never another one. Raises DeviceError if it cannot be opened.
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
        self._layer = _audio_layer()
        self.device = choose_device(list_devices(), device)
        self.name = self.device.name
        self.samplerate = self.device.samplerate if samplerate is None else samplerate
        if not MIN_SAMPLERATE <= self.samplerate <= MAX_SAMPLERATE:
            raise DeviceError(
                f"microphone {self.name!r} cannot be heard at {self.samplerate} Hz; choose a sample rate of "
                f"{MIN_SAMPLERATE} to {MAX_SAMPLERATE} Hz"
            )
        self.channel_note: str | None = None
        if channel is None:
            self.channels = min(2, self.device.channels)
            self._channel = None if self.channels == 2 else 0
            if self.channels == 2:
                self.channel_note = "the mean of the first two channels; name a channel if they differ"
        else:
            self._channel = given_channel(self.name, channel, self.device.channels)
            self.channels = channel
            if self.device.channels > 1:
                self.channel_note = f"channel {channel} of {self.device.channels}, as asked for"
        self._watchdog_s = watchdog_s
        self._wait_s = wait_s
        self._notices = notices
        self._capacity = round(queue_s * self.samplerate)
        self._closed = threading.Event()
        self._busy: list[threading.Thread] = []
        self._looking: threading.Thread | None = None
        self._came_s = _clock()  # when the last block came
        self._slept = SleepMeter()
        self._begin()

    def _begin(self) -> None:
        """Opens the device, with everything that belongs to one stream new."""
        self._inbox = Inbox(capacity=self._capacity)
        self._ended = threading.Event()
        self._stream = self._open()
        latency = self._stream.latency
        self._gaps = GapMeter(samplerate=self.samplerate, unreported_s=max(0.5, 2 * latency))

    def _open(self) -> Any:
        with quiet(), _ended_at_once():  # PortAudio and ALSA comment on every device they try
            try:
                stream = self._open_with(self.channels)
            except (self._layer.PortAudioError, ValueError) as error:
                try:  # some systems give all channels of a device or none
                    stream = self._open_with(self.device.channels)
                except (self._layer.PortAudioError, ValueError):
                    raise DeviceError(self._refused(error)) from None
            try:
                stream.start()
            except self._layer.PortAudioError as error:
                self._release(stream)
                raise DeviceError(self._refused(error)) from None
        return stream

    def _open_with(self, channels: int) -> Any:
        return self._layer.InputStream(
            device=self.device.index,
            channels=channels,
            samplerate=self.samplerate,
            blocksize=0,
            latency="high",
            dtype="float32",
            callback=partial(_hand_over, self._inbox),
            finished_callback=self._ended.set,
        )

    def _refused(self, error: Exception) -> str:
        reason = str(error.args[0]).partition("\n")[0] if error.args else "no reason given"
        return (
            f"microphone {self.name!r} cannot be opened at {self.samplerate} Hz with {self.channels} "
            f"channel(s) ({reason}); close other programs that use it, or try another --device"
        )

    def __iter__(self) -> Iterator[Block]:
        heard_at = time.monotonic()
        while not self._closed.is_set():
            item = self._inbox.get(POLL_S)
            if item is not None:
                heard_at = time.monotonic()
                yield self._block(item)
                continue
            reason = self._gone(time.monotonic() - heard_at)
            if reason is None:
                yield Block(np.zeros(0, np.float32))
                continue
            while (item := self._inbox.get(0)) is not None:
                yield self._block(item)
            yield self._rest()
            yield from self._wait_for_return(reason)
            heard_at = time.monotonic()

    def _wait_for_return(self, reason: str) -> Iterator[Block]:
        """Time that passes, until the device is open again. Raises DeviceLost when it does not come back."""
        lost = f"microphone {self.name!r} was lost ({reason})"
        if self._wait_s <= 0:
            raise DeviceLost(f"{lost}; check its cable, then listen again")
        waits = f"it is waited for up to {clock(self._wait_s)}, and the clocks go on"
        self._tell("device_lost", f"{lost}; check its cable: {waits}")
        yield Block(np.zeros(0, np.float32))  # so that it is told before anything else is tried
        gone_at, passed, looked_at = self._came_s, 0, 0.0
        stream, self._stream = self._stream, None
        busy = self._release(stream)
        while _clock() - gone_at < self._wait_s and not self._closed.is_set():
            due = round((_clock() - gone_at - _BEHIND_S) * self.samplerate)
            yield Block(np.zeros(0, np.float32), lost=max(0, due - passed), lost_to="outage")
            passed = max(passed, due)
            if busy.is_alive() or (self._looking is None and _clock() - looked_at < LOOK_AGAIN_S):
                self._closed.wait(POLL_S)
                continue
            if self._looking is None:  # some systems take seconds for it
                looked_at = _clock()
                busy = self._looking = self._beside(self._open_again, name="look-for-microphone")
                continue
            self._looking = None
            if self._stream is None:
                continue
            first = self._inbox.get(self._watchdog_s)
            if first is not None:
                # both blocks came as late as the device makes them, so the time between them is that between samples
                missed = max(0, round((first.clock_s - gone_at) * self.samplerate) - len(first.frames))
                yield Block(np.zeros(0, np.float32), lost=max(0, missed - passed), lost_to="outage")
                seconds = missed / self.samplerate
                self._tell("device_back", f"microphone {self.name!r} is back; {seconds:.1f} s were not heard")
                yield self._block(first)
                return
            stream, self._stream = self._stream, None
            busy = self._release(stream)
        if not self._closed.is_set():
            due = round((_clock() - gone_at) * self.samplerate)
            yield Block(np.zeros(0, np.float32), lost=max(0, due - passed), lost_to="outage")
            raise DeviceLost(
                f"{lost} and did not come back within {clock(self._wait_s)}; check its cable, then listen again"
            )

    def _open_again(self) -> None:
        """Opens the device of the same name if it is there: ``_stream`` says so."""
        with AUDIO_LOCK, quiet():  # devices are listed once in the life of the audio layer
            try:
                self._layer._terminate()
                self._layer._initialize()
                devices = list_devices()
            except (self._layer.PortAudioError, DeviceError):
                return
        same = [d for d in devices if (d.name, d.host_api) == (self.device.name, self.device.host_api)]
        if len(same) != 1:
            return
        self.device = same[0]
        with contextlib.suppress(DeviceError):
            self._begin()

    def _tell(self, kind: str, message: str) -> None:
        if self._notices is not None:
            self._notices.put(Notice(kind, message))

    def _gone(self, quiet_s: float) -> str | None:
        if self._ended.is_set() or not self._active():
            return "the audio system ended the stream"
        if quiet_s > self._watchdog_s:
            return f"no sound came for {quiet_s:.1f} s"
        return None

    def _active(self) -> bool:
        if self._stream is None:
            return False
        try:
            return bool(self._stream.active)
        except self._layer.PortAudioError:
            return False

    def _block(self, item: _Captured) -> Block:
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
        return Block(samples, lost=item.lost + max(gap, slept), overflow=item.overflow)

    def _rest(self) -> Block:
        lost, overflow = self._inbox.rest()
        return Block(np.zeros(0, np.float32), lost=lost, overflow=overflow)

    def close(self) -> None:
        """Lets go of the device, within CLOSE_S even if the device hangs. May be called twice."""
        self._closed.set()
        if self._looking is not None:
            self._looking.join(LOOK_S)
        stream, self._stream = self._stream, None
        with _ended_at_once():  # an exit in the middle of it would close the same stream once more, and hang or crash
            self._release(stream)
        if any(worker.is_alive() for worker in self._busy):
            # at exit the audio layer would wait for the same device, without end
            atexit.unregister(getattr(self._layer, "_exit_handler", self.close))

    def _release(self, stream: Any) -> threading.Thread:
        """Lets go of a stream, or of none, within CLOSE_S; the thread is alive where the device hangs."""

        # stop() waits for buffers that a stalled device never gives back; abort() does not, as a rule
        def let_go() -> None:
            try:
                if stream is not None:
                    stream.abort()
                    stream.close()
            except self._layer.PortAudioError:
                return  # a dead stream has nothing left to close

        worker = self._beside(let_go, name="release-microphone")
        worker.join(CLOSE_S)
        return worker

    def _beside(self, action: Callable[[], None], *, name: str) -> threading.Thread:
        """Does what the audio layer may take its time for."""
        worker = threading.Thread(target=action, name=name, daemon=True)
        worker.start()
        self._busy = [*(other for other in self._busy if other.is_alive()), worker]
        return worker


def _hand_over(inbox: Inbox, frames: Frames, count: int, times: Any, status: Any) -> None:
    """In the audio thread: copy, enqueue, count; nothing else."""
    inbox.put(frames, overflow=bool(status), adc_s=times.inputBufferAdcTime, clock_s=_clock())


class SleepMeter:
    """How long the computer slept: samples stop with it, and a stream may go on afterwards as if nothing had been.

    Compares the clock that stops in sleep with the one that does not (Linux: clock_gettime(2), macOS: its manual of the
    same name). On Windows Python has no clock that stops; there a stream does not survive the sleep, as a rule.
    """

    def __init__(self) -> None:
        self._slept_before = _asleep()

    def push(self) -> float:
        """Seconds slept since the last call; below a quarter of a second it is taken for the clocks' own unevenness."""
        slept = _asleep() - self._slept_before
        if slept < 0.25:
            return 0.0
        self._slept_before += slept
        return slept


if sys.platform == "linux":
    _THROUGH_SLEEP, _STOPS_IN_SLEEP = time.CLOCK_BOOTTIME, time.CLOCK_MONOTONIC
elif sys.platform == "darwin":
    _THROUGH_SLEEP, _STOPS_IN_SLEEP = time.CLOCK_MONOTONIC, time.CLOCK_UPTIME_RAW

if sys.platform in ("linux", "darwin"):

    def _clock() -> float:
        """Seconds of a clock that goes on while the computer sleeps."""
        return time.clock_gettime(_THROUGH_SLEEP)

    def _asleep() -> float:
        """Seconds that the computer has slept, counted from some moment on."""
        return time.clock_gettime(_THROUGH_SLEEP) - time.clock_gettime(_STOPS_IN_SLEEP)

else:
    _clock = time.monotonic  # goes on in sleep there

    def _asleep() -> float:
        return 0.0


def _audio_layer() -> Any:
    """The sounddevice package. Imported here, for files must be read where PortAudio is missing."""
    try:
        with _ended_at_once():
            import sounddevice
    except (OSError, ImportError):
        raise DeviceError(_INSTALL) from None
    return sounddevice


@contextlib.contextmanager
def _ended_at_once() -> Iterator[None]:
    """Meanwhile Ctrl-C is left to the system, which ends the program: a sound server that hangs holds the call, and
    Python would look at signals only after it. Not where somebody handles Ctrl-C, as during a roast.
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
