"""Rights of what is kept: only the person who roasts may read it, and a secret that others may read is told."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest
from commands import EndingMicrophone, Run
from roasts import keep_roasts

from crackdetect.audio import microphone

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="modes are those of POSIX")

#: A secret of the form of Standard Webhooks 1.0.0, and its own vector's.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


@pytest.fixture(autouse=True)
def usual_mask() -> None:
    """As most systems have it: without care of ours everybody could read."""
    os.umask(0o022)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_roast_and_all_that_is_kept_of_it_is_for_this_user_only(
    home: Path, run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    done = run("listen", "--quiet", "--record", "--model", plain, "--webhook", "http://127.0.0.1:9/")
    assert done.code == 0, done.err
    names = {path.name for path in home.rglob("*") if path.is_file()}
    assert {"roasts.sqlite3", "roast.jsonl", "sound.flac", "webhook.sqlite3"} <= names
    open_to_others = {path.name for path in home.rglob("*") if path.is_file() and mode(path) & 0o077}
    assert open_to_others <= {"cautions-shown"}  # an empty mark
    (folder,) = (home / "data" / "roasts").iterdir()
    assert mode(folder) == 0o700


def test_copies_of_the_log_are_for_this_user_only(home: Path, run: Run) -> None:
    keep_roasts("one", "two")
    assert run("log", "backup", "backup.sqlite3").code == 0
    assert mode(Path("backup.sqlite3")) == 0o600
    assert run("log", "restore", "backup.sqlite3").code == 0
    assert run("log", "rescue").code == 0
    logs = list((home / "data").glob("*.sqlite3*"))
    assert len(logs) >= 3
    assert {mode(path) for path in logs} == {0o600}


@pytest.mark.parametrize(("rights", "told"), [(0o600, False), (0o400, False), (0o644, True), (0o640, True)])
def test_a_secret_that_others_may_read_is_told(
    home: Path, run: Run, plain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rights: int, told: bool
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    secret = tmp_path / "secret"
    secret.write_text(SECRET)
    secret.chmod(rights)
    sentence = f"note: others on this computer may read the webhook secret in {secret}; take that right away"
    address = ("--webhook", "http://127.0.0.1:9/", "--webhook-secret-file", secret)
    done = run("listen", "--quiet", "--no-record", "--model", plain, *address)
    assert done.code == 0
    assert (sentence in done.err) == told
    assert SECRET not in done.out + done.err
    assert (sentence in run("webhook", "test", "http://127.0.0.1:9/", "--secret-file", secret).err) == told
    assert mode(secret) == rights
