"""What is known of the person's machines, a file each in the data folder: plain data with its digest, no sound.

The file before it stays beside it, so that teaching can be undone.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from crackdetect.deciding.machine_sums import MachineSums
from crackdetect.errors import InputError, ModelError, OutputError
from crackdetect.hearing import features
from crackdetect.model import Model, decode, digest_of, encode
from crackdetect.roast.words import clean
from crackdetect.storage import atomic_file
from crackdetect.teach.machine_profile import WHOSE, MachineProfile, RoastLabels
from crackdetect.teach.sound_sums import SoundSums

#: Files of version 1 do not tell how loud it is, and perhaps no labels.
_FORMAT, _VERSION = "crackdetect-machine", 2
#: Bytes of a file, numbers of a point, roasts, and candidates of one kind that are counted: no teaching gives more.
MOST_BYTES, _MOST_D, _MOST_ROASTS, _MOST_COUNTED = 4_000_000, 1_000, 10_000, 1e9
#: No level is larger, dB of either sign.
_MOST_DB = 300.0
#: No roast is longer, seconds.
_LONGEST_S = 86_400.0
#: No sum is larger: features and points are a few hundred at most.
_LARGEST = 1e15
_ARRAYS = ("features", "squares", "points", "crack_points")
_ADVICE = "teach the machine again, or export its file again where it came from"


def place_of(machine: str, *, data: Path) -> Path:
    """The file of a machine in the data folder ``data``, whatever the case of its name; it need not exist."""
    name = machine.casefold()
    plain = re.sub(r"[^a-z0-9]+", "-", name).strip("-")[:40]
    return data / "machines" / f"{plain}-{hashlib.sha256(name.encode()).hexdigest()[:8]}.json"


def known(*, data: Path) -> list[MachineProfile]:
    """Of all machines, by name; files that cannot be read are left out."""
    found = []
    for path in sorted((data / "machines").glob("*.json")) if (data / "machines").is_dir() else []:
        try:
            profile = read(path)
        except (InputError, ModelError):
            continue
        if place_of(profile.machine, data=data) == path:
            found.append(profile)
    return sorted(found, key=lambda profile: profile.machine.casefold())


def find(machine: str, *, data: Path) -> MachineProfile | None:
    """What is known of a machine; None while nothing is.

    Raises
    ------
    InputError
        When the file cannot be read.
    ModelError
        When it is damaged.
    """
    path = place_of(machine, data=data)
    try:
        return read(path)
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return None
        raise


def knowing(model: Model, machine: str | None, *, data: Path, note: Callable[[str], None]) -> Model:
    """The model that knows this machine, where anything is known of it.

    Parameters
    ----------
    model : Model
    machine : str or None
        Its name; None: the machine without one.
    data : pathlib.Path
        The data folder.
    note : callable
        Takes one sentence where what is known cannot be used; then the model is as it was.
    """
    try:
        profile = find(machine or "", data=data)
        return model if profile is None else profile.applied_to(model)
    except (InputError, ModelError) as error:
        note(f"{error}. It is heard as shipped")
        return model


def adopt(profile: MachineProfile, *, data: Path) -> MachineProfile:
    """From now on this is known of the machine; what taught something else before stays beside it.

    Returns it with its digest.

    Raises
    ------
    OutputError
        When it cannot be written; then what was known holds.
    """
    path = place_of(profile.machine, data=data)
    try:
        atomic_file.make_folder(path.parent)
        path.parent.chmod(0o700)  # names of roasts and machines are the person's
        if path.exists() and not _teaches_the_same(profile, path):
            with atomic_file.whole_file(_before(path), replace=True) as part:
                part.write_bytes(path.read_bytes())
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror or error}); nothing has changed") from None
    kept = write(profile, path, replace=True)
    with contextlib.suppress(OSError):  # in a folder that nobody else may enter
        path.chmod(0o600)
    return kept


def _teaches_the_same(profile: MachineProfile, path: Path) -> bool:
    """As what is in the file; False where that cannot be read."""
    try:
        return profile.teaches_the_same_as(read(path))
    except (InputError, ModelError):
        return False


def undo(machine: str, *, data: Path) -> MachineProfile | None:
    """What was known of the machine before holds again; returns it, None where that was nothing.

    Raises
    ------
    InputError
        When nothing is known of the machine.
    OutputError
        When it cannot be written.
    """
    path = place_of(machine, data=data)
    try:
        before = _before(path)
        if before.exists():
            atomic_file.replace_for_good(before, path)
            return read(path)
        path.unlink()
        atomic_file.sync_folder(path.parent)
    except FileNotFoundError:
        raise InputError(f"nothing is known of {machine!r} that could be taken back") from None
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror or error}); nothing has changed") from None
    return None


def _before(path: Path) -> Path:
    return path.with_suffix(".before")


def write(profile: MachineProfile, path: Path, *, replace: bool) -> MachineProfile:
    """Into a file of one's own choice, to share it. Returns it with its digest. Raises SettingError, OutputError."""
    content = _content(profile)
    with atomic_file.whole_file(path, replace=replace) as part:
        part.write_text(_as_text(content), encoding="ascii")
    return _with_digest(profile, content["digest"])


def text_of(profile: MachineProfile) -> str:
    """What :func:`write` writes."""
    return _as_text(_content(profile))


