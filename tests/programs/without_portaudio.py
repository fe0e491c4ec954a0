"""``crackdetect ARGUMENT...`` where no PortAudio can be found, neither the system's nor one that came with a wheel."""

from __future__ import annotations

import ctypes.util
import sys
import types

ctypes.util.find_library = lambda name: None  # type: ignore[assignment]
sys.modules["_sounddevice_data"] = types.ModuleType("_sounddevice_data")

from crackdetect.cli.entry import main  # noqa: E402 - not before the library is hidden

sys.exit(main(sys.argv[1:]))
