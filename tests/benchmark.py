"""Speed, memory and latency of the hearing, as a table: ``python tests/benchmark.py``, or some parts by
name (``python tests/benchmark.py roast_log``). Never a timed test.

Every speed stands beside a reference measured in the same run on the same samples, because machines differ and are
noisy: compare the ratios. Figures are of one core.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile

from crackdetect import model_files
from crackdetect.blocks import Block
from crackdetect.config import Settings
from crackdetect.pipeline import Pipeline
from crackdetect.recordings import open_recording
from crackdetect.synth.plan import plan_roast
from crackdetect.synth.render import Renderer

DEMO = model_files.data_folder("recordings_synthetic") / "demo_roast.flac"
BANDPASS_HZ = (1_000, 12_000)


def best_of(repeats: int, run: Callable[[], object]) -> float:
    """Least seconds of processor time over some runs: the least disturbed one."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def analyse(samples: np.ndarray, samplerate: int, block: int) -> list[object]:
    pipeline = Pipeline(samplerate=samplerate, model=model_files.shipped())
    events: list[object] = []
    for start in range(0, len(samples), block):
        events += pipeline.push(Block(samples[start : start + block]))
    return events + list(pipeline.finish())


def analyse_file(path: Path) -> None:
    source = open_recording(path)
    pipeline = Pipeline(samplerate=source.samplerate, model=model_files.shipped())
    for block in source:
        pipeline.push(block)
    pipeline.finish()
    source.close()


def speed() -> None:
    samplerate = 44_100
    samples = Renderer(plan_roast(seed=3, samplerate=samplerate, duration_s=300.0)).render()
    folder = tempfile.TemporaryDirectory()
    path = Path(folder.name) / "roast.flac"
    soundfile.write(path, samples, samplerate)
    seconds = len(samples) / samplerate
    sos = scipy.signal.butter(4, BANDPASS_HZ, "bandpass", fs=samplerate, output="sos")
    double = samples.astype(np.float64)
    analyse(samples[: 30 * samplerate], samplerate, 4 * samplerate)
    bandpass = best_of(5, lambda: scipy.signal.sosfilt(sos, double))
    bandpass_single = best_of(5, lambda: scipy.signal.sosfilt(sos, samples))
    decode = best_of(3, lambda: soundfile.read(path, dtype="float32"))
    offline = best_of(3, lambda: analyse(samples, samplerate, 4 * samplerate))
    whole = best_of(3, lambda: analyse_file(path))
    live = best_of(1, lambda: analyse(samples, samplerate, 1024))
    print(f"\na roast, {seconds:.0f} s at {samplerate} Hz        x real time   ms per s   x band-pass")
    for name, taken in (
        ("order-4 band-pass, float64", bandpass),
        ("order-4 band-pass, float32", bandpass_single),
        ("decoding FLAC", decode),
        ("whole path, samples in memory", offline),
        ("whole path, from the file", whole),
        ("live path, blocks of 1,024", live),
    ):
        print(f"{name:<34}{seconds / taken:>15.0f}{1e3 * taken / seconds:>11.3f}{taken / bandpass:>14.2f}")
    print(f"live path: {100 * live / seconds:.2f} % of one core")
    folder.cleanup()


def latency() -> None:
    samples, samplerate = soundfile.read(DEMO, dtype="float32")
    events = analyse(samples, samplerate, 1024)
    lags = [e.announced_at - e.at for e in events if e.type == "crack"]  # type: ignore[attr-defined]
    block = 1024 / samplerate
    print(
        f"\ncrack to event: {1e3 * max(lags):.0f} ms of sound at most ({len(lags)} cracks), "
        f"plus a block ({1e3 * block:.0f} ms)"
    )


def memory() -> None:
    print("\npeak memory of `crackdetect analyze` in a new process, MB")
    with tempfile.TemporaryDirectory() as folder:
        for minutes in (10, 60):
            path = Path(folder) / f"{minutes}.wav"
            rng = np.random.default_rng(0)
            with soundfile.SoundFile(path, "w", 44_100, 1, "PCM_16") as file:
                for _ in range(minutes):
                    file.write((0.02 * rng.standard_normal(60 * 44_100)).astype(np.float32))
            code = (
                "import pathlib, re, sys\n"
                "from crackdetect.cli import main\n"
                f"try: main(['analyze', '--format', 'jsonl', {str(path)!r}])\n"
                "except SystemExit: pass\n"
                # not getrusage: its peak is inherited from the parent across a fork
                "status = pathlib.Path('/proc/self/status').read_text()\n"
                "print(int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024, file=sys.stderr)\n"
            )
            done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
            print(f"{minutes:>4} minutes of noise: {float(done.stderr.split()[-1]):.0f}")


