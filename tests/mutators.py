"""Files that are nearly right, by a seed: sound, settings, journals, exports and models.

Of each there are two kinds: with a few bytes changed, most of which are refused at the door; and with a few values
changed in a file that is whole otherwise, its checksum made anew, which go as deep as they can. Each goes through the
command that reads such a file. Promised is a good answer or one sentence with an exit code: never a traceback, nothing
called a defect, ten seconds at most. ``python tests/trials.py mutants 100000`` does it at length.
"""

from __future__ import annotations

import base64
import contextlib
import copy
import csv
import dataclasses
import io
import json
import os
import random
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import conftest
import numpy as np
import soundfile
from clicks import clicks_in_noise
from roasts import roast_events

from crackdetect import model as model_files
from crackdetect.cli import entry
from crackdetect.deciding.machine_sums import MachineSums
from crackdetect.events import Event
from crackdetect.listening import resume
from crackdetect.model import Model
from crackdetect.settings.known import NAMES
from crackdetect.storage import machine_profiles
from crackdetect.storage.journal import Journal, new_folder
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog
from crackdetect.teach.machine_profile import MachineProfile, RoastLabels

RATE = 16_000
LONGEST_S = 10.0
#: Words that a parser may stumble over, put in anywhere.
_ODD = (
    b"\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80", b"-1", b"1e999", b"NaN", b"null", b"[" * 2_000, b'"',
    b"\n", b"\xed\xa0\x80", b"\x1b[2J", b"9" * 5_000, b"{}", b"=", b"../", b"data", b"fLaC", b"true",
)  # fmt: skip
#: Values that no field expects.
_ODD_VALUES: tuple[Any, ...] = (
    None, True, False, -1, 0, 1, 3.5, -0.0, 1e-300, 1e300, float("nan"), float("inf"), 2**31, 2**53 + 1, 2**64, 10**400,
    "", " ", "x" * 10_000, "-1", "9:36", "99:99", "1e999", "\x1b[2J", "a\0b", "\ud800", "../../x", "first", "charge",
    "2026-02-30", "0001-01-01T00:00:00+14:00", [], {}, [[]], [None], [1.0, "x"], {"x": 1},
)  # fmt: skip
_ODD_TOML = (
    "[]", "{}", "-1", "0", "65", "1e999", "nan", "true", '""', "'''\n'''", "1979-05-27T07:32:00Z", "[[1], 2]", '"9:99"',
    '"1e400g"', '"200%"', '"\\u0000"', '"\\u001b[2J"', "0x7fffffffffffffffff", '["ftp://x", 3]', '"http://[::1"',
    "9" * 5_000, '"' + "x" * 100_000 + '"',
)  # fmt: skip
_SETTINGS = b"""# mine
coffee = "Meadow Lane"
batch = "200g"
target = "18%"
expect = "8:00-10:00"
webhook = ["http://127.0.0.1:9/hook"]
record = false
volume = 70
channel = 1
"""


def mutate(content: bytes, chance: random.Random, *, within: int | None = None) -> bytes:
    """A few changes. within: only so many bytes from the beginning, as of a header."""
    changed = bytearray(content)
    for _ in range(chance.choice((1, 1, 1, 2, 4, 16))):
        end = min(len(changed), within or len(changed))
        at = chance.randrange(end) if end else 0
        kind = chance.randrange(6)
        if kind == 0 and end:
            changed[at] ^= 1 << chance.randrange(8)
        elif kind == 1 and end:
            changed[at] = chance.randrange(256)
        elif kind == 2:
            del changed[at : at + chance.choice((1, 2, 4, 100))]
        elif kind == 3:
            changed[at:at] = chance.choice(_ODD)
        elif kind == 4:
            changed[at : at + 4] = chance.choice((0, 1, 2**31 - 1, 2**32 - 1)).to_bytes(4, "little")
        else:
            del changed[chance.randrange(len(changed) + 1) :]
    return bytes(changed)


