"""Real PortAudio, real ALSA, a real sound server: what arrives, and what happens when it stops arriving."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import vmic
from patience import PATIENCE_S, wait_until

pytestmark = pytest.mark.live

LISTENER = Path(__file__).with_name("listener.py")
RANDOM = np.random.default_rng(6)
#: Noise with a click twice a second.
SOUND = RANDOM.normal(0, 0.01, 4 * vmic.RATE).astype(np.float32)
SOUND[:: vmic.RATE // 2] += 0.5


def run(code: str, environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )


@pytest.fixture
def exact(tmp_path: Path) -> dict[str, str]:
    vmic.require()
    return vmic.file_microphone(tmp_path, SOUND, silence_s=60)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[vmic.ServedMicrophone]:
    vmic.require(server=True)
    with vmic.ServedMicrophone(tmp_path, SOUND) as microphone:
        yield microphone


def test_samples_arrive_bit_for_bit(tmp_path: Path, exact: dict[str, str]) -> None:
    code = f"""
import numpy as np
from crackdetect.audio.microphone import MicrophoneSource
source = MicrophoneSource("vmic", channel=1)
heard, lost = [], 0
for block in source:
    heard.append(block.samples)
    lost += block.lost
    if sum(map(len, heard)) > {len(SOUND)}:
        break
source.close()
np.concatenate(heard).tofile({str(tmp_path / "heard.raw")!r})
print(source.samplerate, lost)
"""
    done = run(code, exact)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{vmic.RATE} 0\n", "")
    heard = np.fromfile(tmp_path / "heard.raw", np.float32)
    np.testing.assert_array_equal(heard[: len(SOUND)], SOUND)


def test_devices_are_listed_and_never_guessed(exact: dict[str, str]) -> None:
    code = """
from crackdetect.audio.devices import list_devices
from crackdetect.audio.microphone import MicrophoneSource
from crackdetect.errors import DeviceError
for device in list_devices():
    print(device.index, device.name, device.default)
for wanted in ("nowhere", 99, "v"):
    try:
        source = MicrophoneSource(wanted)
    except DeviceError as error:
        print(error)
    else:
        print("opened", source.name)
        source.close()
"""
    done = run(code, exact)
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "0 vmic False",
        "1 default True",
        "no microphone has 'nowhere' in its name; choose one of: 0 vmic (ALSA), 1 default (ALSA)",
        "there is no microphone number 99; choose one of: 0 vmic (ALSA), 1 default (ALSA)",
        "opened vmic",
    ]


def test_opening_and_closing_a_hundred_times_leaks_nothing(exact: dict[str, str]) -> None:
    code = """
import os, threading, time
from crackdetect.audio.microphone import MicrophoneSource

def once():
    source = MicrophoneSource("vmic", channel=1)
    next(block for block in source if len(block.samples))
    source.close()

def held():
    return len(os.listdir("/proc/self/fd")), len(os.listdir("/proc/self/task")), threading.active_count()

def settled():
    "A thread that has been joined stays in the system's list for a moment."
    until = time.monotonic() + 5
    while held()[1:] != (1, 1) and time.monotonic() < until:
        time.sleep(0.02)
    return held()

once()
before = settled()
for _ in range(100):
    once()
print(before == settled(), before, settled())
"""
    done = run(code, exact)
    assert done.stdout.startswith("True"), done
    assert (done.returncode, done.stderr) == (0, "")


def test_a_device_that_does_not_take_the_sample_rate_says_so(exact: dict[str, str]) -> None:
    code = """
from crackdetect.audio.microphone import MicrophoneSource
from crackdetect.errors import DeviceError
for rate in (4_000, 500_000):
    try:
        MicrophoneSource("vmic", samplerate=rate)
    except DeviceError as error:
        print(error)
