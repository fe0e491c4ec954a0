"""What several commands share: options, the settings they become, and sentences for the person."""

from __future__ import annotations

import math
import shutil
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from crackdetect.config import About, Sensitivity, Settings, Target
    from crackdetect.session import Sink

_F = TypeVar("_F", bound=Callable[..., Any])


class NumberRange(click.FloatRange):
    """A range that nan is outside of too: no comparison holds it out."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            name = "" if param is None or param.name is None else param.name.replace("_", "-")
            raise SettingError(f"{name} nan is not a number; give {self.min:g} to {self.max:g}")
        return number


def shared(function: _F) -> _F:
    """Options of every command that hears."""
    options = (
        click.option(
            "--target", metavar="TIME|PERCENT", help="Development wanted: a time (1:45) or a share of the roast (18%)."
        ),
        click.option(
            "--sensitivity",
            type=click.Choice(["earlier", "usual", "surer"]),
            help="Announce first crack earlier (by some 3 s; in loud kitchens twice as often falsely) or surer (2 or "
            "3 s later, two thirds as often falsely).  [default: usual]",
        ),
        click.option(
            "--format",
            "form",
            type=click.Choice(["text", "jsonl"]),
            help="Lines to read, or one JSON object an event. Default: text on a terminal, jsonl into a pipe or file.",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def of_the_roast(function: _F) -> _F:
    """What the person says of a roast, for the log."""
    options = (
        click.option("--coffee", metavar="NAME", help="Name of the coffee, free text."),
        click.option("--green", metavar="WEIGHT", help="Green weight: 200g, 0.2kg, 7oz, 0.5lb."),
        click.option("--process", metavar="TEXT", help="Washed, natural, ...: free text."),
        click.option("--origin", metavar="TEXT", help="Where it grew, free text."),
        click.option("--machine", metavar="TEXT", help="What it was roasted in, free text."),
    )
    for option in reversed(options):
        function = option(function)
    return function


given_charge = click.option(
    "--charge-at",
    metavar="TIME",
    help="When the beans went in, from the first sample (0:30). Else listened for; many are missed.",
)
_CHANNEL = "Which channel to hear, from 1. Default: "
given_channel = click.option(
    "--channel",
    type=click.IntRange(1),
    help=f"{_CHANNEL}where cracks stand out best, as measured (a stream: the mean).",
)
#: A microphone cannot be heard beforehand.
given_live_channel = click.option(
    "--channel", type=click.IntRange(1), help=f"{_CHANNEL}the mean of the first two, or the only one."
)
on_cluster = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Work on this Dask cluster (tcp://host:8786) instead; its workers need this program and the same files.",
)
given_model = click.option(
    "--model", "model_path", type=click.Path(path_type=Path), help="Another model file than the shipped one."
)


def about_of(
    *, green: str | None, coffee: str | None, process: str | None, origin: str | None, machine: str | None
) -> About:
    """What was said of the roast on the command line."""
    from crackdetect.config import About, parse_weight

    grams = None if green is None else parse_weight(green, name="green")
    return About(coffee=coffee, process=process, origin=origin, machine=machine, green_g=grams)


def is_text(form: str | None) -> bool:
    return sys.stdout.isatty() if form is None else form == "text"


def target_of(text: str | None) -> Target | None:
    from crackdetect.config import Target

    return None if text is None else Target.parse(text)


def settings_of(
    *, charge_at: str | None, drop_at: str | None, target: str | None, sensitivity: Sensitivity | None
) -> Settings:
    from crackdetect.config import Settings, parse_time

    settings = Settings(
        charge_at=None if charge_at is None else parse_time(charge_at, name="charge-at"),
        drop_at=None if drop_at is None else parse_time(drop_at, name="drop-at"),
        target=target_of(target),
        sensitivity=sensitivity or "usual",
    )
    if settings.target is not None and settings.target.ratio is not None and settings.charge_at is None:
        raise SettingError(
            f"target {settings.target} is a share of the roast from charge to drop; "
            "say when charge was with --charge-at"
        )
    return settings


def sink_of(text: bool, *, name: str, write: Callable[[str], None]) -> Sink:
    from crackdetect import console

    if text:
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        return console.TextSink(write, name=name, bold=console.may_style(sys.stdout), width=width)
    return console.JsonLinesSink(write)


def teller(text: bool) -> Callable[[str], None]:
    """Where a line for the person goes: standard output in text form, else standard error."""
    if not text:
        return tell
    from crackdetect.console import write_line

    return lambda line: write_line(sys.stdout, line)


def complainer(say: Callable[[str], None]) -> Callable[[str], None]:
    return lambda sentence: say(f"crackdetect: {sentence}")


def tell(sentence: str) -> None:
    """A sentence for the person, on standard error: one line, which a terminal gets broken between words."""
    if sys.stderr.isatty():
        width = shutil.get_terminal_size().columns
        sentence = textwrap.fill(sentence, width, break_long_words=False, break_on_hyphens=False)
    click.echo(sentence, err=True)


def complain(sentence: str) -> None:
    """What went wrong, on standard error."""
    tell(f"crackdetect: {sentence}")


def roast_now() -> str:
    """The wall clock names a live roast."""
    from datetime import datetime

    return f"{datetime.now().astimezone():%Y-%m-%dT%H-%M-%S}"
