"""``crackdetect webhook``: try an endpoint, see what waits, receive, keep the secret."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.errors import OutputError, SettingError
from crackdetect.options import complain, tell

if TYPE_CHECKING:
    from crackdetect.webhook.outbox import Outbox, Waiting

_secret_file = click.option(
    "--secret-file",
    type=click.Path(path_type=Path),
    help="File that holds the secret. Else the environment (CRACKDETECT_WEBHOOK_SECRET, or a file named by "
    "CRACKDETECT_WEBHOOK_SECRET_FILE), then the keyring.",
)


@click.group(name="webhook")
def command() -> None:
    """Send a roast's events to other programs: try, look, receive.

    `crackdetect listen --webhook URL` sends. Messages are CloudEvents 1.0.2 in JSON, signed by Standard Webhooks where
    there is a secret. What an endpoint does not take is kept on the disk and sent later, with the same id.

    Example: crackdetect webhook test https://example.org/roasts
    """


@command.command()
@click.argument("url")
@_secret_file
def test(url: str, secret_file: Path | None) -> None:
    """Send a sample to URL and explain the answer.

    The sample is a first crack of a roast called webhook-test, with "sample": true among its data. If URL had refused
    all further events (HTTP 410) and takes this one, what waits for it is sent again from the next roast on.

    Exit codes: 0 taken, 6 not taken, 7 packages are missing.

    Example: crackdetect webhook test http://localhost:8711/
    """
    import time
    from datetime import datetime

    from crackdetect.console import write_line
    from crackdetect.events import Event
    from crackdetect.webhook.address import check, show
    from crackdetect.webhook.envelope import message_of
    from crackdetect.webhook.post import Postman
    from crackdetect.webhook.signing_secret import find
    from crackdetect.webhook.verdict import judge

    secret = find(check(url), file=secret_file)
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
    write_line(sys.stdout, f"sent {message.id} to {show(url)}, {signed}")
    verdict = judge(answer, now=time.time())
    asked = "" if verdict.asked_s is None else f"; it asks to wait {verdict.asked_s:.0f} s"
    if verdict.outcome != "taken":
        raise OutputError(f"{show(url)} did not take the sample: {verdict.words}{asked}")
    write_line(sys.stdout, f"{verdict.words} after {took_s:.2f} s")
    if (outbox := _existing_outbox()) is not None:
        outbox.welcome(url)
        outbox.close()


@command.command()
@click.option("--send", is_flag=True, help="Try to send it now.")
@click.option("--forget", is_flag=True, help="Throw it away, after a question.")
@click.option("--yes", is_flag=True, help="With --forget: do not ask.")
@_secret_file
def pending(send: bool, forget: bool, yes: bool, secret_file: Path | None) -> None:
    """Show what waits to be sent, and why.

    Example: crackdetect webhook pending --send
    """
    from crackdetect.console import write_line

    outbox = _existing_outbox()
    try:
        waiting = [] if outbox is None else outbox.pending()
        if outbox is None or not waiting:
            write_line(sys.stdout, "nothing waits to be sent")
            return
        if send:
            _send(outbox, secret_file)
            waiting = outbox.pending()
        if forget:
            if not yes:
                click.confirm(f"Throw {len(waiting)} message(s) away for good?", abort=True, err=True)
            write_line(sys.stdout, f"{outbox.forget()} message(s) thrown away")
            return
        for line in _lines(waiting):
            write_line(sys.stdout, line)
    finally:
        if outbox is not None:
            outbox.close()


@command.command()
@click.option("--port", type=click.IntRange(0, 65_535), default=8711, show_default=True)
@click.option("--answer", type=click.IntRange(200, 599), default=204, show_default=True, help="HTTP status to give.")
@_secret_file
def receive(port: int, answer: int, secret_file: Path | None) -> None:
    """Receive messages on this computer and show a line for each. Ctrl-C ends it, with exit code 0.

    Others cannot reach it: it listens on 127.0.0.1 only. With a secret, signatures are checked, and what is not genuine
    gets HTTP 401.

    Example: crackdetect webhook receive --answer 503
    """
    from crackdetect.console import write_line
    from crackdetect.errors import MissingPartError
    from crackdetect.webhook.receiver import Receiver, line_of
    from crackdetect.webhook.signing_secret import find

    try:
        import standardwebhooks  # noqa: F401 - it checks the signatures
    except ImportError:
        raise MissingPartError.webhook() from None
    secret = find("http://127.0.0.1", file=secret_file)
    receiver = Receiver(
        port=port, take=lambda received: write_line(sys.stdout, line_of(received)), secret=secret, answer=answer
    )
    tell(f"Receiving at {receiver.address}; end with Ctrl-C.")
    try:
        receiver.run()
    except KeyboardInterrupt:
        return


@command.command()
@click.argument("url")
@click.option("--new", "fresh", is_flag=True, help="Make a fresh secret, keep it, and show it this once.")
@click.option("--forget", is_flag=True, help="Take the secret out of the keyring.")
def secret(url: str, fresh: bool, forget: bool) -> None:
    """Keep the secret for URL in the system's keyring. It is asked for, or read from standard input.

    Example: crackdetect webhook secret https://example.org/roasts --new
    """
    from crackdetect.console import write_line
    from crackdetect.webhook import signing_secret
    from crackdetect.webhook.address import check, show

    check(url)
    if forget:
        signing_secret.keep(url, None)
        write_line(sys.stdout, f"the secret for {show(url)} is no longer in the keyring")
        return
    if fresh:
        value = signing_secret.new()
    elif sys.stdin.isatty():
        value = click.prompt("Secret (it is not shown)", hide_input=True, err=True)
    else:
        value = sys.stdin.readline()
    signing_secret.keep(url, value)
    if fresh:
        write_line(sys.stdout, value)
    tell(f"The secret for {show(url)} is in the system's keyring; 'listen' finds it there.")


def _existing_outbox() -> Outbox | None:
    """None where nothing was ever sent."""
    from crackdetect import places
    from crackdetect.webhook.outbox import FILE_NAME, Outbox

    path = places.data_folder() / FILE_NAME
    return Outbox(path) if path.exists() else None


def _send(outbox: Outbox, secret_file: Path | None) -> None:
    from crackdetect.webhook.address import show
    from crackdetect.webhook.courier import Courier
    from crackdetect.webhook.post import Postman
    from crackdetect.webhook.signing_secret import find

    outbox.hurry()
    couriers = []
    before = len(outbox.pending())
    for url in outbox.addresses():
        try:
            couriers.append(Courier(outbox, Postman(url, find(url, file=secret_file))))
        except SettingError as error:
            complain(f"nothing is sent to {show(url)}: {error}")
    for courier in couriers:
        courier.close(within_s=30)
    tell(f"{before - len(outbox.pending())} message(s) sent")


def _lines(waiting: Sequence[Waiting]) -> list[str]:
    from datetime import datetime

    from crackdetect.webhook.address import show

    lines = []
    by_address: dict[str, list[Waiting]] = {}
    for message in waiting:
        by_address.setdefault(message.address, []).append(message)
    for address, messages in by_address.items():
        lines.append(f"{show(address)}: {len(messages)} waiting")
        for message in messages:
            written = datetime.fromtimestamp(message.written).astimezone()
            state = "not tried yet" if message.tries == 0 else f"tried {message.tries} times, last {message.answer}"
            if message.set_aside:
                state = f"set aside: {message.answer}"
            lines.append(f"  {written:%Y-%m-%d %H:%M:%S}  {message.type:<18}  {message.id}  {state}")
    return lines
