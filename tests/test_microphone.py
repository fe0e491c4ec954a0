"""The microphone without one: devices, losses, ends; the audio layer is played by hand."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from queue import SimpleQueue
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from patience import PATIENCE_S
from roasts import WRONG_RATE

from crackdetect.audio import device_stream, devices, microphone, reconnect
from crackdetect.audio.device_stream import Inbox
from crackdetect.audio.gap_meter import SleepMeter
from crackdetect.audio.microphone import MicrophoneSource
from crackdetect.blocks import Block
from crackdetect.errors import DeviceError, DeviceLost, SettingError
from crackdetect.notice import Notice

RATE = 48_000
Array = npt.NDArray[np.float32]


def frames(count: int, *channels: float) -> Array:
    return np.tile(np.array(channels or (0.25,), np.float32), (count, 1))


# -- the bounded queue ---------------------------------------------------------------------------------------


def test_what_finds_no_room_is_counted_exactly_and_told_with_the_next_block() -> None:
    inbox = Inbox(capacity=100)
    for count, overflow in [(60, False), (40, False), (7, True), (5, False)]:  # 12 too many
        inbox.put(frames(count), overflow=overflow, adc_s=1.0, clock_s=2.0)
    assert inbox.rest() == (12, True)
    first = inbox.get(0)
    assert first is not None
    assert (len(first.frames), first.lost, first.overflow) == (60, 0, False)
    inbox.put(frames(60), overflow=False, adc_s=1.0, clock_s=2.0)
    assert inbox.rest() == (0, False)
    got = [inbox.get(0), inbox.get(0), inbox.get(0)]
    assert [None if g is None else (len(g.frames), g.lost, g.overflow) for g in got] == [
        (40, 0, False),
        (60, 12, True),  # the report came with a block that was dropped, and is not dropped with it
        None,
    ]


def test_the_queue_keeps_a_copy() -> None:
    inbox = Inbox(capacity=10)
    buffer = frames(4)
    inbox.put(buffer, overflow=False, adc_s=0, clock_s=0)
    buffer[:] = 9  # as the audio system does with its own
    item = inbox.get(0)
    assert item is not None
    np.testing.assert_array_equal(item.frames, frames(4))


# -- the source, with an audio layer that is played by hand --------------------------------------------------


class PortAudioError(Exception):
    pass


@dataclass
class Stream:
    """What the layer opened. deliver() is the audio thread's callback."""

    options: dict[str, Any]
    latency: float = 0.1
    active: bool = True
    log: list[str] = field(default_factory=list)
    hang: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.hang.set()

    def start(self) -> None:
        self.log.append("start")

    def abort(self) -> None:
        self.hang.wait(PATIENCE_S)
        self.log.append("abort")

    def close(self) -> None:
        self.log.append("close")

    def deliver(self, block: Array, *, flags: int = 0) -> None:
        self.options["callback"](block, len(block), SimpleNamespace(inputBufferAdcTime=0.0), flags)


class Layer:
    """A stand-in for the audio package with one two-channel and one four-channel microphone."""

    PortAudioError = PortAudioError

    def __init__(self) -> None:
        self.default = SimpleNamespace(device=[1, -1])
        self.streams: list[Stream] = []
        self.refuse: set[int] = set()

        self.rows = [
            ("loudspeaker", 0, 48_000.0),
            ("pair", 2, 48_000.0),
            ("array", 4, 44_100.0),
            ("odd", 1, 384_000.0),
        ]
        self.begun = 0

    def _terminate(self) -> None:
        self.begun -= 1

    def _initialize(self) -> None:
        self.begun += 1

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "A"}]

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {"name": name, "hostapi": 0, "max_input_channels": inputs, "default_samplerate": rate}
            for name, inputs, rate in self.rows
        ]

    def InputStream(self, **options: Any) -> Stream:  # noqa: N802 - the name that the layer has
        if options["channels"] in self.refuse:
            raise PortAudioError("Error opening InputStream: Invalid number of channels [PaErrorCode -9998]")
        self.streams.append(Stream(options))
        return self.streams[-1]


@pytest.fixture
def layer(monkeypatch: pytest.MonkeyPatch) -> Layer:
    layer = Layer()
    for module in (devices, device_stream, microphone):
        monkeypatch.setattr(module, "audio_layer", lambda: layer)
    monkeypatch.setattr(microphone, "POLL_S", 0.005)
    monkeypatch.setattr(reconnect, "PASS_S", 0.005)
    monkeypatch.setattr(device_stream, "CLOSE_S", 0.2)
    return layer


def test_only_inputs_are_listed(layer: Layer) -> None:
    assert [(d.index, d.name, d.channels, d.default) for d in devices.list_devices()] == [
        (1, "pair", 2, True),
        (2, "array", 4, False),
        (3, "odd", 1, False),
    ]


