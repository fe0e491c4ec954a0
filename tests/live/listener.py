"""Listens to a microphone in a process of its own: events as JSON Lines, then the exit code of the session.

Arguments: the model file, the device, optionally the seconds after which to stop, and those for which a lost device is
waited for.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from queue import SimpleQueue

from crackdetect import model as model_files
from crackdetect.audio.microphone import MicrophoneSource
from crackdetect.events import Event
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.running.loop import listen


class Lines:
    def send(self, event: Event) -> None:
        print(event.to_json(), flush=True)


def main(model: str, device: str, seconds: str = "60", wait: str = "0") -> int:
    notices: SimpleQueue[Notice] = SimpleQueue()
    loaded = model_files.load(Path(model))  # first: meanwhile sound would wait
    source = MicrophoneSource(device, wait_s=float(wait), notices=notices)
    pipeline = Pipeline(samplerate=source.samplerate, model=loaded, source="microphone")
    stop = threading.Event()
    timer = threading.Timer(float(seconds), stop.set)
    timer.daemon = True
    timer.start()
    return listen(source, pipeline, [Lines()], stop=stop, notices=notices)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
