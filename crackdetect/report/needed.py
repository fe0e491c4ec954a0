"""What a report needs beside the core: asked before anything is done, and told in one sentence."""

from __future__ import annotations

from importlib.util import find_spec

from crackdetect.errors import MissingPartError


def check(*packages: str) -> None:
    """Raises MissingPartError naming the packages that are missing, and the extra they come with."""
    missing = [name for name in packages if find_spec(name) is None]
    if missing:
        raise MissingPartError(f"figures and reports need {', '.join(missing)}; run: pip install 'crackdetect[report]'")
