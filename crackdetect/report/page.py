"""The page of one roast: one HTML file with everything in it, which asks nothing of any network.

What people typed is escaped by the template engine; a content policy in the page forbids it to load or run anything.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

from crackdetect import __version__, cautions
from crackdetect.console import health_text
from crackdetect.development import USUAL_HIGH, USUAL_LOW, development_verdict
from crackdetect.events import clock, percent_sure
from crackdetect.log.compare import percent
from crackdetect.log.roast import CUP_MEANING, CUPS, LIKING, Crack, Note, Roast, Story
from crackdetect.log.text import grams
from crackdetect.log.words import shown
from crackdetect.report import style
from crackdetect.weight_loss import roast_level

if TYPE_CHECKING:
    from crackdetect.report.sound import Part, Sound


def render(story: Story, sound: Sound | None, *, no_sound: str | None = None) -> str:
    """The page. no_sound: why there is no sound, told in its place."""
    from jinja2 import Environment

    from crackdetect.report import figures

    roast = story.roast
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(resources.files(__package__).joinpath("page.html").read_text(encoding="utf-8"))
    drawings: dict[str, dict[str, str]] = {}
    if story.density or story.cracks:
        drawings["density"] = _both("density", lambda width: figures.density(story, width=width))
    if sound is not None:
        drawings["level"] = _both("level", lambda width: figures.level(story, sound, width=width))
        drawings["chorus"] = _both("chorus", lambda width: figures.chorus(story, sound, width=width))
        if sound.close_ups:
            drawings["close_ups"] = _both("close", lambda width: figures.close_ups(story, sound, width=width))
    return template.render(
        title=shown(roast.coffee or roast.identity, most=80),
        roast=roast,
        tones=style.TONES,
        tiles=_tiles(roast),
        facts=_facts(story),
        verdict=_verdict(roast),
        drawings=drawings,
        said=_described(story),
        troubles=[(clock(roast.roast_time(trouble.at_s)), trouble.message) for trouble in story.troubles[:20]],
        troubles_left=max(0, len(story.troubles) - 20),
        notes=[_note(note) for note in story.notes],
        clips=[] if sound is None else _clips(story, sound),
        no_sound=no_sound,
        caution=cautions.ALWAYS,
        version=__version__,
        usual=f"{100 * USUAL_LOW:.0f} to {100 * USUAL_HIGH:.0f} %",
    )


def _both(name: str, draw: Callable[[float], Any]) -> dict[str, str]:
    """A drawing for a wide page and one for a phone."""
    from crackdetect.report import figures

    drawn = {}
    for kind, width in (("wide", figures.WIDE), ("narrow", figures.NARROW)):
        svg = style.on_page(figures.as_svg(draw(width), salt=f"{name}-{kind}"))
        # names inside a drawing are the page's names as well, and each may be there once
        svg = re.sub(r'(?<=[ "#(])(id="|href="#|url\(#)', rf"\1{name}-{kind}-", svg)
        drawn[kind] = svg.replace('xlink:href="#', f'xlink:href="#{name}-{kind}-')
    return drawn


def _tiles(roast: Roast) -> list[tuple[str, str, str]]:
    """Name, figure, and a line below it."""
    start = roast.moment("first_crack.start")
    interval = start.interval_s
    around = (
        ""
        if interval is None
        else (f"between {clock(roast.roast_time(interval[0]))} and {clock(roast.roast_time(interval[1]))}")
    )
    if start.whose == "marked":
        around = "marked by you"
    elif start.whose == "corrected":
        around = "corrected by you" + (
            "" if start.heard_s is None else f", heard {clock(roast.roast_time(start.heard_s))}"
        )
    loss = "" if roast.loss is None else f"suggests {roast_level(roast.loss)} (common practice)"
    ratio = "of the roast" if roast.ratio is not None else "charge, first crack and drop must be known"
    wanted = "" if roast.target is None else f"target {roast.target}"
    total = "charge to drop" if roast.total is not None else "charge and drop must be known"
    return [
        ("First crack", clock(roast.roast_time(start.at_s)), around),
        ("Development", clock(roast.development), wanted),
        ("Ratio", "-" if roast.ratio is None else percent(roast.ratio), ratio),
        ("Total", clock(roast.total), total),
        ("Weight loss", "-" if roast.loss is None else percent(roast.loss), loss or "weigh before and after"),
    ]


def _facts(story: Story) -> list[tuple[str, str]]:
    roast = story.roast
    end, second = roast.at_s("first_crack.end"), roast.at_s("second_crack.start")
    lost_end = "" if roast.moment("first_crack.end").heard_s is None else "not known"
    rows = [
        ("Day", roast.day),
        ("Green, roasted", f"{grams(roast.green_g)}, {grams(roast.roasted_g)}"),
        ("Process", roast.process or "-"),
        ("Origin", roast.origin or "-"),
        ("Machine", roast.machine or "-"),
        ("Microphone", roast.microphone or "-"),
        ("Cracks", f"{roast.crack_count:,}"),
        ("First crack ended", (lost_end or "not heard") if end is None else clock(roast.roast_time(end))),
        ("Second crack", "not heard" if second is None else clock(roast.roast_time(second))),
        ("Drop", "-" if roast.at_s("drop") is None else clock(roast.roast_time(roast.at_s("drop")))),
    ]
    if roast.peak is not None:
        peak = roast.peak
        rows.append(("Peak density", f"{peak.per_minute:.0f} a minute ({peak.low:.0f} to {peak.high:.0f})"))
    if roast.model_name:
        model = f"{roast.model_name} {(roast.model_hash or '')[:8]}"
        rows.append(("Heard by", f"crackdetect {roast.version}, model {model}"))
    counts: dict[str, int] = {}
    for trouble in story.troubles:
        counts[trouble.kind] = counts.get(trouble.kind, 0) + trouble.occurrences
    rows.append(("Sound", health_text(counts) or "no trouble"))
    if not roast.finished:
        rows.append(("End", f"it broke off after {clock(roast.length_s)}"))
    return rows


def _verdict(roast: Roast) -> str:
    if roast.development is None:
        return "Development is not known: first crack and drop must both be known."
    sentence = development_verdict(roast.ratio, roast.development)
    return f"{sentence[0].upper()}{sentence[1:]}."


def _described(story: Story) -> dict[str, str]:
    """Drawings in words, for those who do not see them."""
    roast = story.roast
    start = clock(roast.roast_time(roast.at_s("first_crack.start")))
    peak = "" if roast.peak is None else f", first crack reached {roast.peak.per_minute:.0f} a minute"
    return {
        "density": f"Crack density over time with its 90 % interval{peak}; first crack at {start}. Below: each crack.",
        "chorus": "Spectrogram of the chorus from just before first crack; each crack that was heard has a ring.",
        "close_ups": "Waves and spectra of single cracks.",
        "level": "Level of the sound over time.",
    }


def _note(note: Note) -> dict[str, str]:
    word = "" if note.cup is None else CUPS[note.cup]
    return {
        "day": note.tasted_on.isoformat(),
        "cup": word,
        "meaning": CUP_MEANING.get(word, ""),
        "liking": "" if note.liking is None else f"{note.liking} of 5, {LIKING[note.liking]}",
        "text": note.text,
    }


def _clips(story: Story, sound: Sound) -> list[tuple[str, list[dict[str, str]]]]:
    def made(pairs: Sequence[tuple[Crack, Part]]) -> list[dict[str, str]]:
        from crackdetect.report.sound import as_wav

        return [
            {
                "at": clock(story.roast.roast_time(crack.at_s)),
                "words": f"{crack.kind} crack, {percent_sure(crack.probability)} %, {crack.snr_db:.0f} dB",
                "sound": as_wav(part, sound.samplerate),
            }
            for crack, part in pairs
            if len(part.samples)
        ]

    groups = [("The surest", made(sound.surest)), ("The most doubtful", made(sound.doubtful))]
    return [(name, clips) for name, clips in groups if clips]
