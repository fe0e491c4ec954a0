"""Where the time goes, and what board, pages and log cost: ``python tests/benchmark.py``, or some parts by name
(``python tests/benchmark.py roast_log``). Never a timed test. Figures are of one core.

How fast the hearing is tells ``crackdetect evaluate --speed``.
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
import soundfile

from crackdetect import model
from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block
from crackdetect.config import Settings
from crackdetect.evaluate.speed import sounds
from crackdetect.pipeline import Pipeline

DEMO = model.data_folder("recordings_synthetic") / "demo_roast.flac"


def best_of(repeats: int, run: Callable[[], object]) -> float:
    """Least seconds of processor time over some runs: the least disturbed one."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def analyse(samples: np.ndarray, samplerate: int, block: int) -> list[object]:
    pipeline = Pipeline(samplerate=samplerate, model=model.shipped())
    events: list[object] = []
    for start in range(0, len(samples), block):
        events += pipeline.push(Block(samples[start : start + block]))
    return events + list(pipeline.finish())


#: Where the time goes: what is measured, as a method of a class in a module.
_STAGES = (
    ("bands", "hearing.spectrum", "BandSplitter.push"),
    ("candidates and floors", "hearing.onset", "Onset.push"),
    ("features", "hearing.features", "Features.push"),
    ("classifier", "hearing.classifier", "Classifier.push"),
    ("level of a crack", "hearing.level", "LevelMeter.snr_db"),
    ("level, samples kept", "hearing.level", "LevelMeter.push"),
    ("health", "hearing.health", "Health.push"),
    ("in context", "deciding.context", "ContextClassifier.push"),
    ("on this machine", "deciding.own_machine", "OwnMachine.push"),
    ("machine learnt: ticks", "deciding.own_machine", "OwnMachine.close_tick"),
    ("machine learnt: directions", "deciding.adaptation", "Adaptation.learn"),
    ("machine learnt: ranks", "deciding.ranks", "OwnRanks.sort"),
    ("begun", "deciding.begun", "BegunNumbers.of_second"),
    ("hidden Markov model", "deciding.first_crack", "FirstCrackHMM.push"),
    ("tracker", "deciding.tracker", "PhaseTracker.push"),
    ("tracker, candidates", "deciding.tracker", "PhaseTracker.judge"),
    ("density", "deciding.density", "CrackRate.density"),
    ("charge and drop", "hearing.charge_drop", "ChargeDropDetector.push"),
    ("ticks", "deciding.ticks", "TickGrid.close"),
    ("events", "roast.event_writer", "EventWriter.write"),
    ("pipeline", "pipeline", "Pipeline.push"),
)


def stages(seconds: float = 240.0) -> None:
    """Where the processor's time goes, each stage without those that it calls; the clocks take part of it."""
    import importlib

    spent: dict[str, float] = {}
    calls: dict[str, int] = {}
    inner: list[float] = []

    def clocked(name: str, work: Callable[..., object]) -> Callable[..., object]:
        def run(*given: object, **options: object) -> object:
            start = time.thread_time()
            inner.append(0.0)
            try:
                return work(*given, **options)
            finally:
                whole = time.thread_time() - start
                spent[name] = spent.get(name, 0.0) + whole - inner.pop()
                calls[name] = calls.get(name, 0) + 1
                if inner:
                    inner[-1] += whole

        return run

    kept = []
    for name, module, method in _STAGES:
        of, what = method.split(".")
        stage = getattr(importlib.import_module(f"crackdetect.{module}"), of)
        kept.append((stage, what, getattr(stage, what)))
        setattr(stage, what, clocked(name, getattr(stage, what)))
    for sound, samples in sounds(seconds):
        spent.clear()
        calls.clear()
        analyse(samples, 44_100, 3 * 44_100)
        print(f"\n{sound}, {seconds:.0f} s: {sum(spent.values()):.2f} s of a core")
        for name in sorted(spent, key=lambda name: -spent[name]):
            share = 100 * spent[name] / sum(spent.values())
            print(f"  {name:<28}{1e3 * spent[name]:>7.0f} ms{share:>6.1f} %{calls[name]:>8} calls")
    for stage, what, method in kept:
        setattr(stage, what, method)


