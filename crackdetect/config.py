"""Validated settings of a roast, in seconds; and how people write times and targets."""

from __future__ import annotations

import math
import re
from dataclasses import asdict, dataclass
from typing import Literal, get_args

from crackdetect.errors import SettingError
from crackdetect.notation import clock

_CLOCK = re.compile(r"(?:(\d{1,2}):)?(\d{1,3}):([0-5]?\d(?:\.\d+)?)")
_PLAIN = re.compile(r"(\d+(?:\.\d+)?)\s*s")
#: A number alone. Where 18 could be a share or minutes as well, it is not taken for seconds.
_BARE = re.compile(r"\d+(?:\.\d+)?")


#: No time that anybody can mean is longer: 100 hours.
LONGEST_TIME_S = 360_000.0


def parse_time(text: str, *, name: str = "time", bare: bool = False) -> float:
    """``"9:36"``, ``"1:02:03"`` or ``"576s"`` -> seconds. Raises SettingError naming ``name``.

    bare: a number alone is seconds, as in a column that says so; else it could be minutes as well, and is refused.
    """
    text = text.strip()
    if _BARE.fullmatch(text):
        if not bare:
            whole, _, part = text.partition(".")
            minutes = f"{int(whole)}:{part.ljust(2, '0')[:2] if part else '00'}" if len(whole) < 4 else "9:36"
            raise SettingError(f"{name} {text[:20]!r} could be seconds or minutes; write {text[:20]}s or {minutes}")
        text += "s"
    seconds = _seconds(text, name)
    if seconds > LONGEST_TIME_S:
        shown = text if len(text) <= 20 else f"{text[:20]}…"
        raise SettingError(f"{name} {shown} is out of range; give at most 100 hours")
    return seconds


def _seconds(text: str, name: str) -> float:
    if match := _CLOCK.fullmatch(text):
        hours, minutes, seconds = match.groups()
        if hours and int(minutes) > 59:
            raise SettingError(f"{name} {text!r} has {minutes} minutes in an hour; write hours as 1:02:03")
        return int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds)
    if match := _PLAIN.fullmatch(text):
        return float(match.group(1))
    raise SettingError(f"{name} {text!r} is not a time; write minutes and seconds as 9:36, or seconds as 576s")


_WEIGHT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(g|kg|oz|lb)", re.IGNORECASE)
#: Grams in a unit of weight; the avoirdupois ounce and pound exactly (international yard and pound agreement, 1959).
_GRAMS = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125, "lb": 453.59237}


def parse_weight(text: str, *, name: str = "weight") -> float:
    """``"200g"``, ``"0.2 kg"``, ``"7 oz"`` or ``"1lb"`` -> grams. Raises SettingError naming ``name``."""
    text = text.strip()
    if _BARE.fullmatch(text):
        raise SettingError(f"{name} {text[:20]!r} could be grams or ounces; write {text[:20]}g or {text[:20]}oz")
    match = _WEIGHT.fullmatch(text)
    if match is None:
        raise SettingError(f"{name} {text!r} is not a weight; write it as 200g, 0.2kg, 7oz or 0.5lb")
    grams = float(match.group(1).replace(",", ".")) * _GRAMS[match.group(2).lower()]
    if not 0 < grams <= 100_000:
        raise SettingError(f"{name} {text!r} is out of range; a batch weighs more than 0 g and at most 100 kg")
    return grams


def parse_window(text: str, *, name: str = "expect") -> tuple[float, float]:
    """``"8:00-10:00"`` -> seconds from and to. Raises SettingError naming ``name``."""
    first, dash, last = (part.strip() for part in text.partition("-"))
    if not dash:
        raise SettingError(f"{name} {text!r} is not a span of time; write it as 8:00-10:00")
    if _BARE.fullmatch(first) or _BARE.fullmatch(last):
        raise SettingError(f"{name} {text!r} could be minutes or seconds; write it as 8:00-10:00 or 480s-600s")
    window = parse_time(first, name=name), parse_time(last, name=name)
    if not window[0] < window[1]:
        raise SettingError(f"{name} {text!r} ends before it begins; write the earlier time first")
    return window


