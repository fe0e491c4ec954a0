"""The page of one roast: one HTML file with everything in it, which asks nothing of any network.

What people typed is escaped by the template engine; a content policy in the page forbids it to load anything, and to
run anything but our own script, which it knows by its hash.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

from crackdetect import __version__
from crackdetect.config import UsualStart
from crackdetect.notation import clock, grams, percent, percent_sure
from crackdetect.report import style
from crackdetect.roast import cautions
from crackdetect.roast.arithmetic import USUAL_HIGH, USUAL_LOW, development_verdict, roast_level
from crackdetect.roast.record import CUP_MEANING, CUPS, LIKING, Crack, Note, Roast, RoastRecord, cup_word, spoken_model
from crackdetect.roast.words import shown
from crackdetect.terminal.roast_lines import beside_usual, correction_rows
from crackdetect.terminal.summary import against_target, health_text

if TYPE_CHECKING:
    from crackdetect.report.sound import Part, Sound


def render(
    record: RoastRecord, sound: Sound | None, *, usual: UsualStart | None = None, no_sound: str | None = None
) -> str:
    """The report as one page of HTML.

    Parameters
    ----------
    record : RoastRecord
    sound : Sound or None
        What was gathered of its recording.
    usual : UsualStart, optional
        What its machine's earlier roasts let expect of it.
    no_sound : str, optional
        Why there is no sound, told in its place.
    """
    from jinja2 import Environment

    from crackdetect.report import roast_figures

    roast = record.roast
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(resources.files(__package__).joinpath("page.html").read_text(encoding="utf-8"))
    drawings: dict[str, dict[str, str]] = {}
    if record.density or record.cracks:
        drawings["density"] = _both("density", lambda width: roast_figures.density(record, width=width))
    if sound is not None:
        drawings["level"] = _both("level", lambda width: roast_figures.level(record, sound, width=width))
        drawings["chorus"] = _both("chorus", lambda width: roast_figures.chorus(record, sound, width=width))
        if sound.close_ups:
            drawings["close_ups"] = _both("close", lambda width: roast_figures.close_ups(record, sound, width=width))
    clips = [] if sound is None else _clips(record, sound)
    script = resources.files(__package__).joinpath("tap.js").read_text(encoding="utf-8")
    return template.render(
        title=shown(roast.coffee or roast.identity, most=80),
        roast=roast,
        tones=style.TONES,
        tiles=_tiles(roast),
        facts=_facts(record, usual),
        wrong_rate=record.wrong_rate,
        verdict=_verdict(record),
        drawings=drawings,
        said=_described(record),
        troubles=[(clock(roast.roast_time(trouble.at_s)), trouble.message) for trouble in record.sound_problems[:20]],
        troubles_left=max(0, len(record.sound_problems) - 20),
        notes=[_note(note) for note in record.notes],
        clips=clips,
        taps=_taps(record, [clip for _, group in clips for clip in group]),
        crossed=any(label.is_crack is False for label in record.corrections.cracks),
        added=any(label.is_crack for label in record.not_heard),
        script=script,
        script_hash=f"sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}",
        no_sound=no_sound,
        caution=cautions.ALWAYS,
        version=__version__,
        usual=f"{100 * USUAL_LOW:.0f} to {100 * USUAL_HIGH:.0f} %",
    )


def _both(name: str, draw: Callable[[float], Any]) -> dict[str, str]:
    """A drawing for a wide page and one for a phone."""
    from crackdetect.report import drawing

    drawn = {}
    for kind, width in (("wide", drawing.WIDE), ("narrow", drawing.NARROW)):
        svg = style.on_page(drawing.as_svg(draw(width), salt=f"{name}-{kind}"))
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
    if start.whose == "heard" and start.confirmed:
        around += "; confirmed by you" if around else "confirmed by you"
    if start.whose == "marked":
        around = "marked by you"
    elif start.whose == "corrected":
        around = "corrected by you" + (
            "" if start.heard_s is None else f", heard {clock(roast.roast_time(start.heard_s))}"
        )
    loss = "" if roast.loss is None else f"suggests {roast_level(roast.loss)} (common practice)"
    ratio = "of the roast" if roast.ratio is not None else "charge, first crack and drop must be known"
    wanted = "" if roast.target is None else f"target {roast.target}"
    if roast.development is not None and roast.wanted is not None:
        wanted = against_target(roast.development - roast.wanted, roast.wanted)
    total = "charge to drop" if roast.total is not None else "charge and drop must be known"
    return [
        ("First crack", clock(roast.roast_time(start.at_s)), around),
        ("Development", clock(roast.development), wanted),
        ("Development ratio", "-" if roast.ratio is None else percent(roast.ratio), ratio),
        ("Total", clock(roast.total), total),
        ("Weight loss", "-" if roast.loss is None else percent(roast.loss), loss or "weigh before and after"),
    ]


def _facts(record: RoastRecord, usual: UsualStart | None) -> list[tuple[str, str]]:
    roast = record.roast
    end, second = roast.at_s("first_crack.end"), roast.at_s("second_crack.start")
    lost_end = "" if roast.moment("first_crack.end").heard_s is None else "not known"
    rows = [
        *((name.capitalize(), text) for name, text in correction_rows(record)),
        ("Day", roast.day),
        ("Green, roasted", f"{grams(roast.green_g)}, {grams(roast.roasted_g)}"),
        ("Process", roast.process or "-"),
        ("Origin", roast.origin or "-"),
        ("Machine", roast.machine or "-"),
        ("Microphone", roast.microphone or "-"),
        *([] if usual is None else [("First crack here", beside_usual(roast, usual))]),
        ("Cracks", f"{roast.crack_count:,}"),
        ("First crack ended", (lost_end or "not heard") if end is None else clock(roast.roast_time(end))),
        ("Second crack", "not heard" if second is None else clock(roast.roast_time(second))),
        ("Drop", "-" if roast.at_s("drop") is None else clock(roast.roast_time(roast.at_s("drop")))),
    ]
    if roast.peak is not None:
        peak = roast.peak
        rows.append(("Peak crack rate", f"{peak.per_minute:.0f} a minute ({peak.low:.0f} to {peak.high:.0f})"))
    if roast.model_name:
        model = spoken_model(roast.model_name, roast.model_hash)
        rows.append(("Heard by", f"crackdetect {roast.version}, model {model}"))
    counts: dict[str, int] = {}
    for trouble in record.troubles:
        counts[trouble.kind] = counts.get(trouble.kind, 0) + trouble.occurrences
    rows.append(("Sound problems", health_text(counts, roast.samplerate) or "none"))
    if not roast.finished:
        rows.append(("End", f"it broke off after {clock(roast.length_s)}"))
    return rows


def _verdict(record: RoastRecord) -> str:
    roast = record.roast
    if roast.development is None:
        return "Development is not known: first crack and drop must both be known."
    sentence = development_verdict(roast.ratio, roast.development, tasted=cup_word(record.notes))
    return f"{sentence[0].upper()}{sentence[1:]}."


def _described(record: RoastRecord) -> dict[str, str]:
    """Drawings in words, for those who do not see them."""
    roast = record.roast
    start = clock(roast.roast_time(roast.at_s("first_crack.start")))
    peak = "" if roast.peak is None else f", first crack reached {roast.peak.per_minute:.0f} a minute"
    return {
        "density": f"Crack rate over time with its 90 % interval{peak}; first crack at {start}. Below: each crack.",
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


def _taps(record: RoastRecord, clips: Sequence[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Clips in the order of the sound, with where they stand in each drawing of the crack rate, per cent."""
    from crackdetect.report import drawing, roast_figures

    found: dict[str, list[dict[str, Any]]] = {}
    for kind, width in (("wide", drawing.WIDE), ("narrow", drawing.NARROW)):
        places = [
            (clip, roast_figures.share_of_density(record, clip["at_s"], width=width))
            for clip in sorted(clips, key=lambda clip: clip["at_s"])
        ]
        found[kind] = [{**clip, "left": f"{100 * share:.2f}"} for clip, share in places if share is not None]
    return found


def _clips(record: RoastRecord, sound: Sound) -> list[tuple[str, list[dict[str, Any]]]]:
    def made(sort: str, pairs: Sequence[tuple[Crack, Part]]) -> list[dict[str, Any]]:
        from crackdetect.report.sound import as_wav

        return [
            {
                "id": f"{sort}-{number}",
                "at_s": crack.at_s,
                "at": clock(record.roast.roast_time(crack.at_s)),
                "words": f"{crack.kind} crack, {percent_sure(crack.probability)} %, {crack.snr_db:.0f} dB",
                "sound": as_wav(part, sound.samplerate),
            }
            for number, (crack, part) in enumerate(pairs, start=1)
            if len(part.samples)
        ]

    groups = [("The surest", made("surest", sound.surest)), ("The most doubtful", made("doubtful", sound.doubtful))]
    return [(name, clips) for name, clips in groups if clips]
