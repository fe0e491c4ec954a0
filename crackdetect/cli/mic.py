"""``crackdetect mic``."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import click

from crackdetect.cli.options import NumberRange, device_option, live_channel_option
from crackdetect.errors import DeviceError
from crackdetect.terminal.lines import broken, columns, print_line, print_lines

if TYPE_CHECKING:
    from crackdetect.audio.microphone import MicrophoneSource
    from crackdetect.blocks import Samples
    from crackdetect.hearing.classifier import ClassifierModel
    from crackdetect.mic.analysis import Click, Findings
    from crackdetect.mic.verdict import Verdict


@click.command(name="mic")
@device_option
@live_channel_option
@click.option("--list", "only_list", is_flag=True, help="List the microphones and end.")
@click.option(
    "--seconds", type=NumberRange(1, 60), default=5.0, show_default=True, help="How long the room is listened to."
)
@click.option(
    "--within",
    type=NumberRange(2, 120),
    default=20.0,
    show_default=True,
    help="Seconds for the five clicks; it ends with the fifth.",
)
@click.option("--no-clicks", is_flag=True, help="Leave the click test out.")
def command(
    device: str | None, channel: int | None, only_list: bool, seconds: float, within: float, no_clicks: bool
) -> None:
    """Check a microphone before the roast: level, noise, hum, altered sound, and five clicks of yours.

    Put it where it will stand, with the roaster on, its fan running and no beans in it, without heat where it can run
    so; where the maker forbids running it empty, leave it off. Then make five clicks beside the roaster, not over or in
    it: with your tongue, a pen or two spoons. They are louder than beans: weak ones are a warning, loud
    ones promise nothing. The verdict says how soon first crack is announced, and what would help most. Nothing of it is
    kept.

    Exit codes: 0 good or usable, 4 not usable, or no microphone.

    Example: crackdetect mic --device 2
    """
    from crackdetect.audio import devices
    from crackdetect.audio import microphone as capture
    from crackdetect.mic.analysis import ducked_db
    from crackdetect.mic.verdict import judge
    from crackdetect.model import shipped
    from crackdetect.roast import cautions
    from crackdetect.terminal.devices import print_devices
    from crackdetect.terminal.question import asker

    print_devices(devices.list_devices())
    if only_list:
        return
    print_sentence(cautions.ALWAYS)
    ask = asker()
    running = None if ask is None else ask("Is the roaster on, with its fan running and no beans in it?", True)
    model = shipped().classifier
    with contextlib.closing(capture.MicrophoneSource(device, channel=channel)) as microphone:
        findings = _room(microphone, seconds, running=running, model=model)
        clicks, ducked = None, None
        if not no_clicks:
            made, clicks = _clicks(microphone, within, model)
            ducked = ducked_db(made, clicks, samplerate=microphone.samplerate)
    print_line()
    print_verdict(judge(findings, clicks, running=running, ducked=ducked))


def print_verdict(verdict: Verdict) -> None:
    """The verdict on a microphone. Raises click's Exit with code 4 where it is not usable."""
    print_sentence(verdict.sentence)
    if verdict.delay:
        print_sentence(verdict.delay)
    if verdict.most:
        print_sentence(f"What would help most: {verdict.most}")
    if verdict.fit == "not usable":
        raise click.exceptions.Exit(DeviceError.exit_code)


def print_sentence(text: str) -> None:
    """Broken between words."""
    print_lines(broken(text, columns()))


def _room(microphone: MicrophoneSource, seconds: float, *, running: bool | None, model: ClassifierModel) -> Findings:
    """Listens to the room or the roaster, and tells what it is like. Raises InputError when nothing came."""
    from crackdetect.mic.analysis import own_cracks_per_minute
    from crackdetect.mic.verdict import machine_told

    print_line()
    what = "Room" if running is False else "Roaster" if running else "Room or running roaster"
    print_sentence(
        f"Checking {microphone.name}, {microphone.samplerate:,} Hz. {what} first: no clicks yet, {seconds:g} s."
    )
    room, findings = listened(microphone, seconds)
    print_sentence(
        f"  noise {findings.rms_db:.0f} dB of full scale, its floor {findings.floor_db:.0f} dB, "
        f"peaks {findings.peak_db:.0f} dB"
    )
    print_line(f"  clipped samples {findings.clipped:,}, repeated samples {100 * findings.zero_share:.0f} %")
    print_line(f"  mains hum {'none' if findings.hum is None else f'{findings.hum[0]} Hz'}")
    if running:
        print_sentence(machine_told(own_cracks_per_minute(room, samplerate=microphone.samplerate, model=model)))
    return findings


def listened(microphone: MicrophoneSource, seconds: float) -> tuple[Samples, Findings]:
    """Some seconds of sound, with its level for the eye, and what is found in them. Raises InputError."""
    from crackdetect.mic.analysis import examine
    from crackdetect.mic.hearing import hear_for
    from crackdetect.terminal.level import level_line

    with level_line() as line:
        heard = hear_for(microphone, seconds, peak=line.show)
    return heard, examine(heard, samplerate=microphone.samplerate)


def _clicks(microphone: MicrophoneSource, within_s: float, model: ClassifierModel) -> tuple[Samples, list[Click]]:
    """Listens for the person's clicks, and tells each as it is heard; the sound, and the clicks in it."""
    from crackdetect.mic.analysis import clicks_in
    from crackdetect.mic.hearing import hear_for
    from crackdetect.mic.verdict import WANTED_CLICKS
    from crackdetect.terminal.level import level_line

    print_sentence(
        f"Now {WANTED_CLICKS} clicks where the roaster stands, a second apart: tongue, pen or two spoons "
        f"({within_s:g} s)."
    )
    told = 0

    def enough(heard: Samples) -> bool:
        nonlocal told
        for one in clicks_in(heard, samplerate=microphone.samplerate, model=model)[told:]:
            told += 1
            like = "much like a crack" if one.like_crack else "not like a crack"
            line.wipe()
            print_line(f"  click {told} at {one.at:.1f} s, {one.snr_db:.0f} dB over the noise, {like}")
        return told >= WANTED_CLICKS

    with level_line() as line:
        made = hear_for(microphone, within_s, peak=line.show, enough=enough)
    return made, clicks_in(made, samplerate=microphone.samplerate, model=model)
