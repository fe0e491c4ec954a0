"""``crackdetect plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from crackdetect.errors import SettingError
from crackdetect.events import clock

if TYPE_CHECKING:
    from crackdetect.log.planning import Plan


@click.command(name="plan")
@click.option("--coffee", metavar="NAME", required=True, help="As it is called in the log.")
@click.option("--green", metavar="WEIGHT", help="Green weight: 200g, 7oz.  [default: as last time]")
@click.option("--target", metavar="TIME|PERCENT", help="Development wanted: 1:45 or 18%.  [default: as last time]")
@click.option("--forget", is_flag=True, help="Only show it; 'crackdetect listen' is not to start with it.")
def command(coffee: str, green: str | None, target: str | None, forget: bool) -> None:
    """The next batch, from the roasts of that coffee: first crack, drop, what the last cup suggests.

    Target, weight and the window in which first crack is expected are remembered: 'crackdetect listen --coffee NAME'
    starts with them, until a roast of that coffee is kept.

    Example: crackdetect plan --coffee "Hill Farm" --green 200g --target 18%
    """
    import sys
    import textwrap

    from crackdetect import cautions
    from crackdetect.config import Target, parse_weight
    from crackdetect.console import columns, write_line
    from crackdetect.log import text
    from crackdetect.log.planning import make_plan
    from crackdetect.log.store import SAME_WEIGHT, RoastLog
    from crackdetect.log.words import clean, near_miss, shown

    name = clean(coffee)
    if name is None:
        raise SettingError("coffee is empty; give the name it has in the log")
    green_g = None if green is None else parse_weight(green, name="green")
    wanted = None if target is None else Target.parse(target)
    with RoastLog() as log:
        roasts = log.roasts(coffee=name)
        name = next((roast.coffee for roast in roasts if roast.coffee), name)  # as the log spells it
        plan = make_plan(roasts, log.notes(roasts), green_g=green_g, target=wanted, same=SAME_WEIGHT)
        lines = text.plan_lines(name, plan)
        if not roasts:
            near = near_miss(name, log.coffees())
            hint = f"did you mean {shown(near)!r}?" if near else "check the name with 'crackdetect log'"
            lines += text.row("note", f"no roast of this coffee is in the log yet; {hint}")
        # a name that may be mistyped is remembered only with something that was said of it
        if not forget and (wanted is not None or (roasts and _remembered(plan))):
            log.plan(name, target=plan.target, green_g=plan.green_g, expect=plan.window)
            lines += text.row("remembered", f"{_remembered(plan)}, for the next 'crackdetect listen' of this coffee")
    for line in lines:
        write_line(sys.stdout, line)
    write_line(sys.stdout, "")
    write_line(sys.stdout, textwrap.fill(cautions.ALWAYS, columns()))


def _remembered(plan: Plan) -> str:
    from crackdetect.log.text import grams

    parts = [] if plan.target is None else [f"target {plan.target}"]
    parts += [] if plan.window is None else [f"first crack expected {clock(plan.window[0])}-{clock(plan.window[1])}"]
    parts += [] if plan.green_g is None else [grams(plan.green_g)]
    return ", ".join(parts)
