"""A virtual microphone: real PortAudio and ALSA beneath it, a file or a private sound server behind it.

Bit-exact and as fast as it is read (``file_microphone``), or in real time and able to vanish
(``ServedMicrophone``). Both are an ALSA configuration, which PortAudio reads once: whoever listens must run
in a new process.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt
import pytest
from patience import PATIENCE_S

RATE = 44_100
REQUIRED = os.environ.get("CRACKDETECT_REQUIRE_LIVE") == "1"

_FILE_PCM = """
  type file
  slave.pcm { type null }
  file "/dev/null"
  format "raw"
  infile { @func getenv vars [ VMIC_RAW ] default "/dev/zero" }
"""


def require(*, server: bool = False) -> None:
    """Skips with a reason where a part is missing; fails instead when CRACKDETECT_REQUIRE_LIVE=1."""
    missing = []
    if not sys.platform.startswith("linux"):
        missing.append("Linux (ALSA)")
    elif ctypes.util.find_library("portaudio") is None:
        missing.append("PortAudio (libportaudio2)")
    if server and shutil.which("pulseaudio") is None:
        missing.append("a private sound server (pulseaudio, libasound2-plugins)")
    if not missing:
        return
    reason = f"no virtual microphone: {', '.join(missing)} missing"
    if REQUIRED:
        pytest.fail(f"{reason}, and CRACKDETECT_REQUIRE_LIVE=1")
    pytest.skip(reason)


def file_microphone(folder: Path, samples: npt.NDArray[np.float32], *, silence_s: float) -> dict[str, str]:
    """Environment of a process whose microphone ``vmic`` gives these samples, then silence, bit for bit.

    samples: float32 (n,). The device has the format in which it is opened: one channel of float32.
    """
    raw = folder / "vmic.raw"
    raw.write_bytes(samples.astype("<f4").tobytes())
    os.truncate(raw, 4 * (len(samples) + round(silence_s * RATE)))  # a hole in the file is read as zeros
    configuration = folder / "file.conf"
    configuration.write_text(f"pcm.vmic {{{_FILE_PCM}}}\npcm.!default {{{_FILE_PCM}}}\n", encoding="ascii")
    return {
        **os.environ,
        "ALSA_CONFIG_PATH": str(configuration),
        "VMIC_RAW": str(raw),
    }


class ServedMicrophone:
    """A microphone in real time, fed with 16-bit samples at 44.1 kHz, repeated until the end."""

    def __init__(self, folder: Path, samples: npt.NDArray[np.float32]) -> None:
        self.folder = folder
        self._pcm = np.clip(np.round(samples * 32767), -32768, 32767).astype("<i2").tobytes()
        self._fifo = folder / "vmic.fifo"
        self._socket = folder / "server.socket"
        self._done = threading.Event()
        self._writer: threading.Thread | None = None
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def start(self) -> None:
        """The device appears, for the first time or again."""
        script = self.folder / "run.pa"
        script.write_text(
            f"load-module module-native-protocol-unix auth-anonymous=1 socket={self._socket}\n"
            f"load-module module-pipe-source source_name=vmic file={self._fifo} format=s16le rate={RATE} "
            "channels=1\nset-default-source vmic\n",
            encoding="ascii",
        )
        log = (self.folder / "server.log").open("wb")
        command = ["pulseaudio", "-n", "-F", str(script), "--daemonize=no", "--exit-idle-time=-1"]
        command += ["--use-pid-file=no", "--realtime=no", "--high-priority=no"]
        self._server = subprocess.Popen(command, env=self._own_folders(), stdout=log, stderr=log)
        log.close()
        until = time.monotonic() + PATIENCE_S
        while not (self._fifo.exists() and self._socket.exists()):
            if self._server.poll() is not None or time.monotonic() > until:
                self.__exit__(None, None, None)
                pytest.fail(f"the private sound server did not start: {(self.folder / 'server.log').read_text()}")
            time.sleep(0.02)
        self._done.clear()
        self._writer = threading.Thread(target=self._write, name="vmic-writer", daemon=True)
        self._writer.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    @property
    def environment(self) -> dict[str, str]:
        """Of the process that listens; its microphone is ``vmic``, the default."""
        configuration = self.folder / "pulse.conf"
        pcm = f'type pulse\n  server "unix:{self._socket}"\n  device "vmic"'
        configuration.write_text(f"pcm.vmic {{\n  {pcm}\n}}\npcm.!default {{\n  {pcm}\n}}\n", encoding="ascii")
        return {**self._own_folders(), "ALSA_CONFIG_PATH": str(configuration)}

    def _own_folders(self) -> dict[str, str]:
        own = str(self.folder)
        mine = {"HOME": own, "XDG_RUNTIME_DIR": own, "PULSE_RUNTIME_PATH": own, "XDG_CONFIG_HOME": own}
        return {**os.environ, **mine}

    def kill(self) -> None:
        """The device vanishes."""
        if self._server is not None:
            self._server.kill()
            self._server.wait()
        self._done.set()
        if self._writer is not None:
            self._writer.join(5)
        self._fifo.unlink(missing_ok=True)  # the next server makes its own, as a sign that it is up
        self._socket.unlink(missing_ok=True)

    def stall(self) -> None:
        """The device stays there and gives nothing any more."""
        assert self._server is not None
        self._server.send_signal(signal.SIGSTOP)

    def _write(self) -> None:
        """Paces the samples into the FIFO, which it never creates."""
        step = 2 * RATE // 50
        with contextlib.suppress(OSError), open(self._fifo, "r+b", buffering=0) as fifo:
            os.set_blocking(fifo.fileno(), False)
            start, position = time.monotonic(), 0
            while not self._done.is_set():
                ahead = position / (2 * RATE) - (time.monotonic() - start)
                if ahead > 0.05:
                    time.sleep(0.01)
                    continue
                at = position % len(self._pcm)
                # not taken by a dead or stalled server: that time has passed all the same
                fifo.write(self._pcm[at : at + step])
                position += min(step, len(self._pcm) - at)
