"""``crackdetect plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from crackdetect.cli.completing import coffees
from crackdetect.cli.options import grams_of, target_of
from crackdetect.errors import SettingError
from crackdetect.notation import clock, grams
from crackdetect.terminal.lines import columns, print_line, print_lines

if TYPE_CHECKING:
    from crackdetect.roast.planning import Plan


@click.command(name="plan")
@click.option(
    "--coffee",
    metavar="NAME",
    shell_complete=coffees,
    help="As it is called in the log. Without it: the coffees of the log.",
)
@click.option("--batch", metavar="WEIGHT", help="Weight of the green beans: 200g, 7oz.  [default: as last time]")
@click.option("--target", metavar="TIME|PERCENT", help="Development wanted: 1:45 or 18%.  [default: as last time]")
@click.option("--forget", is_flag=True, help="Only show it; 'crackdetect listen' is not to start with it.")
def command(coffee: str | None, batch: str | None, target: str | None, forget: bool) -> None:
    """The next batch, from the roasts of that coffee: first crack, drop, what the last cup suggests.

    Target, batch and the window in which first crack is expected are remembered: 'crackdetect listen --coffee NAME'
    starts with them, until a roast of that coffee is saved.

    Example: crackdetect plan --coffee "Lot Seven" --batch 200g --target 18%
    """
    import textwrap

    from crackdetect.roast import cautions
    from crackdetect.roast.planning import make_plan
    from crackdetect.roast.words import clean, near_miss, shown
    from crackdetect.storage.log_reading import SAME_WEIGHT
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.plan_lines import plan_lines
    from crackdetect.terminal.roast_lines import row

    if coffee is None:
        with RoastLog() as log:
            known = log.coffees()
        if not known:
            raise SettingError("the log has no coffee yet; roast one with 'crackdetect listen --coffee NAME'")
        print_line("Coffees in the log, the latest first; plan one with: crackdetect plan --coffee NAME")
        print_lines(f"  {shown(one, most=70)}" for one in known)
        return
    name = clean(coffee)
    if name is None:
        raise SettingError("coffee is empty; give the name it has in the log")
    green_g, wanted = grams_of(batch), target_of(target)
    with RoastLog() as log:
        roasts = log.roasts(coffee=name)
        name = next((roast.coffee for roast in roasts if roast.coffee), name)  # as the log spells it
        plan = make_plan(roasts, log.notes(roasts), green_g=green_g, target=wanted, same=SAME_WEIGHT)
        lines = plan_lines(name, plan)
        if not roasts:
            near = near_miss(name, log.coffees())
            hint = f"did you mean {shown(near)!r}?" if near else "check the name with 'crackdetect log'"
            lines += row("note", f"no roast of this coffee is in the log yet; {hint}")
        # a name that may be mistyped is remembered only with something that was said of it
        if not forget and (wanted is not None or (roasts and _remembered(plan))):
            log.plan(name, target=plan.target, green_g=plan.green_g, expect=plan.window)
            remembered = f"{_remembered(plan)}, for the next 'crackdetect listen' of this coffee"
            lines += row("remembered", remembered)
    print_lines(lines)
    print_line()
    print_lines(textwrap.wrap(cautions.ALWAYS, columns()))


def _remembered(plan: Plan) -> str:
    parts = [] if plan.target is None else [f"target {plan.target}"]
    parts += [] if plan.window is None else [f"first crack expected {clock(plan.window[0])}-{clock(plan.window[1])}"]
    parts += [] if plan.green_g is None else [grams(plan.green_g)]
    return ", ".join(parts)
