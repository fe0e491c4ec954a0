"""``crackdetect webhook pending``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.cli.options import secret_file_option
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import complain, print_line, print_lines, tell

if TYPE_CHECKING:
    from crackdetect.webhook.outbox import Outbox, Waiting


@click.command(name="pending")
@click.option("--send", is_flag=True, help="Try to send it now.")
@click.option("--forget", is_flag=True, help="Throw it away, after a question.")
@click.option("--yes", is_flag=True, help="With --forget: do not ask.")
@secret_file_option
def command(send: bool, forget: bool, yes: bool, secret_file: Path | None) -> None:
    """Show what waits to be sent, and why.

    Example: crackdetect webhook pending --send
    """
    outbox = existing_outbox()
    try:
        waiting = [] if outbox is None else outbox.pending()
        if outbox is None or not waiting:
            print_line("nothing waits to be sent")
            return
        if send:
            _send(outbox, secret_file)
            waiting = outbox.pending()
        if forget:
            if not yes:
                click.confirm(f"Throw {len(waiting)} message(s) away for good?", abort=True, err=True)
            print_line(f"{outbox.forget()} message(s) thrown away")
            return
        print_lines(_lines(waiting))
    finally:
        if outbox is not None:
            outbox.close()


def existing_outbox() -> Outbox | None:
    """None where nothing was ever sent."""
    from crackdetect.storage import paths
    from crackdetect.webhook.outbox import FILE_NAME, Outbox

    path = paths.data_folder() / FILE_NAME
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
