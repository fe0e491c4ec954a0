"""Roast after roast in one process, with all that follows one: nothing grows, and each is in the log.

A whole day is ``python tests/trials.py day``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import day
import pytest

from crackdetect.listening import kept_roast
from crackdetect.model import Model
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")


def _roasts(home: Path, model: Model, monkeypatch: pytest.MonkeyPatch, *, count: int, seconds: float) -> list[day.Held]:
    monkeypatch.setenv("CRACKDETECT_HOME", str(home))
    monkeypatch.setattr(kept_roast, "SEND_S", 0.2)
    day.only_what_is_kept()
    looks = []
    for number in range(count):
        day.roast(home, model, number=number, seconds=seconds)
        looks.append(day.held())
    with RoastLog() as log:
        assert log.count() == count
    return looks


def test_a_few_roasts_leave_no_file_and_no_thread(
    tmp_path: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = _roasts(tmp_path, plain_model, monkeypatch, count=4, seconds=5)
    assert looks[-1].files == looks[1].files
    assert looks[-1].threads == looks[1].threads


@pytest.mark.long
def test_an_hour_of_roasts_holds_no_more_than_its_beginning(
    tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = _roasts(tmp_path, model, monkeypatch, count=12, seconds=300)
    assert (looks[-1].files, looks[-1].threads) == (looks[3].files, looks[3].threads)
    assert looks[-1].memory_mb <= 1.02 * looks[3].memory_mb
    assert looks[-1].blocks <= 1.002 * looks[3].blocks
