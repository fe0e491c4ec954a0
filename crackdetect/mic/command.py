"""``crackdetect mic``."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import click

from crackdetect.errors import DeviceError
from crackdetect.options import NumberRange, given_live_channel

if TYPE_CHECKING:
    from crackdetect.blocks import Samples
    from crackdetect.capture import MicrophoneSource

#: The clicks are looked for this often while they are made, seconds.
_LOOK_S = 1.0


@click.command(name="mic")
@click.option("--device", metavar="NAME|N", help="The microphone: its number or a part of its name.")
@given_live_channel
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
    """Check a microphone before the roast: level, noise, hum, processed sound, and five clicks of yours.

    Put it where it will stand, with the roaster's fan and drum running if you can. Then make five clicks where the
    roaster stands: with your tongue, a pen or two spoons. Nothing of it is kept.

    Exit codes: 0 good or usable, 4 not usable, or no microphone.

    Example: crackdetect mic --device 2
    """
    from crackdetect import capture
    from crackdetect.console import write_line
    from crackdetect.listening.command import show_devices
    from crackdetect.mic.analysis import clicks_in, ducked_db, examine
    from crackdetect.mic.verdict import WANTED_CLICKS, judge

    def line(text: str = "") -> None:
        write_line(sys.stdout, text)

    show_devices(capture.list_devices())
    if only_list:
        return
    with contextlib.closing(capture.MicrophoneSource(device, channel=channel)) as microphone:
        line()
        line(f"Checking {microphone.name}, {microphone.samplerate:,} Hz. Room first: no clicks yet, {seconds:g} s.")
        room = _Ear(microphone).hear(seconds)
        findings = examine(room, samplerate=microphone.samplerate)
        line(
            f"  noise {findings.rms_db:.0f} dB of full scale, its floor {findings.floor_db:.0f} dB, "
            f"peaks {findings.peak_db:.0f} dB"
        )
        line(f"  clipped samples {findings.clipped:,}, repeated samples {100 * findings.zero_share:.0f} %")
        line(f"  mains hum {'none' if findings.hum is None else f'{findings.hum[0]} Hz'}")
        clicks, ducked = None, None
        if not no_clicks:
            line(
                f"Now {WANTED_CLICKS} clicks where the roaster stands, a second apart: tongue, pen or two spoons "
                f"({within:g} s)."
            )
            told = 0

            def enough(heard: Samples) -> bool:
                nonlocal told
                found = clicks_in(heard, samplerate=microphone.samplerate)
                for one in found[told:]:
                    told += 1
                    line(f"  click {told} at {one.at:.1f} s, {one.snr_db:.0f} dB over the noise")
                return told >= WANTED_CLICKS

            made = _Ear(microphone).hear(within, enough=enough)
            clicks = clicks_in(made, samplerate=microphone.samplerate)
            ducked = ducked_db(made, clicks, samplerate=microphone.samplerate)
    verdict = judge(findings, clicks, ducked=ducked)
    line()
    line(verdict.sentence)
    for advice in verdict.advice:
        line(f"- {advice}")
    if verdict.fit == "not usable":
        raise click.exceptions.Exit(DeviceError.exit_code)


class _Ear:
    """Hears for a while, with a level meter on a terminal."""

    def __init__(self, microphone: MicrophoneSource) -> None:
        self._microphone = microphone

    def hear(self, seconds: float, *, enough: Callable[[Samples], bool] | None = None) -> Samples:
        """float32 (n,). enough: asked now and then whether it may end before."""
        import numpy as np

        parts: list[Samples] = []
        began = looked = time.monotonic()
        with _meter() as show:
            for block in self._microphone:
                parts.append(block.samples)
                if len(block.samples):
                    show(float(np.abs(block.samples).max()))
                now = time.monotonic()
                if now - began >= seconds:
                    break
                if enough is not None and now - looked >= _LOOK_S:
                    looked = now
                    if enough(np.concatenate(parts)):
                        break
        return np.concatenate(parts) if parts else np.zeros(0, np.float32)


@contextlib.contextmanager
def _meter() -> Iterator[Callable[[float], None]]:
    """Shows peaks as a bar on the last line of standard error; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda peak: None
        return
    drawn_at = 0.0

    def show(peak: float) -> None:
        nonlocal drawn_at
        now = time.monotonic()
        if now - drawn_at >= 0.1:
            import math

            drawn_at = now
            level = max(-90.0, 20 * math.log10(peak)) if peak > 0 else -90.0
            full = round((level + 90) / 90 * 40)
            sys.stderr.write(f"\r  level {'█' * full}{'░' * (40 - full)} {level:4.0f} dB ")
            sys.stderr.flush()

    try:
        yield show
    finally:
        sys.stderr.write("\r" + " " * 60 + "\r")
        sys.stderr.flush()
