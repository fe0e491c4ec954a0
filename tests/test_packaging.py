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

import pytest
from patience import PATIENCE_S

from crackdetect import __version__, model

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
    pages = (ROOT / "crackdetect" / "guide").glob("*.md")
    assert {f"crackdetect/guide/{page.name}" for page in pages} <= names
    served = (ROOT / "crackdetect" / "page" / "static").iterdir()
    assert {f"crackdetect/page/static/{file.name}" for file in served} <= names
    assert "crackdetect/pipeline.py" in names
    assert not [name for name in names if name.startswith(("tests/", "models/"))]


def test_the_installed_program_uses_what_it_carries(wheel: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path)
    code = """
from crackdetect.cli import entry
from crackdetect import model
for name in ("models", "recordings_synthetic"):
    print(model.data_folder(name))
raise SystemExit(entry.main(["--version"]))
"""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=True,
    )
    folders = [Path(line) for line in done.stdout.splitlines()[:2]]
    assert folders == [tmp_path / "crackdetect" / "_data" / name for name in FOLDERS]
    assert all(folder.is_dir() for folder in folders)
    assert done.stdout.splitlines()[2] == f"crackdetect {__version__}"


@pytest.mark.parametrize("name", FOLDERS)
def test_a_working_copy_uses_the_repositorys_folders(name: str) -> None:
    if Path(model.__file__).resolve().parent.parent != ROOT:
        pytest.skip("this run tests an installed copy, not the repository's own")
    assert model.data_folder(name) == ROOT / name
    assert (ROOT / name).is_dir()


def test_the_version_is_said_once_more_and_agrees() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == __version__


def test_ci_runs_the_test_commands_of_the_readme() -> None:
    readme, workflow = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", ".github/workflows/ci.yml"))
    (shell,) = re.findall(r"^python3 .*pytest$", readme, flags=re.MULTILINE)
    (powershell,) = re.findall(r"`(py .*pytest)`", readme)
    assert f"run: {shell}\n" in workflow
    assert f"run: {powershell}\n" in workflow
    assert all(f"{system}-latest" in workflow for system in ("ubuntu", "macos", "windows"))


def test_the_program_needs_neither_training_nor_test_packages() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {name.partition(">")[0] for name in project["dependencies"]}
    hearing = {"numpy", "scipy", "sounddevice", "soundfile"}
    telling = {"click", "rich", "textual", "wakepy"}
    keeping = {"filelock", "platformdirs", "tomlkit"}
    assert needed == hearing | telling | keeping
