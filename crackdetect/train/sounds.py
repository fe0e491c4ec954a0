"""Real recordings for training: cracks' analogues, distractors and machine noise, split by recording.

A folder holds one sub-folder a class (at any depth; the class is the name of the folder a file lies in). Classes
of short, dry breaking sounds stand in for cracks; classes of steady noise become beds; all else distracts.
A recording belongs to one side only, chosen by a hash of its session, for takes of one session, keys of one keyboard
and sentences of one reader sound alike: the classifier is trained with one side, calibrated and judged with another,
and the benchmark has the third, with some whole classes and one popcorn recording for itself.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Samples
from crackdetect.errors import InputError
from crackdetect.hearing.level import LevelMeter
from crackdetect.hearing.onset import Onset
from crackdetect.hearing.spectrum import BandSplitter
from crackdetect.synth.sounds import Cracks, SoundBank

Side = Literal["train", "calibrate", "validate"]
#: Classes whose sounds stand in for cracks.
CRACK_CLASSES = ("popcorn", "pop", "brittle_snap", "fire_crackle")
#: The one of them whose recordings are also heard whole.
POPCORN = "popcorn"
#: Classes (or their parent folder) that are beds.
BED_FOLDERS = ("noise", "machine", "bed")
#: Heard in the benchmark only, as whole classes and as single sessions.
HELD_OUT_CLASSES = ("glass", "kitchen_appliance", "dog_bark", "helicopter", "hammering_floor", "sneeze")
HELD_OUT_SESSIONS = ("popcorn200v",)
SAMPLERATE = 44_100
#: Shares of the sessions.
_VALIDATE, _CALIBRATE = 0.125, 0.2
#: Hashed with every session: of 20,000 numbers the one that deals the classes of the folder used most evenly (least
#: chi-square over those of three sessions and more) with one reader for the benchmark, the other and the singer for
#: training.
_DEAL = 15_401
#: What a name is followed by in its takes, whatever the case: ``dish-B``, ``drill_short_3``, ``motor 2a``, ``tap-2``,
#: ``pan_take_002``, ``clap (2)``. Longer numbers, and those that follow others as in a date, tell recordings apart.
_TAKE = re.compile(
    r"(?:[ _-]take)?(?:-[a-z]|(?<=[a-z])[ _-]?0{0,2}\d{1,2}[a-z]?|[ _-]?\(\d+\))$"
    r"|[ _-](?:take|long|short|small|solo|hit|passing|reso|rattle)$"
)
#: Collections whose names begin with what a session's recordings share: a keyboard, a reader, a floor and its room.
_SERIES = re.compile(r"kbsim_[a-z]+|lj(?=\d)|snu_\d{3}|am_\d+_[a-z-]+|berklee_femalevoice|sense_and_sensibility")
_SUFFIXES = (".flac", ".wav", ".ogg", ".aiff", ".aif", ".mp3", ".w64")
_LEAST_SNR_DB = 22.0
_BEFORE_S, _AFTER_S = 0.004, 0.080


@dataclass(frozen=True, slots=True)
class Recording:
    """A file of the folder.

    Attributes
    ----------
    path : pathlib.Path
    label : str
        Its class: the name of the folder it lies in.
    role : {"crack", "distractor", "bed"}
        What it is used for.
    side : {"train", "calibrate", "validate"}
        See :func:`side_of`.
    """

    path: Path
    label: str
    role: Literal["crack", "distractor", "bed"]
    side: Side


def side_of(path: Path) -> Side:
    """Which side a recording belongs to.

    An eighth of the sessions, by a hash of their name, and all held-out ones are for the benchmark (``validate``); a
    fifth to calibrate with. Popcorn is rare, and the nearest there is to a crack: what is not held out trains.
    """
    if path.parent.name in HELD_OUT_CLASSES or session_of(path) in HELD_OUT_SESSIONS:
        return "validate"
    if path.parent.name == POPCORN:
        return "train"
    session = f"{_DEAL} {path.parent.name} {session_of(path)}"
    share = hashlib.sha256(session.encode()).digest()[0] / 256
    return "validate" if share < _VALIDATE else "calibrate" if share < _VALIDATE + _CALIBRATE else "train"


def session_of(path: Path) -> str:
    """What the takes of a session have in common in their names."""
    name = path.stem.casefold()
    if series := _SERIES.match(name):
        return series.group()
    while (shorter := _TAKE.sub("", name)) not in ("", name):
        name = shorter
    return re.sub("[ _-]", "", name).removesuffix("s") or name


def find(folder: Path) -> list[Recording]:
    """All recordings below ``folder``, sorted. Raises InputError when there is none."""
    if not folder.is_dir():
        raise InputError(f"sound folder {folder} does not exist; give a folder with one sub-folder a class")
    found: list[Recording] = []
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() not in _SUFFIXES:
            continue
        label = path.parent.name
        role: Literal["crack", "distractor", "bed"] = "distractor"
        if label in CRACK_CLASSES:
            role = "crack"
        elif label in BED_FOLDERS or path.parent.parent.name in BED_FOLDERS:
            role = "bed"
        found.append(Recording(path, label, role, side_of(path)))
    if not found:
        raise InputError(f"sound folder {folder} holds no recordings; put one sub-folder a class into it")
    return found


@lru_cache(maxsize=4)
def bank(folder: Path, side: Side) -> SoundBank:
    """The sounds of one side, ready for the generator (mono, SAMPLERATE, cracks cut out one by one).

    Kept for the life of the process: each worker reads the folder once instead of being sent the sounds.
    Raises InputError when the folder or a recording cannot be read.
    """
    cracks: dict[str, Cracks] = {}
    distractors: list[Samples] = []
    sessions: dict[tuple[str, str], list[int]] = {}
    beds: list[Samples] = []
    popcorn: list[Samples] = []
    for recording in find(folder):
        if recording.side != side:
            continue
        samples = read(recording.path)
        if len(samples) < SAMPLERATE // 50 or not np.any(samples):
            continue
        if recording.role == "crack":
            if broken := tuple(snippets(samples)):
                cracks[recording.label] = (*cracks.get(recording.label, ()), broken)
            if recording.label == POPCORN and len(samples) >= 10 * SAMPLERATE:
                popcorn.append(samples)
        elif recording.role == "bed":
            if len(samples) >= 2 * SAMPLERATE:
                beds.append(samples)
        else:
            sessions.setdefault((recording.label, session_of(recording.path)), []).append(len(distractors))
            distractors.append(samples)
    return SoundBank(
        cracks=cracks,
        distractors=tuple(distractors),
        beds=tuple(beds),
        popcorn=tuple(popcorn),
        sessions=tuple(tuple(together) for together in sessions.values() if len(together) > 1),
        samplerate=SAMPLERATE,
    )


def read(path: Path) -> Samples:
    """A recording as mono float32 at SAMPLERATE. Raises InputError when it cannot be read."""
    import soundfile
    from scipy.signal import resample_poly

    try:
        data, samplerate = soundfile.read(path, dtype="float32", always_2d=True)
    except (OSError, RuntimeError) as error:
        raise InputError(f"sound {path} cannot be read ({error}); remove it from the folder") from None
    mono = data.mean(axis=1)
    if samplerate != SAMPLERATE:
        divisor = int(np.gcd(samplerate, SAMPLERATE))
        mono = resample_poly(mono, SAMPLERATE // divisor, samplerate // divisor)
    return np.ascontiguousarray(mono, np.float32)


def snippets(samples: Samples) -> Iterator[Samples]:
    """The single, strong, isolated breaking sounds of a recording, each from 4 ms before its peak on."""
    padding = _faint_noise(samples)
    padded = np.concatenate([padding, samples, padding])
    splitter = BandSplitter(samplerate=SAMPLERATE)
    onset = Onset(bands=splitter.bands)
    meter = LevelMeter(samplerate=SAMPLERATE, keep_s=len(padded) / SAMPLERATE)
    meter.push(padded)
    candidates = onset.push(splitter.push(padded)).candidates
    strong = [
        (splitter.centre(c.frame), c.strength)
        for c in candidates
        if meter.snr_db(splitter.centre(c.frame), c.in_band_floor) >= _LEAST_SNR_DB
    ]
    before, after = int(_BEFORE_S * SAMPLERATE), int(_AFTER_S * SAMPLERATE)
    for i, (centre, strength) in enumerate(strong):
        if any(abs(other - centre) < after // 2 and s > strength for other, s in strong if other != centre):
            continue
        following = strong[i + 1][0] if i + 1 < len(strong) else len(padded)
        end = min(centre + after, max(following - before, centre + before), len(padded))
        snippet = padded[centre - before : end].copy()
        fade_in, fade_out = before // 2, min(len(snippet) // 3, before * 2)
        snippet[:fade_in] *= np.linspace(0, 1, fade_in, dtype=np.float32)
        snippet[-fade_out:] *= np.linspace(1, 0, fade_out, dtype=np.float32)
        peak = float(np.abs(snippet).max())
        if peak > 0:
            yield (snippet / peak).astype(np.float32)


def _faint_noise(samples: npt.NDArray[np.float32]) -> Samples:
    """1.5 s of noise 50 dB below the peak: short files begin at once, and a floor must be learnt first."""
    level = float(np.abs(samples).max()) * 10 ** (-50 / 20) / 4
    return (np.random.default_rng(0).standard_normal(int(1.5 * SAMPLERATE)) * level).astype(np.float32)


def sources(folder: Path, recordings: list[Recording]) -> dict[str, Any]:
    """For the model's card: how many recordings of each class, which side, and a digest over all of them.

    A file ``SOURCES.tsv`` in the folder (columns file, class, origin, licence) is credited line by line, summed up.
    """
    digest = hashlib.sha256()
    classes: dict[str, dict[str, int]] = {}
    for recording in recordings:
        digest.update(recording.path.name.encode())
        digest.update(hashlib.sha256(recording.path.read_bytes()).digest())
        sides = classes.setdefault(recording.label, {"train": 0, "calibrate": 0, "validate": 0})
        sides[recording.side] += 1
    credits: dict[str, int] = {}
    listing = folder / "SOURCES.tsv"
    if listing.is_file():
        for line in listing.read_text(encoding="utf-8").splitlines()[1:]:
            columns = line.split("\t")
            if len(columns) >= 4:
                origin = f"{columns[2].split(' rev ')[0].split(' (')[0]}: {columns[3]}"
                credits[origin] = credits.get(origin, 0) + 1
    return {"digest": digest.hexdigest()[:16], "classes": classes, "credits": credits}
