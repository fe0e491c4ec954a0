"""Events out of their dicts, checked: a journal is read again after a crash, and a log takes in files of any origin."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from crackdetect.config import LONGEST_TIME_S, About, Settings, Target, UsualStart
from crackdetect.errors import InputError, SettingError
from crackdetect.events import Event

#: No time in seconds, no rate, share or level is larger (chosen).
_MOST = 1e9
#: What a damaged value comes to in the checks below.
_DAMAGE = (AttributeError, KeyError, OverflowError, SettingError, TypeError, ValueError)


def read_event(fields: Mapping[str, Any]) -> Event:
    """The event that :meth:`Event.to_dict` told, with every field that anything is made of checked.

    Raises
    ------
    InputError
        For a field that is missing or of the wrong kind, and for an unknown type.
    """
    kind = fields.get("type") if isinstance(fields, Mapping) else None
    try:
        checked = dict(fields)
        for name, check in (*_ENVELOPE.items(), *_FIELDS.get(str(kind), {}).items()):
            checked[name] = check(fields[name])
        for name, check in _OPTIONAL.get(str(kind), {}).items():
            if fields.get(name) is not None:
                checked[name] = check(fields[name])
        return Event.from_dict(checked)
    except _DAMAGE as error:
        what = f"{error.args[0]!r} is missing" if isinstance(error, KeyError) and error.args else str(error)
        raise InputError(f"an event of type {kind!r:.40} is incomplete or damaged: {what}") from None


def settings_of(fields: Mapping[str, Any]) -> Settings:
    """The settings that ``roast.start`` tells; what is missing is as usual.

    Raises
    ------
    KeyError, SettingError, TypeError, ValueError
        For values out of range or of the wrong kind.
    """
    target, usual = fields.get("target"), fields.get("usual_start")
    return Settings(
        charge_at=_or_none(number, fields.get("charge_at")),
        drop_at=_or_none(number, fields.get("drop_at")),
        target=None if target is None else Target.of_record(text(target)),
        near_s=tuple(number(lead) for lead in fields.get("near_s") or ()),
        cool_s=_or_none(number, fields.get("cool_s")),
        sensitivity=fields.get("sensitivity", "usual"),
        usual_start=None
        if usual is None
        else UsualStart(number(usual["median_s"]), number(usual["spread"]), _whole(usual["roasts"])),
    )


def about_of(fields: Mapping[str, Any]) -> About:
    """What ``roast.start`` says of the roast; names that this version does not know are left out.

    Raises
    ------
    TypeError, ValueError
        For values of the wrong kind.
    """
    known = {name: value for name, value in fields.items() if name in About.__dataclass_fields__ and value is not None}
    for name, value in known.items():
        if name == "expect":
            first, last = value
            known[name] = (number(first), number(last))
        else:
            known[name] = number(value) if name == "green_g" else text(value)
    return About(**known)


# -- checks: the value as it is, or TypeError, ValueError -----------------------------------------------------------


def text(value: Any) -> str:
    """The value, a text; halves of characters, which could not be written anywhere, become question marks.

    Raises TypeError.
    """
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is not a text")
    return value.encode("utf-8", "replace").decode("utf-8")


def number(value: Any) -> float:
    """A time, a rate, a share or a level. Raises ValueError."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _MOST:
        raise ValueError(f"{value!r:.40} is not a number that can be")
    return float(value)


def _time(value: Any) -> float:
    if not abs(number(value)) <= LONGEST_TIME_S:
        raise ValueError(f"{value!r:.40} is not a time that can be")
    return float(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
        raise ValueError(f"{value!r:.40} is not a whole number that can be")
    return value


def _model(value: Any) -> Any:
    return {**value, "name": text(value["name"]), "hash": text(value["hash"])}


def _settings(value: Any) -> Any:
    settings_of(value)
    return value


def _about(value: Any) -> Any:
    about_of(value)
    return value


def _crack_kind(value: Any) -> str:
    if value not in ("first", "second"):
        raise ValueError(f"{value!r:.40} is no kind of crack")
    return str(value)


def _how(value: Any) -> str:
    if value not in ("heard", "key", "given"):
        raise ValueError(f"{value!r:.40} is no way to know a moment")
    return str(value)


def _or_none(check: Callable[[Any], Any], value: Any) -> Any:
    return None if value is None else check(value)


def _time_or_none(value: Any) -> float | None:
    return None if value is None else _time(value)


def _number_or_none(value: Any) -> float | None:
    return None if value is None else number(value)


_Checks = Mapping[str, Callable[[Any], Any]]
_ENVELOPE: _Checks = {
    "type": text,
    "at": _time,
    "announced_at": _time,
    "roast_time": _time_or_none,
    "seq": _whole,
    "roast": text,
}
_PHASE: _Checks = {"earliest": _time, "latest": _time, "confidence": number}
_FIELDS: Mapping[str, _Checks] = {
    "roast.start": {
        "source": text,
        "samplerate": _whole,
        "model": _model,
        "version": text,
        "settings": _settings,
    },
    "charge": {"how": _how},
    "crack": {"kind": _crack_kind, "probability": number, "snr_db": number},
    "density": {"per_minute": number, "low": number, "high": number},
    "first_crack.start": _PHASE,
    "first_crack.end": _PHASE,
    "second_crack.start": _PHASE,
    "development": {
        "first_crack": _time,
        "first_crack_earliest": _time_or_none,
        "first_crack_latest": _time_or_none,
    },
    "target": {"stage": text, "remaining": number},
    "drop": {"how": _how},
    "mark": {"what": text},
    "health": {"kind": text, "count": _whole, "message": text},
    "summary": {
        **dict.fromkeys(("first_crack", "first_crack_earliest", "first_crack_latest", "drop"), _time_or_none),
        **dict.fromkeys(("first_crack_end", "second_crack"), _time_or_none),
        **dict.fromkeys(("peak_per_minute", "peak_low", "peak_high"), _number_or_none),
        "cracks": _whole,
    },
}
#: Fields that may be missing, or null.
_OPTIONAL: Mapping[str, _Checks] = {
    "roast.start": {"about": _about},
    "charge": {"confidence": number},
    "drop": {"confidence": number},
    "cooled": {"how": _how, "confidence": number},
    "density": {"begun": number},
    "mark": {"undo": text},
    "development": {"confidence": number},
}
