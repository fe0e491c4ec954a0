"""``crackdetect log``: list, show, edit, note, delete, export, import, backup, restore, rescue, compare, trend."""

from __future__ import annotations

import json
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.errors import InputError, SettingError

if TYPE_CHECKING:
    from crackdetect.log.roast import Roast, Story
    from crackdetect.log.store import RoastLog

_FORM = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "jsonl"]),
    help="To read, or one JSON object a roast. Default: text on a terminal, jsonl into a pipe or file.",
)
_COFFEE = click.option("--coffee", metavar="NAME", help="Of this coffee; upper and lower case are the same.")
_FIGURES = [
    click.option(
        f"--{kind}",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help=f"A figure as {kind.upper()}.",
    )
    for kind in ("png", "svg", "pdf")
]


def _figures(function: Callable[..., Any]) -> Callable[..., Any]:
    replace = click.option(
        "--replace", is_flag=True, help="FILE may be there already, even where it is no figure of ours."
    )
    for option in reversed((*_FIGURES, replace)):
        function = option(function)
    return function


def _log() -> RoastLog:
    from crackdetect.log.store import RoastLog

    return RoastLog()


@click.group(name="log", invoke_without_command=True)
@_COFFEE
@click.option("--words", metavar="TEXT", help="With this in coffee, process, origin, machine, name or notes.")
@click.option("--since", metavar="DAY", help="From this day on: 2026-03-01, or 2026-03, or 2026.")
@click.option("--until", metavar="DAY", help="Up to and with this day.")
@click.option("--green", metavar="WEIGHT", help="Green weight within 5 %: 200g, 7oz.")
@click.option("--most", type=click.IntRange(1), default=30, show_default=True, help="How many, the newest.")
@click.option("--all", "every", is_flag=True, help="All of them.")
@_FORM
@click.pass_context
def command(
    ctx: click.Context,
    coffee: str | None,
    words: str | None,
    since: str | None,
    until: str | None,
    green: str | None,
    most: int,
    every: bool,
    form: str | None,
) -> None:
    """Every roast that was kept: list, look, correct, taste, compare.

    Without a command it lists them, newest first. ROAST is a number of that list, a name or its beginning, or "last",
    the one put in last. Roasts get in by 'crackdetect analyze FILE --keep', or by themselves when you listen.

    Example: crackdetect log --coffee "Lot Seven" --since 2026-03
    """
    if ctx.invoked_subcommand is not None:
        if any(ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE for name in ctx.params):
            raise SettingError(f"options before {ctx.invoked_subcommand!r} are for the list; put them behind it")
        return
    from crackdetect.config import parse_weight

    grams = None if green is None else parse_weight(green, name="green")
    for name, value in (("since", since), ("until", until)):
        if value is not None and not _is_day(value):
            raise SettingError(f"{name} {value!r} is not a day; write it as 2026-03-01, 2026-03 or 2026")
    with _log() as log:
        roasts = log.roasts(
            coffee=coffee, words=words, since=since, until=until, green_g=grams, most=None if every else most
        )
        total = log.count()
        if _wants_json(form):
            _write_json(log, roasts)
            return
        from crackdetect.console import write_table
        from crackdetect.log import text

        if not total:
            click.echo(
                "The roast log is empty. Keep a roast with:\n"
                "  crackdetect analyze roast.flac --charge-at 0:30 --drop-at 11:20 --keep --coffee NAME --green 200g"
            )
        elif not roasts:
            click.echo(f"None of the {total:,} roasts in the log is like that.")
        else:
            write_table(text.list_table(roasts, log.notes(roasts), total=total, width=_width()))


def _is_day(text: str) -> bool:
    """Whether it is a day of the calendar, or the month or year at its beginning."""
    from datetime import date

    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text, re.ASCII):
        return False
    try:
        date.fromisoformat((text + "-01-01")[:10] if len(text) == 4 else (text + "-01")[:10])
    except ValueError:
        return False
    return True


@command.command()
@click.argument("roast", metavar="ROAST")
@_FORM
def show(roast: str, form: str | None) -> None:
    """One roast: all that was heard, marked, corrected and tasted.

    Example: crackdetect log show last
    """
    with _log() as log:
        found = log.find(roast)
        if _wants_json(form):
            _write_json(log, [found], series=True)
            return
        from crackdetect.log import text

        _say(text.roast_lines(log.story(found)))


