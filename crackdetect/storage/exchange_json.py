"""The log for other programs, everything that is kept: one JSON object a roast.

What is read is checked field by field; whatever is wrong names its field.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from crackdetect.config import Target
from crackdetect.errors import InputError, SettingError
from crackdetect.roast.corrections import Corrections, CrackLabel, MarkMove
from crackdetect.roast.event_reader import number, text
from crackdetect.roast.record import CUPS, MOMENTS, TEXTS, Crack, Density, Moment, Note, Roast, RoastRecord, Trouble
from crackdetect.roast.words import clean
from crackdetect.storage.schema import CORRECTABLE, PLAIN

#: Marks a line of JSON as one roast of ours; grows with the meaning of the fields.
JSON_FORMAT, JSON_VERSION = "crackdetect-roast", 1
_ENTERED = "entered"


def to_json(record: RoastRecord) -> dict[str, Any]:
    """Everything the log has of a roast. What can be worked out is under ``derived`` and not read again."""
    roast = record.roast
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
        "cracks": [crack._asdict() for crack in record.cracks],
        "density": [density._asdict() for density in record.density],
        "troubles": [trouble._asdict() for trouble in record.troubles],
        "notes": [
            {"tasted_on": note.tasted_on.isoformat(), "text": note.text, "cup": note.cup, "liking": note.liking}
            for note in record.notes
        ],
        "corrections": {
            "cracks": [asdict(label) for label in record.corrections.labels],
            "marks": [asdict(move) for move in record.corrections.moves],
        },
        "derived": derived(roast),
    }


_JSON_PLAIN = ("identity", "day", "kept", "microphone", "recording_sha256", *PLAIN)


def rounded(value: float | None, places: int = 3) -> float | None:
    """To so many places; None stays."""
    return None if value is None else round(value, places)


def derived(roast: Roast) -> dict[str, float | None]:
    """What the log works out: seconds since charge, durations in seconds, shares 0 to 1."""
    return {
        "first_crack_s": rounded(roast.first_crack),
        "total_s": rounded(roast.total),
        "development_s": rounded(roast.development),
        "development_ratio": rounded(roast.ratio, 5),
        "weight_loss": rounded(roast.loss, 5),
    }


def from_json(line: str) -> RoastRecord:
    """A roast from its line. Raises InputError, saying which field is not as it should be."""
    try:
        content = json.loads(line)
    except (ValueError, RecursionError):
        raise InputError("it is not a line of JSON; give a file that 'crackdetect log export' wrote") from None
    if not isinstance(content, dict) or content.get("format") != JSON_FORMAT:
        raise InputError(
            "it is not a roast of 'crackdetect log export' (events become roasts with 'crackdetect analyze --save')"
        )
    if content.get("format_version") != JSON_VERSION:
        raise InputError(f"its format is of version {content.get('format_version')!r}; update crackdetect")
    return _Reader(content).record()


class _Reader:
    """Takes a record of the file apart; whatever is wrong names its field."""

    def __init__(self, content: Mapping[str, Any]) -> None:
        self._content = content

    def _take(self, name: str, make: Callable[[Any], Any], *, of: Mapping[str, Any] | None = None) -> Any:
        value = (self._content if of is None else of).get(name)
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

    def record(self) -> RoastRecord:
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
            expect=self._take("expect", lambda pair: (number(pair[0]), number(pair[1]))),
            length_s=self._take("length_s", number) or 0.0,
            finished=bool(self._take("finished", bool)),
            crack_count=self._take("crack_count", _count) or 0,
            peak=self._take("peak", lambda peak: Density(**{key: number(peak[key]) for key in Density._fields})),
            recording=self._take("recording", _path),
            recording_sha256=self._take("recording_sha256", _text),
            moments=self._take("moments", _moments) or {},
            said={name: str(value) if isinstance(value, Target) else value for name, value in said.items()},
        )
        return RoastRecord(
            roast,
            cracks=self._take("cracks", lambda rows: tuple(map(_crack, rows))) or (),
            density=self._take(
                "density", lambda rows: tuple(Density(*(number(row[key]) for key in Density._fields)) for row in rows)
            )
            or (),
            troubles=self._take("troubles", lambda rows: tuple(map(_trouble, rows))) or (),
            notes=self._take("notes", lambda rows: tuple(map(_note, rows))) or (),
            corrections=self._take("corrections", _corrections) or Corrections(),
        )


def _count(value: Any) -> int:
    return max(0, int(number(value)))


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
    if not 0 < number(value) <= 100_000:
        raise ValueError
    return float(value)


def _text(value: Any) -> str | None:
    return clean(text(value))


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
    return Crack(number(row["at_s"]), row["kind"], number(row["probability"]), number(row["snr_db"]))


def _trouble(row: Mapping[str, Any]) -> Trouble:
    return Trouble(
        number(row["at_s"]), _text(row["kind"]) or "", _count(row["occurrences"]), _text(row["message"]) or ""
    )


def _note(row: Mapping[str, Any]) -> Note:
    cup, liking = row.get("cup"), row.get("liking")
    if cup not in (None, *CUPS) or liking not in (None, 1, 2, 3, 4, 5):
        raise ValueError
    return Note(0, date.fromisoformat(row["tasted_on"]), clean(row["text"], lines=True) or "", cup, liking)


def _corrections(content: Mapping[str, Any]) -> Corrections:
    return Corrections(tuple(map(_label, content["cracks"])), tuple(map(_move, content["marks"])))


def _label(row: Mapping[str, Any]) -> CrackLabel:
    is_crack = row["is_crack"]
    if is_crack is not None and not isinstance(is_crack, bool):
        raise ValueError
    return CrackLabel(number(row["at"]), is_crack, _text(row["by"]) or "", _instant(row["when"]))


def _move(row: Mapping[str, Any]) -> MarkMove:
    if row["mark"] not in MOMENTS or row["whose"] not in ("", "heard", "marked", "corrected"):
        raise ValueError
    was, now = (None if row[name] is None else number(row[name]) for name in ("was", "now"))
    return MarkMove(row["mark"], was, now, row["whose"], _text(row["by"]) or "", _instant(row["when"]))


def _instant(value: Any) -> str:
    """In UTC, so that they are in order as texts."""
    return datetime.fromisoformat(value).astimezone(UTC).isoformat(timespec="milliseconds")


_YES = ("corrected", "confirmed")


def _moments(content: Mapping[str, Mapping[str, Any]]) -> dict[str, Moment]:
    moments = {}
    for what, fields in content.items():
        if what not in MOMENTS:
            raise ValueError
        times = {name: None if value is None else number(value) for name, value in fields.items() if name not in _YES}
        corrected, confirmed = (bool(fields.get(name)) for name in _YES)
        moments[what] = Moment(**times, corrected=corrected, confirmed=confirmed)
    return moments


_MAKE: dict[str, Callable[[Any], Any]] = {
    **dict.fromkeys(TEXTS, _text),
    "started": _clock_text,
    "green_g": _weight,
    "roasted_g": _weight,
    "target": Target.of_record,
}
