"""`listen` on a virtual microphone, killed in the middle, gone on with, and what is left of it all in the end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import vmic
from endpoint import Endpoint
from patience import wait_until

from crackdetect.storage.journal import read_events
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.live

SOUND = np.random.default_rng(6).normal(0, 0.01, 4 * vmic.RATE).astype(np.float32)


class Listening:
    """The command, with the events that it has said so far."""

    def __init__(self, environment: dict[str, str], *arguments: str) -> None:
        command = [sys.executable, "-m", "crackdetect", "listen", "--device", "vmic", "--format", "jsonl", *arguments]
        self.process = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        self._watchdog = threading.Timer(240, self.process.kill)  # a busy computer takes its time to start
        self._watchdog.start()

    def until(self, kind: str, count: int = 1) -> dict[str, Any]:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            event: dict[str, Any] = json.loads(line)
            count -= event["type"] == kind
            if count == 0:
                return event
        pytest.fail(f"no {kind} came; the process said: {self.end()}")

    def late_s(self) -> float:
        """How much later it says its next density than it would by a clock that counts from 0 at its first sample; but
        for a constant."""
        at: float = self.until("density")["at"]
        return time.monotonic() - at

    def end(self) -> tuple[int, str]:
        _, told = self.process.communicate(timeout=120)
        self._watchdog.cancel()
        return self.process.returncode, told


def test_a_killed_roast_goes_on_with_its_clock_right_and_is_kept_whole(tmp_path: Path) -> None:
    vmic.require(server=True)
    home = tmp_path / "home"
    with vmic.ServedMicrophone(tmp_path, SOUND) as microphone, Endpoint() as endpoint:
        environment = {
            **microphone.environment,
            "CRACKDETECT_HOME": str(home),
            "CRACKDETECT_WEBHOOK": endpoint.url,
            "PYTHON_KEYRING_BACKEND": "keyring.backends.null.Keyring",
        }
        first = Listening(environment, "--record", "--charge-at", "0:00")
        before_s = min(first.late_s() for _ in range(4))  # the least late: a busy computer says each late
        first.process.kill()
        first.end()
        second = Listening(environment, "--resume")
        # one clock from the first sample to the last, by the wall, whatever the device buffers
        wait_until(lambda: second.late_s() == pytest.approx(before_s, abs=0.7))
        second.process.send_signal(signal.SIGINT)
        code, told = second.end()

    assert code == 0
    assert "was cut off at 0:" in told
    assert "it is gone on with, and its clock is right" in told
    (folder,) = (home / "data" / "roasts").iterdir()
    events = read_events(folder)
    assert [event["seq"] for event in events] == list(range(len(events)))
    assert {event["roast"] for event in events} == {folder.name}
    types = [event["type"] for event in events]
    assert (types[0], types[-1], types.count("charge")) == ("roast.start", "summary", 1)
    recorded = soundfile.info(folder / "sound.flac").duration
    assert recorded == pytest.approx(events[-1]["at"], abs=1.5)
    if os.name != "nt":
        assert (folder / "sound.flac").stat().st_mode & 0o077 == 0
    messages = [json.loads(body)["data"] for body in {one.id: one.body for one in endpoint.taken}.values()]
    assert [message["type"] for message in messages] == ["charge", "summary"]
    assert messages[-1] == events[-1]
    with RoastLog(home / "data" / "roasts.sqlite3") as log:
        roast = log.find(folder.name)
    assert roast.recording == folder / "sound.flac"
