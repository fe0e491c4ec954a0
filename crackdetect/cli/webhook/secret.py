"""``crackdetect webhook secret``."""

from __future__ import annotations

import sys

import click

from crackdetect.terminal.lines import print_line, tell


@click.command(name="secret")
@click.argument("url")
@click.option("--new", "fresh", is_flag=True, help="Make a fresh secret, keep it, and show it this once.")
@click.option("--forget", is_flag=True, help="Take the secret out of the keyring.")
def command(url: str, fresh: bool, forget: bool) -> None:
    """Keep the secret for URL in the system's keyring. It is asked for, or read from standard input.

    Example: crackdetect webhook secret https://example.org/roasts --new
    """
    from crackdetect.webhook import signing_secret
    from crackdetect.webhook.address import check, show

    check(url)
    if forget:
        signing_secret.keep(url, None)
        print_line(f"the secret for {show(url)} is no longer in the keyring")
        return
    if fresh:
        value = signing_secret.new()
    elif sys.stdin.isatty():
        value = click.prompt("Secret (it is not shown)", hide_input=True, err=True)
    else:
        value = sys.stdin.readline()
    signing_secret.keep(url, value)
    if fresh:
        print_line(value)
    tell(f"The secret for {show(url)} is in the system's keyring; 'listen' finds it there.")
