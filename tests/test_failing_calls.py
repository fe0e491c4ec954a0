"""Every system call of a whole roast fails once: the roast is heard to its summary, and nothing is called a defect."""

from __future__ import annotations

import errno
import json
import os
import random
import sys
from pathlib import Path

import pytest
from commands import EndingMicrophone, Run
from failing_calls import CALLS, ERRORS, FailingCalls
from left_behind import leave

from crackdetect.audio import microphone
from crackdetect.cli import entry
from crackdetect.model import Model
from crackdetect.storage import recovery
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog
from crackdetect.webhook.outbox import FILE_NAME as OUTBOX

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks descriptors up in /proc")


#: What else is used: a roast looks for other files with each of them, and without.
WAYS = {"webhook": ("--webhook", "http://127.0.0.1:9/"), "page": ("--page", "here", "--coffee", "Trial")}


def _roast(
    home: Path, plain: Path, model: Model, capfd: pytest.CaptureFixture[str], *, way: str, **options: object
) -> FailingCalls:
    """One roast, recorded, after another that was cut off; with what is promised of it."""
    leave(home / "data", "old", model, ago_s=7200)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CRACKDETECT_HOME", str(home))
        patch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
        calls = FailingCalls(home, patch, **options)  # type: ignore[arg-type]
        code = entry.main(["listen", "--quiet", "--record", "--model", str(plain), *WAYS[way]])
    out, err = capfd.readouterr()
    assert "defect" not in err, err
    assert "Traceback" not in err, err
    if "settings.toml cannot be read" in err:  # what the person wants is not known: nothing is begun
        assert (code, out) == (2, ""), err
        return calls
    events = [json.loads(line)["type"] for line in out.splitlines()]
    assert events[:1] + events[-1:] == ["roast.start", "summary"], err
    assert code in (0, 6, 8), err
    assert "crackdetect: " in err or code == 0
    return calls


def _afterwards(home: Path, model: Model) -> None:
    """The next start finds what could not be put into the log: both roasts are there, if the new one has a journal."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CRACKDETECT_HOME", str(home))
        for cut_off in recovery.find(home / "data"):
            recovery.close(cut_off, model)
        with RoastLog() as log:
            there = {roast.identity for roast in log.roasts()}
        assert "old" in there


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory, plain: Path, model: Model) -> dict[str, dict[str, int]]:
    """How often a roast makes each call, by the way it goes."""
    found = {}
    for way, arguments in WAYS.items():
        home = tmp_path_factory.mktemp(way)
        leave(home / "data", "old", model, ago_s=7200)
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("CRACKDETECT_HOME", str(home))
            patch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
            calls = FailingCalls(home, patch)
            assert entry.main(["listen", "--quiet", "--record", "--model", str(plain), *arguments]) == 0
        found[way] = dict(calls.seen)
    return found


@pytest.mark.parametrize("way", WAYS)
def test_all_calls_are_made(counted: dict[str, dict[str, int]], way: str) -> None:
    assert set(counted[way]) == set(CALLS)
    assert min(counted[way].values()) >= 1


@pytest.mark.parametrize("seed", range(24))
def test_a_call_that_fails_keeps_no_roast_from_its_summary(
    tmp_path: Path, plain: Path, model: Model, counted: dict[str, dict[str, int]], capfd: pytest.CaptureFixture[str],
    seed: int,
) -> None:  # fmt: skip
    chance = random.Random(seed)
    call, way = CALLS[seed % len(CALLS)], chance.choice(list(WAYS))
    fail = (call, chance.randrange(counted[way][call]), chance.choice(ERRORS))
    _roast(tmp_path, plain, model, capfd, way=way, fail=fail)
    _afterwards(tmp_path, model)


@pytest.mark.long
@pytest.mark.parametrize(
    ("way", "error"), [*(("webhook", error) for error in ERRORS), ("page", errno.EACCES)],
    ids=lambda value: errno.errorcode[value] if isinstance(value, int) else value,
)  # fmt: skip
@pytest.mark.parametrize("call", CALLS)
def test_each_call_fails_once_with_each_error(
    tmp_path: Path, plain: Path, model: Model, counted: dict[str, dict[str, int]], capfd: pytest.CaptureFixture[str],
    call: str, way: str, error: int,
) -> None:  # fmt: skip
    for number in range(counted[way][call]):
        home = tmp_path / str(number)
        try:
            _roast(home, plain, model, capfd, way=way, fail=(call, number, error))
            _afterwards(home, model)
        except BaseException as failure:
            failure.add_note(f"{call} number {number}, {os.strerror(error)}")
            raise


@pytest.mark.parametrize("name", [OUTBOX, FILE])
def test_a_file_that_cannot_be_looked_for_keeps_nobody_from_roasting(
    home: Path, run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Messages of before, where this roast sends none; the log, of which the last roast of the coffee is wanted."""
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    stat = os.stat

    def stat_fails(path: object, *arguments: object, **options: object) -> os.stat_result:
        if isinstance(path, str | Path) and str(path).endswith(name):
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return stat(path, *arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "stat", stat_fails)
    done = run("listen", "--quiet", "--no-record", "--coffee", "Trial", "--model", plain)
    assert [event["type"] for event in done.events] == ["roast.start", "summary"]
    assert done.code == 0, done.err
