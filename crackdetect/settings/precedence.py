"""Which value holds: an option before the environment, before the settings file, before the last roast of the coffee.

Every value says where it comes from, and one that makes no sense is told with the place in which it stands.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crackdetect.errors import SettingError
from crackdetect.settings.known import KNOWN, NAMES, Known
from crackdetect.settings.renamed import RENAMED, as_named_now

#: What the last roast of a coffee tells: values by name; empty when there was none.
LastOf = Callable[[str], Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Resolved:
    """The value of a setting that holds.

    Attributes
    ----------
    value
        As read.
    origin : str
        Where it comes from, in words.
    said : bool
        Whether anybody said it.
    """

    value: Any
    origin: str
    said: bool = True


def read_file(path: Path) -> dict[str, Any]:
    """The settings file; empty where there is none. Raises SettingError (not TOML, unknown names, not readable)."""
    try:
        if path.exists() and not path.is_file():  # a pipe could keep every start waiting without end
            raise OSError(None, "it is not an ordinary file")
        with path.open("rb") as file:
            values = as_named_now(tomllib.load(file))
    except FileNotFoundError:
        return {}
    except SettingError as error:
        raise SettingError(f"the settings file {path} {error}") from None
    except (ValueError, RecursionError) as error:  # what is not TOML, not UTF-8, or nested without end
        reason = "it is nested too deep" if isinstance(error, RecursionError) else error
        raise SettingError(f"the settings file {path} is not TOML ({reason}); mend it or move it away") from None
    except OSError as error:
        raise SettingError(f"the settings file {path} cannot be read ({error.strerror}); mend or move it") from None
    if unknown := sorted(set(values) - set(NAMES)):
        near = difflib.get_close_matches(unknown[0].replace("-", "_"), NAMES, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(NAMES)}"
        raise SettingError(f"the settings file {path} has {', '.join(unknown)}, which is no setting; {hint}")
    return values


def resolve(
    given: Mapping[str, Any],
    *,
    environment: Mapping[str, str],
    path: Path,
    last_of: LastOf,
) -> dict[str, Resolved]:
    """Every setting by name.

    Parameters
    ----------
    given : mapping
        Options of the command line; None, or an empty tuple, is not given.
    environment : mapping of str to str
    path : pathlib.Path
        Of the settings file, which need not be there.
    last_of : callable
        What the last roast of a coffee tells, by name.

    Raises
    ------
    SettingError
        For a value that makes no sense, with the place in which it stands.
    """
    file = read_file(path)
    for old, new in RENAMED.items():
        if environment.get(f"CRACKDETECT_{old.upper()}"):
            raise SettingError(
                f"the environment has CRACKDETECT_{old.upper()}, which is called CRACKDETECT_{new.upper()} now"
            )
    found: dict[str, Resolved] = {}
    for known in KNOWN:
        found[known.name] = _said(known, given, environment, file, path) or Resolved(known.usual, "default", said=False)
    coffee = found["coffee"].value
    if coffee is not None:
        remembered = last_of(coffee)
        for known in KNOWN:
            value = remembered.get(known.name)
            if known.remembered and value is not None and not found[known.name].said:
                found[known.name] = Resolved(value, f"last roast or plan of {coffee}")
    return found


def _said(
    known: Known, given: Mapping[str, Any], environment: Mapping[str, str], file: Mapping[str, Any], path: Path
) -> Resolved | None:
    option = given.get(known.name)
    if option is not None and option != ():
        return Resolved(known.read(known.name.replace("_", "-"), option), f"option {known.option}")
    if text := environment.get(known.variable):
        return Resolved(_read(known, text, known.variable), f"environment {known.variable}")
    if known.name in file:
        return Resolved(_read(known, file[known.name], str(path)), "settings file")
    return None


def _read(known: Known, given: Any, place: str) -> Any:
    try:
        return known.read(known.name, given)
    except SettingError as error:
        raise SettingError(f"{place}: {error}") from None