def test_opened_at_its_own_rate_with_the_layers_own_block_size(layer: Layer) -> None:
    source = MicrophoneSource()
    options = layer.streams[0].options
    assert (source.name, source.samplerate, source.kind) == ("pair", 48_000, "microphone")
    assert {key: options[key] for key in ("device", "channels", "samplerate", "blocksize", "latency", "dtype")} == {
        "device": 1,
        "channels": 2,
        "samplerate": 48_000,
        "blocksize": 0,
        "latency": "high",
        "dtype": "float32",
    }
    source.close()


def heard(source: MicrophoneSource, count: int) -> list[Block]:
    blocks = []
    for block in source:
        if len(block.samples):
            blocks.append(block)
        if len(blocks) == count:
            break
    return blocks


def test_the_mean_of_two_channels_or_the_one_asked_for(layer: Layer) -> None:
    cases: list[tuple[int | None, float]] = [(None, 0.375), (1, 0.25), (2, 0.5)]
    for channel, expected in cases:
        source = MicrophoneSource("pair", channel=channel)
        stream = layer.streams[-1]
        stream.deliver(frames(10, *(0.25, 0.5)[: stream.options["channels"]]))
        np.testing.assert_array_equal(heard(source, 1)[0].samples, np.full(10, expected, np.float32))
        assert source.channel_note is not None
        source.close()
    with pytest.raises(SettingError, match="channel 3 does not exist in pair; choose 1 to 2"):
        MicrophoneSource("pair", channel=3)


def test_a_system_that_gives_all_channels_or_none(layer: Layer) -> None:
    layer.refuse = {2}
    source = MicrophoneSource("array")
    layer.streams[-1].deliver(frames(10, 0.25, 0.5, 9, 9))
    np.testing.assert_array_equal(heard(source, 1)[0].samples, np.full(10, 0.375, np.float32))
    source.close()
    layer.refuse = {2, 4}
    with pytest.raises(
        DeviceError, match=r"'array' cannot be opened at 44100 Hz .*Invalid number of channels.*; close"
    ):
        MicrophoneSource("array")


def test_a_rate_that_cannot_be_heard_is_refused(layer: Layer) -> None:
    with pytest.raises(DeviceError, match="cannot be heard at 384000 Hz; choose a sample rate of 8000 to 192000 Hz"):
        MicrophoneSource("odd")


def test_every_flag_of_the_audio_system_is_told(layer: Layer) -> None:
    source = MicrophoneSource()
    for flags in (0, 1, 2, 0):  # none, underflow, overflow, none
        layer.streams[0].deliver(frames(10, 0.1, 0.1), flags=flags)
    assert [block.overflow for block in heard(source, 4)] == [False, True, True, False]
    source.close()


def test_a_full_queue_is_a_gap_of_known_length(layer: Layer) -> None:
    source = MicrophoneSource(queue_s=0.001)  # 48 frames
    for _ in range(5):
        layer.streams[0].deliver(frames(20, 0.1, 0.1))  # two fit, three do not
    assert [block.lost for block in heard(source, 2)] == [0, 0]
    layer.streams[0].deliver(frames(20, 0.1, 0.1))
    assert [block.lost for block in heard(source, 1)] == [60]
    source.close()


def test_a_lost_device_is_told_once_after_everything_that_was_heard(layer: Layer) -> None:
    source = MicrophoneSource(queue_s=0.001)
    stream = layer.streams[0]
    for _ in range(3):
        stream.deliver(frames(20, 0.1, 0.1))
    stream.options["finished_callback"]()
    blocks: list[Block] = []
    iterator = iter(source)
    with pytest.raises(DeviceLost, match="microphone 'pair' was lost .*ended the stream.*; check its cable"):
        blocks.extend(iterator)
    assert [(len(b.samples), b.lost) for b in blocks] == [(20, 0), (20, 0), (0, 20)]
    assert list(iterator) == []
    source.close()


def test_a_stream_that_is_no_longer_active_is_lost(layer: Layer) -> None:
    source = MicrophoneSource()
    layer.streams[0].active = False
    with pytest.raises(DeviceLost):
        heard(source, 1)
    source.close()


def test_silence_of_the_callback_is_a_lost_device(layer: Layer) -> None:
    source = MicrophoneSource(watchdog_s=0.05)
    with pytest.raises(DeviceLost, match=r"no sound came for \d+\.\d s"):
        heard(source, 1)
    source.close()


def test_waiting_gives_empty_blocks_so_that_the_loop_can_look_up(layer: Layer) -> None:
    source = MicrophoneSource()
    block = next(iter(source))
    assert (len(block.samples), block.lost, block.overflow) == (0, 0, False)
    source.close()


