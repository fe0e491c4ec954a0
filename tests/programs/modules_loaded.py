"""Runs ``crackdetect ARGUMENT...`` and tells on standard error, as its last line, which modules were loaded."""

from __future__ import annotations

import sys

arguments = sys.argv[1:]
if arguments[0] == "listen":
    import listen_to_noise  # noqa: F401 - which replaces the microphone
from crackdetect.cli.entry import main  # noqa: E402

code = main(arguments)
print("|".join(sys.modules), file=sys.stderr)
sys.exit(code)
