"""Nearly right files: a few of each kind; 5,000 with ``-m long``, as many as wanted by ``tests/trials.py mutants``."""

from __future__ import annotations

import sys
from pathlib import Path

import mutators
import pytest

from crackdetect.model import Model

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="measures memory as POSIX has it")

KINDS = (
    "header.wav",
    "header.flac",
    "sound.flac",
    "settings.toml",
    "settings-values.toml",
    "events.jsonl",
    "events-values.jsonl",
    "export.jsonl",
    "export-values.jsonl",
    "export.csv",
    "export-values.csv",
    "model.json",
    "model-values.json",
    "machine.json",
    "machine-values.json",
)


def _try(tmp_path: Path, plain: Path, model: Model, monkeypatch: pytest.MonkeyPatch, name: str, seeds: range) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    kinds = {kind.name: kind for kind in mutators.kinds(tmp_path, plain, model)}
    assert tuple(kinds) == KINDS
    mutators.try_one(kinds[name], tmp_path, seed=seeds[0])  # what is loaded once is no memory of a mutant
    before = mutators.memory_mb()
    for seed in seeds:
        mutators.try_one(kinds[name], tmp_path, seed=seed)
    assert mutators.memory_mb() - before < 300


@pytest.mark.parametrize("name", KINDS)
def test_a_file_that_is_nearly_right_is_read_or_told(
    tmp_path: Path, plain: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    _try(tmp_path, plain, plain_model, monkeypatch, name, range(12))


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("first", range(1_000, 1_400, 100))
def test_five_thousand_of_them(
    tmp_path: Path, plain: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch, name: str, first: int
) -> None:
    _try(tmp_path, plain, plain_model, monkeypatch, name, range(first, first + 100))