def start_up() -> None:
    command = [sys.executable, "-m", "crackdetect", "--help"]
    bare = [sys.executable, "-c", "pass"]
    for name, words in (("python -c pass", bare), ("crackdetect --help", command)):
        times = []
        for _ in range(7):
            start = time.perf_counter()
            subprocess.run(words, capture_output=True, check=True)
            times.append(time.perf_counter() - start)
        print(f"{name:<22}{1e3 * min(times):>8.0f} ms")


def board(seconds: float = 60.0) -> None:
    """First crack in real time through the live loop, onto a board without a terminal and to a deaf loudspeaker."""
    import asyncio
    import threading
    from collections.abc import Iterator
    from queue import SimpleQueue
    from typing import Literal

    from crackdetect import session
    from crackdetect.alerts import Alerts, Signal
    from crackdetect.events import Event
    from crackdetect.listening.board import Board
    from crackdetect.listening.level_watch import LevelWatch
    from crackdetect.sound.announcer import Announcer
    from crackdetect.sound.own_sound import OwnSound

    sound, rate = soundfile.read(DEMO, dtype="float32")
    sound = sound[325 * rate : round((325 + seconds) * rate)]  # the last strays, and first crack
    part = rate // 100
    began = [0.0]
    started = threading.Event()

    class Paced:
        """Blocks of 10 ms, each when its last sample has sounded."""

        samplerate, name = rate, "paced"
        kind: Literal["microphone"] = "microphone"

        def __iter__(self) -> Iterator[Block]:
            began[0] = time.monotonic()
            started.set()
            for start in range(0, len(sound), part):
                time.sleep(max(0.0, began[0] + (start + part) / rate - time.monotonic()))
                yield Block(sound[start : start + part])

        def close(self) -> None: ...

    told: list[tuple[float, float]] = []  # when it was announced, when it sounded

    class Deaf:
        def play(self, name: Signal, *, enough: Callable[[], bool]) -> None:
            if name == "first_crack":
                told.append((announced[0], time.monotonic()))

    announced = [0.0]

    class Stamped(Announcer):
        def send(self, event: Event) -> None:
            if event.type == "first_crack.start":
                announced[0] = time.monotonic()
            super().send(event)

    shown: list[float] = []  # crack to drawing, seconds
    marks: SimpleQueue[str] = SimpleQueue()
    stop = threading.Event()
    level = LevelWatch()

    class Timed(Board):
        def _draw(self) -> None:
            fresh = [e.at for e in self._arrived if isinstance(e, Event) and e.type == "crack"]
            super()._draw()
            if fresh:
                self.call_after_refresh(lambda: shown.extend(time.monotonic() - began[0] - at for at in fresh))

    alerts = Alerts()
    pipeline = Pipeline(samplerate=rate, model=model_files.shipped(), source="microphone")
    loud = Stamped(Alerts(), player=Deaf(), voice=None, own_sound=OwnSound(), say=print)
    screen: Timed

    def hear() -> None:
        session.listen(Paced(), pipeline, [loud, screen], stop=stop, marks=marks, say=print)
        screen.finished()

    thread = threading.Thread(target=hear)
    screen = Timed(device="paced", marks=marks, end=stop.set, alerts=alerts, level=level, begin=thread.start)

    async def main() -> tuple[float, float]:
        async with screen.run_test(size=(80, 24)):
            await asyncio.to_thread(started.wait)
            before, since = time.process_time(), time.monotonic()
            while thread.is_alive():
                await asyncio.sleep(0.5)
            return time.process_time() - before, time.monotonic() - since

    used, passed = asyncio.run(main())
    loud.close()
    lags = np.array(shown)
    print(
        f"\nboard: {len(lags)} cracks drawn, crack to board {1e3 * np.median(lags):.0f} ms in the median, "
        f"{1e3 * np.quantile(lags, 0.95):.0f} ms at the 95th percentile, {1e3 * lags.max():.0f} ms at most"
    )
    print(f"board and detection together: {100 * used / passed:.1f} % of one core over {passed:.0f} s")
    for said, sounded in told:
        print(f"announcement to the first sample handed to the loudspeaker: {1e3 * (sounded - said):.1f} ms")


