"""What the events of one roast amount to: the account that the log keeps. Pure: events in, one account out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from crackdetect.errors import InputError
from crackdetect.events import Event
from crackdetect.log.roast import MOMENTS, Crack, Density, Moment, Trouble
from crackdetect.log.words import clean
from crackdetect.peak import peak_from

#: Fields of the summary by the moment they date.
_SUMMED = {
    "first_crack.start": "first_crack",
    "first_crack.end": "first_crack_end",
    "second_crack.start": "second_crack",
    "drop": "drop",
}
_TAKEN_BACK = ".not_yet"
#: What a statement that is taken back takes with it.
_FALLS_WITH = {
    "charge": ("charge",),
    "first_crack": ("first_crack.start", "first_crack.end", "second_crack.start"),
    "second_crack": ("second_crack.start",),
    "drop": ("drop", "cooled"),
}


@dataclass(slots=True)
class Account:
    """See :class:`crackdetect.log.roast.Roast` for the meaning of the fields. about: as in ``roast.start``."""

    identity: str
    source: str | None = None
    samplerate: int | None = None
    model_name: str | None = None
    model_hash: str | None = None
    version: str | None = None
    about: Mapping[str, Any] = field(default_factory=dict)
    target: str | None = None
    length_s: float = 0.0
    finished: bool = False
    crack_count: int = 0
    peak: Density | None = None
    moments: dict[str, Moment] = field(default_factory=dict)
    cracks: list[Crack] = field(default_factory=list)
    density: list[Density] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


def account(events: Iterable[Event | Mapping[str, Any]]) -> Account:
    """Adds one roast up. Without a ``summary`` (a roast that broke off) it goes as far as the events do.

    Raises InputError for no events, a first one that is not ``roast.start``, more than one roast, or fields that are
    missing or of the wrong kind.
    """
    kept: Account | None = None
    for event in events:
        fields = event.to_dict() if isinstance(event, Event) else event
        try:
            if kept is None:
                kept = _opened(fields)
            elif fields["roast"] != kept.identity:
                names = f"{kept.identity!r} and {fields['roast']!r}"
                raise InputError(f"events of two roasts, {names}, came as one; keep them one by one")
            else:
                _add(kept, fields)
            kept.length_s = max(kept.length_s, _number(fields["announced_at"]))
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            kind = fields.get("type") if isinstance(fields, Mapping) else None
            raise InputError(f"an event of type {kind!r} is incomplete ({error!r}); it cannot be kept") from None
    if kept is None:
        raise InputError("there are no events to keep; a roast begins with roast.start")
    kept.peak = _peak(kept)
    return kept


def _peak(kept: Account) -> Density | None:
    """What first crack reached, and when, from its start to second crack or the drop; the summary's if none is said.

    Second crack is denser, and the pour of the beans and their fall into the tray crackle as well; they are not the
    peak that is meant.
    """
    start, *ends = (_moment(kept, name).at_s for name in ("first_crack.start", "second_crack.start", "drop"))
    if start is None or not kept.density:
        return kept.peak
    over = min((end for end in ends if end is not None), default=kept.length_s)
    chorus = (density for density in kept.density if start <= density.at_s <= over)
    peaks = (Density(density.at_s, *peak_from(*density[1:])) for density in chorus)
    return max(peaks, key=lambda peak: peak[1:], default=kept.peak)


def _opened(fields: Mapping[str, Any]) -> Account:
    if fields["type"] != "roast.start":
        raise InputError(f"a roast begins with roast.start, not with {fields['type']!r}; give all of its events")
    return Account(
        identity=str(fields["roast"]),
        source=fields["source"],
        samplerate=int(fields["samplerate"]),
        model_name=fields["model"]["name"],
        model_hash=fields["model"]["hash"],
        version=fields["version"],
        about=dict(fields.get("about") or {}),
        target=fields["settings"].get("target"),
    )


def _add(kept: Account, fields: Mapping[str, Any]) -> None:
    kind, at = fields["type"], _number(fields["at"])
    if kind == "crack":
        if fields["kind"] not in ("first", "second"):
            raise ValueError(f"{fields['kind']!r:.40} is no kind of crack")
        kept.cracks.append(Crack(at, fields["kind"], _number(fields["probability"]), _number(fields["snr_db"])))
        kept.crack_count += 1
    elif kind == "density":
        kept.density.append(Density(at, _number(fields["per_minute"]), _number(fields["low"]), _number(fields["high"])))
    elif kind == "health":
        kept.troubles.append(
            Trouble(at, clean(fields["kind"]) or "", int(fields["count"]), clean(fields["message"]) or "")
        )
    elif kind == "mark":
        _mark(kept, str(fields["what"]), at)
    elif kind in ("first_crack.start", "first_crack.end", "second_crack.start"):
        heard = Moment(
            at,
            _number(fields["earliest"]),
            _number(fields["latest"]),
            _number(fields["announced_at"]),
            _number(fields["confidence"]),
            marked_s=_moment(kept, kind).marked_s,
        )
        kept.moments[kind] = heard
    elif kind in ("charge", "drop"):
        _handled(kept, kind, at, fields)
    elif kind == "cooled":
        _handled(kept, kind, at, {"how": "heard", **fields})
    elif kind == "development":
        _refine(kept, fields)
    elif kind == "summary":
        _close(kept, fields)


def _number(value: Any) -> float:
    """As a float; one without end cannot be added up. Raises ValueError, TypeError, OverflowError."""
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{number} is not a number that can be")
    return number


def _moment(kept: Account, what: str) -> Moment:
    return kept.moments.get(what, Moment())


def _mark(kept: Account, what: str, at: float) -> None:
    if what.endswith(_TAKEN_BACK):
        for name in _FALLS_WITH.get(what.removesuffix(_TAKEN_BACK), ()):
            kept.moments.pop(name, None)
    elif what in MOMENTS:
        kept.moments[what] = replace(_moment(kept, what), marked_s=at)


def _handled(kept: Account, what: str, at: float, fields: Mapping[str, Any]) -> None:
    """Charge, drop, cooled: by key and given ones are the person's."""
    before = _moment(kept, what)
    if fields["how"] in ("key", "given"):
        kept.moments[what] = replace(before, marked_s=at)
    elif before.marked_s is None:  # the event that follows the person's mark is theirs
        confidence = fields.get("confidence")
        kept.moments[what] = replace(
            before,
            heard_s=at,
            announced_s=_number(fields["announced_at"]),
            confidence=None if confidence is None else _number(confidence),
        )