@command.command()
@click.argument("roast", metavar="ROAST")
@click.option("--green", metavar="WEIGHT", help="Green weight: 200g, 0.2kg, 7oz, 0.5lb.")
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
def edit(roast: str, restore: tuple[str, ...], **given: str | None) -> None:
    """Weights, names, and marks that were wrong. What was heard stays beside what you correct.

    An empty value ('') takes a text or weight away; 'never' says that a moment did not happen. Times count from charge
    (from the start of the recording where charge is not known). Times that cannot have been are refused: first crack
    lies between charge and drop, its end and second crack after it, and all within what was listened to.

    Example: crackdetect log edit last --roasted 168g --first-crack 9:36
    """
    from crackdetect.log import text

    with _log() as log:
        found = log.find(roast)
        values, moments = _corrections(found, given)
        names = [_field_name(name, options=given) for name in restore]
        if not values and not moments and not names:
            raise SettingError("nothing to correct was given; see 'crackdetect log edit --help' for what can be")
        log.edit(found, values=values, moments=moments, restore=names)
        _say(text.roast_lines(log.story(log.find(str(found.number)))))


#: Options of ``edit`` by the moment they date.
_MOMENTS = {
    "charge": "charge",
    "first_crack": "first_crack.start",
    "first_crack_end": "first_crack.end",
    "second_crack": "second_crack.start",
    "drop": "drop",
    "cooled": "cooled",
}
_WEIGHTS = {"green": "green_g", "roasted": "roasted_g"}


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


@command.command()
@click.argument("roast", metavar="ROAST")
@click.argument("words", nargs=-1, metavar="[TEXT]")
@click.option("--cup", type=click.Choice(["raw", "thin", "right", "flat", "bitter"]), help="Development in the cup.")
@click.option("--liking", type=click.IntRange(1, 5), help="1 would not drink it, 3 good, 5 the best so far.")
@click.option("--on", metavar="DAY", help="When it was tasted: 2026-03-04.  [default: today]")
@click.option("--remove", type=int, metavar="N", help="Removes note N of this roast instead.")
def note(
    roast: str, words: tuple[str, ...], cup: str | None, liking: int | None, on: str | None, remove: int | None
) -> None:
    """How it tasted: words, development in the cup, liking.

    raw: grassy, sour, far under-developed. thin: light, dry, sharp, under-developed. right: as it should be.
    flat: dull, round, over-developed. bitter: baked, ashy, far over-developed.

    Example: crackdetect log note last "a little dry, lemon" --cup thin --liking 3
    """
    from datetime import date

    from crackdetect.log import text
    from crackdetect.log.roast import CUPS
    from crackdetect.log.words import shown

    try:
        day = None if on is None else date.fromisoformat(on)
    except ValueError:
        raise SettingError(f"on {on!r} is not a day; write it as 2026-03-04") from None
    with _log() as log:
        found = log.find(roast)
        if remove is not None:
            log.remove_note(found, remove)
            click.echo(f"removed note {remove} of {found.name} ({shown(found.coffee or found.identity)})")
            return
        number = None if cup is None else next(key for key, word in CUPS.items() if word == cup)
        made = log.note(found, text=" ".join(words), cup=number, liking=liking, tasted_on=day)
        _say([text.heading(found)])
        _say(text.row(f"note {made.number}", f"{made.tasted_on.isoformat()} {text.note_text(made)}"))


@command.command()
@click.argument("roasts", nargs=-1, required=True, metavar="ROAST...")
@click.option("--yes", is_flag=True, help="Do not ask.")
def delete(roasts: tuple[str, ...], yes: bool) -> None:
    """Remove roasts with their notes, after asking. Recordings stay where they are.

    Example: crackdetect log delete 12
    """
    from crackdetect.log.words import shown

    with _log() as log:
        found = list({roast.number: roast for roast in map(log.find, roasts)}.values())
        for roast in found:
            click.echo(f"{roast.name}: {shown(roast.coffee or roast.identity)}, {roast.day}", err=True)
        if not yes:
            if not sys.stdin.isatty():
                raise SettingError("deleting asks first, and nobody can answer here; add --yes if you mean it")
            click.confirm("Delete for good?", abort=True, err=True)
        log.delete(found)
        click.echo(f"deleted {len(found)} roast{'s' if len(found) != 1 else ''}")


# -- in and out ------------------------------------------------------------------------------------------------


