"""``crackdetect webhook test``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import secret_file_option
from crackdetect.errors import OutputError
from crackdetect.terminal.lines import print_line, tell


@click.command(name="test")
@click.argument("url")
@secret_file_option
def command(url: str, secret_file: Path | None) -> None:
    """Send a sample to URL and explain the answer.

    The sample is a first crack of a roast called webhook-test, with "sample": true among its data. If URL had refused
    all further events (HTTP 410) and takes this one, what waits for it is sent again from the next roast on.

    Exit codes: 0 taken, 6 not taken, 7 packages are missing.

    Example: crackdetect webhook test http://localhost:8711/
    """
    import time
    from datetime import datetime

    from crackdetect.cli.webhook.pending import existing_outbox
    from crackdetect.events import Event
    from crackdetect.webhook.address import check, show
    from crackdetect.webhook.envelope import message_of
    from crackdetect.webhook.post import Postman
    from crackdetect.webhook.signing_secret import find
    from crackdetect.webhook.verdict import judge

    secret = find(check(url), file=secret_file)
    if secret is not None and secret.warning is not None:
        tell(f"note: {secret.warning}")
    postman = Postman(url, secret)
    fields = {"earliest": 540.0, "latest": 548.0, "confidence": 0.99, "sample": True}
    event = Event("first_crack.start", 545.0, 556.0, 530.0, 0, "webhook-test", fields)
    message = message_of(event.to_dict(), started=datetime.now().astimezone())
    began = time.monotonic()
    try:
        answer = postman.post(message.body, message=message.id)
    finally:
        postman.close()
    took_s = time.monotonic() - began
    signed = f"signed with the secret from {secret.origin}" if secret else "not signed, as there is no secret"
    print_line(f"sent {message.id} to {show(url)}, {signed}")
    verdict = judge(answer, now=time.time())
    asked = "" if verdict.asked_s is None else f"; it asks to wait {verdict.asked_s:.0f} s"
    if verdict.outcome != "taken":
        raise OutputError(f"{show(url)} did not take the sample: {verdict.words}{asked}")
    print_line(f"{verdict.words} after {took_s:.2f} s")
    if (outbox := existing_outbox()) is not None:
        outbox.welcome(url)
        outbox.close()