def _refine(kept: Account, fields: Mapping[str, Any]) -> None:
    """Evidence since the announcement dates first crack better; development events carry that.

    After "not yet" they also carry that it has begun after all.
    """
    before = _moment(kept, "first_crack.start")
    earliest, latest = fields.get("first_crack_earliest"), fields.get("first_crack_latest")
    if earliest is not None and latest is not None:  # None of a marked one
        kept.moments["first_crack.start"] = replace(
            before,
            heard_s=_number(fields["first_crack"]),
            earliest_s=_number(earliest),
            latest_s=_number(latest),
            announced_s=_number(fields["announced_at"]) if before.announced_s is None else before.announced_s,
        )


def _close(kept: Account, fields: Mapping[str, Any]) -> None:
    """The summary has the last word."""
    kept.finished = True
    kept.crack_count = int(fields["cracks"])
    if fields["peak_per_minute"] is not None:
        peak = [_number(fields[name]) for name in ("peak_per_minute", "peak_low", "peak_high")]
        kept.peak = Density(_number(fields["at"]), *peak)  # the summary does not say when
    for what, name in _SUMMED.items():
        value, before = fields[name], _moment(kept, what)
        if value is None:
            kept.moments.pop(what, None)
        elif before.marked_s is None:
            kept.moments[what] = replace(before, heard_s=_number(value))
        else:
            kept.moments[what] = replace(before, marked_s=_number(value))
    start = _moment(kept, "first_crack.start")
    if start.marked_s is None and fields["first_crack_earliest"] is not None:
        earliest, latest = _number(fields["first_crack_earliest"]), _number(fields["first_crack_latest"])
        kept.moments["first_crack.start"] = replace(start, earliest_s=earliest, latest_s=latest)