@command.command(name="export")
@click.argument("file", required=False, type=click.Path(path_type=Path, allow_dash=True), metavar="FILE")
@_COFFEE
@click.option("--columns", is_flag=True, help="Tell what the columns of the CSV mean, with units, and end.")
@click.option("--replace", is_flag=True, help="FILE may be there already.")
def export(file: Path | None, coffee: str | None, columns: bool, replace: bool) -> None:
    """Write the log to FILE: .csv for a spreadsheet, .jsonl with everything; - writes JSON Lines to standard output.

    JSON Lines keep all of it and can be imported without loss; CSV keeps one row a roast.

    Example: crackdetect log export roasts.csv
    """
    from crackdetect import writing
    from crackdetect.log import exchange

    if columns:
        for name, meaning in exchange.COLUMNS.items():
            click.echo(f"{name:<24} {meaning}")
        return
    if file is None:
        raise SettingError("say where the log is to be written: FILE.csv, FILE.jsonl, or - for standard output")
    if str(file) != "-" and file.suffix.lower() not in (".csv", ".jsonl"):
        raise SettingError(f"{file} says neither .csv nor .jsonl; name it as what it is to be")
    if str(file) != "-":
        writing.place_of(file, replace=replace)
    with _log() as log:
        roasts = log.roasts(coffee=coffee)[::-1]  # oldest first, as they will be read again
        if str(file) == "-":
            _write_json(log, roasts, series=True)
            return
        stories = map(log.story, roasts)
        lines = (
            exchange.to_csv(stories)
            if file.suffix.lower() == ".csv"
            else (json.dumps(exchange.to_json(story), ensure_ascii=False) + "\n" for story in stories)
        )
        with writing.whole_file(file, replace=replace) as part, part.open("w", encoding="utf-8", newline="") as out:
            out.writelines(lines)
    click.echo(f"wrote {len(roasts):,} roast{'s' if len(roasts) != 1 else ''} to {file}")


@command.command(name="import")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--map", "pairs", multiple=True, metavar="COLUMN=HEADING", help="Which column of a CSV is which of ours.")
@click.option(
    "--weights-in",
    type=click.Choice(["g", "kg", "oz", "lb"]),
    default="g",
    show_default=True,
    help="Where none is said.",
)
@click.option("--replace", is_flag=True, help="Roasts that are in the log already are replaced.")
def import_(file: Path, pairs: tuple[str, ...], weights_in: str, replace: bool) -> None:
    """Read roasts from an export of this program, or from any CSV whose columns you name.

    What can be named: identity, started, coffee, process, origin, machine, microphone, green_g, roasted_g, target,
    charge_s, first_crack_s, first_crack_end_s, second_crack_s, drop_s, cooled_s, development_s, cracks, cup, liking,
    notes. Times (9:36 or seconds) count from charge. All of the file is taken in, or nothing.

    Exit codes: 3 a line could not be read; nothing was taken in.

    Example: crackdetect log import old.csv --map coffee=Bean --map drop_s="End time" --weights-in oz
    """
    from crackdetect.log import exchange

    columns = {}
    for pair in pairs:
        name, sign, heading = pair.partition("=")
        if not sign or not heading:
            raise SettingError(f"--map {pair!r}: write COLUMN=HEADING, for example --map coffee=Bean")
        columns[name.strip()] = heading
    text = _read_text(file)
    try:
        if text.lstrip("\ufeff \t\r\n").startswith("{"):
            if columns:
                raise SettingError(f"--map is for CSV; {file} is JSON Lines")
            stories = _stories_of_json(text)
        else:
            stories = _stories_of_csv(exchange.from_csv(text, columns=columns or None, weights_in=weights_in))
    except InputError as error:
        raise InputError(f"{file} cannot be imported: {error}") from None
    with _log() as log, log.together():
        taken = sum(log.put(story, replace=replace) for story in stories)
    left = len(stories) - taken
    click.echo(f"took in {taken:,} roast{'s' if taken != 1 else ''}")
    if left:
        click.echo(
            f"left out {left:,} that the log has already; --replace takes them as they are in the file", err=True
        )


def _read_text(file: Path) -> str:
    try:
        if file.exists() and not file.is_file() and not file.is_dir():  # a pipe could be waited for without end
            raise InputError(f"{file} is not an ordinary file and cannot be imported; save it to one first")
        return file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{file} cannot be read ({error.strerror}); check its name") from None
    except UnicodeDecodeError:
        raise InputError(f"{file} is not text in UTF-8; export it again with that encoding") from None