def _places(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every value in a tree of JSON, as what holds it and its key there."""
    for key in list(tree) if isinstance(tree, dict) else range(len(tree)):
        yield tree, key
        if isinstance(tree[key], dict | list):
            yield from _places(tree[key])


def _alter(tree: Any, chance: random.Random) -> None:
    """One value becomes an odd one, that of another place, or none."""
    places = list(_places(tree))
    holder, key = chance.choice(places)
    fate = chance.randrange(5)
    if fate == 0 and isinstance(holder, dict):
        del holder[key]
    elif fate == 1:
        other, there = chance.choice(places)
        holder[key] = copy.deepcopy(other[there])
    elif _is_array(holder[key]) and fate < 4:
        _alter_array(holder[key], chance)
    else:
        holder[key] = copy.deepcopy(chance.choice(_ODD_VALUES))


def _is_array(entry: Any) -> bool:
    """Whether it still is one: an alteration before may have spoilt it."""
    try:
        np.frombuffer(base64.b64decode(entry["base64"]), entry["dtype"])
    except (KeyError, TypeError, ValueError):
        return False
    return True


def _alter_array(entry: dict[str, Any], chance: random.Random) -> None:
    values = np.frombuffer(base64.b64decode(entry["base64"]), entry["dtype"]).copy()
    if len(values):
        values[chance.randrange(len(values))] = chance.choice((np.nan, np.inf, -1e30, 1e5, -1.0, 0.0, 1e-30))
    if chance.random() < 0.1:
        values = values[: chance.randrange(len(values) + 1)]
        entry["shape"] = [len(values)]
    entry["base64"] = base64.b64encode(values.tobytes()).decode("ascii")


def _times(chance: random.Random) -> range:
    return range(chance.choice((1, 1, 1, 2, 4)))


def alter_lines(content: bytes, chance: random.Random) -> bytes:
    """Values changed in lines of JSON; a checksum is left out, as older journals had none."""
    lines = [json.loads(line) for line in content.splitlines()]
    for _ in _times(chance):
        _alter(lines, chance)
    for line in lines:
        if isinstance(line, dict):
            line.pop("crc32", None)
    return b"".join(json.dumps(line).encode() + b"\n" for line in lines)


def alter_model(content: bytes, chance: random.Random) -> bytes:
    """Values changed in a model or in what is known of a machine, and its digest made anew."""
    model = json.loads(content)
    for _ in _times(chance):
        _alter(model, chance)
    model["digest"] = model_files.digest_of(model)
    return json.dumps(model).encode()


def alter_table(content: bytes, chance: random.Random) -> bytes:
    """Cells changed in a table."""
    rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
    for _ in _times(chance):
        row = chance.choice(rows)
        row[chance.randrange(len(row))] = str(chance.choice(_ODD_VALUES))
    table = io.StringIO()
    csv.writer(table).writerows(rows)
    return table.getvalue().encode("utf-8", "replace")


def alter_settings(content: bytes, chance: random.Random) -> bytes:
    """Settings with odd values."""
    settings = dict(line.split(" = ", 1) for line in content.decode().splitlines() if " = " in line)
    for _ in _times(chance):
        settings[chance.choice(NAMES)] = chance.choice(_ODD_TOML)
    return "".join(f"{name} = {value}\n" for name, value in settings.items()).encode()


@dataclass(frozen=True)
class Kind:
    """A kind of file. good: one. read: gives it to the program, from its path; the exit code. alter: spoils it."""

    name: str
    good: bytes
    read: Callable[[Path], int]
    alter: Callable[[bytes, random.Random], bytes] = mutate


def _command(*arguments: object) -> int:
    return entry.main([str(argument) for argument in arguments])


def kinds(folder: Path, plain: Path, model: Model) -> list[Kind]:
    """All kinds. folder: empty; CRACKDETECT_HOME is set to what is in it."""
    samples = clicks_in_noise(np.arange(0.2, 1.9, 0.15).tolist(), samplerate=RATE, duration_s=2.0)
    good: dict[str, bytes] = {}
    for name in ("wav", "flac"):
        path = folder / f"good.{name}"
        soundfile.write(path, samples, RATE)
        good[name] = path.read_bytes()
    events = roast_events("roast", cracks=10)
    data = folder / "data"
    journal = Journal(new_folder(data, "roast"))
    for fields in events:
        journal.send(Event.from_dict(fields))
    journal.close()
    journaled = (data / "roasts" / "roast" / "events.jsonl").read_bytes()
    shutil.rmtree(data)
    with RoastLog() as log:
        log.keep(events)
    exported = folder / "good.jsonl"
    assert _command("log", "export", exported) == 0
    table = folder / "good.csv"
    assert _command("log", "export", table) == 0
    whole_log = (data / FILE).read_bytes()
    taught = folder / "taught.json"
    with_own_machine = dataclasses.replace(model, own_machine=conftest.OWN_MACHINE)
    model_files.save(taught, with_own_machine, golden=model_files.golden_of(plain), card={"purpose": "tests"})

    profile = folder / "machine.json"
    sums = dataclasses.replace(MachineSums.none(conftest.POINT), machine=100.0, cracks=20.0)
    labels = RoastLabels(510.2, "marked", ((508.5, True), (511.0, False)))
    known = MachineProfile("drum", model_files.load(taught).digest, ("roast",), sums, labels=(labels,))
    machine_profiles.write(known, profile, replace=False)

    def with_log(content: bytes) -> None:
        for end in ("-wal", "-shm"):
            (data / f"{FILE}{end}").unlink(missing_ok=True)
        (data / FILE).write_bytes(content)

    def look() -> None:
        assert _command("log") == 0
        assert _command("log", "show", "last") == 0
        assert _command("log", "export", folder / "again.jsonl", "--replace") == 0

    def hear(path: Path) -> int:
        return _command("analyze", path, "--format", "jsonl", "--model", plain)

    def settings(path: Path) -> int:
        place = folder / "settings" / "settings.toml"
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(path.read_bytes())
        try:
            return _command("settings")
        finally:
            place.unlink()

    def journal_of(path: Path) -> int:
        """Whatever the log takes of it can be looked at."""
        with_log(whole_log)
        kept = new_folder(folder / "journals", "roast")
        (kept / "events.jsonl").write_bytes(path.read_bytes())
        told: list[str] = []
        try:
            resume.settle(folder / "journals", model, wanted=None, ask=None, tell=told.append)
        finally:
            shutil.rmtree(folder / "journals")
        assert all("defect" not in sentence for sentence in told), told
        look()
        return 0

    def imported(path: Path) -> int:
        """What is taken in can be looked at."""
        with_log(whole_log)
        code = _command("log", "import", path, "--replace")
        if code == 0:
            look()
        return code

    def model_of(path: Path) -> int:
        return _command("analyze", folder / "good.wav", "--format", "jsonl", "--model", path)

    def machine_of(path: Path) -> int:
        """What is taken over can be heard by."""
        try:
            code = _command("teach", "mine", "--import", path, "--model", taught)
            if code == 0:
                sound = folder / "good.wav"
                assert _command("analyze", sound, "--format", "jsonl", "--machine", "mine", "--model", taught) == 0
            return code
        finally:
            shutil.rmtree(data / "machines", ignore_errors=True)

    def within(count: int) -> Callable[[bytes, random.Random], bytes]:
        return lambda content, chance: mutate(content, chance, within=count)

    return [
        Kind("header.wav", good["wav"], hear, within(60)),
        Kind("header.flac", good["flac"], hear, within(100)),
        Kind("sound.flac", good["flac"], hear),
        Kind("settings.toml", _SETTINGS, settings),
        Kind("settings-values.toml", _SETTINGS, settings, alter_settings),
        Kind("events.jsonl", journaled, journal_of),
        Kind("events-values.jsonl", journaled, journal_of, alter_lines),
        Kind("export.jsonl", exported.read_bytes(), imported),
        Kind("export-values.jsonl", exported.read_bytes(), imported, alter_lines),
        Kind("export.csv", table.read_bytes(), imported),
        Kind("export-values.csv", table.read_bytes(), imported, alter_table),
        Kind("model.json", taught.read_bytes(), model_of),
        Kind("model-values.json", taught.read_bytes(), model_of, alter_model),
        Kind("machine.json", profile.read_bytes(), machine_of),
        Kind("machine-values.json", profile.read_bytes(), machine_of, alter_model),
    ]


def try_one(kind: Kind, folder: Path, *, seed: int) -> tuple[float, int]:
    """Gives a mutant of that seed to the program; seconds that it took, and the exit code.

    Raises AssertionError with what is wrong.
    """
    path = folder / f"mutant-{kind.name}"
    path.write_bytes(kind.alter(kind.good, random.Random(f"{kind.name} {seed}")))
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    began = time.process_time()  # of work: another program may be at work as well
    where = f"{kind.name}, seed {seed}"
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = kind.read(path)
    except Exception as error:
        raise AssertionError(f"{where}: {type(error).__name__}: {error}") from error
    took_s = time.process_time() - began
    said, told = (stream.buffer.getvalue().decode() for stream in (out, err))
    assert "a defect of crackdetect" not in told, f"{where}: {told}"
    assert "Traceback" not in told, f"{where}: {told}"
    assert 0 <= code <= 8, f"{where}: exit code {code}"
    complaints = [line for line in told.splitlines() if line.startswith("crackdetect: ")]
    assert len(complaints) <= 1 and (code == 0 or told), f"{where}: exit code {code}, {told}"  # noqa: PT018
    assert took_s < LONGEST_S, f"{where}: {took_s:.1f} s"
    if kind.name.startswith(("header", "sound", "model")):
        for line in said.splitlines():
            json.loads(line)
    return took_s, code


def memory_mb() -> float:
    """Of this process at most so far."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if os.uname().sysname == "Linux" else 1024**2)
