"""The log for a spreadsheet: a table (CSV), one line a roast; and the tables of other programs.

CSV is UTF-8 with a byte-order mark and commas (RFC 4180), so that spreadsheets open it as it is. A text that a
spreadsheet would run as a formula gets an apostrophe before it, which reading takes away again.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from crackdetect.config import Target, parse_time, parse_weight
from crackdetect.errors import InputError, SettingError
from crackdetect.roast.record import CUPS, FORMER_CUPS, TEXTS, Moment, Note, Roast, RoastRecord
from crackdetect.roast.words import clean
from crackdetect.storage.exchange_json import derived, rounded

#: What a spreadsheet may take for a formula, and the apostrophe that keeps it from doing so.
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "\t", "\r", "'")  # noqa: RUF001 - wide ones are taken as well
_QUOTE = '"'
#: What a cell may hold that would end it, or that a program in another locale takes for its end.
_TO_QUOTE = f",;\t\r\n{_QUOTE}"

#: Columns of the table and what they mean. Times count from charge where it is known, else from the first sample.
COLUMNS = {
    "identity": "name of the roast, unique in a log",
    "started": "wall clock at the first sample, ISO 8601",
    "coffee": "free text",
    "process": "free text",
    "origin": "free text",
    "machine": "free text",
    "microphone": "name of the device",
    "green_g": "green weight, grams",
    "roasted_g": "roasted weight, grams",
    "weight_loss": "(green - roasted) / green, 0 to 1",
    "target": "development time (1:45) or share of the roast (18%)",
    "charge_s": "charge, seconds from the first sample",
    "first_crack_s": "first-crack start, seconds from charge",
    "first_crack_earliest_s": "90 % interval of it, where it stands as heard",
    "first_crack_latest_s": "the same",
    "first_crack_by": "heard, confirmed, marked or corrected",
    "first_crack_end_s": "seconds from charge",
    "second_crack_s": "seconds from charge",
    "drop_s": "drop, seconds from charge",
    "cooled_s": "end of cooling, seconds from charge",
    "total_s": "charge to drop, seconds",
    "development_s": "first-crack start to drop, seconds",
    "development_ratio": "development over total, 0 to 1",
    "cracks": "cracks heard",
    "peak_per_minute": "density that first crack reached, cracks a minute",
    "length_s": "length of the recording, seconds",
    "cup": f"last tasting: {', '.join(CUPS.values())}",
    "liking": "last tasting: 1 to 5",
    "notes": "all tastings, with their dates",
    "model": "model that heard it",
    "version": "crackdetect that heard it",
}
#: Columns that carry a moment.
_MOMENT_OF = {
    "charge_s": "charge",
    "first_crack_s": "first_crack.start",
    "first_crack_end_s": "first_crack.end",
    "second_crack_s": "second_crack.start",
    "drop_s": "drop",
    "cooled_s": "cooled",
}
#: Columns that can be read from another program's table.
READABLE = ("identity", "started", *TEXTS, "microphone", "green_g", "roasted_g", "target", *_MOMENT_OF)
READABLE += ("development_s", "cracks", "cup", "liking", "notes")


def to_csv(records: Iterable[RoastRecord]) -> Iterator[str]:
    """The table, line by line, with line ends; the first begins with the byte-order mark."""
    yield "\ufeff" + _csv_line(COLUMNS)
    for record in records:
        row = _table_row(record)
        yield _csv_line(_unrunnable(row[name]) for name in COLUMNS)


def _csv_line(cells: Iterable[Any]) -> str:
    """RFC 4180; where decimals have a comma, spreadsheets cut lines at semicolons, so these are quoted as well."""
    return ",".join("" if cell is None else _quoted(str(cell)) for cell in cells) + "\r\n"


def _quoted(text: str) -> str:
    return f'"{text.replace(_QUOTE, 2 * _QUOTE)}"' if any(letter in text for letter in _TO_QUOTE) else text


def _table_row(record: RoastRecord) -> dict[str, Any]:
    roast, notes = record.roast, record.notes
    last = notes[-1] if notes else None
    start = roast.moment("first_crack.start")
    interval = start.interval_s or (None, None)
    return {
        **{name: getattr(roast, name) for name in ("identity", "started", *TEXTS, "microphone", "version")},
        "green_g": rounded(roast.green_g),
        "roasted_g": rounded(roast.roasted_g),
        "target": None if roast.target is None else str(roast.target),
        **{
            name: rounded(roast.at_s(what) if what == "charge" else roast.roast_time(roast.at_s(what)))
            for name, what in _MOMENT_OF.items()
        },
        "first_crack_earliest_s": rounded(roast.roast_time(interval[0])),
        "first_crack_latest_s": rounded(roast.roast_time(interval[1])),
        "first_crack_by": "confirmed" if start.confirmed and start.whose == "heard" else start.whose,
        **{name: value for name, value in derived(roast).items() if name != "first_crack_s"},
        "cracks": roast.crack_count,
        "peak_per_minute": None if roast.peak is None else rounded(roast.peak.per_minute),
        "length_s": rounded(roast.length_s),
        "cup": None if last is None or last.cup is None else CUPS[last.cup],
        "liking": None if last is None else last.liking,
        "notes": "; ".join(f"{note.tasted_on} {note.text}".strip().replace("\n", " / ") for note in notes),
        "model": roast.model_name,
    }


def _unrunnable(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def from_csv(
    text: str, *, columns: Mapping[str, str] | None = None, weights_in: str = "g"
) -> Iterator[tuple[int, RoastRecord | str]]:
    """Roasts of a table, each with the number of its line; a sentence in place of one that cannot be read.

    Cells are separated by commas, semicolons or tabs; times may be 9:36 or seconds, weights may have a unit.

    Parameters
    ----------
    text
        The table.
    columns
        Name of ours (READABLE) -> heading in the file, for any table; ``None`` for our own.
    weights_in
        Unit of weights without one.

    Raises
    ------
    InputError
        For a table without the headings.
    SettingError
        For a name that is not ours.
    """
    own = columns is None
    text = text.removeprefix("\ufeff")
    delimiter = max(",;\t", key=text.partition("\n")[0].count)
    rows = csv.DictReader(io.StringIO(text, newline=""), restkey="", restval="", delimiter=delimiter)
    try:
        headings = [heading or "" for heading in rows.fieldnames or ()]
    except csv.Error as error:
        raise InputError(f"its line 1 is not CSV ({error})") from None
    columns = _own_columns(headings) if columns is None else _checked_columns(columns, headings)
    try:
        for row in rows:
            cells = {name: _cell(row[heading], own=own) for name, heading in columns.items()}
            if not any(cells.values()):
                continue
            try:
                yield rows.line_num, _record_of(cells, weights_in)
            except SettingError as error:
                yield rows.line_num, str(error)
    except csv.Error as error:
        raise InputError(f"its line {rows.reader.line_num} is not CSV ({error})") from None


def _own_columns(headings: Sequence[str]) -> Mapping[str, str]:
    columns = {name: name for name in READABLE if name in headings}
    if not {"identity", "drop_s"} <= columns.keys():
        raise InputError(
            "its headings are not those of 'crackdetect log export'; say which column is which with --map, "
            "for example --map coffee=Bean"
        )
    return columns


def _checked_columns(columns: Mapping[str, str], headings: Sequence[str]) -> Mapping[str, str]:
    for name, heading in columns.items():
        if name not in READABLE:
            raise SettingError(f"--map {name}={heading}: {name!r} is unknown; choose one of {', '.join(READABLE)}")
        if heading not in headings:
            known = ", ".join(repr(heading[:40]) for heading in headings[:30])
            raise InputError(f"it has no column {heading!r}; its headings are {known}")
    return columns


def _cell(text: str, *, own: bool) -> str:
    text = text.strip()
    return text[1:] if own and text.startswith("'") and text[1:].startswith(_FORMULA) else text


def _record_of(cells: Mapping[str, str], weights_in: str) -> RoastRecord:
    """What the table says is the person's statement: marked, not heard. Raises SettingError."""
    moments = _moments(cells)
    started = _started(cells.get("started"))
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    tasting = _tasting(cells, _whole(cells, "liking", 1, 5), (started or now)[:10])
    roast = Roast(
        number=0,
        identity=clean(cells.get("identity")) or _made_up_identity(cells),
        day=(started or now)[:10],
        kept=now,
        started=started,
        source="table",
        coffee=clean(cells.get("coffee")),
        process=clean(cells.get("process")),
        origin=clean(cells.get("origin")),
        machine=clean(cells.get("machine")),
        microphone=clean(cells.get("microphone")),
        green_g=_weight(cells, "green_g", weights_in),
        roasted_g=_weight(cells, "roasted_g", weights_in),
        target=Target.parse(cells["target"]) if cells.get("target") else None,
        length_s=max((moment.marked_s or 0.0 for moment in moments.values()), default=0.0),
        crack_count=_whole(cells, "cracks", 0, 1_000_000) or 0,
        moments=moments,
    )
    if roast.green_g is not None and roast.roasted_g is not None and roast.roasted_g >= roast.green_g:
        raise SettingError(f"roasted_g {roast.roasted_g:g} g is not below green_g {roast.green_g:g} g")
    drop, charge = roast.at_s("drop"), roast.at_s("charge")
    if drop is not None and drop <= (charge or 0.0):
        raise SettingError("drop_s must come after charge")
    return RoastRecord(roast, notes=() if tasting is None else (tasting,))


