"""One opened stream of a sound input. Its callback, in the audio system's thread, copies, enqueues and counts."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import partial
from queue import Empty, SimpleQueue
from typing import Any

from crackdetect.audio.devices import Device, audio_layer, ending_at_once
from crackdetect.audio.gap_meter import clock_through_sleep
from crackdetect.audio.silenced_stderr import quiet
from crackdetect.blocks import Frames
from crackdetect.errors import DeviceError, OutputError
from crackdetect.worker import begin

#: What a device may take to let go, at most, seconds.
CLOSE_S = 2.0


@dataclass(frozen=True, slots=True)
class Captured:
    """What one callback hands over.

    Attributes
    ----------
    frames
        float32, shape (n, channels).
    lost
        Frames that found no room in the queue before it.
    overflow
        Whether the audio system reported one.
    adc_s, clock_s
        The audio layer's clock at its first frame, and the computer's when it came, seconds.
    """

    frames: Frames
    lost: int
    overflow: bool
    adc_s: float
    clock_s: float


class Inbox:
    """Between the audio thread and the listening one: bounded, and it never makes the audio thread wait.

    Parameters
    ----------
    capacity
        Frames that may wait. What does not fit is dropped and counted exactly.
    """

    def __init__(self, *, capacity: int) -> None:
        self.capacity = capacity
        # Unbounded by itself, for its put never waits; the bound is kept by counting frames in (written by
        # the audio thread only) and out (by the listening one only).
        self._queue: SimpleQueue[Captured] = SimpleQueue()
        self._put = 0
        self._got = 0
        self._lost = 0
        self._overflow = False

    def put(self, frames: Frames, *, overflow: bool, adc_s: float, clock_s: float) -> None:
        """Called by the audio thread.

        Parameters
        ----------
        frames
            float32, shape (n, channels); copied.
        overflow
            Whether the audio system reported one.
        adc_s, clock_s
            The audio layer's clock at the first frame, and the computer's now, seconds.
        """
        count = len(frames)
        if self._put - self._got + count > self.capacity:
            self._lost += count
            self._overflow = self._overflow or overflow
            return
        self._put += count
        item = Captured(frames.copy(), self._lost, overflow or self._overflow, adc_s, clock_s)
        self._lost, self._overflow = 0, False
        self._queue.put_nowait(item)

    def get(self, timeout_s: float) -> Captured | None:
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


class DeviceStream:
    """A stream of a device, opened and begun at once.

    Parameters
    ----------
    device
        Which one.
    channels
        How many are wanted; some systems give all of a device or none, so there may be more.
    samplerate
        Hz.
    capacity
        Frames that may wait to be read.

    Raises
    ------
    DeviceError
        When it cannot be opened.
    """

    def __init__(self, device: Device, *, channels: int, samplerate: int, capacity: int) -> None:
        self.inbox = Inbox(capacity=capacity)
        self._device = device
        self._channels = channels
        self._samplerate = samplerate
        self._layer = audio_layer()
        self._ended = threading.Event()
        self._stream = self._open()

    @property
    def latency_s(self) -> float:
        """What the device buffers, seconds."""
        return float(self._stream.latency)

    @property
    def ended(self) -> bool:
        """Whether the audio system has ended it. A device that stalls is not noticed so."""
        try:
            return self._ended.is_set() or not self._stream.active
        except self._layer.PortAudioError:
            return True

    def release(self) -> threading.Thread:
        """Lets go of the device, within CLOSE_S; the thread that does it is alive where the device hangs."""

        # stop() waits for buffers that a stalled device never gives back; abort() does not, as a rule
        def let_go() -> None:
            try:
                self._stream.abort()
                self._stream.close()
            except self._layer.PortAudioError:
                return  # a dead stream has nothing left to close

        worker = threading.Thread(target=let_go, name="release-microphone", daemon=True)
        try:
            begin(worker)
        except OutputError:
            let_go()
        else:
            worker.join(CLOSE_S)
        return worker

    def _open(self) -> Any:
        with quiet(), ending_at_once():  # PortAudio and ALSA comment on every device they try
            try:
                stream = self._open_with(self._channels)
            except (self._layer.PortAudioError, ValueError) as error:
                try:  # some systems give all channels of a device or none
                    stream = self._open_with(self._device.channels)
                except (self._layer.PortAudioError, ValueError):
                    raise DeviceError(self._refused(error)) from None
            try:
                stream.start()
            except self._layer.PortAudioError as error:
                self._stream = stream
                self.release()
                raise DeviceError(self._refused(error)) from None
        return stream

    def _open_with(self, channels: int) -> Any:
        return self._layer.InputStream(
            device=self._device.index,
            channels=channels,
            samplerate=self._samplerate,
            blocksize=0,
            latency="high",
            dtype="float32",
            callback=partial(_hand_over, self.inbox),
            finished_callback=self._ended.set,
        )

    def _refused(self, error: Exception) -> str:
        reason = str(error.args[0]).partition("\n")[0] if error.args else "no reason given"
        return (
            f"microphone {self._device.name!r} cannot be opened at {self._samplerate} Hz with {self._channels} "
            f"channel(s) ({reason}); close other programs that use it, or try another --device"
        )


def _hand_over(inbox: Inbox, frames: Frames, count: int, times: Any, status: Any) -> None:
    """In the audio thread: copy, enqueue, count; nothing else."""
    inbox.put(frames, overflow=bool(status), adc_s=times.inputBufferAdcTime, clock_s=clock_through_sleep())
