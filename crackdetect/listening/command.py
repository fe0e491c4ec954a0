"""``crackdetect listen``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.errors import DeviceError
from crackdetect.options import (
    complain,
    given_channel,
    given_model,
    is_text,
    settings_of,
    shared,
    sink_of,
    tell,
    teller,
)

if TYPE_CHECKING:
    from crackdetect.capture import MicrophoneSource
    from crackdetect.listening.attachments import Attachments


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the person wants to be told. text: lines to read, else JSON Lines."""

    text: bool


@click.command(name="listen")
@click.option("--device", metavar="NAME|N", help="The microphone: its number or a part of its name.")
@click.option("--list-devices", is_flag=True, help="List the microphones and end.")
@given_channel
@shared
@click.option(
    "--charge-at", metavar="TIME", help="When the beans go in, from the start of listening; 0:00 = start at charge."
)
@given_model
def command(
    device: str | None,
    list_devices: bool,
    channel: int | None,
    form: str | None,
    target: str | None,
    charge_at: str | None,
    model_path: Path | None,
) -> None:
    """Hear a roast through a microphone, live. Ctrl-C ends it with the summary.

    Put the microphone near the roaster, out of heat and air stream, and switch off noise reduction and automatic
    level. First crack can be announced after 20 s of listening. Stay beside the roaster all the time.

    Exit codes: 0 ended by you, 4 no microphone, or it was lost (what was heard is told).

    Example: crackdetect listen --device 2 --charge-at 0:00 --target 1:45
    """
    from crackdetect import capture

    if list_devices:
        show_devices(capture.list_devices())
        return
    from crackdetect import batch, cautions, places, session
    from crackdetect.listening.attachments import ObservedSource
    from crackdetect.pipeline import Pipeline

    settings = settings_of(charge_at=charge_at, drop_at=None, target=target)
    model = batch.load_model(model_path)
    microphone = capture.MicrophoneSource(device, channel=channel)
    pipeline = Pipeline(
        samplerate=microphone.samplerate, model=model, settings=settings, roast=roast_now(), source="microphone"
    )
    for caution in cautions.before_listening(places.data_folder()):
        tell(caution)
    for note in (microphone.channel_note, batch.rate_note(microphone.samplerate)):
        if note:
            tell(f"note: {note}")
    tell("Listening; end the roast with Ctrl-C.")
    attachments = attach(microphone, Wanted(is_text(form)))
    with attachments.after:
        source = ObservedSource(microphone, attachments.observers)
        code = session.listen(source, pipeline, attachments.sinks, say=complain)
    raise click.exceptions.Exit(code)


def attach(microphone: MicrophoneSource, wanted: Wanted) -> Attachments:
    """Everything that follows this roast. A new sink, observer or thing to close is entered here."""
    from crackdetect.listening.attachments import Attachments

    attachments = Attachments()
    attachments.sinks.append(sink_of(wanted.text, name=f"Microphone {microphone.name}", write=teller(True)))
    return attachments


def show_devices(devices: Sequence[Any]) -> None:
    from crackdetect.console import write_line

    if not devices:
        raise DeviceError("no microphone was found; plug one in, or allow this program to use it")
    for device in devices:
        plural = "channel" if device.channels == 1 else "channels"
        chosen = ", the default" if device.default else ""
        write_line(sys.stdout, f"{device.index:>3}  {device.name}")
        write_line(sys.stdout, f"     {device.host_api}, {device.channels} {plural}, {device.samplerate:,} Hz{chosen}")


def roast_now() -> str:
    """The wall clock names a live roast."""
    from datetime import datetime

    return f"{datetime.now().astimezone():%Y-%m-%dT%H-%M-%S}"
