"""``crackdetect first``."""

from __future__ import annotations

import click

from crackdetect.cli.options import device_option, live_channel_option


@click.command(name="first")
@device_option
@live_channel_option
@click.option("--again", is_flag=True, help="All steps once more, also those that you have seen.")
def command(device: str | None, channel: int | None, again: bool) -> None:
    """Your first roast, step by step: safety, microphone, sound, three questions, then it listens.

    The machine need not be on before you are asked. Each step can be left out with s and Enter; what you have seen is
    remembered, and not shown again. Without a terminal nobody can answer: 'crackdetect listen' listens at once.

    Exit codes: as of 'crackdetect listen'.

    Example: crackdetect first
    """
    from crackdetect.cli.listen import listen
    from crackdetect.errors import SettingError
    from crackdetect.listening import first_roast
    from crackdetect.storage import paths
    from crackdetect.terminal.question import can_answer

    if not can_answer():
        raise SettingError("nobody can answer here; 'crackdetect listen' listens without questions")
    given = {"device": device, "channel": channel}
    raise click.exceptions.Exit(listen(first_roast.guide(paths.data_folder(), given, again=again)))
