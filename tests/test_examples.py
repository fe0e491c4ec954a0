"""The examples in docstrings give what stands beneath them."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "crackdetect"


def _modules_with_examples() -> list[str]:
    paths = (path for path in PACKAGE.rglob("*.py") if ">>> " in path.read_text(encoding="utf-8"))
    return sorted(".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in paths)


@pytest.mark.parametrize("name", _modules_with_examples())
def test_examples_run(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS).failed == 0


def test_examples_are_found() -> None:
    assert {"crackdetect.notation", "crackdetect.interface"} <= set(_modules_with_examples())
