"""The log for other programs: one JSON object a roast, which keeps everything, and a table (CSV) for a spreadsheet.

CSV is UTF-8 with a byte-order mark and commas (RFC 4180), so that spreadsheets open it as it is. A text that a
spreadsheet would run as a formula gets an apostrophe before it, which reading takes away again.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import Any

from crackdetect.config import Target, parse_time, parse_weight
from crackdetect.errors import InputError, SettingError
from crackdetect.log.roast import CUPS, MOMENTS, TEXTS, Crack, Density, Moment, Note, Roast, Story, Trouble
from crackdetect.log.store import CORRECTABLE, PLAIN
from crackdetect.log.words import clean

#: Marks a line of JSON as one roast of ours; grows with the meaning of the fields.
JSON_FORMAT, JSON_VERSION = "crackdetect-roast", 1
#: What a spreadsheet may take for a formula, and the apostrophe that keeps it from doing so.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
_ENTERED = "entered"
#: Counts beyond this are nobody's; every program reads a number up to here exactly.
_MOST = 2**53

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
    "first_crack_by": "heard, marked or corrected",
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


# -- JSON ------------------------------------------------------------------------------------------------------


def to_json(story: Story) -> dict[str, Any]:
    """Everything the log has of a roast. What can be worked out is under ``derived`` and not read again."""
    roast = story.roast
    plain = {name: getattr(roast, name) for name in _JSON_PLAIN}
    now = {name: getattr(roast, name) for name in CORRECTABLE}
    now["target"] = None if roast.target is None else str(roast.target)
    return {
        "format": JSON_FORMAT,
        "format_version": JSON_VERSION,
        **plain,
        **{name: roast.said.get(name, now[name]) for name in CORRECTABLE},
        _ENTERED: {name: now[name] for name in roast.said},
        "expect": None if roast.expect is None else list(roast.expect),
        "recording": None if roast.recording is None else str(roast.recording),
        "peak": None if roast.peak is None else roast.peak._asdict(),
        "moments": {what: asdict(roast.moments[what]) for what in MOMENTS if what in roast.moments},
        "cracks": [crack._asdict() for crack in story.cracks],
        "density": [density._asdict() for density in story.density],
        "troubles": [trouble._asdict() for trouble in story.troubles],
        "notes": [
            {"tasted_on": note.tasted_on.isoformat(), "text": note.text, "cup": note.cup, "liking": note.liking}
            for note in story.notes
        ],
        "derived": derived(roast),
    }


_JSON_PLAIN = ("identity", "day", "kept", "microphone", "recording_sha256", *PLAIN)


def derived(roast: Roast) -> dict[str, float | None]:
    """What the log works out: seconds since charge, durations in seconds, shares 0 to 1."""
    return {
        "first_crack_s": _rounded(roast.first_crack),
        "total_s": _rounded(roast.total),
        "development_s": _rounded(roast.development),
        "development_ratio": _rounded(roast.ratio, 5),
        "weight_loss": _rounded(roast.loss, 5),
    }


def from_json(line: str) -> Story:
    """A roast from its line. Raises InputError, saying which field is not as it should be."""
    try:
        record = json.loads(line)
    except (ValueError, RecursionError):
        raise InputError("it is not a line of JSON; give a file that 'crackdetect log export' wrote") from None
    if not isinstance(record, dict) or record.get("format") != JSON_FORMAT:
        raise InputError(
            "it is not a roast of 'crackdetect log export' (events are kept with --keep as they are heard)"
        )
    if record.get("format_version") != JSON_VERSION:
        raise InputError(f"its format is of version {record.get('format_version')!r}; update crackdetect")
    return _Reader(record).story()


class _Reader:
    """Takes a record apart; whatever is wrong names its field."""

    def __init__(self, record: Mapping[str, Any]) -> None:
        self._record = record

    def _take(self, name: str, make: Callable[[Any], Any], *, of: Mapping[str, Any] | None = None) -> Any:
        value = (self._record if of is None else of).get(name)
        try:
            return None if value is None else make(value)
        except (SettingError, InputError, TypeError, ValueError, LookupError, AttributeError, OverflowError):
            shown = "nested too deep"
            with contextlib.suppress(RecursionError):
                shown = json.dumps(value, ensure_ascii=False)[:60]
            raise InputError(f"its field {name!r} is {shown}, which cannot be read") from None

    def _must(self, name: str, make: Callable[[Any], Any]) -> Any:
        value = self._take(name, make)
        if value is None:
            raise InputError(f"its field {name!r} is missing")
        return value

    def story(self) -> Story:
        entered = self._take(_ENTERED, dict) or {}
        base = {name: self._take(name, _MAKE[name]) for name in CORRECTABLE}
        said = {name: base[name] for name in entered if name in CORRECTABLE}
        now = {**base, **{name: self._take(name, _MAKE[name], of=entered) for name in said}}
        roast = Roast(
            number=0,
            identity=self._must("identity", _name),
            day=self._must("day", _day),
            kept=self._must("kept", _moment_of_day),
            source=self._take("source", _text),
            samplerate=self._take("samplerate", _count),
            **{name: self._take(name, _text) for name in ("model_name", "model_hash", "version", "microphone")},
            **now,
            expect=self._take("expect", lambda pair: (_number(pair[0]), _number(pair[1]))),
            length_s=self._take("length_s", _number) or 0.0,
            finished=bool(self._take("finished", bool)),
            crack_count=self._take("crack_count", _count) or 0,
            peak=self._take("peak", lambda peak: Density(**{key: _number(peak[key]) for key in Density._fields})),
            recording=self._take("recording", _path),
            recording_sha256=self._take("recording_sha256", _text),
            moments=self._take("moments", _moments) or {},
            said={name: str(value) if isinstance(value, Target) else value for name, value in said.items()},
        )
        return Story(
            roast,
            cracks=self._take("cracks", lambda rows: tuple(map(_crack, rows))) or (),
            density=self._take(
                "density", lambda rows: tuple(Density(*(_number(row[key]) for key in Density._fields)) for row in rows)
            )
            or (),
            troubles=self._take("troubles", lambda rows: tuple(map(_trouble, rows))) or (),
            notes=self._take("notes", lambda rows: tuple(map(_note, rows))) or (),
        )


def _number(value: Any) -> float:
    number = float(value)
    if isinstance(value, bool) or not -1e9 < number < 1e9:
        raise ValueError
    return number


def _count(value: Any) -> int:
    number = int(value)
    if isinstance(value, bool) or number > _MOST:
        raise ValueError
    return max(0, number)


def _path(value: Any) -> Path:
    if not isinstance(value, str) or "\0" in value:
        raise ValueError
    return Path(value)


def _clock_text(value: Any) -> str | None:
    """A day that no calendar reaches cannot be put into order with others; words that are no day stay words."""
    text = _text(value)
    try:
        began = None if text is None else datetime.fromisoformat(text)
    except ValueError:
        return text
    if began is not None:
        began.astimezone().timestamp()
    return text


def _weight(value: Any) -> float:
    if not 0 < _number(value) <= 100_000:
        raise ValueError
    return float(value)


def _text(value: Any) -> str | None:
    if not isinstance(value, str):
        raise TypeError
    return clean(value)


def _name(value: Any) -> str:
    return _text(value) or "roast"


def _day(value: Any) -> str:
    return date.fromisoformat(value).isoformat()


def _moment_of_day(value: Any) -> str:
    moment = datetime.fromisoformat(value).astimezone()
    # older logs tell whole seconds
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def _crack(row: Mapping[str, Any]) -> Crack:
    if row["kind"] not in ("first", "second"):
        raise ValueError
    return Crack(_number(row["at_s"]), row["kind"], _number(row["probability"]), _number(row["snr_db"]))


def _trouble(row: Mapping[str, Any]) -> Trouble:
    return Trouble(
        _number(row["at_s"]), _text(row["kind"]) or "", _count(row["occurrences"]), _text(row["message"]) or ""
    )


def _note(row: Mapping[str, Any]) -> Note:
    cup, liking = row.get("cup"), row.get("liking")
    if cup not in (None, *CUPS) or liking not in (None, 1, 2, 3, 4, 5):
        raise ValueError
    return Note(0, date.fromisoformat(row["tasted_on"]), clean(row["text"], lines=True) or "", cup, liking)


def _moments(record: Mapping[str, Mapping[str, Any]]) -> dict[str, Moment]:
    moments = {}
    for what, fields in record.items():
        if what not in MOMENTS:
            raise ValueError
        times = {
            name: None if value is None else _number(value) for name, value in fields.items() if name != "corrected"
        }
        moments[what] = Moment(**times, corrected=bool(fields.get("corrected")))
    return moments


_MAKE: dict[str, Callable[[Any], Any]] = {
    **dict.fromkeys(TEXTS, _text),
    "started": _clock_text,
    "green_g": _weight,
    "roasted_g": _weight,
    "target": Target.of_record,
}


# -- CSV -------------------------------------------------------------------------------------------------------


def to_csv(stories: Iterable[Story]) -> Iterator[str]:
    """The table, line by line, with line ends; the first begins with the byte-order mark."""
    yield "\ufeff" + _csv_line(COLUMNS)
    for story in stories:
        row = _table_row(story)
        yield _csv_line(_unrunnable(row[name]) for name in COLUMNS)


def _csv_line(cells: Iterable[Any]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(cells)
    return line.getvalue()


def _table_row(story: Story) -> dict[str, Any]:
    roast, notes = story.roast, story.notes
    last = notes[-1] if notes else None
    interval = roast.moment("first_crack.start").interval_s or (None, None)
    return {
        **{name: getattr(roast, name) for name in ("identity", "started", *TEXTS, "microphone", "version")},
        "green_g": _rounded(roast.green_g),
        "roasted_g": _rounded(roast.roasted_g),
        "target": None if roast.target is None else str(roast.target),
        **{
            name: _rounded(roast.at_s(what) if what == "charge" else roast.roast_time(roast.at_s(what)))
            for name, what in _MOMENT_OF.items()
        },
        "first_crack_earliest_s": _rounded(roast.roast_time(interval[0])),
        "first_crack_latest_s": _rounded(roast.roast_time(interval[1])),
        "first_crack_by": roast.moment("first_crack.start").whose,
        **{name: value for name, value in derived(roast).items() if name != "first_crack_s"},
        "cracks": roast.crack_count,
        "peak_per_minute": None if roast.peak is None else _rounded(roast.peak.per_minute),
        "length_s": _rounded(roast.length_s),
        "cup": None if last is None or last.cup is None else CUPS[last.cup],
        "liking": None if last is None else last.liking,
        "notes": "; ".join(f"{note.tasted_on} {note.text}".strip().replace("\n", " / ") for note in notes),
        "model": roast.model_name,
    }


def _unrunnable(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _rounded(value: float | None, places: int = 3) -> float | None:
    return None if value is None else round(value, places)


def from_csv(
    text: str, *, columns: Mapping[str, str] | None = None, weights_in: str = "g"
) -> Iterator[tuple[int, Story | str]]:
    """Roasts of a table, each with the number of its line; a sentence in place of one that cannot be read.

    columns: name of ours (READABLE) -> heading in the file, for any table; None for our own. weights_in: unit of
    weights without one. Cells are separated by commas, semicolons or tabs; times may be 9:36 or seconds, weights may
    have a unit. Raises InputError for a table without the headings, SettingError for a name that is not ours.
    """
    own = columns is None
    text = text.removeprefix("\ufeff")
    first_line = text.partition("\n")[0]
    delimiter = max(",;\t", key=first_line.count)
    rows = csv.DictReader(io.StringIO(text, newline=""), restkey="", restval="", delimiter=delimiter)
    try:
        headings = [heading or "" for heading in rows.fieldnames or ()]
    except csv.Error as error:
        raise InputError(f"its line 1 is not CSV ({error})") from None
    if own:
        columns = {name: name for name in READABLE if name in headings}
        if not {"identity", "drop_s"} <= columns.keys():
            raise InputError(
                "its headings are not those of 'crackdetect log export'; say which column is which with --map, "
                "for example --map coffee=Bean"
            )
    assert columns is not None
    for name, heading in columns.items():
        if name not in READABLE:
            raise SettingError(f"--map {name}={heading}: {name!r} is unknown; choose one of {', '.join(READABLE)}")
        if heading not in headings:
            known = ", ".join(repr(heading[:40]) for heading in headings[:30])
            raise InputError(f"it has no column {heading!r}; its headings are {known}")
    try:
        for row in rows:
            cells = {name: _cell(row[heading], own=own) for name, heading in columns.items()}
            if not any(cells.values()):
                continue
            try:
                yield rows.line_num, _story_of(cells, weights_in)
            except SettingError as error:
                yield rows.line_num, str(error)
    except csv.Error as error:
        raise InputError(f"its line {rows.reader.line_num} is not CSV ({error})") from None


def _cell(text: str, *, own: bool) -> str:
    text = text.strip()
    return text[1:] if own and text.startswith("'") and text[1:].startswith(_FORMULA) else text


def _story_of(cells: Mapping[str, str], weights_in: str) -> Story:
    """What the table says is the person's statement: marked, not heard."""

    def weight(name: str) -> float | None:
        text = cells.get(name)
        if not text:
            return None
        return parse_weight(text if text[-1:].isalpha() else text + weights_in, name=name)

    def whole(name: str, low: int, high: int) -> int | None:
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

    times = {name: parse_time(cells[name], name=name) for name in _MOMENT_OF if cells.get(name)}
    charge = times.get("charge_s", 0.0)
    if "first_crack_s" not in times and "drop_s" in times and cells.get("development_s"):
        times["first_crack_s"] = times["drop_s"] - parse_time(cells["development_s"], name="development_s")
    if any(name != "charge_s" for name in times):
        times.setdefault("charge_s", 0.0)  # times of a table count from charge
    moments = {
        _MOMENT_OF[name]: Moment(marked_s=value if name == "charge_s" else value + charge)
        for name, value in times.items()
    }
    target = Target.parse(cells["target"]) if cells.get("target") else None
    started = _started(cells.get("started"))
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    tasting = _tasting(cells, whole("liking", 1, 5), (started or now)[:10])
    told = json.dumps(sorted(cells.items()), ensure_ascii=False)
    made_up = (
        "table-" + hashlib.sha256(told.encode("utf-8", "replace")).hexdigest()[:12]
    )  # the same row, the same roast
    roast = Roast(
        number=0,
        identity=clean(cells.get("identity")) or made_up,
        day=(started or now)[:10],
        kept=now,
        started=started,
        source="table",
        coffee=clean(cells.get("coffee")),
        process=clean(cells.get("process")),
        origin=clean(cells.get("origin")),
        machine=clean(cells.get("machine")),
        microphone=clean(cells.get("microphone")),
        green_g=weight("green_g"),
        roasted_g=weight("roasted_g"),
        target=target,
        length_s=max((moment.marked_s or 0.0 for moment in moments.values()), default=0.0),
        crack_count=whole("cracks", 0, 1_000_000) or 0,
        moments=moments,
    )
    if roast.green_g is not None and roast.roasted_g is not None and roast.roasted_g >= roast.green_g:
        raise SettingError(f"roasted_g {roast.roasted_g:g} g is not below green_g {roast.green_g:g} g")
    if roast.at_s("drop") is not None and (roast.at_s("drop") or 0) <= charge:
        raise SettingError("drop_s must come after charge")
    return Story(roast, notes=() if tasting is None else (tasting,))


def _tasting(cells: Mapping[str, str], liking: int | None, day: str) -> Note | None:
    cup = None
    if cells.get("cup"):
        words = {word: number for number, word in CUPS.items()}
        if cells["cup"].casefold() not in words:
            raise SettingError(f"cup {cells['cup'][:40]!r} is unknown; choose one of {', '.join(words)}")
        cup = words[cells["cup"].casefold()]
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