@dataclass(frozen=True, slots=True)
class About:
    """What the person said of the roast, carried in ``roast.start`` and kept in the log. All of it may be missing.

    coffee, process, origin, machine: free text. green_g: weight of the green beans, grams. microphone: name of the
    device, free text. expect: roast times (s) between which first crack is expected. started: wall clock at the first
    sample, ISO 8601 with its offset; the hearing only repeats it.
    """

    coffee: str | None = None
    process: str | None = None
    origin: str | None = None
    machine: str | None = None
    microphone: str | None = None
    green_g: float | None = None
    expect: tuple[float, float] | None = None
    started: str | None = None

    def as_fields(self) -> dict[str, object]:
        """The ``about`` field of ``roast.start``: only what is known."""
        known = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in known.items()
            if value is not None
        }


@dataclass(frozen=True, slots=True)
class Target:
    """What the person wants: a development time in seconds, or a development time ratio (0 to 1), not both."""

    seconds: float | None = None
    ratio: float | None = None

    def __post_init__(self) -> None:
        if (self.seconds is None) == (self.ratio is None):
            raise SettingError("a target is either a development time (1:45) or a ratio (18%), exactly one of them")
        if self.seconds is not None and not 0 < self.seconds <= 1800:
            raise SettingError(f"target {self.seconds:g} s is out of range; a development time is 1 s to 30:00")
        if self.ratio is not None and not 0 < self.ratio < 0.9:
            raise SettingError(
                f"target {self.ratio:.0%} is out of range; a development ratio is above 0% and below 90%"
            )

    @classmethod
    def parse(cls, text: str) -> Target:
        """``"1:45"``, ``"105s"`` or ``"18%"``; ``"18"`` is refused, as it could be either. Raises SettingError."""
        text = text.strip()
        if _BARE.fullmatch(text):
            number = float(text)
            share = f"{100 * number:g}%" if number < 0.9 else f"{text}%" if number < 90 else "18%"
            raise SettingError(f"target {text!r} could be seconds or percent; write {share}, 1:45 or {text}s")
        if text.endswith("%"):
            try:
                return cls(ratio=float(text[:-1]) / 100)
            except ValueError:
                raise SettingError(f"target {text!r} is not a percentage; write it as 18%") from None
        try:
            seconds = parse_time(text, name="target")
        except SettingError:
            raise SettingError(
                f"target {text!r} is neither a time nor a share of the roast; write 1:45, 105s or 18%"
            ) from None
        return cls(seconds=seconds)

    @classmethod
    def of_record(cls, text: str) -> Target:
        """As :meth:`parse`, of what was written down when a number alone was still taken for seconds."""
        return cls.parse(f"{text}s" if _BARE.fullmatch(text) else text)

    def drop_after(self, first_crack_s: float | None) -> float | None:
        """Development time (s) at which the target is reached.

        first_crack_s: first-crack start in seconds since charge, needed for a ratio (``None`` = charge unknown,
        then a ratio has no answer). With ratio r, drop - fc = r * drop, so drop = fc / (1 - r).
        """
        if self.seconds is not None:
            return self.seconds
        assert self.ratio is not None
        if first_crack_s is None:
            return None
        return first_crack_s * self.ratio / (1 - self.ratio)

    def __str__(self) -> str:
        if self.ratio is not None:
            return f"{self.ratio * 100:g}%"
        assert self.seconds is not None
        whole = round(self.seconds)
        return f"{whole // 60}:{whole % 60:02d}"


