"""A log in which a byte is not as it was: what the log says of it, and that hearing a roast does not need the log.

Each byte of header and schema, and 2,500 others: ``python tests/trials.py bytes``.
"""

from __future__ import annotations

from pathlib import Path

import log_bytes
import pytest
from left_behind import leave

from crackdetect.errors import LogError
from crackdetect.listening import resume
from crackdetect.model import Model
from crackdetect.storage import recovery
from crackdetect.storage.journal import read_events
from crackdetect.storage.roast_store import RoastLog


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    return log_bytes.path_in(tmp_path)


def _told(path: Path, places: dict[range, int], *, seed: int) -> list[int]:
    """Of so many bytes of each range, how often one was told as damage; everything that is raised is ours."""
    good = log_bytes.fill(path)
    found = []
    for part, count in places.items():
        changed = log_bytes.damaged(good, log_bytes.some(part, count, seed=seed), seed=seed)
        found.append(sum(log_bytes.told(path, content) for content in changed))
    return found


def _heard(path: Path, plain: Path, model: Model, places: dict[range, int], *, seed: int) -> None:
    """With so many bytes of each range changed a roast is heard, and is in the log once that is mended."""
    good = log_bytes.fill(path)
    with log_bytes.with_ending_microphone():
        for part, count in places.items():
            for content in log_bytes.damaged(good, log_bytes.some(part, count, seed=seed), seed=seed):
                log_bytes.heard(path, good, content, plain=plain, model=model)


HEADER, SCHEMA = range(log_bytes.HEADER), range(log_bytes.HEADER, log_bytes.SCHEMA)
OTHERS = range(log_bytes.SCHEMA, 40_000)


def test_the_schema_lies_in_the_pages_that_are_taken_for_it(path: Path) -> None:
    content = log_bytes.fill(path)
    assert 0 < content.rfind(b"CREATE ") < log_bytes.SCHEMA
    assert len(content) > OTHERS.stop


def test_a_changed_byte_is_told_as_damage_of_the_log(path: Path) -> None:
    header, schema, _ = _told(path, {HEADER: 40, SCHEMA: 60, OTHERS: 60}, seed=1)
    assert header > 10
    assert schema > 5


@pytest.mark.long
def test_each_byte_of_the_header_and_1200_others_are_told_as_damage(path: Path) -> None:
    _told(path, {HEADER: len(HEADER), SCHEMA: 800, OTHERS: 400}, seed=4)


def test_a_roast_is_heard_whatever_byte_of_the_log_changed(path: Path, plain: Path, plain_model: Model) -> None:
    _heard(path, plain, plain_model, {HEADER: 8, SCHEMA: 8}, seed=6)


@pytest.mark.long
def test_a_roast_is_heard_with_each_byte_of_the_header_and_200_others_changed(
    path: Path, plain: Path, plain_model: Model
) -> None:
    _heard(path, plain, plain_model, {HEADER: len(HEADER), SCHEMA: 100, OTHERS: 100}, seed=8)


def test_a_name_that_changed_in_the_schema_is_damage(path: Path) -> None:
    content = log_bytes.fill(path)
    log_bytes.write(path, content.replace(b"length_s REAL", b"lengtx_s REAL"))
    with pytest.raises(LogError, match=r"is damaged .*'crackdetect log rescue'"):
        RoastLog(path)


def test_a_damaged_log_leaves_a_healthy_journal_as_it_is(path: Path, model: Model) -> None:
    content = log_bytes.fill(path)
    folder = leave(path.parent, "old", model, ago_s=7200)
    events = read_events(folder)
    log_bytes.write(path, content.replace(b"identity TEXT", b"identitx TEXT"))
    told: list[str] = []
    assert resume.settle(path.parent, model, wanted=None, ask=None, tell=told.append) is None
    assert "could not be put into the log" in told[0]
    assert "log rescue" in told[0]
    assert read_events(folder)[: len(events)] == events
    assert not (folder / "damaged.jsonl").exists()
    log_bytes.write(path, content)
    (cut_off,) = recovery.find(path.parent)
    assert recovery.close(cut_off, model) == "old"
