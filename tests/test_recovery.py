"""Roasts that were cut off: found, told, closed into the log, or set aside where nothing can be read."""

from __future__ import annotations

import os
from datetime import datetime, timedelta
from pathlib import Path

import kills
import pytest
from endpoint import Endpoint
from left_behind import leave

from crackdetect.config import About
from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.roast.state import RoastState, summary_of
from crackdetect.storage import recovery
from crackdetect.storage.journal import read_events
from crackdetect.storage.recovery import CutOff
from crackdetect.storage.roast_store import RoastLog


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))


NOW = datetime.fromisoformat("2026-11-25T10:20:00+01:00")


def cut_off(*, until: float, ago_s: float, started: bool = True, **said: float) -> CutOff:
    """A roast last heard of at ``until``. said: seconds of moments that were heard, or of its summary."""
    about = About(coffee="Trial")
    start = {"settings": kills.SETTINGS.as_fields(), "about": about.as_fields()}
    events = [Event("roast.start", 0.0, 0.0, None, 0, "2026-11-25T10-00-00", start)]
    events += [Event(kind, at, at, None, 1, "2026-11-25T10-00-00", {"how": "heard"}) for kind, at in said.items()]
    events += [Event("mark", until, until, None, 2, "2026-11-25T10-00-00", {"what": "charge"})]
    return CutOff(Path("roast"), RoastState.of(events), NOW - timedelta(seconds=until + ago_s) if started else None)


def finished(cut_off: CutOff) -> CutOff:
    summary = summary_of(cut_off.state)
    cut_off.state.apply(Event("summary", 0.0, 0.0, None, 3, cut_off.state.roast, summary))
    return cut_off


@pytest.mark.parametrize(
    ("case", "running"),
    [
        (cut_off(until=400, ago_s=2), True),
        (cut_off(until=400, ago_s=19 * 60), True),
        (cut_off(until=400, ago_s=21 * 60), False),
        (cut_off(until=3500, ago_s=200), False),  # more than an hour
        (cut_off(until=700, ago_s=60, drop=650.0), True),
        (cut_off(until=700, ago_s=11 * 60, drop=650.0), False),  # it has long cooled
        (cut_off(until=700, ago_s=5, drop=650.0, cooled=690.0), False),
        (finished(cut_off(until=700, ago_s=5)), False),
        (cut_off(until=700, ago_s=-60), False),  # the clock was set back: it cannot be told
        (cut_off(until=700, ago_s=5, started=False), False),
    ],
)
def test_whether_a_roast_may_still_be_running(case: CutOff, running: bool) -> None:
    assert case.may_still_run(NOW) is running


def test_what_is_told_of_a_roast_that_was_cut_off() -> None:
    assert cut_off(until=372.4, ago_s=125).told(NOW) == (
        "the roast of Trial that began as 2026-11-25T10-00-00 was cut off at 6:12, 2:05 ago"
    )
    assert "ago" not in cut_off(until=372.4, ago_s=-5).told(NOW)


def test_a_roast_that_another_process_has_put_into_the_log_meanwhile(tmp_path: Path, model: Model) -> None:
    data = tmp_path / "data"
    folder = leave(data, "old", model, ago_s=7200)
    (cut_off,) = recovery.find(data)
    assert recovery.close(cut_off, model) == "old"
    kept = read_events(folder)
    with pytest.raises(OutputError, match="another crackdetect has closed it"):
        recovery.close(cut_off, model)
    assert recovery.keep(folder) == "old"
    assert read_events(folder) == kept
    assert recovery.find(data) == []
    assert not (folder / "events.jsonl").exists()


def test_a_folder_of_roasts_that_cannot_be_looked_through_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, pattern: str) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "glob", refuse)
    told: list[str] = []
    assert recovery.find(tmp_path, tell=told.append) == []
    where = f"the roasts in {tmp_path / 'roasts'} cannot be looked through (Input/output error)"
    assert told == [f"{where}; one that was cut off stays there until they can"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.long
def test_killed_at_random_moments_a_roast_loses_a_second_at_most(tmp_path: Path) -> None:
    """A few of what ``tests/trials.py kills`` does two hundred times."""
    with Endpoint() as endpoint:
        nursery = kills.Nursery(tmp_path, endpoint.url)
        try:
            lefts = [
                kills.kill_one(nursery, tmp_path, f"roast-{number}", after_s=after_s)
                for number, after_s in enumerate((0.5, 1.7, 3.5))
            ]
        finally:
            nursery.close()
        for left in lefts:
            kills.close_one(tmp_path, left)
            assert left.lost_events == []
            assert [event["seq"] for event in left.kept] == list(range(len(left.kept)))
            assert left.lost_sound_s < 1.0
            assert bool(left.identity) == bool(left.kept)
    assert max(len(left.said) for left in lefts) > 5
    with RoastLog() as log:
        assert log.count() == sum(bool(left.kept) for left in lefts)