"""
    done = run(code, exact)
    assert done.stdout.splitlines() == [
        f"microphone 'vmic' cannot be heard at {rate} Hz; choose a sample rate of 8000 to 192000 Hz"
        for rate in (4_000, 500_000)
    ]


class Listener:
    """The listener process, with the events that it has said so far."""

    def __init__(self, environment: dict[str, str], model: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(LISTENER), str(model), "vmic", *arguments],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.events: list[dict[str, Any]] = []

    def until(self, kind: str, count: int = 1) -> dict[str, Any]:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.events.append(json.loads(line))
            count -= self.events[-1]["type"] == kind
            if count == 0:
                return self.events[-1]
        pytest.fail(f"no {kind} came; the process said: {self.end()}")

    def end(self) -> tuple[int, str]:
        rest, told = self.process.communicate(timeout=PATIENCE_S)
        self.events += map(json.loads, rest.splitlines())
        return self.process.returncode, told


def test_a_roast_in_real_time_ends_by_ctrl_c(served: vmic.ServedMicrophone, model_path: Path) -> None:
    listener = Listener(served.environment, model_path)
    listener.until("density", 2)
    listener.process.send_signal(signal.SIGINT)
    assert listener.end() == (0, "")
    start, summary = listener.events[0], listener.events[-1]
    assert (start["type"], start["source"], start["samplerate"]) == ("roast.start", "microphone", vmic.RATE)
    assert summary["type"] == "summary"
    assert summary["health"].keys() <= {"overflow", "gap"}  # a busy computer
    assert [event["seq"] for event in listener.events] == list(range(len(listener.events)))


def test_a_killed_server_is_noticed_and_the_roast_summed_up(served: vmic.ServedMicrophone, model_path: Path) -> None:
    listener = Listener(served.environment, model_path)
    listener.until("density")
    served.kill()
    listener.until("summary")
    code, told = listener.end()
    assert code == 4
    lost = [e for e in listener.events if e["type"] == "health" and e["kind"] == "device_lost"]
    assert len(lost) == 1
    assert lost[0]["message"] in told.splitlines()
    assert "Traceback" not in told
    assert listener.events[-1]["health"]["device_lost"] == 1


@pytest.mark.long
def test_a_stalled_server_is_noticed_and_cannot_hold_the_exit(served: vmic.ServedMicrophone, model_path: Path) -> None:
    listener = Listener(served.environment, model_path)
    listener.until("density")
    served.stall()
    summary = listener.until("summary")
    code, told = listener.end()
    assert code == 4
    assert "no sound came for 2." in told
    assert summary["health"]["device_lost"] == 1


def test_ctrl_c_ends_the_program_while_a_stalled_server_holds_the_opening(
    served: vmic.ServedMicrophone, model_path: Path
) -> None:
    served.stall()
    listener = Listener(served.environment, model_path)
    maps = Path(f"/proc/{listener.process.pid}/maps")
    wait_until(lambda: "libportaudio" in maps.read_text(encoding="utf-8"))
    time.sleep(0.3)
    assert listener.process.poll() is None
    listener.process.send_signal(signal.SIGINT)
    try:
        code = listener.process.wait(PATIENCE_S)
    finally:
        listener.process.kill()
        listener.end()
    assert code == -signal.SIGINT  # which a shell calls 130
    assert listener.events == []


def test_a_microphone_that_comes_back_is_heard_again_and_the_gap_has_its_length(
    served: vmic.ServedMicrophone, model_path: Path
) -> None:
    """Gone for 4 s and longer: its length may differ from the computer's clock by what the device buffers."""
    listener = Listener(served.environment, model_path, "600", "60")
    listener.until("density", 2)
    kills = time.monotonic()
    served.kill()
    killed = time.monotonic()
    lost = listener.until("health")
    time.sleep(4)
    starts = time.monotonic()
    served.start()
    while (back := listener.until("health"))["kind"] != "device_back":
        pass
    heard = time.monotonic()
    listener.until("density", 2)
    listener.process.send_signal(signal.SIGINT)

    assert listener.end()[0] == 0
    assert lost["kind"] == "device_lost"
    assert "microphone 'vmic' was lost" in lost["message"]
    assert "is waited for up to 1:00" in lost["message"]
    told = re.fullmatch(r"microphone 'vmic' is back; (\d+\.\d) s were not heard", back["message"])
    assert told is not None
    missed_s = float(told[1])
    assert starts - killed - 0.5 <= missed_s <= heard - kills + 0.5
    assert back["at"] - lost["at"] == pytest.approx(missed_s, abs=0.5)
    assert listener.events[-1]["health"]["gap"] >= (missed_s - 0.1) * vmic.RATE
    assert [event["seq"] for event in listener.events] == list(range(len(listener.events)))


def test_a_microphone_that_stays_away_ends_the_roast(served: vmic.ServedMicrophone, model_path: Path) -> None:
    listener = Listener(served.environment, model_path, "60", "4")
    listener.until("density")
    served.kill()
    lost = listener.until("health")
    summary = listener.until("summary")
    code, told = listener.end()
    assert code == 4
    assert "did not come back within 0:04; check its cable, then listen again" in told
    assert summary["at"] == pytest.approx(lost["at"] + 4, abs=0.5)  # the clock went on while it was waited for
