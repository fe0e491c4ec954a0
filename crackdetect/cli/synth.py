"""``crackdetect synth``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import click

from crackdetect.cli.options import time_of
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_lines


@click.command(name="synth")
@click.argument("scenario", metavar="SCENARIO")
@click.option("--seed", type=click.IntRange(0), required=True, help="The same seed gives the same samples.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Folder to write to; made if missing."
)
@click.option("--name", help="Name of the files, with --count followed by each seed.  [default: SCENARIO-SEED]")
@click.option(
    "--count",
    type=click.IntRange(1, 10_000),
    default=1,
    show_default=True,
    help="How many, with seeds counting up from --seed.",
)
@click.option("--samplerate", type=click.IntRange(8_000, 192_000), default=44_100, show_default=True, metavar="HZ")
@click.option("--duration", metavar="TIME", help="Length of each (3:00).  [default: the scenario's own]")
@click.option("--container", type=click.Choice(["flac", "wav"]), default="flac", show_default=True)
@click.option(
    "--family",
    type=click.Choice(["narrow", "wide"]),
    default="narrow",
    show_default=True,
    help="wide: machines of many kinds, with all their beans in them.",
)
@click.option(
    "--set", "settings", multiple=True, metavar="KEY=NUMBER", help="Fixes a number of the plan; may be repeated."
)
def command(
    scenario: str,
    seed: int,
    out: Path,
    name: str | None,
    count: int,
    samplerate: int,
    duration: str | None,
    container: Literal["flac", "wav"],
    family: str,
    settings: tuple[str, ...],
) -> None:
    """Render synthetic roasts with their exact truth.

    Beside each recording NAME.flac lies NAME.json with the time and kind of every crack and other sound.
    SCENARIO: roast (charge to cooling), chorus (a minute or two around the start of first crack), second (first and
    second crack), quiet, noisy, kitchen (busy, nothing cracks) or machine (bare, nothing cracks). What is not fixed is
    drawn from the seed; the truth file holds every number of the plan.

    Example: crackdetect synth roast --seed 7 --out roasts --set strays_per_minute=2.5
    """
    from crackdetect.storage.rendered_roast import render_to_files
    from crackdetect.synth.plan import plan_roast
    from crackdetect.terminal.progress import progress_line

    duration_s = time_of(duration, name="duration")
    overrides = _overrides(settings)
    plans = []
    for own_seed in range(seed, seed + count):
        plan = plan_roast(
            seed=own_seed,
            scenario=scenario,
            samplerate=samplerate,
            duration_s=duration_s,
            overrides=overrides,
            family=family,
        )
        # by the seed, so that a file's name is what makes it again
        plans.append((name if name is not None and count == 1 else f"{name or scenario}-{own_seed}", plan))
    with progress_line("rendering", total=sum(plan.duration_s for _, plan in plans)) as line:
        written = render_to_files(plans, out, container=container, progress=line.advance)
    print_lines(map(str, written))


def _overrides(settings: Sequence[str]) -> dict[str, float | None]:
    """``strays_per_minute=2.5`` -> name and number, of the plan's plain numbers. Raises SettingError."""
    from dataclasses import fields

    from crackdetect.synth.plan import RoastPlan

    with_own_option = ("seed", "samplerate", "duration_s")
    plain = {
        field.name: str(field.type)
        for field in fields(RoastPlan)
        if str(field.type) in ("int", "float", "int | None", "float | None") and field.name not in with_own_option
    }
    values: dict[str, float | None] = {}
    for setting in settings:
        key, _, text = (part.strip() for part in setting.partition("="))
        if key not in plain:
            raise SettingError(f"--set {setting!r}: write KEY=NUMBER with one of {', '.join(sorted(plain))}")
        try:
            if text == "none" and "None" in plain[key]:
                values[key] = None
            else:
                values[key] = int(text) if plain[key].startswith("int") else float(text)
                if not math.isfinite(values[key] or 0):
                    raise ValueError
        except ValueError:
            raise SettingError(f"--set {setting!r}: {text!r} is not a number that {key} can take") from None
    return values
