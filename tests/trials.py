"""Long trials of what must never be lost, each a table: ``python tests/trials.py NAME``, a name of ``TRIALS``."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import ssl
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import conftest
import day
import kills
import log_bytes
import mutators
import numpy as np
import trustme
from endpoint import Behaviour, Endpoint, Try

from crackdetect import model
from crackdetect.blocks import Block
from crackdetect.events import Event
from crackdetect.pipeline import Pipeline
from crackdetect.running.loop import listen
from crackdetect.storage.journal import Journal
from crackdetect.storage.recording import Recorder
from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal.text_events import TextSink
from crackdetect.webhook import post
from crackdetect.webhook.courier import Courier
from crackdetect.webhook.outbox import FILE_NAME, Outbox
from crackdetect.webhook.post import Postman
from crackdetect.webhook.selection import Selection
from crackdetect.webhook.sink import WebhookSink


def row(name: str, value: object) -> None:
    print(f"{name:<58} {value}", flush=True)


def kill_many(count: int = 200, seed: int = 0) -> None:
    """Kills so many roasts at random moments, one after the other, and counts what is missing of each."""
    home = Path(tempfile.mkdtemp(prefix="kills"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    lost: list[float] = []
    lost_sound: list[float] = []
    late = unclosed = holes = said = 0
    names: dict[str, int] = {}
    with Endpoint() as endpoint:
        nursery = kills.Nursery(home, endpoint.url)
        for number, after_s in enumerate(kills.moments(count, seed=seed)):
            left = kills.kill_one(nursery, home, f"roast-{number:03d}", after_s=after_s)
            kills.close_one(home, left)
            said += len(left.said)
            late += len(left.lost_events)
            lost.append(left.lost_last_s)
            lost_sound.append(left.lost_sound_s)
            holes += [event["seq"] for event in left.kept] != list(range(len(left.kept)))
            unclosed += bool(left.kept) and not left.identity
            names[left.name] = max((event["seq"] for at, event in left.said if at < left.killed - 1.0), default=-1)
        nursery.close()
        outbox = Outbox(home / "data" / FILE_NAME)
        Courier(outbox, Postman(endpoint.url, None)).close(within_s=60)
        waiting = len(outbox.pending())
        outbox.close()
        came: dict[str, list[int]] = {}
        ids: dict[tuple[str, int], set[str]] = {}
        for one in endpoint.taken:
            event = json.loads(one.body)["data"]
            if event["seq"] not in came.setdefault(event["roast"], []):
                came[event["roast"]].append(event["seq"])
            ids.setdefault((event["roast"], event["seq"]), set()).add(one.id)
        undelivered = sum(set(range(last + 1)) > set(came.get(name, [])) for name, last in names.items())
        unordered = sum(numbers != sorted(numbers) for numbers in came.values())
        doubled = sum(len(each) > 1 for each in ids.values())
        repeats = sum(count - 1 for count in Counter(one.id for one in endpoint.taken).values())
    with RoastLog() as log:
        in_log = log.count()
    row("kills", count)
    row("events said before them", said)
    row("events missing that were older than a second", late)
    row("seconds before the kill of the oldest missing event", f"{max(lost):.3f} at most")
    row("seconds of sound missing at the end", f"{max(lost_sound):.3f} at most, {np.mean(lost_sound):.3f} in the mean")
    row("journals with a hole", holes)
    row("roasts that could not be closed", unclosed)
    row("roasts in the log", in_log)
    row("webhooks: roasts that lack a message older than a second", undelivered)
    row("webhooks: out of order / still waiting", f"{unordered} / {waiting}")
    row("webhooks: one event under two ids / same id sent again", f"{doubled} / {repeats}")


# -- endpoints -------------------------------------------------------------------------------------------------

#: Kinds of trouble; each goes on until the roast is over, then the endpoint takes everything.
TROUBLES: dict[str, Behaviour | None] = {
    "no webhook at all": None,
    "takes everything": Behaviour(),
    "slow, 3 s an answer": Behaviour(wait_s=3.0),
    "hung": Behaviour(wait_s=3600.0),
    "resets": Behaviour(reset=True),
    "500": Behaviour(500),
    "429, Retry-After 5": Behaviour(429, (("retry-after", "5"),)),
    "302": Behaviour(302, (("location", "/elsewhere"),)),
    "410": Behaviour(410),
    "bad certificate": Behaviour(),
    "nobody there": Behaviour(),
}


def endpoints(seconds: int = 60, *only: str) -> None:
    """A live roast in real time beside each kind of endpoint, which behaves badly for so long, then well.

    only: kinds to try, else all.

    Delay: from the moment at which a block is there to that at which its events have been handed to every sink.
    """
    print(f"{'endpoint':<22}{'delay ms: median / 99 % / most':>32}{'events':>8}{'came':>6}{'two ids':>9}{'tries':>7}")
    for name, behaviour in TROUBLES.items():
        if only and name not in only:
            continue
        beside = _Beside(name, behaviour, seconds)
        beside.run()
        figures = "{:.2f} / {:.2f} / {:.1f}".format(*(1000 * np.quantile(beside.delays, (0.5, 0.99, 1.0))))
        came = beside.came
        doubled = sum(len(ids) > 1 for ids in came.values())
        print(
            f"{name:<22}{figures:>32}{len(beside.said):>8}{len(came):>6}{doubled:>9}{len(beside.tries):>7}", flush=True
        )


class _Beside:
    """One roast beside one endpoint. delays: seconds. said: numbers of events. tries: requests that arrived."""

    def __init__(self, name: str, behaviour: Behaviour | None, seconds: int) -> None:
        self.name, self.behaviour = name, behaviour
        self.samples = np.resize(kills.sound()[60 * kills.RATE :], seconds * kills.RATE)
        self.delays: list[float] = []
        self.said: list[int] = []
        self.tries: list[Try] = []

    samplerate, kind = kills.RATE, "microphone"

    def __iter__(self) -> Iterator[Block]:
        step = kills.RATE // 40
        begin = time.monotonic()
        for start in range(0, len(self.samples), step):
            time.sleep(max(0.0, begin + (start + step) / kills.RATE - time.monotonic()))
            there = time.perf_counter()
            yield Block(self.samples[start : start + step])
            self.delays.append(time.perf_counter() - there)  # back here when its events have been handed over

    def close(self) -> None:
        pass

    def send(self, event: Event) -> None:
        self.said.append(event.seq)

    @property
    def came(self) -> dict[int, set[str]]:
        """Number of each event that was taken -> the ids under which it was."""
        ids: dict[int, set[str]] = {}
        for one in self.tries:
            if one.status is not None and 200 <= one.status < 300:
                ids.setdefault(json.loads(one.body)["data"]["seq"], set()).add(one.id)
        return ids

    def run(self) -> None:
        pipeline = Pipeline(samplerate=kills.RATE, model=model.shipped(), settings=kills.SETTINGS, source="microphone")
        if self.behaviour is None:
            listen(self, pipeline, [self])
            return
        outbox = Outbox(Path(tempfile.mkdtemp(prefix="endpoints")) / FILE_NAME)
        tls = None
        if self.name == "bad certificate":
            tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            trustme.CA().issue_cert("elsewhere.example").configure_cert(tls)
        endpoint = Endpoint(tls=tls)
        endpoint.usual = self.behaviour
        there = endpoint if self.name != "nobody there" else contextlib.nullcontext(endpoint._server.server_close())
        with there:
            courier = Courier(outbox, Postman(endpoint.url, None))
            webhook = WebhookSink(outbox, [courier], addresses=[endpoint.url], selection=kills.ALL)
            listen(self, pipeline, [self, webhook])
            courier.close(within_s=0)
            time.sleep(post.STEP_S + 1)  # for one that hangs
            self.tries += endpoint.tries
        # from here on it behaves well, at an address of its own
        with Endpoint() as well:
            with outbox._changes() as database:
                database.execute("UPDATE waiting SET address = ?", (well.url,))
            outbox.welcome(well.url)
            Courier(outbox, Postman(well.url, None)).close(within_s=60)
            self.tries += well.tries
        outbox.close()


# -- hours and starts --------------------------------------------------------------------------------------------


class _Hours:
    """So many hours of the demonstration, over and over, as fast as recorder and hearing take it."""

    samplerate, kind, name = kills.RATE, "file", "trial"

    def __init__(self, count: int, recorder: Recorder) -> None:
        self.count, self.recorder = count, recorder
        self.sizes: list[float] = []

    def __iter__(self) -> Iterator[Block]:
        part, step = kills.sound()[: 240 * kills.RATE], kills.RATE // 10
        for number in range(self.count * 15):  # four minutes each
            for start in range(0, len(part), step):
                while self.recorder.waiting_samples > 15 * kills.RATE:
                    time.sleep(0.001)
                block = Block(part[start : start + step])
                self.recorder.observe(block)
                yield block
            if number % 15 == 14:
                self.sizes.append(_resident_mb())
                row(f"after {(number + 1) // 15} h", f"{self.sizes[-1]:.1f} MB")

    def close(self) -> None:
        pass


def hours(count: int = 8) -> None:
    """So many hours of sound as fast as it goes, with journal, recording, webhook and text; memory every hour."""
    home = Path(tempfile.mkdtemp(prefix="hours"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    folder = kills.new_folder(home / "data", "long")
    recorder = Recorder(folder, samplerate=kills.RATE)
    pipeline = Pipeline(samplerate=kills.RATE, model=model.shipped(), settings=kills.SETTINGS, roast="long")
    source = _Hours(count, recorder)
    with Endpoint() as endpoint:
        outbox = Outbox(home / "data" / FILE_NAME)
        courier = Courier(outbox, Postman(endpoint.url, None))
        webhook = WebhookSink(outbox, [courier], addresses=[endpoint.url], selection=Selection())
        text = TextSink(lambda line: None, name="trial")
        listen(source, pipeline, [Journal(folder), webhook, text])
        recorder.close()
        courier.close(within_s=30)
    row("growth from the first hour to the last", f"{source.sizes[-1] - source.sizes[0]:+.1f} MB")
    row("largest less smallest", f"{max(source.sizes) - min(source.sizes):.1f} MB")


def _resident_mb() -> float:
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def starts(count: int = 100) -> None:
    """Starts and stops so many roasts in one process, each with all that keeps it; threads, files and memory."""
    home = Path(tempfile.mkdtemp(prefix="starts"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    samples = kills.sound()[: 3 * kills.RATE]
    with Endpoint() as endpoint:
        for number in range(count + 5):
            folder = kills.new_folder(home / "data", f"roast-{number:03d}")
            kills.follow(home, folder, endpoint.url, samples)
            kills.recovery.keep(folder)
            endpoint.tries.clear()
            if number == 4 or (number - 4) % 25 == 0 or number == count + 4:
                time.sleep(0.5)  # a thread that has been joined stays in the system's list for a moment
                held = len(os.listdir("/proc/self/fd")), len(os.listdir("/proc/self/task"))
                row(
                    f"after {number - 4} starts and stops",
                    f"{held[0]} files, {held[1]} threads, {_resident_mb():.1f} MB",
                )


def a_day(hours: int = 24, seconds: int = 600) -> None:
    """So many hours of sound as roasts of so many seconds in one process: what it holds, and the log at the end."""
    home = Path(tempfile.mkdtemp(prefix="day"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    day.only_what_is_kept()
    count = round(hours * 3600 / seconds)
    looks = []
    for number in range(count):
        day.roast(home, model.shipped(), number=number, seconds=seconds)
        looks.append(day.held())
        if number % max(1, count // 12) == 0 or number == count - 1:
            row(f"after {(number + 1) * seconds / 3600:.1f} h", looks[-1])
    settled = looks[min(round(2 * 3600 / seconds), len(looks) // 2) :]  # what is loaded once is loaded by then
    sizes = [one.memory_mb for one in settled]
    row("growth of memory from two hours on to the end", f"{100 * (sizes[-1] / sizes[0] - 1):+.2f} %")
    row("most memory in that time over the first of it", f"{100 * (max(sizes) / sizes[0] - 1):+.2f} %")
    row("growth of Python's blocks in that time", f"{100 * (settled[-1].blocks / settled[0].blocks - 1):+.2f} %")
    for name in ("files", "threads"):
        counts = [getattr(one, name) for one in settled]
        row(f"{name}, fewest to most", f"{min(counts)} to {max(counts)}")
    with RoastLog() as log:
        row("roasts / in the log", f"{count} / {log.count()}")


def mutants(count: int = 100_000, first: int = 100_000) -> None:
    """So many nearly right files, from a seed on, each kind in turn; what is wrong is told with its seed."""
    home = Path(tempfile.mkdtemp(prefix="mutants"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    plain = home / "plain.json"
    small = conftest.plain_classifier(plain)
    kinds = mutators.kinds(home, plain, small)
    tried: Counter[str] = Counter()
    taken: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    slowest: dict[str, float] = {}
    memory: dict[str, float] = Counter()
    for kind in kinds:  # what is loaded once is no memory of a mutant
        mutators.try_one(kind, home, seed=first - 1)
    for number in range(count):
        kind = kinds[number % len(kinds)]
        before = mutators.memory_mb()
        tried[kind.name] += 1
        try:
            took_s, code = mutators.try_one(kind, home, seed=first + number)
            taken[kind.name] += code == 0
            slowest[kind.name] = max(slowest.get(kind.name, 0.0), took_s)
        except AssertionError as error:
            wrong[kind.name] += 1
            row("WRONG", error)
        memory[kind.name] += mutators.memory_mb() - before
        if number % 10_000 == 9_999:
            row(f"after {number + 1:,}", f"{wrong.total()} wrong")
    print(f"{'kind':<24}{'tried':>8}{'taken':>8}{'wrong':>7}{'slowest s':>11}{'memory MB':>11}")
    for name in tried:
        figures = f"{tried[name]:>8}{taken[name]:>8}{wrong[name]:>7}{slowest[name]:>11.2f}{memory[name]:>+11.0f}"
        print(f"{name:<24}{figures}")
    row("all", f"{tried.total():,}, {taken.total():,} taken, {wrong.total()} wrong")


def damaged_bytes(others: int = 2_500, seed: int = 1) -> None:
    """A roast is heard with each byte of the log's header and schema changed, and so many others, one at a time."""
    home = Path(tempfile.mkdtemp(prefix="bytes"))
    os.environ["CRACKDETECT_HOME"] = str(home)
    plain = home / "plain.json"
    small = conftest.plain_classifier(plain)
    path = log_bytes.path_in(home)
    good = log_bytes.fill(path)
    behind = range(log_bytes.SCHEMA, len(good))
    parts = {
        "header": list(range(log_bytes.HEADER)),
        "schema": list(range(log_bytes.HEADER, log_bytes.SCHEMA)),
        "others": log_bytes.some(behind, others, seed=seed),
    }
    print(f"{'bytes of':<12}{'changed':>9}{'told':>8}{'exit 0':>8}{'6':>7}{'8':>7}{'wrong':>7}")
    for name, places in parts.items():
        codes: Counter[int] = Counter()
        told = wrong = 0
        with log_bytes.with_ending_microphone():
            for at, content in zip(places, log_bytes.damaged(good, places, seed=seed), strict=True):
                try:
                    told += log_bytes.told(path, content)
                    codes[log_bytes.heard(path, good, content, plain=plain, model=small)] += 1
                except Exception as error:
                    wrong += 1
                    row("WRONG", f"byte {at}, {content[at]} for {good[at]}: {type(error).__name__}: {error}")
                    shutil.rmtree(path.parent / "roasts", ignore_errors=True)
        print(f"{name:<12}{len(places):>9}{told:>8}{codes[0]:>8}{codes[6]:>7}{codes[8]:>7}{wrong:>7}", flush=True)


TRIALS: dict[str, Callable[..., None]] = {
    "kills": kill_many, "endpoints": endpoints, "hours": hours, "starts": starts, "day": a_day, "mutants": mutants,
    "bytes": damaged_bytes,
}  # fmt: skip

if __name__ == "__main__":
    begin = time.monotonic()
    TRIALS[sys.argv[1]](*(int(text) if text.isdecimal() else text for text in sys.argv[2:]))
    row("took", f"{time.monotonic() - begin:.0f} s, model {model.shipped().digest[:8]}")
