"""What a roast's events say up to some point: enough for a new process to go on with that roast, or to sum it up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from crackdetect.config import LONGEST_TIME_S, About, Settings, Target
from crackdetect.errors import InputError, SettingError
from crackdetect.peak import Peak, peak_from


@dataclass(frozen=True, slots=True)
class Dated:
    """Something that was heard to begin or end: when, its 90 % interval (seconds), how surely (0 to 1)."""

    time: float
    earliest: float
    latest: float
    confidence: float


@dataclass(slots=True)
class SoFar:
    """Made by :meth:`of`. Times in seconds from the first sample.

    until: the last moment that anything was said about. next_seq: of the event to come. finished: there was a summary.
    marked: what the person marked and did not take back. announced: when first crack was. given_told: ``charge``,
    ``drop`` where the time given beforehand has come. stages_told: as the pipeline names stages of the target.
    """

    roast: str
    samplerate: int
    settings: Settings
    about: About
    until: float = 0.0
    next_seq: int = 0
    finished: bool = False
    charge: float | None = None
    drop: float | None = None
    cooled: float | None = None
    marked: dict[str, float] = field(default_factory=dict)
    first_crack: Dated | None = None
    first_crack_end: Dated | None = None
    second_crack: Dated | None = None
    announced: float | None = None
    start_told: bool = False
    cracks: int = 0
    peak: Peak | None = None
    given_told: set[str] = field(default_factory=set)
    stages_told: set[str] = field(default_factory=set)
    health: Counter[str] = field(default_factory=Counter)
    _density: Mapping[str, Any] | None = None

    @classmethod
    def of(cls, events: Iterable[Mapping[str, Any]]) -> Self:
        """events: of one roast, as dicts, in order, ``roast.start`` first. Raises InputError where that is missing."""
        iterator = iter(events)
        start = next(iterator, None)
        try:
            if start is None or start["type"] != "roast.start":
                raise KeyError("roast.start")
            so_far = cls(
                roast=_text(start["roast"]),
                samplerate=_whole(start["samplerate"]),
                settings=_settings(_fields(start["settings"])),
                about=_about(_fields(start.get("about", {}))),
                next_seq=_whole(start["seq"]) + 1,
            )
            for event in iterator:
                so_far._take(event)
            so_far._take_density()
        except (AttributeError, KeyError, OverflowError, SettingError, TypeError, ValueError) as error:
            raise InputError(f"the events of a roast are damaged ({type(error).__name__}: {error})") from None
        return so_far

    @property
    def begun(self) -> float | None:
        """Start of first crack: the person's mark before what was heard."""
        heard = None if self.first_crack is None else self.first_crack.time
        return self.marked.get("first_crack.start", heard)

    def _take(self, event: Mapping[str, Any]) -> None:
        self.until = max(self.until, _number(event["announced_at"]))
        self.next_seq = _whole(event["seq"]) + 1
        kind = event["type"]
        # a density is said before what begins at the same moment, and counts from then on
        if self._density is not None and (kind == "drop" or event["announced_at"] > self._density["announced_at"]):
            self._take_density()
        if kind in ("charge", "drop", "cooled"):
            setattr(self, kind, _number(event["at"]))
            if event.get("how") == "given":
                self.given_told.add(kind)
        elif kind == "mark":
            self._take_mark(_text(event["what"]), _number(event["at"]))
        elif kind == "crack":
            self.cracks += 1
        elif kind == "density":
            self._density = event
        elif kind == "first_crack.start":
            self.first_crack, self.announced, self.start_told = _dated(event), event["announced_at"], True
        elif kind == "first_crack.end":
            self.first_crack_end = _dated(event)
        elif kind == "second_crack.start":
            self.second_crack = _dated(event)
        elif kind == "development":
            self._take_development(event)
        elif kind == "target":
            late = _number(event["announced_at"]) - _number(event["at"])
            self._take_target(_text(event["stage"]), _number(event["remaining"]) + late)
        elif kind == "health":
            self.health[_text(event["kind"])] += _whole(event["count"])
        elif kind == "summary":
            self.finished = True

    def _take_mark(self, what: str, at: float) -> None:
        event, taken_back, _ = what.partition(".not_yet")
        if not taken_back:
            if what == "drop":
                self.cooled = None
            elif what not in ("charge", "cooled"):  # these have an event of their own
                self.marked[what] = at
        elif event in ("charge", "drop"):
            setattr(self, event, None)
            given = self.settings.given(event)
            if given is not None and given <= at:
                self.given_told.add(event)
            if event == "drop":
                self.cooled = None
        elif event == "cooled":
            self.cooled = None
        elif event == "first_crack":
            self.marked.clear()
            self.first_crack = self.first_crack_end = self.second_crack = None
            self.announced = self.peak = None
        else:
            self.marked.pop("second_crack.start", None)
            self.second_crack = None
        target = self.settings.target
        moves_ratio = target is not None and target.ratio is not None and event == "charge"
        if moves_ratio or what in ("first_crack.start", "first_crack.not_yet"):
            self.stages_told.clear()

    def _take_density(self) -> None:
        event, self._density = self._density, None
        if event is None or self.begun is None or self.drop is not None or self.second_crack is not None:
            return
        peak = peak_from(_number(event["per_minute"]), _number(event["low"]), _number(event["high"]))
        self.peak = peak if self.peak is None else max(self.peak, peak)

    def _take_development(self, event: Mapping[str, Any]) -> None:
        """It carries the date of first crack as it is known by then, a renewed announcement among them."""
        if event.get("first_crack_earliest") is None:
            return
        known = self.first_crack
        if event.get("renewed"):
            self.announced = event["announced_at"]
        confidence = event.get("confidence", 1.0 if known is None else known.confidence)
        times = (event["first_crack"], event["first_crack_earliest"], event["first_crack_latest"], confidence)
        self.first_crack = Dated(*map(_number, times))

    def _take_target(self, stage: str, ahead: float) -> None:
        """ahead: by how much its moment (not its telling, which may come late) lies before the target, seconds."""
        if stage == "near":
            lead = min(self.settings.near_s, key=lambda lead: abs(lead - ahead))
            self.stages_told.add(f"near {lead:g}")
        else:
            self.stages_told.add(stage)


def _dated(event: Mapping[str, Any]) -> Dated:
    return Dated(*(_number(event[name]) for name in ("at", "earliest", "latest", "confidence")))


# A journal is read again after a crash, and after anything else that may have befallen the disk.


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is not a text")
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LONGEST_TIME_S:
        raise ValueError(f"{value!r:.40} is not a number that can be")
    return value


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
        raise ValueError(f"{value!r:.40} is not a whole number that can be")
    return value


def _fields(value: Any) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise TypeError(f"{value!r:.40} is not what stands there")
    return value


def _settings(fields: Mapping[str, Any]) -> Settings:
    target = fields.get("target")
    return Settings(
        charge_at=fields.get("charge_at"),
        drop_at=fields.get("drop_at"),
        target=None if target is None else Target.of_record(_text(target)),
        near_s=tuple(fields.get("near_s", ())),
        cool_s=fields.get("cool_s"),
    )


def _about(fields: Mapping[str, Any]) -> About:
    known = {name: value for name, value in fields.items() if name in About.__dataclass_fields__}
    for name, value in known.items():
        if name == "expect" and value is not None:
            first, last = value
            known[name] = (_number(first), _number(last))
        elif value is not None:
            known[name] = _number(value) if name == "green_g" else _text(value)
    return About(**known)
