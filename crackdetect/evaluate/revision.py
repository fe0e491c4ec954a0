"""Another revision of this program, beside the one that runs."""

from __future__ import annotations

import io
import os
import subprocess
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import crackdetect
from crackdetect.errors import SettingError

#: The folder that holds the package.
ROOT = Path(crackdetect.__file__).resolve().parent.parent


@contextmanager
def revision(name: str, *, root: Path = ROOT) -> Iterator[dict[str, str]]:
    """The environment in which ``python -m crackdetect`` is that revision; its files are gone afterwards.

    They are taken out of the repository into a folder for now, which leaves no trace in it, whatever ends the run.

    Parameters
    ----------
    name : str
        A branch, tag or commit.
    root : pathlib.Path
        Of the checkout.

    Raises
    ------
    SettingError
        Outside of a checkout, and for a revision that it does not know.
    """
    commit = commit_of(name, root=root)
    with TemporaryDirectory(prefix="crackdetect-revision-") as folder:
        packed = subprocess.run(["git", "-C", str(root), "archive", commit], stdout=subprocess.PIPE, check=True).stdout
        with tarfile.open(fileobj=io.BytesIO(packed)) as files:
            files.extractall(folder, filter="data")
        # else the folder in which it is asked for comes first, and that may be a checkout
        yield {**os.environ, "PYTHONPATH": folder, "PYTHONSAFEPATH": "1"}


def commit_of(name: str, *, root: Path = ROOT) -> str:
    """The commit that is meant. Raises SettingError, see :func:`revision`."""
    if not (root / ".git").exists():
        raise SettingError(f"--against compares revisions of a git checkout, and {root} is none; run it in a clone")
    command = ["git", "-C", str(root), "rev-parse", "--verify", "--quiet", "--end-of-options", f"{name}^{{commit}}"]
    try:
        found = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise SettingError("--against needs the program git; install it, or leave --against out") from None
    if found.returncode != 0:
        raise SettingError(f"revision {name!r} is unknown in {root}; give a branch, tag or commit of it")
    return found.stdout.strip()
