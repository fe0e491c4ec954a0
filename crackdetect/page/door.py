"""The way into a page for the person at this computer, without its secret being seen by others who use it."""

from __future__ import annotations

import html
import os
import sys
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from crackdetect.errors import OutputError


@contextmanager
def door(path: Path, address: str) -> Iterator[None]:
    """A file that leads to ``address``, readable by its owner only, while the ``with`` block lasts.

    A browser that is started with the file's name tells nobody the address, which would stand in the list of processes.
    Raises OutputError.
    """
    where = html.escape(address, quote=True)
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0; url={where}">'
        f'<title>crackdetect</title><p><a href="{where}">To the page</a></p></html>\n'
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(handle, "w", encoding="utf-8") as file:
            file.write(page)
    except OSError as error:
        raise OutputError(
            f"the way to the page, {path}, cannot be written ({error.strerror}); check its folder"
        ) from None
    try:
        yield
    finally:
        with suppress(OSError):  # it leads nowhere any more
            path.unlink(missing_ok=True)


def open_browser(path: Path) -> bool:
    """Shows a file in the browser; whether there is one with windows. One in a terminal would take the terminal."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return False
    try:
        return webbrowser.open(path.resolve().as_uri())
    except (OSError, webbrowser.Error):
        return False
