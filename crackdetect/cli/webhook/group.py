"""``crackdetect webhook``: the way to its commands."""

from __future__ import annotations

import click

from crackdetect.cli.lazy_group import LazyGroup

_COMMANDS = {
    "test": ("crackdetect.cli.webhook.test", "Send a sample to URL and explain the answer."),
    "pending": ("crackdetect.cli.webhook.pending", "Show what waits to be sent, and why."),
    "receive": ("crackdetect.cli.webhook.receive", "Receive messages on this computer and show a line for each."),
    "secret": ("crackdetect.cli.webhook.secret", "Keep the secret for URL in the system's keyring."),
}


@click.group(name="webhook", cls=LazyGroup, elsewhere=_COMMANDS)
def command() -> None:
    """Send a roast's events to other programs: try, look, receive.

    `crackdetect listen --webhook URL` sends. Messages are CloudEvents 1.0.2 in JSON, signed by Standard Webhooks where
    there is a secret. What an endpoint does not take is kept on the disk and sent later, with the same id.

    Example: crackdetect webhook test https://example.org/roasts
    """