def _stories_of_json(text: str) -> list[Story]:
    from crackdetect.log import exchange

    stories = []
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            try:
                stories.append(exchange.from_json(line))
            except InputError as error:
                raise InputError(f"line {number}: {error}") from None
    return stories


def _stories_of_csv(rows: Any) -> list[Story]:
    stories: list[Story] = []
    for number, story in rows:
        if isinstance(story, str):
            raise InputError(f"line {number}: {story}")
        stories.append(story)
    return stories


@command.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@click.option("--replace", is_flag=True, help="FILE may be there already.")
def backup(file: Path, replace: bool) -> None:
    """Copy the whole log to FILE, checked, while it may be in use. 'crackdetect log restore FILE' goes back to it.

    Example: crackdetect log backup roasts-2026-03.sqlite3
    """
    from crackdetect import writing
    from crackdetect.log.schema import is_log

    with _log() as log:
        place = writing.place_of(file, replace=replace)
        if place == log.path.resolve():
            raise SettingError(f"{file} is the log itself; name another file")
        if place.exists() and place.stat().st_size and not is_log(place):
            raise SettingError(f"{file} is no roast log and is not replaced by a backup; name another file")
        log.backup(place)
        click.echo(f"copied {log.count():,} roasts to {file}")


@command.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
def restore(file: Path) -> None:
    """Go back to a backup. The log as it is now is kept beside it under another name.

    End every other crackdetect first.

    Example: crackdetect log restore roasts-2026-03.sqlite3
    """
    from crackdetect import places
    from crackdetect.log import store

    before = store.restore(file, places.data_folder() / store.FILE)
    with _log() as log:
        click.echo(f"the log has {log.count():,} roasts again")
    if before is not None:
        click.echo(f"the log before is kept as {before}")


@command.command()
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False), metavar="[FILE]")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="NEW", help="Where to; stays a copy.")
def rescue(file: Path | None, out: Path | None) -> None:
    """Save what can still be read of a damaged log (FILE; default: the log itself).

    Without --out the log is put right: what was saved takes its place, and the damaged file is kept beside it under
    another name.

    Example: crackdetect log rescue
    """
    from crackdetect import places
    from crackdetect.log import store

    own = places.data_folder() / store.FILE
    damaged = file or own
    target = out or damaged.with_name(f"{damaged.stem}-rescued{damaged.suffix}")
    saved = store.rescue(damaged, target)
    lacks = f", {saved.incomplete:,} of them not whole" if saved.incomplete else ", all of them whole"
    click.echo(f"saved {saved.roasts:,} roast{'s' if saved.roasts != 1 else ''}{lacks} ({saved.rows:,} rows)")
    if out is None and file is None:
        kept = store.put_in_place(target, own)
        click.echo(f"they are the log now; the damaged file is kept as {kept}")
    else:
        click.echo(f"written to {target}; {damaged} is as it was")


# -- several roasts --------------------------------------------------------------------------------------------


@command.command()
@click.argument("roasts", nargs=-1, metavar="[ROAST...]")
@_COFFEE
@click.option(
    "--last", type=click.IntRange(2, 8), default=5, show_default=True, help="With --coffee: how many, the newest."
)
@_figures
@_FORM
def compare(
    roasts: tuple[str, ...],
    coffee: str | None,
    last: int,
    png: Path | None,
    svg: Path | None,
    pdf: Path | None,
    replace: bool,
    form: str | None,
) -> None:
    """Roasts side by side, and their crack densities aligned at first-crack start.

    Example: crackdetect log compare --coffee "Lot Seven" --last 5 --png last-five.png
    """
    from crackdetect.log import compare as comparing
    from crackdetect.log import text

    _can_draw(png, svg, pdf, replace=replace)
    if bool(roasts) == (coffee is not None):
        raise SettingError("name two or more roasts, or a coffee with --coffee; not both")
    with _log() as log:
        if coffee is None:
            found = list({roast.number: roast for roast in map(log.find, roasts)}.values())
        else:
            found = log.roasts(coffee=coffee, most=last)[::-1]
        if not 2 <= len(found) <= comparing.MOST:
            raise SettingError(_not_to_compare(log, len(found), coffee))
        notes = log.notes(found)
        stories = [log.story(roast) for roast in found] if png or svg or pdf else []
        if _wants_json(form):
            _write_json(log, found)
        else:
            from crackdetect.console import write_table

            for table in text.compare_tables(found, notes, width=_width()):
                write_table(table)
            _say(text.sentence(comparing.differs_most(found)))
            if best := comparing.liked_best(found, notes):
                _say(text.sentence(best))
    if stories:
        from crackdetect.report import figures

        for story in stories:
            if story.roast.at_s("first_crack.start") is None:
                click.echo(f"note: {story.roast.name} has no first crack and is not drawn", err=True)
        _draw(lambda: figures.overlay(stories), png, svg, pdf, replace=replace)