def latency() -> None:
    samples, samplerate = soundfile.read(DEMO, dtype="float32")
    events = analyse(samples, samplerate, 1024)
    lags = [e.announced_at - e.at for e in events if e.type == "crack"]  # type: ignore[attr-defined]
    block = 1024 / samplerate
    print(
        f"\ncrack to event: {1e3 * max(lags):.0f} ms of sound at most ({len(lags)} cracks), "
        f"plus a block ({1e3 * block:.0f} ms)"
    )


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

    from crackdetect.events import Event
    from crackdetect.roast.alerts import Alerts, Signal
    from crackdetect.running import loop
    from crackdetect.sound.announcer import Announcer
    from crackdetect.sound.own_sound import OwnSound
    from crackdetect.terminal.board import Board
    from crackdetect.terminal.level import LevelWatch

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
    pipeline = Pipeline(samplerate=rate, model=model.shipped(), source="microphone")
    loud = Stamped(Alerts(), player=Deaf(), voice=None, own_sound=OwnSound(), say=print)
    screen: Timed

    def hear() -> None:
        loop.listen(Paced(), pipeline, [loud, screen], stop=stop, marks=marks, say=print)
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

    from crackdetect.report import comparing_figures, drawing, sound
    from crackdetect.report.page import render
    from crackdetect.roast.comparing import differs_most
    from crackdetect.storage.roast_store import RoastLog

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "roasts.sqlite3"
        with RoastLog(path) as log, log.writing():
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
            records = [log.record(roast) for roast in log.roasts(coffee="lot seven 7", most=5)]
            differs_most([record.roast for record in records])
            drawing.save(comparing_figures.overlay(records), Path(folder) / "overlay.png", kind="png")

        compared()  # libraries are imported
        for name, run in (
            ("open, with its check", opened),
            ("list the newest 30", lambda: log.roasts(most=30)),
            ("list all", log.roasts),
            ("search by coffee", lambda: log.roasts(coffee="LOT SEVEN 7")),
            ("search by words", lambda: log.roasts(words="farm 39")),
            ("search by weight and day", lambda: log.roasts(green_g=200, since="2015")),
            ("one roast with all that was heard", lambda: log.record(log.find("roast-2500"))),
            ("keep one more", lambda: log.keep(events)),
            ("compare five, with the figure", compared),
        ):
            print(f"{name:<36}{1e3 * best_of(5, run):>8.0f} ms of one core{1e3 * wall(run):>8.0f} ms by the clock")
        log.keep(_demo_events(), recording=DEMO)
        record = log.record(log.find("demo_roast"))

        def reported() -> None:
            render(record, sound.gather(record, DEMO))

        reported()
        print(f"{'one report of a roast of 9 minutes':<36}{1e3 * best_of(3, reported):>8.0f} ms of one core"
              f"{1e3 * wall(reported):>8.0f} ms by the clock")  # fmt: skip
        log.close()


def page() -> None:
    """How soon an event is on a phone, what a page costs to open, what phones and a flood cost the hearing."""
    from pages import Phone, Served
    from test_alerts import begun, crack, density, event, start

    print("\nthe page")
    told = [start(target="1:45"), event("charge", 10.0, how="key"), begun(560.0, 568.0), density(600.0)]
    with Served() as served:
        served.tell(*told)
        phone = Phone(served)
        phone.in_background()
        late = []
        for number in range(40):
            time.sleep(0.21 + 0.013 * number)
            at = 601.0 + number
            began = time.monotonic()
            served.tell(crack(at))
            while not any(row[0] == at for row in phone.pops):
                time.sleep(0.0005)
            late.append(time.monotonic() - began)
        print(f"{'event to phone':<36}{1e3 * float(np.median(late)):>8.0f} ms median{1e3 * max(late):>8.0f} ms at most")
        phone.close()
        files = ("/", "/page.css", "/page.js", "/live.css", "/live.js", "/icon.svg")
        view = sum(len(served.ask("GET", path)[2]) for path in files)
        print(f"{'first view':<36}{view / 1e3:>8.1f} kB")
    alone = _heard_with_page("stream", 0)
    for name, kind, count in (("20 phones", "stream", 20), ("a flood over 30 connections", "flood", 30)):
        cost, delays = _heard_with_page(kind, count)
        print(
            f"{name:<36}{100 * (cost - alone[0]):>8.1f} % of a core more; a block is heard in "
            f"{1e3 * float(np.median(delays)):.1f} ms, 99 % in {1e3 * float(np.quantile(delays, 0.99)):.1f}, "
            f"all in {1e3 * max(delays):.1f} (without: {1e3 * float(np.median(alone[1])):.1f}, "
            f"{1e3 * float(np.quantile(alone[1], 0.99)):.1f}, {1e3 * max(alone[1]):.1f})"
        )


