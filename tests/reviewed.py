"""A roast under review, served as ``crackdetect review`` serves it: what asks it, and the log behind it."""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import soundfile
from clicks import clicks_in_noise
from pages import Asked
from roasts import roast_events

from crackdetect.audio.files import RecordingSource
from crackdetect.blocks import Samples
from crackdetect.page.access import Access
from crackdetect.page.address import open_place
from crackdetect.page.asking import Asking
from crackdetect.page.review import ReviewPage
from crackdetect.roast.record import RoastRecord
from crackdetect.storage.journal import roasts_folder
from crackdetect.storage.recording import SOUND_NAME
from crackdetect.storage.roast_store import RoastLog

RATE = 16_000
#: As ``roast_events`` has them for first crack at 40 s: every second one from there, every fourth of them .55 sure.
CRACKS = [40.0 + 2.0 * i for i in range(40)]
#: A click that the log knows nothing of.
MISSED = 45.0


def kept_roast(
    data: Path,
    *,
    name: str = "monday",
    coffee: str | None = "Lot Seven",
    sound: Samples | None = None,
    samplerate: int = RATE,
) -> int:
    """A roast of two and a half minutes in the log of a data folder, with its recording: its number."""
    folder = roasts_folder(data) / name
    folder.mkdir(parents=True)
    if sound is None:
        sound = clicks_in_noise([*CRACKS, MISSED], samplerate=RATE, duration_s=150, frequency_hz=3_000)
    soundfile.write(folder / SOUND_NAME, sound, samplerate)
    events = roast_events(name, charge=5.0, first_crack=40.0, drop=130.0, cracks=40, about={"coffee": coffee})
    with RoastLog(data / "roasts.sqlite3") as log:
        return log.find(log.keep(events, recording=folder / SOUND_NAME)).number


class Reviewed(Asked):
    """A page that is served while the ``with`` block lasts. by: Ada."""

    def __init__(self, data: Path, *, number: int | None = None) -> None:
        self.log = data / "roasts.sqlite3"
        self.number = kept_roast(data) if number is None else number
        with RoastLog(self.log) as log:
            recording = log.find(str(self.number)).recording
        assert recording is not None
        self.access = Access.new()
        self.place = open_place("here", port=0)
        self.failures: list[BaseException] = []
        self.page = ReviewPage(
            self.place,
            self.access,
            asking=Asking(self.log, self.number, by="Ada"),
            recording=RecordingSource(recording),
            failed=self.failures.append,
        )

    def __enter__(self) -> Self:
        self.page.begin()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.page.close()
        assert self.failures == []

    @property
    def record(self) -> RoastRecord:
        """The roast as the log has it now."""
        with RoastLog(self.log) as log:
            return log.record(log.find(str(self.number)))

    def say(self, said: Any, **headers: str) -> tuple[int, Any]:
        """As the page's own script says it: the status, and the answer."""
        status, kind, body = self.post("/say", said, **headers)
        return status, json.loads(body) if kind["content-type"] == "application/json" else body.decode()

    def shown(self) -> dict[str, Any]:
        """All that the page shows."""
        status, _, body = self.ask("GET", "/roast")
        assert status == 200
        return dict(json.loads(body))

    def sound(self, first: int, count: int) -> Samples:
        """A part of the recording, as the browser gets it."""
        status, _, body = self.ask("GET", f"/sound/{first}/{count}")
        assert status == 200
        return np.frombuffer(body[44:], "<i2").astype(np.float32) / 32_767