@dataclass(frozen=True, slots=True)
class UsualStart:
    """When first crack usually begins: log-normal in the time since charge.

    median_s: seconds, 30 to 7,200. spread: standard deviation of its natural logarithm, above 0, at most 1. roasts: how
    many have told it.
    """

    median_s: float
    spread: float
    roasts: int = 0

    def __post_init__(self) -> None:
        if not (30 <= self.median_s <= 7200 and 0 < self.spread <= 1 and self.roasts >= 0):
            raise SettingError(
                f"first crack usually at {self.median_s:g} s with a spread of {self.spread:g} is out of range; "
                "give 30 to 7200 s, and a spread above 0 and at most 1"
            )

    @property
    def window_s(self) -> tuple[float, float]:
        """In nine of ten roasts between these, seconds since charge."""
        factor = math.exp(1.645 * self.spread)
        return self.median_s / factor, self.median_s * factor

    def differs(self, time_s: float) -> Literal["", "earlier", "later"]:
        """Whether a time since charge lies outside of ``window_s``, and on which side."""
        first, last = self.window_s
        return "earlier" if time_s < first else "later" if time_s > last else ""

    def __str__(self) -> str:
        first, last = map(clock, self.window_s)
        return f"usually {first} to {last} on this machine, of {self.roasts} roasts"


#: How sure the hearing must be before it announces: the one choice there is about it.
Sensitivity = Literal["earlier", "usual", "surer"]
SENSITIVITIES: tuple[Sensitivity, ...] = get_args(Sensitivity)


@dataclass(frozen=True, slots=True)
class Settings:
    """What is known or wanted before the roast. Times in seconds from the first sample of the recording.

    charge_at, drop_at: given by the person, or None.
    target: see :class:`Target`, or None.
    near_s: lead times at which ``target`` events of stage ``near`` are sent.
    cool_s: how long the beans cool after the drop, or None: then only the person says that they have cooled.
    sensitivity: announce earlier, or only when surer; one of SENSITIVITIES.
    usual_start: when first crack begins on this machine, from its roasts; None: nothing is known of it.
    """

    charge_at: float | None = None
    drop_at: float | None = None
    target: Target | None = None
    near_s: tuple[float, ...] = (30.0, 10.0)
    cool_s: float | None = None
    sensitivity: Sensitivity = "usual"
    usual_start: UsualStart | None = None

    def __post_init__(self) -> None:
        for name in ("charge_at", "drop_at"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and 0 <= value <= 86_400):
                raise SettingError(f"{name.replace('_', '-')} {value} is out of range; give 0:00 to 24:00:00")
        if self.charge_at is not None and self.drop_at is not None and self.drop_at <= self.charge_at:
            raise SettingError("drop-at must come after charge-at; check which of the two times is which")
        if self.cool_s is not None and not 0 < self.cool_s <= 3600:
            raise SettingError(f"cooling time {self.cool_s:g} s is out of range; give 1 s to 60:00")
        if any(not 0 < lead <= 600 for lead in self.near_s) or len(set(self.near_s)) != len(self.near_s):
            raise SettingError(f"near times {self.near_s} must be different and between 0 and 600 s")
        if self.sensitivity not in SENSITIVITIES:
            raise SettingError(f"sensitivity {self.sensitivity!r} is unknown; choose {', '.join(SENSITIVITIES)}")

    def given(self, what: str) -> float | None:
        """When ``charge`` or ``drop`` (what) is, as given by the person, or None."""
        return self.charge_at if what == "charge" else self.drop_at

    def as_fields(self) -> dict[str, object]:
        """The ``settings`` field of ``roast.start``; ``usual_start`` only where it is known."""
        usual = self.usual_start
        known = {} if usual is None else {"usual_start": asdict(usual)}
        return {
            "charge_at": self.charge_at,
            "drop_at": self.drop_at,
            "target": None if self.target is None else str(self.target),
            "near_s": list(self.near_s),
            "cool_s": self.cool_s,
            "sensitivity": self.sensitivity,
            **known,
        }
