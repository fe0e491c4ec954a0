"""What the roast log remembers of a coffee."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import closing
from typing import Any

from crackdetect.errors import CrackdetectError


def last_of(coffee: str) -> Mapping[str, Any]:
    """Values by the names of the settings; empty where there is no roast of it, or no log that can be read.

    A damaged log must not keep anybody from roasting; the log's own commands tell of it.
    """
    from crackdetect.storage import paths
    from crackdetect.storage.log_file import FILE
    from crackdetect.storage.roast_store import RoastLog

    path = paths.data_folder() / FILE
    if not os.path.exists(path):  # nor one that cannot be looked for
        return {}
    try:
        with closing(RoastLog(path)) as log:
            remembered = log.last_of(coffee)
    except CrackdetectError:
        return {}
    if remembered is None:
        return {}
    return {
        "target": remembered.target,
        "batch": remembered.green_g,
        "machine": remembered.machine,
        "expect": remembered.expect,
    }