@command.command()
@click.option("--coffee", metavar="NAME", required=True)
@_figures
@_FORM
def trend(coffee: str, png: Path | None, svg: Path | None, pdf: Path | None, replace: bool, form: str | None) -> None:
    """How repeatable you have been with one coffee, roast by roast.

    Example: crackdetect log trend --coffee "Lot Seven" --png trend.png
    """
    from crackdetect.log import text
    from crackdetect.log import trend as trending

    _can_draw(png, svg, pdf, replace=replace)
    with _log() as log:
        found = log.roasts(coffee=coffee)
        if not found:
            raise SettingError(_no_coffee(log, coffee))
        made = trending.trend_of(found)
        if _wants_json(form):
            _write_json(log, made.roasts)
        else:
            from crackdetect.console import write_table

            if made.roasts:
                write_table(text.trend_table(made, log.notes(made.roasts), width=_width()))
            _say(text.sentence(trending.verdict(made)))
    if png or svg or pdf:
        if not made.roasts:
            raise SettingError("no roast of this coffee has a development, so there is nothing to draw")
        from crackdetect.report import figures

        _draw(lambda: figures.trend(made), png, svg, pdf, replace=replace)


def _not_to_compare(log: RoastLog, count: int, coffee: str | None) -> str:
    from crackdetect.log.compare import MOST

    if count > MOST:
        return f"{count} roasts are too many to tell apart; name two to {MOST}"
    if coffee is None:
        return f"one roast has nothing to be compared with; name two to {MOST}, or a coffee with --coffee"
    if count == 1:
        return f"the log has one roast of {coffee!r}, which has nothing to be compared with; keep another"
    return _no_coffee(log, coffee)


def _no_coffee(log: RoastLog, coffee: str) -> str:
    from crackdetect.log.words import near_miss, shown

    if near := near_miss(coffee, log.coffees()):
        return f"no roast of {shown(coffee)!r} is in the log; did you mean {shown(near)!r}?"
    known = ", ".join(repr(shown(name)) for name in log.coffees()[:8])
    there = f"the log knows {known}" if known else "no roast in the log has a coffee's name"
    return f"no roast of {shown(coffee)!r} is in the log; {there}"


def _can_draw(png: Path | None, svg: Path | None, pdf: Path | None, *, replace: bool) -> None:
    """What stands in the way of figures, where any is wanted, is told before anything else."""
    from crackdetect import writing
    from crackdetect.report import needed

    if png or svg or pdf:
        needed.check("matplotlib")
    for kind, path in (("png", png), ("svg", svg), ("pdf", pdf)):
        if path is not None:
            writing.place_of(path, replace=replace, own=writing.is_own(kind))


def _draw(make: Callable[[], Any], png: Path | None, svg: Path | None, pdf: Path | None, *, replace: bool) -> None:
    from crackdetect.report import figures

    for kind, path in (("png", png), ("svg", svg), ("pdf", pdf)):
        if path is not None:
            figures.save(make(), path, kind=kind, replace=replace)
            click.echo(f"wrote {path}", err=True)


# -- shared ----------------------------------------------------------------------------------------------------


def _width() -> int | None:
    """Columns of the terminal, None where there is none."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def _wants_json(form: str | None) -> bool:
    return not sys.stdout.isatty() if form is None else form == "jsonl"


def _write_json(log: RoastLog, roasts: Sequence[Roast], *, series: bool = False) -> None:
    """series: with every crack, density and trouble, as an export has them; a list would drown in them."""
    from crackdetect.console import write_line
    from crackdetect.log import exchange
    from crackdetect.log.roast import Story

    notes = {} if series else log.notes(roasts)
    for roast in roasts:
        story = log.story(roast) if series else Story(roast, notes=notes[roast.number])
        record = exchange.to_json(story)
        if not series:
            for name in ("cracks", "density", "troubles"):
                del record[name]
        write_line(sys.stdout, json.dumps(record, ensure_ascii=False))


def _say(lines: Sequence[str]) -> None:
    from crackdetect.console import write_line

    for line in lines:
        write_line(sys.stdout, line)
