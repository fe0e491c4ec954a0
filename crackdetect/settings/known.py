"""Every setting of a live roast: its name, what it takes, its default."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from crackdetect.config import SENSITIVITIES, Target, parse_time, parse_weight, parse_window
from crackdetect.errors import SettingError


@dataclass(frozen=True, slots=True)
class Known:
    """A setting that there is.

    Attributes
    ----------
    name : str
        Its key in the settings file; ``--name`` with dashes is its option, CRACKDETECT_NAME its variable.
    read : callable
        From the name, and a text, number or truth value, to the value. Raises SettingError.
    usual
        The value where nobody says anything.
    what : str
        What it is, in a few words.
    remembered : bool
        Whether the last roast of a coffee may give it.
    """

    name: str
    read: Callable[[str, Any], Any]
    usual: Any
    what: str
    remembered: bool = False

    @property
    def option(self) -> str:
        """Name of the option on the command line."""
        return f"--{self.name.replace('_', '-')}"

    @property
    def variable(self) -> str:
        """Name of the environment variable."""
        return f"CRACKDETECT_{self.name.upper()}"


def _text(name: str, given: Any) -> str:
    text = str(given).strip()
    if not text or isinstance(given, bool | list | dict):
        raise SettingError(f"{name} {given!r} is not a text; write it in quotation marks")
    return text


def _texts(name: str, given: Any) -> tuple[str, ...]:
    if isinstance(given, str):
        return tuple(given.split())
    if not isinstance(given, list | tuple):
        raise SettingError(f"{name} {given!r} is not a list of texts")
    return tuple(_text(name, one) for one in given)


def _truth(name: str, given: Any) -> bool:
    words = {"true": True, "yes": True, "on": True, "1": True, "false": False, "no": False, "off": False, "0": False}
    found = given if isinstance(given, bool) else words.get(str(given).strip().casefold())
    if not isinstance(found, bool):
        raise SettingError(f"{name} {given!r} is neither true nor false")
    return found


def _volume(name: str, given: Any) -> int:
    try:
        percent = int(str(given).strip().removesuffix("%"))
    except ValueError:
        percent = -1
    if not 0 <= percent <= 100:
        raise SettingError(f"{name} {given!r} is out of range; give 0 to 100")
    return percent


def _channel(name: str, given: Any) -> int:
    if not str(given).strip().isdecimal() or not 1 <= int(given) <= 64:
        raise SettingError(f"{name} {given!r} is no channel; channels count from 1")
    return int(given)


def _sensitivity(name: str, given: Any) -> str:
    if given not in SENSITIVITIES:
        raise SettingError(f"{name} {given!r} is unknown; choose {', '.join(SENSITIVITIES)}")
    return str(given)


def _time(name: str, given: Any) -> float:
    return parse_time(_text(name, given), name=name)


def _weight(name: str, given: Any) -> float:
    return parse_weight(_text(name, given), name=name)


def _window(name: str, given: Any) -> tuple[float, float]:
    return parse_window(_text(name, given), name=name)


def _target(name: str, given: Any) -> Target:
    return Target.parse(_text(name, given))


KNOWN = (
    Known("device", _text, None, "the microphone: its number or a part of its name"),
    Known("channel", _channel, None, "which channel of it is heard"),
    Known("coffee", _text, None, "name of the coffee"),
    Known("batch", _weight, None, "weight of the green beans", remembered=True),
    Known("process", _text, None, "how the coffee was processed"),
    Known("origin", _text, None, "where it grew"),
    Known("machine", _text, None, "the machine it is roasted in", remembered=True),
    Known("target", _target, None, "development wanted", remembered=True),
    Known("expect", _window, None, "roast time in which first crack is expected", remembered=True),
    Known("sensitivity", _sensitivity, "usual", "announce first crack earlier, or only when surer"),
    Known("cool", _time, None, "cooling time after the drop"),
    Known("max_development", _time, None, "development past this is cautioned"),
    Known("plain", _truth, False, "lines instead of the board"),
    Known("quiet", _truth, False, "no sound"),
    Known("volume", _volume, 80, "loudness of signals and speech, percent"),
    Known("speech", _truth, True, "alerts are spoken, where the system has a voice"),
    Known("page", _text, None, "the board in a browser: on this computer (here), or in its network (lan)"),
    Known("ticks", _truth, True, "soft ticks 10 and 5 seconds before the target"),
    Known("record", _truth, None, "record the sound of the roast"),
    Known("webhook", _texts, (), "where events are sent"),
    Known("webhook_events", _text, None, "which events are sent"),
    Known("webhook_secret_file", _text, None, "file that holds the signing secret"),
)
NAMES = tuple(known.name for known in KNOWN)
