"""What the board says of the last roast of a coffee: the log above, the line beneath."""

from __future__ import annotations

from pathlib import Path

from roasts import roast_events

from crackdetect.listening.last_time import last_time
from crackdetect.roast.record import CUPS
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog


def keep(
    data: Path, name: str, coffee: str, green_g: float, *, drop: float | None = 500.0, cup: int | None = None
) -> None:
    with RoastLog(data / FILE) as log:
        log.keep(roast_events(name, drop=drop, about={"coffee": coffee, "green_g": green_g}))
        if cup is not None:
            log.note(log.find("last"), cup=cup, liking=4)


def test_the_newest_of_the_same_batch_comes_before_newer_ones_of_another(tmp_path: Path) -> None:
    """Charge at 0:10 of the recording, first crack at 6:40, drop at 8:20 (arithmetic)."""
    keep(tmp_path, "monday", "Meadow Lane", 200.0, cup=0)
    keep(tmp_path, "tuesday", "Meadow Lane", 400.0, drop=None)
    words = f"last time: first crack 6:30, drop 8:10, {CUPS[0]} 4/5"
    assert last_time(tmp_path, coffee="meadow lane", green_g=203.0) == words
    assert last_time(tmp_path, coffee="Meadow Lane", green_g=400.0) == "last time: first crack 6:30"
    assert last_time(tmp_path, coffee="Meadow Lane", green_g=900.0) == "last time: first crack 6:30"
    assert last_time(tmp_path, coffee="Meadow Lane", green_g=None) == "last time: first crack 6:30"


def test_nothing_is_said_where_nothing_is_known(tmp_path: Path) -> None:
    assert last_time(tmp_path, coffee="Meadow Lane", green_g=200.0) == ""
    keep(tmp_path, "monday", "Meadow Lane", 200.0)
    assert last_time(tmp_path, coffee="Another", green_g=200.0) == ""
    assert last_time(tmp_path, coffee=None, green_g=200.0) == ""


def test_a_damaged_log_keeps_nobody_from_roasting(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"no log at all" * 100)
    assert last_time(tmp_path, coffee="Meadow Lane", green_g=200.0) == ""
