"""What is installed: a wheel carries the model and the recordings, a working copy uses its own folders."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import click
import pytest

from crackdetect import __version__, cli, model_files
from crackdetect.errors import CrackdetectError
from crackdetect.events import TYPES

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("models", "recordings_synthetic")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if importlib.util.find_spec("hatchling") is None:
        pytest.skip("hatchling is not installed; it comes with the test extra")
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=ROOT,
        check=True,
        capture_output=True,
        timeout=120,
    )
    (built,) = out.glob("crackdetect-*.whl")
    return built


def test_the_wheel_holds_every_model_and_recording(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for folder in FOLDERS:
        files = [path for path in (ROOT / folder).rglob("*") if path.is_file()]
        assert {f"crackdetect/_data/{folder}/{path.relative_to(ROOT / folder).as_posix()}" for path in files} <= names
    assert "crackdetect/pipeline.py" in names
    assert not [name for name in names if name.startswith(("tests/", "models/"))]


def test_the_installed_program_uses_what_it_carries(wheel: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path)
    code = """
from crackdetect import cli, model_files
for name in ("models", "recordings_synthetic"):
    print(model_files.data_folder(name))
raise SystemExit(cli.main(["--version"]))
"""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    folders = [Path(line) for line in done.stdout.splitlines()[:2]]
    assert folders == [tmp_path / "crackdetect" / "_data" / name for name in FOLDERS]
    assert all(folder.is_dir() for folder in folders)
    assert done.stdout.splitlines()[2] == f"crackdetect {__version__}"


@pytest.mark.parametrize("name", FOLDERS)
def test_a_working_copy_uses_the_repositorys_folders(name: str) -> None:
    if Path(model_files.__file__).resolve().parent.parent != ROOT:
        pytest.skip("this run tests an installed copy, not the repository's own")
    assert model_files.data_folder(name) == ROOT / name
    assert (ROOT / name).is_dir()


def test_the_version_is_said_once_more_and_agrees() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == __version__


def test_the_readme_describes_every_event_exit_code_and_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    events = readme.partition("## Events")[2].partition("## Exit codes")[0]
    rows = [line.partition(" | ")[0] for line in events.splitlines() if line.startswith("| `")]
    assert set(TYPES) <= set(re.findall(r"`([a-z_.]+)`", " ".join(rows)))
    codes = re.findall(r"^\| (\d+) \|", readme.partition("## Exit codes")[2], flags=re.MULTILINE)
    assert {int(code) for code in codes} == {0, cli.INTERRUPTED, *(kind.exit_code for kind in error_kinds())}
    for command in cli.cli.list_commands(click.Context(cli.cli)):
        assert f"crackdetect {command}" in readme.replace("\n", " ")


def error_kinds() -> list[type[CrackdetectError]]:
    return [CrackdetectError, *CrackdetectError.__subclasses__()]


def test_the_program_needs_neither_training_nor_test_packages() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {name.partition(">")[0] for name in project["dependencies"]}
    assert needed == {"click", "filelock", "numpy", "platformdirs", "rich", "scipy", "sounddevice", "soundfile"}
