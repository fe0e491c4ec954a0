"""Options that several commands share, and the objects they become."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from crackdetect.cli.completing import coffees, roasts
from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from crackdetect.config import About, Sensitivity, Settings, Target

_F = TypeVar("_F", bound=Callable[..., Any])


def together(*options: Callable[[Any], Any]) -> Callable[[_F], _F]:
    """One decorator of several options, which the help lists in this order."""

    def decorate(function: _F) -> _F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


class NumberRange(click.FloatRange):
    """A range that nan is outside of too: no comparison holds it out."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """As typed to a number; the library calls it. Raises SettingError for nan."""
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            name = "" if param is None or param.name is None else param.name.replace("_", "-")
            raise SettingError(f"{name} nan is not a number; give {self.min:g} to {self.max:g}")
        return number


FILE = click.Path(path_type=Path, dir_okay=False)

# -- hearing ---------------------------------------------------------------------------------------------------

SENSITIVITY = click.Choice(["earlier", "usual", "surer"])

#: Of every command that hears a roast.
hearing_options = together(
    click.option(
        "--target", metavar="TIME|PERCENT", help="Development wanted: a time (1:45) or a share of the roast (18%)."
    ),
    click.option(
        "--sensitivity",
        type=SENSITIVITY,
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
#: What the person says of a roast, for the log.
roast_options = together(
    click.option("--coffee", metavar="NAME", shell_complete=coffees, help="Name of the coffee, free text."),
    click.option("--batch", metavar="WEIGHT", help="Weight of the green beans: 200g, 0.2kg, 7oz, 0.5lb."),
    click.option("--process", metavar="TEXT", help="Washed, natural, ...: free text."),
    click.option("--origin", metavar="TEXT", help="Where it grew, free text."),
    click.option("--machine", metavar="TEXT", help="What it was roasted in, free text."),
)
device_option = click.option("--device", metavar="NAME|N", help="The microphone: its number or a part of its name.")
_CHANNEL = "Which channel to hear, from 1. Default: "
channel_option = click.option(
    "--channel",
    type=click.IntRange(1),
    help=f"{_CHANNEL}where cracks stand out best, as measured (a stream: the mean).",
)
#: A microphone cannot be heard beforehand.
live_channel_option = click.option(
    "--channel", type=click.IntRange(1), help=f"{_CHANNEL}the mean of the first two, or the only one."
)
model_option = click.option(
    "--model", "model_path", type=click.Path(path_type=Path), help="Another model file than the shipped one."
)


untaught_option = click.option("--untaught", is_flag=True, help="Without what earlier roasts have told of the machine.")


def jobs_option(what: str, *, default: int | None = 1) -> Callable[[_F], _F]:
    """``--jobs``. what: the help, what there are so many of at a time. default: None = see :func:`jobs_of`."""
    shown = "one a processor" if default is None else True
    return click.option("--jobs", type=click.IntRange(1, 256), default=default, show_default=shown, help=what)


def jobs_of(jobs: int | None) -> int:
    """What was said, else one a processor that this program may use."""
    if jobs is not None:
        return jobs
    allowed = getattr(os, "sched_getaffinity", None)  # not everywhere
    return min(256, len(allowed(0)) if allowed is not None else os.cpu_count() or 1)


cluster_option = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Work on this Dask cluster (tcp://host:8786) instead; its workers need this program and the same files.",
)


def sounds_option(what: str) -> Callable[[_F], _F]:
    """``--sounds``. what: the help, how the folder of real sounds is used."""
    return click.option("--sounds", type=click.Path(path_type=Path, exists=True, file_okay=False), help=what)


# -- the log ---------------------------------------------------------------------------------------------------

roast_argument = click.argument("roast", metavar="ROAST", shell_complete=roasts)
log_form_option = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "jsonl"]),
    help="To read, or one JSON object a roast. Default: text on a terminal, jsonl into a pipe or file.",
)
of_coffee_option = click.option(
    "--coffee",
    metavar="NAME",
    shell_complete=coffees,
    help="Of this coffee; upper and lower case are the same.",
)


def replace_option(what: str = "FILE may be there already.") -> Callable[[_F], _F]:
    """``--replace``. what: the help, what may be replaced."""
    return click.option("--replace", is_flag=True, help=what)


def figure_options(png: str, svg: str, pdf: str) -> Callable[[_F], _F]:
    """``--png``, ``--svg`` and ``--pdf``, with the help of each."""
    return together(
        click.option("--png", type=FILE, metavar="FILE", help=png),
        click.option("--svg", type=FILE, metavar="FILE", help=svg),
        click.option("--pdf", type=FILE, metavar="FILE", help=pdf),
    )


# -- webhooks --------------------------------------------------------------------------------------------------

#: Of the commands that sign or check.
secret_file_option = click.option(
    "--secret-file",
    type=click.Path(path_type=Path),
    help="File that holds the secret. Else the environment (CRACKDETECT_WEBHOOK_SECRET, or a file named by "
    "CRACKDETECT_WEBHOOK_SECRET_FILE), then the keyring.",
)


# -- what they become ------------------------------------------------------------------------------------------


def is_text(form: str | None) -> bool:
    """Whether lines to read are wanted. form: of ``--format``; without it, whether there is a terminal."""
    return sys.stdout.isatty() if form is None else form == "text"


def about_of(
    *, batch: str | None, coffee: str | None, process: str | None, origin: str | None, machine: str | None
) -> About:
    """What was said of the roast on the command line. Raises SettingError for a weight that is none."""
    from crackdetect.config import About

    return About(coffee=coffee, process=process, origin=origin, machine=machine, green_g=grams_of(batch))


def grams_of(batch: str | None) -> float | None:
    """``--batch`` in grams. Raises SettingError."""
    from crackdetect.config import parse_weight

    return None if batch is None else parse_weight(batch, name="batch")


def target_of(text: str | None) -> Target | None:
    """Of ``--target``. Raises SettingError."""
    from crackdetect.config import Target

    return None if text is None else Target.parse(text)


def time_of(text: str | None, *, name: str) -> float | None:
    """Seconds. Raises SettingError naming the option."""
    from crackdetect.config import parse_time

    return None if text is None else parse_time(text, name=name)


def settings_of(
    *, charge_at: str | None, drop_at: str | None, target: str | None, sensitivity: Sensitivity | None
) -> Settings:
    """What is known and wanted of a recording. Raises SettingError."""
    from crackdetect.config import Settings

    settings = Settings(
        charge_at=time_of(charge_at, name="charge-at"),
        drop_at=time_of(drop_at, name="drop-at"),
        target=target_of(target),
        sensitivity=sensitivity or "usual",
    )
    if settings.target is not None and settings.target.ratio is not None and settings.charge_at is None:
        raise SettingError(
            f"target {settings.target} is a share of the roast from charge to drop; "
            "say when charge was with --charge-at"
        )
    return settings


def figures_of(png: Path | None, svg: Path | None, pdf: Path | None) -> Sequence[tuple[str, Path]]:
    """Kind and place of each figure that was asked for."""
    return [(kind, path) for kind, path in (("png", png), ("svg", svg), ("pdf", pdf)) if path is not None]


def roast_now() -> str:
    """The wall clock names a live roast."""
    from datetime import datetime

    return f"{datetime.now().astimezone():%Y-%m-%dT%H-%M-%S}"
