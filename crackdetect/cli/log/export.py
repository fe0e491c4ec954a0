"""``crackdetect log export``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from crackdetect.cli.options import of_coffee_option, replace_option
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_line


@click.command(name="export")
@click.argument("file", required=False, type=click.Path(path_type=Path, allow_dash=True), metavar="FILE")
@of_coffee_option
@click.option("--columns", is_flag=True, help="Tell what the columns of the CSV mean, with units, and end.")
@replace_option()
def command(file: Path | None, coffee: str | None, columns: bool, replace: bool) -> None:
    """Write the log to FILE: .csv for a spreadsheet, .jsonl with everything; - writes JSON Lines to standard output.

    JSON Lines keep all of it and can be imported without loss; CSV keeps one row a roast.

    Example: crackdetect log export roasts.csv
    """
    from crackdetect.cli.log.json_roasts import print_roasts
    from crackdetect.storage import atomic_file, exchange_csv, exchange_json
    from crackdetect.storage.roast_store import RoastLog

    if columns:
        for name, meaning in exchange_csv.COLUMNS.items():
            print_line(f"{name:<24} {meaning}")
        return
    if file is None:
        raise SettingError("say where the log is to be written: FILE.csv, FILE.jsonl, or - for standard output")
    if str(file) != "-" and file.suffix.lower() not in (".csv", ".jsonl"):
        if file.suffix.lower() in (".xlsx", ".xls", ".ods"):
            raise SettingError(f"{file} is a workbook, which is not written; did you mean {file.with_suffix('.csv')}?")
        raise SettingError(f"{file} says neither .csv nor .jsonl; name it as what it is to be")
    if str(file) != "-":
        atomic_file.place_of(file, replace=replace)
    with RoastLog() as log:
        roasts = log.roasts(coffee=coffee)[::-1]  # oldest first, as they will be read again
        if str(file) == "-":
            print_roasts(log, roasts, series=True)
            return
        records = map(log.record, roasts)
        lines = (
            exchange_csv.to_csv(records)
            if file.suffix.lower() == ".csv"
            else (json.dumps(exchange_json.to_json(record), ensure_ascii=False) + "\n" for record in records)
        )
        with atomic_file.whole_file(file, replace=replace) as part, part.open("w", encoding="utf-8", newline="") as out:
            out.writelines(lines)
    print_line(f"wrote {len(roasts):,} roast{'s' if len(roasts) != 1 else ''} to {file}")
