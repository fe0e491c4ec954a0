"""Long trials of what must never be lost, each a table: ``python tests/trials.py kills|endpoints|hours|starts``."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import kills
import numpy as np
from endpoint import Endpoint

from crackdetect import model_files
from crackdetect.log.store import RoastLog
from crackdetect.webhook.courier import Courier
from crackdetect.webhook.outbox import FILE_NAME, Outbox
from crackdetect.webhook.post import Postman


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
            event = kills.json.loads(one.body)["data"]
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


TRIALS = {"kills": kill_many}

if __name__ == "__main__":
    begin = time.monotonic()
    TRIALS[sys.argv[1]](*map(int, sys.argv[2:]))
    row("took", f"{time.monotonic() - begin:.0f} s, model {model_files.shipped().digest[:8]}")