def roast_log(roasts: int = 5_000, cracks: int = 200) -> None:
    """A full log: list, search, open, compare; and one report, without the import of its libraries."""
    from roasts import roast_events

    from crackdetect.log.compare import differs_most
    from crackdetect.log.store import RoastLog
    from crackdetect.report import figures, sound
    from crackdetect.report.page import render

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "roasts.sqlite3"
        with RoastLog(path) as log, log.together():
            for number in range(roasts):
                about = {
                    "coffee": f"Lot Seven {number % 40}",
                    "green_g": 180.0 + number % 60,
                    "started": f"20{10 + number // 365:02d}-{1 + number % 12:02d}-{1 + number % 28:02d}T10:00:00+00:00",
                }
                events = roast_events(f"roast-{number}", cracks=cracks, about=about, target="18%")
                seconds = [
                    {**events[-1], "type": "density", "at": float(i), "announced_at": float(i), "per_minute": 1.0,
                     "low": 0.0, "high": 5.0}
                    for i in range(500)
                ]  # fmt: skip
                log.keep([*events[:-1], *seconds, events[-1]])
        size = path.stat().st_size / 1e6
        print(f"\na log of {roasts:,} roasts with {cracks} cracks and 500 seconds of density each, {size:.0f} MB")
        log = RoastLog(path)
        events = roast_events("one-more", cracks=cracks)

        def opened() -> None:
            RoastLog(path).close()

        def compared() -> None:
            stories = [log.story(roast) for roast in log.roasts(coffee="lot seven 7", most=5)]
            differs_most([story.roast for story in stories])
            figures.save(figures.overlay(stories), Path(folder) / "overlay.png", kind="png")

        compared()  # libraries are imported
        for name, run in (
            ("open, with its check", opened),
            ("list the newest 30", lambda: log.roasts(most=30)),
            ("list all", log.roasts),
            ("search by coffee", lambda: log.roasts(coffee="LOT SEVEN 7")),
            ("search by words", lambda: log.roasts(words="farm 39")),
            ("search by weight and day", lambda: log.roasts(green_g=200, since="2015")),
            ("one roast with all that was heard", lambda: log.story(log.find("roast-2500"))),
            ("keep one more", lambda: log.keep(events)),
            ("compare five, with the figure", compared),
        ):
            print(f"{name:<36}{1e3 * best_of(5, run):>8.0f} ms of one core{1e3 * wall(run):>8.0f} ms by the clock")
        log.keep(_demo_events(), recording=DEMO)
        story = log.story(log.find("demo_roast"))

        def reported() -> None:
            render(story, sound.gather(story, DEMO))

        reported()
        print(f"{'one report of a roast of 9 minutes':<36}{1e3 * best_of(3, reported):>8.0f} ms of one core"
              f"{1e3 * wall(reported):>8.0f} ms by the clock")  # fmt: skip
        log.close()


def _demo_events() -> list[object]:
    source = open_recording(DEMO)
    settings = Settings(charge_at=16.0, drop_at=500.0)
    pipeline = Pipeline(
        samplerate=source.samplerate, model=model_files.shipped(), settings=settings, roast="demo_roast"
    )
    events = [event for block in source for event in pipeline.push(block)]
    source.close()
    return [*events, *pipeline.finish()]


def wall(run: Callable[[], object]) -> float:
    """Least seconds by the clock of three runs, waiting for the disk included."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


PARTS = {
    "speed": speed,
    "latency": latency,
    "board": board,
    "start_up": start_up,
    "memory": memory,
    "roast_log": roast_log,
}

if __name__ == "__main__":
    chosen = sys.argv[1:] or [name for name in PARTS if name != "memory" or sys.platform == "linux"]
    for part in chosen:
        PARTS[part]()