def _as_text(content: dict[str, Any]) -> str:
    return json.dumps(content) + "\n"


def read(path: Path) -> MachineProfile:
    """From a file.

    Raises
    ------
    InputError
        When it cannot be read.
    ModelError
        When it is damaged, or no such file.
    """
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror or error})") from error
    return parse(text, path)


def parse(text: bytes, path: Path) -> MachineProfile:
    """From what a file holds. Raises ModelError, which names it by ``path``, when it is damaged or no such file."""
    try:
        if len(text) > MOST_BYTES:
            raise ValueError
        content = json.loads(text)
        if content["format"] != _FORMAT:
            raise ValueError
    except (KeyError, TypeError, ValueError, RecursionError):
        raise ModelError(f"{path} is not what is known of a machine; name a file that 'teach --export' wrote") from None
    if content.get("format_version") not in (1, _VERSION):
        raise ModelError(f"{path} is of another version of crackdetect; {_ADVICE}")
    try:
        if content["digest"] != digest_of(content):
            raise ValueError
        return _profile(content)
    except (KeyError, TypeError, ValueError, OverflowError, ModelError):
        raise ModelError(f"{path} is damaged; {_ADVICE}") from None


def _content(profile: MachineProfile) -> dict[str, Any]:
    sums = profile.sums
    upper = np.triu_indices(len(sums.points))
    arrays = {name: encode(getattr(sums, name).astype(np.float32)) for name in _ARRAYS}
    content = {
        "format": _FORMAT,
        "format_version": _VERSION,
        "machine": profile.machine,
        "model": profile.model,
        "roasts": list(profile.roasts),
        "labels": [asdict(one) for one in profile.labels],
        "counted": {"machine": sums.machine, "cracks": sums.cracks},
        "sums": arrays | {"products": encode(sums.products[upper].astype(np.float32))},
        "sound": {one.name: getattr(profile.sound, one.name).tolist() for one in fields(SoundSums)},
    }
    return content | {"digest": digest_of(content)}


def _profile(content: dict[str, Any]) -> MachineProfile:
    """Raises KeyError, TypeError, ValueError, ModelError on what no profile holds."""
    counted = [float(content["counted"][which]) for which in ("machine", "cracks")]
    if not all(0 <= number <= _MOST_COUNTED for number in counted):
        raise ValueError
    arrays = [decode(content["sums"][name]).astype(np.float64) for name in (*_ARRAYS, "products")]
    d = len(arrays[2])
    if not 0 < d <= _MOST_D or [len(a) for a in arrays] != [features.COUNT] * 2 + [d, d, d * (d + 1) // 2]:
        raise ValueError
    if not all(a.ndim == 1 and np.isfinite(a).all() and np.abs(a).max() <= _LARGEST for a in arrays):
        raise ValueError
    *linear, upper = arrays
    products = np.zeros((d, d))
    products[np.triu_indices(d)] = upper
    products += np.triu(products, 1).T
    names = [content["machine"], content["model"], content["digest"], *content["roasts"]]
    if not all(isinstance(name, str) and name == (clean(name) or "") and len(name) <= 500 for name in names):
        raise ValueError
    if len(content["roasts"]) > _MOST_ROASTS:
        raise ValueError
    machine, model, digest, *roasts = names
    x, squares, points, crack_points = linear
    sums = MachineSums(counted[0], counted[1], x, squares, points, products, crack_points)
    first = content["format_version"] == 1
    labels = tuple(map(_labels, content.get("labels", []) if first else content["labels"]))
    if labels and len(labels) != len(roasts):
        raise ValueError
    sound = SoundSums.none() if first else _sound(content["sound"])
    return MachineProfile(machine, model, tuple(roasts), sums, digest, labels, sound)


def _sound(content: dict[str, Any]) -> SoundSums:
    """Raises KeyError, TypeError, ValueError on what no sums are."""
    none = SoundSums.none()
    found = {}
    for name in (one.name for one in fields(SoundSums)):
        sums = np.array(content[name], np.float64)
        if sums.shape != getattr(none, name).shape or not (np.isfinite(sums) & (np.abs(sums) <= _LARGEST)).all():
            raise ValueError
        found[name] = sums
    for weights, values, squares in (found["levels"], found["cracks"]):
        if not ((weights >= 0) & (np.abs(values) <= _MOST_DB * weights)).all():
            raise ValueError
        if not ((squares >= 0) & (squares <= _MOST_DB**2 * weights)).all():
            raise ValueError
    if min(found["seconds"].min(), found["likely"].min()) < 0:
        raise ValueError
    return SoundSums(**found)


def _labels(content: dict[str, Any]) -> RoastLabels:
    """Raises KeyError, TypeError, ValueError on what no labels are."""
    start_s, whose, answers = (content[name] for name in ("start_s", "whose", "answers"))
    times = [*([] if start_s is None else [start_s]), *(at for at, _ in answers)]
    if not all(type(at) in (int, float) and abs(at) <= _LONGEST_S for at in times):
        raise ValueError
    if whose not in WHOSE or not all(type(is_crack) is bool for _, is_crack in answers):
        raise ValueError
    return RoastLabels(start_s, whose, tuple((at, is_crack) for at, is_crack in answers))


def _with_digest(profile: MachineProfile, digest: str) -> MachineProfile:
    return replace(profile, digest=digest)
