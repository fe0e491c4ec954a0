"""``crackdetect log import``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.cli.options import replace_option
from crackdetect.errors import InputError, SettingError
from crackdetect.terminal.lines import print_line, tell

if TYPE_CHECKING:
    from crackdetect.roast.record import RoastRecord


@click.command(name="import")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--map", "pairs", multiple=True, metavar="COLUMN=HEADING", help="Which column of a CSV is which of ours.")
@click.option(
    "--weights-in",
    type=click.Choice(["g", "kg", "oz", "lb"]),
    default="g",
    show_default=True,
    help="Where none is said.",
)
@replace_option("Roasts that are in the log already are replaced.")
def command(file: Path, pairs: tuple[str, ...], weights_in: str, replace: bool) -> None:
    """Read roasts from an export of this program, or from any CSV whose columns you name.

    What can be named: identity, started, coffee, process, origin, machine, microphone, green_g, roasted_g, target,
    charge_s, first_crack_s, first_crack_end_s, second_crack_s, drop_s, cooled_s, development_s, cracks, cup, liking,
    notes. Times (9:36 or seconds) count from charge. All of the file is taken in, or nothing.

    Exit codes: 3 a line could not be read; nothing was taken in.

    Example: crackdetect log import old.csv --map coffee=Bean --map drop_s="End time" --weights-in oz
    """
    from crackdetect.storage import exchange_csv
    from crackdetect.storage.roast_store import RoastLog

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
            records = _records_of_json(text)
        else:
            records = _records_of_csv(exchange_csv.from_csv(text, columns=columns or None, weights_in=weights_in))
    except InputError as error:
        raise InputError(f"{file} cannot be imported: {error}") from None
    with RoastLog() as log, log.writing():
        taken = sum(log.put(record, replace=replace) for record in records)
    left = len(records) - taken
    print_line(f"took in {taken:,} roast{'s' if taken != 1 else ''}")
    if left:
        tell(f"left out {left:,} that the log has already; --replace takes them as they are in the file")


def _read_text(file: Path) -> str:
    if file.suffix.lower() in (".xlsx", ".xls", ".ods"):
        raise SettingError(f"{file} is a workbook; save it as {file.with_suffix('.csv').name} first, and import that")
    try:
        if file.exists() and not file.is_file() and not file.is_dir():  # a pipe could be waited for without end
            raise InputError(f"{file} is not an ordinary file and cannot be imported; save it to one first")
        return file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{file} cannot be read ({error.strerror}); check its name") from None
    except UnicodeDecodeError:
        raise InputError(f"{file} is not text in UTF-8; export it again with that encoding") from None


def _records_of_json(text: str) -> list[RoastRecord]:
    from crackdetect.storage import exchange_json

    records = []
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            try:
                records.append(exchange_json.from_json(line))
            except InputError as error:
                raise InputError(f"line {number}: {error}") from None
    return records


def _records_of_csv(rows: Any) -> list[RoastRecord]:
    records: list[RoastRecord] = []
    for number, record in rows:
        if isinstance(record, str):
            raise InputError(f"line {number}: {record}")
        records.append(record)
    return records
