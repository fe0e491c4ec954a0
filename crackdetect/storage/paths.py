"""Where crackdetect keeps what is the person's: the platform's folders, or one folder named by the environment."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from platformdirs.api import PlatformDirsABC

#: Names one folder that holds everything instead of the platform's places (for tests, and for a stick).
HOME = "CRACKDETECT_HOME"


def data_folder() -> Path:
    """Folder of roasts, recordings and the log. It need not exist yet. Raises SettingError, as all here."""
    return _own("data") or Path(_platform().user_data_path)


def settings_file() -> Path:
    """The settings file (TOML). It need not exist yet."""
    return (_own("settings") or Path(_platform().user_config_path)) / "settings.toml"


def cache_folder() -> Path:
    """Folder of what can be made again at any time. It need not exist yet."""
    return _own("cache") or Path(_platform().user_cache_path)


def _own(part: str) -> Path | None:
    home = os.environ.get(HOME)
    try:
        return Path(home).expanduser() / part if home else None
    except RuntimeError:  # of a user that this computer does not know
        raise SettingError(f"{HOME} {home!r} names the home of a user who is not known here; name a folder") from None


def _platform() -> PlatformDirsABC:
    from platformdirs import PlatformDirs

    return PlatformDirs("crackdetect", appauthor=False)