def _moments(cells: Mapping[str, str]) -> dict[str, Moment]:
    """Times of a table count from charge, which is the first sample where it is not given. Raises SettingError."""
    times = {name: parse_time(cells[name], name=name, bare=True) for name in _MOMENT_OF if cells.get(name)}
    if "first_crack_s" not in times and "drop_s" in times and cells.get("development_s"):
        times["first_crack_s"] = times["drop_s"] - parse_time(cells["development_s"], name="development_s", bare=True)
    if not times:
        return {}
    charge = times.setdefault("charge_s", 0.0)
    return {
        _MOMENT_OF[name]: Moment(marked_s=value if name == "charge_s" else value + charge)
        for name, value in times.items()
    }


def _made_up_identity(cells: Mapping[str, str]) -> str:
    """The same row, the same roast."""
    told = json.dumps(sorted(cells.items()), ensure_ascii=False)
    return "table-" + hashlib.sha256(told.encode("utf-8", "replace")).hexdigest()[:12]


def _weight(cells: Mapping[str, str], name: str, unit: str) -> float | None:
    text = cells.get(name)
    if not text:
        return None
    return parse_weight(text if text[-1:].isalpha() else text + unit, name=name)


def _whole(cells: Mapping[str, str], name: str, low: int, high: int) -> int | None:
    text = cells.get(name)
    if not text:
        return None
    try:
        number = int(float(text))
    except (ValueError, OverflowError):
        number = low - 1
    if not low <= number <= high:
        raise SettingError(f"{name} {text[:40]!r} is not a number from {low} to {high}")
    return number


def _tasting(cells: Mapping[str, str], liking: int | None, day: str) -> Note | None:
    cup = None
    if cells.get("cup"):
        words = {**FORMER_CUPS, **{word: number for number, word in CUPS.items()}}
        cup = words.get(cells["cup"].casefold())
        if cup is None:
            raise SettingError(f"cup {cells['cup'][:40]!r} is unknown; choose one of {', '.join(CUPS.values())}")
    text = clean(cells.get("notes"), lines=True) or ""
    if not text and cup is None and liking is None:
        return None
    return Note(0, date.fromisoformat(day), text, cup, liking)


def _started(text: str | None) -> str | None:
    if not text:
        return None
    try:
        started = datetime.fromisoformat(text).astimezone()
        started.timestamp()
        return started.isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError):  # a day that no calendar reaches among them
        raise SettingError(f"started {text[:40]!r} is not a date; write it as 2026-03-01 or 2026-03-01T18:30") from None
