"""Who may see a page: a secret in the address that is exchanged for a cookie, for one roast."""

from __future__ import annotations

import json
import os
import re
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

#: In the data folder, readable by its owner only; it is gone when the roast has ended.
FILE_NAME = "page.json"
#: The path below which the token stands in the address.
DOOR = "/in/"
_BYTES = 16
_SECRET = re.compile(r"[A-Za-z0-9_-]{22}\Z")


@dataclass(frozen=True, slots=True)
class Access:
    """Two secrets of 128 bits each.

    Attributes
    ----------
    token : str
        Stands in the address, and is exchanged at once for the cookie.
    cookie : str
        What a browser that has been let in brings along.
    """

    token: str
    cookie: str

    @classmethod
    def new(cls) -> Access:
        """Drawn from the system's randomness."""
        return cls(secrets.token_urlsafe(_BYTES), secrets.token_urlsafe(_BYTES))

    def address(self, origin: str) -> str:
        """That lets in whoever asks for it. origin: ``http://host:port``."""
        return f"{origin}{DOOR}{self.token}"

    def opens(self, token: str) -> bool:
        """Whether this is the token; it takes as long whatever it is."""
        return secrets.compare_digest(token.encode(), self.token.encode())

    def knows(self, cookie: str) -> bool:
        """Whether this is the cookie; it takes as long whatever it is."""
        return secrets.compare_digest(cookie.encode(), self.cookie.encode())


def of_roast(folder: Path, roast: str, *, origin: str) -> Access:
    """The access to a roast's page: of a roast that is gone on with as it was, so that phones find back to it.

    Where it cannot be kept, they have to be let in anew after the computer has stopped.

    Parameters
    ----------
    folder : pathlib.Path
        The data folder.
    roast : str
        Identity of the roast.
    origin : str
        Where the page is; kept beside it as the whole address, for whoever has no terminal.
    """
    path = folder / FILE_NAME
    access = _kept(path, roast) or Access.new()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(handle, "w", encoding="utf-8") as file:
            kept = {"roast": roast, "address": access.address(origin), "token": access.token, "cookie": access.cookie}
            json.dump(kept, file)
    return access


def _kept(path: Path, roast: str) -> Access | None:
    with suppress(OSError, ValueError, TypeError, KeyError):  # not there, or not ours
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["roast"] == roast and all(_SECRET.match(kept[name]) for name in ("token", "cookie")):
            return Access(kept["token"], kept["cookie"])
    return None


def forget(folder: Path) -> None:
    """The roast has ended: nobody comes back to its page."""
    with suppress(OSError):  # it opens nothing any more
        (folder / FILE_NAME).unlink(missing_ok=True)
