"""``crackdetect webhook receive``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import secret_file_option
from crackdetect.terminal.lines import print_line, tell


@click.command(name="receive")
@click.option("--port", type=click.IntRange(0, 65_535), default=8711, show_default=True)
@click.option("--answer", type=click.IntRange(200, 599), default=204, show_default=True, help="HTTP status to give.")
@secret_file_option
def command(port: int, answer: int, secret_file: Path | None) -> None:
    """Receive messages on this computer and show a line for each. Ctrl-C ends it, with exit code 0.

    Others cannot reach it: it listens on 127.0.0.1 only. With a secret, signatures are checked, and what is not genuine
    gets HTTP 401.

    Example: crackdetect webhook receive --answer 503
    """
    from crackdetect.errors import MissingPartError
    from crackdetect.webhook.receiver import Receiver, line_of
    from crackdetect.webhook.signing_secret import find

    try:
        import standardwebhooks  # noqa: F401 - it checks the signatures
    except ImportError:
        raise MissingPartError.of("webhook") from None
    secret = find("http://127.0.0.1", file=secret_file)
    if secret is not None and secret.warning is not None:
        tell(f"note: {secret.warning}")
    receiver = Receiver(port=port, take=lambda received: print_line(line_of(received)), secret=secret, answer=answer)
    tell(f"Receiving at {receiver.address}; end with Ctrl-C.")
    try:
        receiver.run()
    except KeyboardInterrupt:
        return
