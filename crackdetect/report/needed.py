"""What a report needs beside the core: asked before anything is done, and told in one sentence."""

from __future__ import annotations

from importlib.util import find_spec

from crackdetect.errors import MissingPartError


def check(*, page: bool) -> None:
    """Raises MissingPartError naming the extra. page: whether a page is to be made, beside figures."""
    names = ["matplotlib", "librosa", *(["jinja2"] if page else [])]
    missing = [name for name in names if find_spec(name) is None]
    if missing:
        raise MissingPartError(f"figures and reports need {', '.join(missing)}; run: pip install 'crackdetect[report]'")
