"""``python -m crackdetect``."""

import sys

from crackdetect.cli.entry import main

if __name__ == "__main__":  # worker processes import this file again
    sys.exit(main())
