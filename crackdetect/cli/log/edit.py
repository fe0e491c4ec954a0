"""``crackdetect log edit``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from crackdetect.cli.options import roast_argument
from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from crackdetect.roast.record import Roast


#: Options of ``edit`` by the moment they date.
_MOMENTS = {
    "charge": "charge",
    "first_crack": "first_crack.start",
    "first_crack_end": "first_crack.end",
    "second_crack": "second_crack.start",
    "drop": "drop",
    "cooled": "cooled",
}
_WEIGHTS = {"batch": "green_g", "roasted": "roasted_g"}


@click.command(name="edit")
@roast_argument
@click.option("--batch", metavar="WEIGHT", help="Weight of the green beans: 200g, 0.2kg, 7oz, 0.5lb.")
@click.option("--roasted", metavar="WEIGHT", help="Roasted weight.")
@click.option("--coffee", metavar="NAME")
@click.option("--process", metavar="TEXT")
@click.option("--origin", metavar="TEXT")
@click.option("--machine", metavar="TEXT")
@click.option("--target", metavar="TIME|PERCENT", help="What was wanted: 1:45 or 18%.")
@click.option("--started", metavar="DAY", help="When it began: 2026-03-01T18:30.")
@click.option("--charge", metavar="TIME", help="From the start of the recording.")
@click.option("--first-crack", metavar="TIME", help="From charge, as all that follow.")
@click.option("--first-crack-end", metavar="TIME")
@click.option("--second-crack", metavar="TIME")
@click.option("--drop", metavar="TIME")
@click.option("--cooled", metavar="TIME")
@click.option("--restore", multiple=True, metavar="FIELD", help="Takes a correction back; FIELD as the options here.")
def command(roast: str, restore: tuple[str, ...], **given: str | None) -> None:
    """Weights, names, and marks that were wrong. What was heard stays beside what you correct.

    An empty value ('') takes a text or weight away; 'never' says that a moment did not happen. Times count from charge
    (from the start of the recording where charge is not known). Times that cannot have been are refused: first crack
    lies between charge and drop, its end and second crack after it, and all within what was listened to.

    Example: crackdetect log edit last --roasted 168g --first-crack 9:36
    """
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.lines import print_lines
    from crackdetect.terminal.roast_lines import roast_lines

    with RoastLog() as log:
        found = log.find(roast)
        values, moments = _corrections(found, given)
        names = [_field_name(name, options=given) for name in restore]
        if not values and not moments and not names:
            raise SettingError("nothing to correct was given; see 'crackdetect log edit --help' for what can be")
        log.edit(found, values=values, moments=moments, restore=names)
        print_lines(roast_lines(log.record(log.find(str(found.number)))))


def _field_name(option: str, *, options: Iterable[str]) -> str:
    """Of the log. options: names of what can be corrected, as arguments are called. Raises SettingError."""
    name = option.removeprefix("--").replace("-", "_")
    if name not in options:
        known = ", ".join(one.replace("_", "-") for one in options)
        raise SettingError(f"restore {option!r} is nothing that can be corrected; choose one of {known}")
    return _MOMENTS.get(name) or _WEIGHTS.get(name) or name


def _corrections(roast: Roast, given: dict[str, str | None]) -> tuple[dict[str, Any], dict[str, float | None]]:
    """Options as they were typed -> values and moments of ``RoastLog.edit``. Raises SettingError naming the option."""
    from crackdetect.config import Target, parse_time, parse_weight

    values: dict[str, Any] = {}
    moments: dict[str, float | None] = {}
    charge = roast.at_s("charge")
    for name, value in given.items():
        if value is None:
            continue
        option = name.replace("_", "-")
        if name in _MOMENTS:
            if value.strip().casefold() == "never":
                moments[_MOMENTS[name]] = None
            else:
                moments[_MOMENTS[name]] = parse_time(value, name=option)
            if name == "charge":
                charge = moments["charge"]
        elif not value.strip():
            values[_WEIGHTS.get(name, name)] = None
        elif name in _WEIGHTS:
            values[_WEIGHTS[name]] = parse_weight(value, name=option)
        else:
            values[name] = Target.parse(value) if name == "target" else value
    for what, at_s in moments.items():
        if what != "charge" and at_s is not None:
            moments[what] = at_s + (charge or 0.0)
    return values, moments
