"""What is known of a machine as one file for somebody else, with the sound of its roasts where that is wanted.

Without sound it is the file of :mod:`storage.machine_profiles`. With it an uncompressed ZIP archive (PKWARE APPNOTE
6.3.3, method 0) that any program opens: ``machine.json``, the same file, and of roast n of its labels ``roast-n`` with
the ending of its format, or ``.sound`` where that is long or no word.
Sound is never taken out of such a file by this program: who wants to hear it opens the archive.
"""

from __future__ import annotations

import dataclasses
import io
import re
import shutil
import struct
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from crackdetect.errors import InputError, ModelError, OutputError
from crackdetect.storage import atomic_file, machine_profiles
from crackdetect.teach.machine_profile import MachineProfile

_PROFILE = "machine.json"
_SOUND = re.compile(r"roast-[1-9][0-9]{0,4}\.[a-z0-9]{1,5}", re.ASCII)
#: Recordings in a file, at most, and bytes that the directory has for each: 46, a name, 28 where it is large.
_MOST, _ENTRY_BYTES = 10_000, 100
#: What reading a file that is no archive raises.
_NO_ARCHIVE = (zipfile.BadZipFile, struct.error, OSError, ValueError, RuntimeError, EOFError, OverflowError)
#: As ``zipfile`` writes the earliest time that it knows: no file says when a roast was.
_NO_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Shared:
    """What a file holds.

    Attributes
    ----------
    profile : MachineProfile
    recordings, sound_bytes : int
        How many roasts with their sound, and how large that is.
    """

    profile: MachineProfile
    recordings: int = 0
    sound_bytes: int = 0


def write(profile: MachineProfile, path: Path, *, sound: Mapping[int, Path] | None = None, replace: bool) -> int:
    """Writes a file to share, in which no roast has a name. Returns its size, bytes.

    Parameters
    ----------
    profile : MachineProfile
    path : pathlib.Path
    sound : mapping of int to pathlib.Path, optional
        Recordings by the place of the roast in the profile, from 0 on; None: without sound.
    replace : bool
        The file may be there already.

    Raises
    ------
    SettingError, OutputError
        When it cannot be written, or a recording not be read.
    """
    nameless = _nameless(profile)
    if sound is None:
        machine_profiles.write(nameless, path, replace=replace)
        return path.stat().st_size
    with (
        atomic_file.whole_file(path, replace=replace) as part,
        zipfile.ZipFile(part, "w", zipfile.ZIP_STORED) as archive,
    ):
        archive.writestr(zipfile.ZipInfo(_PROFILE, _NO_TIME), machine_profiles.text_of(nameless))
        for place, recording in sorted(sound.items()):
            name = f"roast-{place + 1}{recording.suffix.lower()}"
            entry = zipfile.ZipInfo(name if _SOUND.fullmatch(name) else f"roast-{place + 1}.sound", _NO_TIME)
            try:
                entry.file_size = recording.stat().st_size
                source = recording.open("rb")
            except OSError as error:
                raise OutputError(f"{recording} cannot be read ({error.strerror or error})") from None
            with source, archive.open(entry, "w") as target:
                shutil.copyfileobj(source, target)
    return path.stat().st_size


def _nameless(profile: MachineProfile) -> MachineProfile:
    """Names of roasts are the person's, and often their dates."""
    return dataclasses.replace(profile, roasts=tuple(map(str, range(1, len(profile.roasts) + 1))))


class _Sparing(io.BufferedReader):
    """Gives little at a time: ``zipfile`` asks for the whole directory at once, and refuses one that is cut short."""

    def read(self, size: int | None = -1, /) -> bytes:
        most = _MOST * _ENTRY_BYTES
        return super().read(most if size is None or size < 0 else min(size, most))


def read(path: Path) -> Shared:
    """From a file with sound or without.

    Raises
    ------
    InputError
        When it cannot be read.
    ModelError
        When it is damaged, or no such file.
    """
    try:
        with path.open("rb") as file:
            is_archive = file.read(4) == b"PK\x03\x04"
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror or error})") from error
    if not is_archive:
        return Shared(machine_profiles.read(path))
    content, sizes = b"", []
    with (
        suppress(*_NO_ARCHIVE),
        _Sparing(io.FileIO(path)) as file,
        zipfile.ZipFile(file) as archive,
    ):
        entries = archive.infolist()
        names = {entry.filename for entry in entries}
        if len(names) == len(entries) <= _MOST + 1 and _PROFILE in names and all(map(_is_ours, entries)):
            sizes = [entry.file_size for entry in entries if entry.filename != _PROFILE]
            content = archive.read(_PROFILE) if sum(sizes) <= path.stat().st_size else b""  # checks its sum
    if not content:
        raise ModelError(
            f"{path} is damaged or not what is known of a machine; name a file that 'teach --export' wrote"
        )
    return Shared(machine_profiles.parse(content, path), len(sizes), sum(sizes))


def _is_ours(entry: zipfile.ZipInfo) -> bool:
    """Whether an entry is one that :func:`write` makes: nothing is packed, so nothing can swell."""
    if entry.compress_type != zipfile.ZIP_STORED or entry.compress_size != entry.file_size or entry.flag_bits & 1:
        return False
    if entry.filename == _PROFILE:
        return entry.file_size <= machine_profiles.MOST_BYTES
    return _SOUND.fullmatch(entry.filename) is not None