def test_close_aborts_then_closes_and_ends_the_iteration(layer: Layer) -> None:
    source = MicrophoneSource()
    source.close()
    source.close()
    assert layer.streams[0].log == ["start", "abort", "close"]
    assert list(source) == []


def test_a_device_that_hangs_cannot_hold_the_end(layer: Layer) -> None:
    source = MicrophoneSource()
    layer.streams[0].hang.clear()
    source.close()  # comes back although abort() does not
    assert layer.streams[0].log == ["start"]
    layer.streams[0].hang.set()


def test_ctrl_c_is_left_to_the_system_while_the_layer_works_unless_somebody_handles_it(
    layer: Layer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exit of Python's own in the middle of it can hang: the layer would close the same stream once more."""
    seen: list[Any] = []

    def look(stream: Stream) -> None:
        seen.append(signal.getsignal(signal.SIGINT))

    monkeypatch.setattr(Stream, "start", look)
    monkeypatch.setattr(Stream, "abort", look)

    def handle(number: int, frame: object) -> None: ...

    before = signal.getsignal(signal.SIGINT)
    try:
        for handler in (signal.default_int_handler, handle):
            signal.signal(signal.SIGINT, handler)
            MicrophoneSource().close()
            assert signal.getsignal(signal.SIGINT) is handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert seen == [signal.SIG_DFL, signal.SIG_DFL, handle, handle]


# -- a device that comes back --------------------------------------------------------------------------------


class Outage:
    """A microphone that has given 0.1 s of sound and is gone; ``hear`` takes blocks until something is so."""

    def __init__(self, layer: Layer, monkeypatch: pytest.MonkeyPatch, *, wait_s: float = 60) -> None:
        monkeypatch.setattr(reconnect, "LOOK_AGAIN_S", 0.02)
        monkeypatch.setattr(reconnect, "BEHIND_S", 0.05)
        self.layer = layer
        self.present = list(layer.rows)
        self.notices: SimpleQueue[Notice] = SimpleQueue()
        self.source = MicrophoneSource("pair", wait_s=wait_s, watchdog_s=0.3, notices=self.notices)
        self.blocks: list[Block] = []
        self.iterator = iter(self.source)
        before = time.monotonic()
        layer.streams[0].deliver(frames(4800, 0.1, 0.1))
        self.gone_at = before, time.monotonic()
        layer.rows = [row for row in layer.rows if row[0] != "pair"]
        layer.streams[0].options["finished_callback"]()

    def hear(self, enough: Callable[[], bool]) -> None:
        until = time.monotonic() + PATIENCE_S
        while not enough():
            assert time.monotonic() < until
            self.blocks.append(next(self.iterator))

    def told(self) -> list[str]:
        return [self.notices.get_nowait().kind for _ in range(self.notices.qsize())]

    @property
    def heard_s(self) -> float:
        return sum(len(block.samples) + block.lost for block in self.blocks) / RATE


def sounds_from_stream(number: int, layer: Layer, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """That stream, and each later one, gives sound as soon as it is begun; the moments before and after, seconds."""
    moments: list[float] = []

    def start(stream: Stream) -> None:
        stream.log.append("start")
        if len(layer.streams) >= number:
            moments.append(time.monotonic())
            stream.deliver(frames(480, 0.2, 0.2))
            moments.append(time.monotonic())

    monkeypatch.setattr(Stream, "start", start)
    return moments


def test_a_device_that_comes_back_is_opened_again_and_the_gap_has_its_length(
    layer: Layer, monkeypatch: pytest.MonkeyPatch
) -> None:
    came_at = sounds_from_stream(2, layer, monkeypatch)
    outage = Outage(layer, monkeypatch)
    outage.hear(lambda: outage.heard_s > 0.4)  # time passes while it is gone
    assert outage.told() == ["device_lost"]
    assert {block.lost_to for block in outage.blocks if block.lost} == {"outage"}
    assert len(layer.streams) == 1
    layer.rows = [*outage.present[2:], *outage.present[:2]]  # under another number
    outage.hear(lambda: bool((outage.blocks[-1].samples == np.float32(0.2)).any()))
    assert outage.told() == ["device_back"]
    assert layer.streams[1].options["device"] == 3
    # 0.1 s before it, then all the time that went by, its last 10 ms heard
    least, most = came_at[0] - outage.gone_at[1], came_at[1] - outage.gone_at[0]
    assert least - 0.001 <= outage.heard_s - 0.1 <= most + 0.001
    assert layer.begun == 0  # ended as often as begun
    outage.source.close()


def test_never_another_device_nor_one_of_two_alike(layer: Layer, monkeypatch: pytest.MonkeyPatch) -> None:
    outage = Outage(layer, monkeypatch)
    outage.hear(lambda: outage.heard_s > 0.3)
    layer.rows = [*layer.rows, ("pair two", 2, 48_000.0)]
    outage.hear(lambda: outage.heard_s > 0.5)
    layer.rows = [*layer.rows, ("pair", 2, 48_000.0), ("pair", 2, 48_000.0)]
    outage.hear(lambda: outage.heard_s > 0.7)
    assert len(layer.streams) == 1
    outage.source.close()
    assert list(outage.iterator) == []


def test_once_closed_it_looks_for_no_device_and_keeps_none_open(layer: Layer, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[float] = []

    def look() -> list[devices.Device]:
        looks.append(time.monotonic())
        return []

    outage = Outage(layer, monkeypatch)
    monkeypatch.setattr(reconnect, "LOOK_AGAIN_S", 0.2)
    monkeypatch.setattr(reconnect, "list_again", look)
    outage.hear(lambda: len(looks) == 1)
    heard = len(outage.blocks)
    outage.hear(lambda: len(outage.blocks) == heard + 4)  # that look is over
    time.sleep(0.25)  # the next one is due
    outage.source.close()
    before = len(looks)
    assert list(outage.iterator) == []
    time.sleep(0.1)
    assert len(looks) == before


def test_a_device_that_comes_back_while_the_end_waits_is_let_go_of(
    layer: Layer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reconnect, "LOOK_S", 0.0)  # the end does not wait for the look
    opening, closed = threading.Event(), threading.Event()

    def start(stream: Stream) -> None:
        opening.set()
        closed.wait(PATIENCE_S)

    outage = Outage(layer, monkeypatch)
    monkeypatch.setattr(Stream, "start", start)
    layer.rows = outage.present
    outage.hear(opening.is_set)
    looks = [thread for thread in threading.enumerate() if thread.name == "look-for-microphone"]
    outage.source.close()
    closed.set()
    for look in looks:
        look.join(PATIENCE_S)
    assert [stream.log for stream in layer.streams] == [["start", "abort", "close"], ["abort", "close"]]


def test_a_device_that_is_back_and_silent_is_looked_for_again(layer: Layer, monkeypatch: pytest.MonkeyPatch) -> None:
    sounds_from_stream(3, layer, monkeypatch)
    outage = Outage(layer, monkeypatch)
    layer.rows = outage.present
    outage.hear(lambda: len(layer.streams) == 3)  # the second one gave nothing within the watchdog's time
    assert layer.streams[1].log == ["start", "abort", "close"]
    outage.hear(lambda: len(outage.blocks[-1].samples) > 0)
    assert outage.told() == ["device_lost", "device_back"]
    outage.source.close()


def test_a_device_that_stays_away_is_lost_after_the_time_it_is_waited_for(
    layer: Layer, monkeypatch: pytest.MonkeyPatch
) -> None:
    outage = Outage(layer, monkeypatch, wait_s=0.5)
    with pytest.raises(DeviceLost, match=r"did not come back within 0:0.; check its cable, then listen again"):
        outage.hear(lambda: False)
    assert 0.6 <= outage.heard_s <= 0.101 + time.monotonic() - outage.gone_at[0]
    outage.source.close()


def test_sleep_is_a_gap_in_the_sound(layer: Layer, monkeypatch: pytest.MonkeyPatch) -> None:
    asleep = [0.0]
    monkeypatch.setattr(microphone, "SleepMeter", partial(SleepMeter, asleep=lambda: asleep[0]))
    source = MicrophoneSource("pair")
    layer.streams[0].deliver(frames(480, 0.1, 0.1))
    assert [block.lost for block in heard(source, 1)] == [0]
    asleep[0] = 90.0
    layer.streams[0].deliver(frames(480, 0.1, 0.1))
    assert [block.lost for block in heard(source, 1)] == [90 * RATE]
    source.close()


def test_a_device_that_lies_about_its_rate_is_told_of(layer: Layer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight blocks where ten were promised: the clock runs 0.125 s a block of 0.1 s."""
    now = [1_000.0]
    monkeypatch.setattr(device_stream, "clock_through_sleep", lambda: now[0])
    notices: SimpleQueue[Notice] = SimpleQueue()
    source = MicrophoneSource("pair", notices=notices)
    for _ in range(450):
        now[0] += 0.125
        layer.streams[0].deliver(frames(4_800, 0.1, 0.1))
        heard(source, 1)
    source.close()
    told = [notices.get_nowait() for _ in range(notices.qsize())]
    assert [notice.kind for notice in told] == ["wrong_rate"]
    assert told[0].message == WRONG_RATE


def test_importing_capture_does_not_load_the_audio_layer() -> None:
    code = "import sys, crackdetect.audio.microphone, crackdetect.running.loop, crackdetect.audio.files\n"
    code += "print(sorted({'sounddevice', 'soundfile', 'scipy.signal', 'librosa', 'sklearn'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
