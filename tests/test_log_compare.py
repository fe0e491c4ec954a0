"""Several roasts of the log: compare, trend, plan, and tables that fit their terminal."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest
from commands import Run
from rich.console import Console
from rich.table import Table
from roasts import keep_roasts, roast_events

from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal import log_tables

pytestmark = pytest.mark.usefixtures("home")


# -- several ---------------------------------------------------------------------------------------------------


def test_compare_shows_them_side_by_side_and_says_what_differs(run: Run) -> None:
    with RoastLog() as log:
        for name, drop in (("one", 480.0), ("two", 540.0)):
            log.keep(roast_events(name, drop=drop, about={"coffee": "Lot Seven"}))
    out = run("log", "compare", "one", "two", "--format", "text")[1]
    assert out.startswith("Lot Seven, 2 roasts:\n")
    assert "6:30 ±6s" in out
    assert "Development differs most: 1:20 in roast 1, 2:20 in roast 2, 60 s apart" in " ".join(out.split())
    assert len(run("log", "compare", "--coffee", "lot seven").rows) == 2


def test_trend_says_how_repeatable(run: Run) -> None:
    keep_roasts("one", "two", "three", target="1:45")
    out = run("log", "trend", "--coffee", "Lot Seven", "--format", "text")[1]
    assert "you dropped 5 s short of it on average, with a spread of 0 s" in " ".join(out.split())


def test_plan_expects_first_crack_and_is_remembered(run: Run) -> None:
    keep_roasts("one", "two", "three")
    code, out, _ = run("plan", "--coffee", "LOT SEVEN", "--batch", "200g", "--target", "20%")
    assert code == 0
    assert out.startswith("Plan for Lot Seven, 200 g, target 20%")
    # three first cracks at 6:30: drop at 390 s / 0.8 = 487.5 s
    assert "1:38 after first crack: at 8:08 if it begins at 6:30" in out
    assert "never leave a roast" in " ".join(out.split())
    with RoastLog() as log:
        remembered = log.last_of("lot seven")
    assert remembered is not None
    assert (str(remembered.target), remembered.green_g, remembered.expect) == ("20%", 200, (375, 405))


def test_a_plan_that_is_only_shown_is_not_remembered(run: Run) -> None:
    assert run("plan", "--coffee", "New", "--target", "18%", "--forget")[0] == 0
    with RoastLog() as log:
        assert log.last_of("New") is None


def test_a_plan_of_an_unknown_coffee_asks_whether_another_was_meant(run: Run) -> None:
    keep_roasts()
    for weight in ((), ("--batch", "250g")):
        out = " ".join(run("plan", "--coffee", "lot sven", *weight)[1].split())
        assert "no roast of this coffee is in the log yet; did you mean 'Lot Seven'?" in out
        assert "remembered" not in out
    assert "check the name with 'crackdetect log'" in " ".join(run("plan", "--coffee", "Valley")[1].split())
    with RoastLog() as log:
        assert log.last_of("lot sven") is None
        assert log.last_of("Valley") is None
    out = " ".join(run("plan", "--coffee", "Valley", "--target", "18%")[1].split())
    assert "remembered target 18%, for the next 'crackdetect listen' of this coffee" in out
    with RoastLog() as log:
        assert log.last_of("Valley") is not None
    assert "did you mean 'Lot Seven'?" in run("log", "trend", "--coffee", "Lot Sven")[2]


def test_what_a_plan_remembers_is_told(run: Run) -> None:
    keep_roasts("one", "two", "three")
    out = " ".join(run("plan", "--coffee", "Lot Seven")[1].split())
    assert "remembered first crack expected 6:15-6:45, 200 g, for the next" in out


def test_tables_fit_a_terminal_of_80_columns(run: Run) -> None:
    with RoastLog() as log:
        about = {"coffee": "a coffee with a rather long name", "green_g": 1134.0}
        for name in ("one", "two", "three"):
            log.keep(roast_events(name, first_crack=910.0, drop=1_300.0, target="1:45", about=about))
            log.edit(log.find(name), values={"roasted_g": 962.5})
            log.note(log.find(name), cup=2, liking=2)
    for arguments in (("log",), ("log", "trend", "--coffee", about["coffee"]), ("log", "compare", "1", "2", "3")):
        out = run(*arguments, "--format", "text")[1]
        assert max(map(len, out.splitlines())) <= 80
        assert "burnt 2" in out
        assert "15:00" in out


def drawn(tables: Sequence[Table], width: int) -> list[str]:
    screen = Console(width=width, file=io.StringIO())
    with screen.capture() as captured:
        for table in tables:
            screen.print(table)
    return [line.rstrip() for line in captured.get().splitlines()]


@pytest.mark.parametrize(
    ("width", "left_out"),
    [(80, ()), (79, ("loss",)), (60, ("loss", "cup")), (40, ("loss", "cup", "batch", "dev. ratio", "day"))],
)
def test_a_narrow_list_leaves_out_loss_and_cup_first_and_cuts_nothing(width: int, left_out: tuple[str, ...]) -> None:
    keep_roasts("one", "two")
    with RoastLog() as log:
        log.edit(log.find("1"), values={"roasted_g": 168.0, "coffee": "Terrace Lot 4"})
        log.note(log.find("1"), cup=0, liking=4)  # the longest word
        roasts = log.roasts()
        rows = drawn([log_tables.list_table(roasts, log.notes(roasts), total=2, width=width)], width)
    cells = {"no.": "1", "day": "2026-03-01", "coffee": "Terrace Lot 4", "batch": "200 g", "crack": "6:30"}
    cells |= {"dev.": "1:40", "ratio": "20.4 %", "loss": "16.0 %", "cup": "balanced 4"}
    kept = {title: cell for title, cell in cells.items() if title not in left_out and f"dev. {title}" not in left_out}
    assert rows[2].split() == list(kept)
    assert "  ".join(rows[5].split()) == "  ".join(" ".join(kept.values()).split())
    assert (", ".join(left_out) in " ".join(rows)) or not left_out


@pytest.mark.parametrize(("width", "count", "tables"), [(80, 6, 1), (80, 8, 2), (60, 3, 1), (40, 5, 3), (200, 8, 1)])
def test_a_comparison_cuts_no_figure_however_narrow(width: int, count: int, tables: int) -> None:
    keep_roasts(*(f"roast-{number}" for number in range(count)))
    with RoastLog() as log:
        roasts = log.roasts()[::-1]
        for roast in roasts:
            log.note(roast, cup=2, liking=4)
        made = log_tables.compare_tables(roasts, log.notes(roasts), width=width)
        rows = drawn(made, width)
    assert len(made) == tables
    shown = " ".join(rows)
    assert "…" not in shown
    assert shown.count("6:30 ±6s") == count
    assert sum(f"{day}03-{number + 1:02d}" in shown for day in ("2026-", "26-") for number in range(count)) >= count
    assert shown.count("4/5") == count