def review() -> None:
    """What it costs to open the review of 18 minutes, and how soon a card's sound is there while all of it is read."""
    from reviewed import Reviewed, kept_roast

    print("\nthe review")
    samples, samplerate = soundfile.read(DEMO, dtype="float32")
    with tempfile.TemporaryDirectory() as folder:
        long = np.resize(samples, 18 * 60 * samplerate)
        number = kept_roast(Path(folder), sound=long, samplerate=samplerate)
        began, cost = time.monotonic(), time.process_time()
        with Reviewed(Path(folder), number=number) as served:
            served.shown()
            print(f"{'until it shows marks and cards':<36}{1e3 * (time.monotonic() - began):>8.0f} ms by the clock")
            asked = time.monotonic()
            served.sound(500 * samplerate, 2 * samplerate)
            print(f"{'a sound meanwhile':<36}{1e3 * (time.monotonic() - asked):>8.0f} ms by the clock")
            for tile in range(5):  # 1 s a column
                served.ask("GET", f"/tile/12/{tile}")
            print(f"{'until all of it is drawn':<36}{1e3 * (time.monotonic() - began):>8.0f} ms by the clock"
                  f"{1e3 * (time.process_time() - cost):>8.0f} ms of one core")  # fmt: skip


def _heard_with_page(kind: str, count: int, seconds: float = 15.0) -> tuple[float, list[float]]:
    """Part of a core that hearing with a page costs, and seconds each block took; others ask for the page meanwhile."""
    from pages import Served

    samples, samplerate = soundfile.read(DEMO, dtype="float32")
    samples = samples[330 * samplerate :][: round(seconds * samplerate)]  # in the middle of first crack
    pipeline = Pipeline(samplerate=samplerate, model=model.shipped(), settings=Settings(charge_at=0.0))
    with Served() as served:
        served.tell(*pipeline.push(Block(samples[: 2 * samplerate])))
        arguments = [kind, str(served.place.port), served.cookie, str(count), str(seconds + 5)]
        others = subprocess.Popen(
            [sys.executable, Path(__file__).parent / "programs" / "phones.py", *arguments], stdout=subprocess.PIPE
        )
        assert others.stdout is not None
        others.stdout.readline()
        time.sleep(0.5)
        delays = []
        began, spent = time.monotonic(), time.process_time()
        for number, first in enumerate(range(0, len(samples) - 1024, 1024)):
            time.sleep(max(0.0, began + number * 1024 / samplerate - time.monotonic()))
            block = Block(samples[first : first + 1024])
            due = time.monotonic()
            served.level.observe(block)
            events = pipeline.push(block)
            delays.append(time.monotonic() - due)
            served.tell(*events)
        cost = (time.process_time() - spent) / (time.monotonic() - began)
        looking = served.page.phones
        others.kill()
        others.wait()
        others.stdout.close()
    assert looking == (count if kind == "stream" else 0)
    return cost, delays


def _demo_events() -> list[object]:
    source = open_recording(DEMO)
    settings = Settings(charge_at=16.0, drop_at=500.0)
    pipeline = Pipeline(samplerate=source.samplerate, model=model.shipped(), settings=settings, roast="demo_roast")
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
    "stages": stages,
    "latency": latency,
    "board": board,
    "start_up": start_up,
    "page": page,
    "review": review,
    "roast_log": roast_log,
}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
