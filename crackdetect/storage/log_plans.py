"""What the next roast of a coffee is to be: the plan that was made for it, and what its last roast was."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from crackdetect.config import Target
from crackdetect.roast.record import Roast
from crackdetect.roast.words import clean
from crackdetect.storage import schema
from crackdetect.storage.log_reading import LogReading, pair, target_of


@dataclass(frozen=True, slots=True)
class Remembered:
    """What holds for the next roast of a coffee. expect: roast times (s) between which first crack is expected."""

    target: Target | None = None
    green_g: float | None = None
    machine: str | None = None
    expect: tuple[float, float] | None = None


class LogPlans(LogReading):
    """Remembers for the next roast."""

    def last_of(self, coffee: str) -> Remembered | None:
        """What holds for the next roast of a coffee: its plan, and its last roast where the plan says nothing."""
        with schema.speaking_of(self.path):
            plan = self._connection.execute(
                "SELECT * FROM plans WHERE coffee = ?", (schema.folded(clean(coffee)),)
            ).fetchone()
        last = next(iter(self.roasts(coffee=coffee, most=1)), None)
        if plan is None and last is None:
            return None
        planned = (
            Remembered()
            if plan is None
            else Remembered(
                target=target_of(plan["target"]),
                green_g=plan["green_g"],
                expect=pair(plan["expect_from_s"], plan["expect_to_s"]),
            )
        )
        before = last or Roast(0, "", "", "")
        return Remembered(
            target=planned.target or before.target,
            green_g=planned.green_g or before.green_g,
            machine=before.machine,
            expect=planned.expect or before.expect,
        )

    def plan(
        self,
        coffee: str,
        *,
        target: Target | None,
        green_g: float | None,
        expect: tuple[float, float] | None,
    ) -> None:
        """Remembers what the next roast of a coffee is to be, until a roast of it is kept.

        Parameters
        ----------
        target, green_g
            Development wanted, and the green weight, grams.
        expect
            Roast times (s) between which first crack is expected.
        """
        first, last = expect or (None, None)
        with self.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO plans VALUES (?, ?, ?, ?, ?, ?)",
                (
                    schema.folded(clean(coffee)),
                    None if target is None else str(target),
                    green_g,
                    first,
                    last,
                    datetime.now().astimezone().isoformat(timespec="seconds"),
                ),
            )
