"""Events as lines that a person reads while the roast goes on."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import click

from crackdetect.events import Event
from crackdetect.notation import clock, percent, percent_sure
from crackdetect.roast import cautions
from crackdetect.roast.stage import how_dense, pops
from crackdetect.roast.standing import marked, unusual
from crackdetect.roast.state import CONFIRMED, RoastState
from crackdetect.roast.statements import NOT_YET
from crackdetect.terminal.json_lines import JsonLinesSink
from crackdetect.terminal.lines import WIDTH, Styled, broken, may_style, visible
from crackdetect.terminal.summary import spoken, summary_lines

#: Further pops within this many seconds of one that was told are told together.
POPS_TOGETHER_S = 15.0
#: What comes every second is told so many seconds after the last line at the earliest.
EVERY_S = {"density": 60.0, "development": 15.0}

_HOW = {"given": "as given", "key": "marked by you", "heard": "heard"}
#: At the roaster; a recording burns nothing.
_CAUTIONS = {"second_crack.start": cautions.PAST_SECOND_CRACK, "drop": cautions.AT_COOLING}
#: What times count from before charge is known, of a recording and at the roaster.
_SINCE = ("from the beginning of the recording", "since listening began")
#: A clock and two spaces.
_INDENT = 8
_NOTE_AT = 44


def event_sink(text: bool, *, name: str, write: Callable[[str], None]) -> TextSink | JsonLinesSink:
    """Lines to read, as this terminal can show them, or JSON Lines. name, write: see :class:`TextSink`."""
    if not text:
        return JsonLinesSink(write)
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    return TextSink(write, name=name, bold=may_style(sys.stdout), width=width)


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the roast.

    Attributes
    ----------
    at
        Seconds from the first sample, for the clock before it.
    text, note
        What is told; what stands beside it in a column of its own.
    loud
        It must not be overlooked.
    """

    at: float
    text: str
    note: str = ""
    loud: bool = False


class TextSink:
    """Events as lines, and the summary at the end.

    Times are roast time once charge is known; before, since listening or the recording began. The lines say which.

    Parameters
    ----------
    write
        Takes one finished line.
    name
        Of the recording or microphone, for the first line.
    bold
        Whether loud lines are set in bold as well as in capitals.
    width
        Columns of the terminal, lines are broken between words to fit; ``None`` leaves them as long as they are.
    """

    def __init__(
        self, write: Callable[[str], None], *, name: str, bold: bool = False, width: int | None = None
    ) -> None:
        self._write = write
        self._name = name
        self._bold = bold
        self._width = width
        self._roast = RoastState()
        self._pops = Pops()
        self._charge: float | None = None
        self._told_at = 0.0
        self._taken_back = False
        self._largest_told = 0.0

    def send(self, event: Event) -> None:
        """Writes the lines of an event, if any. Raises what ``write`` raises."""
        was_coming = self._roast.coming
        self._tell(self._pops.push(event, self._roast))
        self._roast.apply(event)
        charge = None if self._roast.charge is None else self._roast.charge.at
        if event.type != "mark":  # which is told by the clock that the person saw
            self._charge = charge
        if event.type == "roast.start":
            self._tell_start(event)
        elif event.type == "summary":
            self._tell_summary(event)
        elif event.type == "density" and self._roast.coming != was_coming:
            self._tell(_coming(event, self._roast))
        elif self._is_due(event):
            line = _LINES[event.type](event, self._roast) if event.type in _LINES else None
            self._tell(line)
            if line is not None and "a minute" in line.note and event.type in EVERY_S:
                self._largest_told = max(self._largest_told, self._roast.series.density[-1].per_minute)
            if event.type in _CAUTIONS and "undo" not in event.fields and self._roast.source == "microphone":
                self._tell_caution(_CAUTIONS[event.type])
        self._charge = charge
        if event.type == "mark" and event.fields["what"] == f"first_crack{NOT_YET}":
            self._taken_back = True

    def _is_due(self, event: Event) -> bool:
        every_s = EVERY_S.get(event.type)
        return every_s is None or bool(event.fields.get("renewed")) or event.at >= self._told_at + every_s

    def _tell(self, line: Line | None) -> None:
        if line is None:
            return
        self._told_at = line.at
        moment = clock(line.at if self._charge is None else line.at - self._charge)
        start = f"{moment:>{_INDENT - 2}}  "
        written = [f"{start}{line.text:<{_NOTE_AT}}  {line.note}" if line.note else start + line.text]
        if self._width is not None and len(written[0]) > self._width:
            rest = " " * _INDENT
            written = broken(line.text, self._width, first=start, rest=rest)
            written += broken(line.note, self._width, first=rest, rest=rest)
        for row in written:
            self._write(Styled(click.style(visible(row), bold=True)) if line.loud and self._bold else row)

    def _tell_start(self, event: Event) -> None:
        fields = event.fields
        model = fields["model"]
        for sentence in (
            f"{self._name}, {fields['samplerate']:,} Hz, heard by crackdetect {fields['version']}",
            f"Model {model['name']} {model['hash'][:8]}",
            f"Times count {_SINCE[fields['source'] == 'microphone']}, until charge is known.",
        ):
            for row in broken(sentence, self._columns):
                self._write(row)

    def _tell_caution(self, text: str) -> None:
        for row in broken(text, self._columns, first=" " * _INDENT, rest=" " * _INDENT):
            self._write(row)

    def _tell_summary(self, event: Event) -> None:
        self._write("")
        for row in summary_lines(
            event.fields,
            charge=self._charge,
            live=self._roast.source == "microphone",
            goal=self._roast.goal,
            largest_told=self._largest_told or None,
            width=self._columns,
            taken_back=self._taken_back,
            wrong_rate=self._roast.series.wrong_rate,
            samplerate=self._roast.samplerate,
        ):
            self._write(row)

    @property
    def _columns(self) -> int:
        """Of sentences, which are broken where there is no terminal as well."""
        return WIDTH if self._width is None else min(WIDTH, self._width)


class Pops:
    """Single pops before first crack: the first is told at once, those soon after it together."""

    def __init__(self) -> None:
        self._told_at: float | None = None
        self._more = 0
        self._loudest_db = 0.0

    def push(self, event: Event, roast: RoastState) -> Line | None:
        """What is to be told before this event. roast: as it was until then."""
        if roast.coming:  # no strays any more: the chorus is told as such
            self._told_at = None
            return None
        if event.type == "crack":
            return self._pop(event) if roast.first_crack is None and roast.drop is None else None
        if self._told_at is None:
            return None
        over_at = self._told_at + POPS_TOGETHER_S
        untold = event.type in ("first_crack.start", "drop", "summary")  # which say more
        if not untold and event.announced_at < over_at:
            return None
        self._told_at = None
        if untold or not self._more:
            return None
        pops = "pop" if self._more == 1 else "pops"
        return Line(
            over_at, f"{self._more} more {pops} within {POPS_TOGETHER_S:g} s", f"loudest {self._loudest_db:.0f} dB"
        )

    def _pop(self, event: Event) -> Line | None:
        snr_db = float(event.fields["snr_db"])
        if self._told_at is not None:
            self._more += 1
            self._loudest_db = max(self._loudest_db, snr_db)
            return None
        self._told_at, self._more, self._loudest_db = event.at, 0, -99.0
        return Line(event.at, "stray pop", f"{snr_db:.0f} dB over the noise")


# -- one event each; the roast as it is with the event ---------------------------------------------------------


def _charge(event: Event, roast: RoastState) -> Line | None:
    if "undo" in event.fields:
        return None
    at = clock(event.at)
    since = f"{at} since listening began" if roast.source == "microphone" else f"recording {at}"
    return Line(event.at, f"charge, {_how(event)}; roast time from here on", since)


def _density(event: Event, roast: RoastState) -> Line | None:
    if roast.first_crack is not None or roast.drop is not None:
        return None
    text = "pops coming; first crack is not sure yet" if roast.coming else "listening; first crack has not begun"
    return Line(event.at, text, how_dense(roast, event.at))


def _coming(event: Event, roast: RoastState) -> Line:
    heard = pops(roast, event.at)
    return Line(event.at, f"pops coming, {heard}: perhaps first crack" if roast.coming else "no more pops; listening")


def _first_crack(event: Event, roast: RoastState) -> Line:
    began = f"FIRST CRACK began {_clock(event.at, roast)} ({_between(event, roast)})"
    strange = unusual(roast, event.at)
    late = f"announced {event.announced_at - event.at:.0f} s later{f'; {strange}' if strange else ''}"
    return Line(event.announced_at, f"{began}, {late}", loud=True)


def _first_crack_end(event: Event, roast: RoastState) -> Line:
    return Line(event.announced_at, f"first crack ended {_clock(event.at, roast)} ({_between(event, roast)})")


def _second_crack(event: Event, roast: RoastState) -> Line:
    text = f"SECOND CRACK began {_clock(event.at, roast)} ({_between(event, roast)})"
    return Line(event.announced_at, text, loud=True)


def _development(event: Event, roast: RoastState) -> Line | None:
    fields = event.fields
    if fields.get("renewed"):  # first crack after an announcement that was taken back
        began = fields["first_crack"]
        late = f"announced anew {event.announced_at - began:.0f} s later"
        return Line(event.announced_at, f"FIRST CRACK began {_clock(began, roast)}, {late}", loud=True)
    if roast.drop is not None:
        return None
    text = f"development {clock(fields['elapsed'])}"
    if fields["ratio"] is not None:
        text += f", {percent(fields['ratio'])}"
    remaining = fields["remaining"]
    if remaining is not None and remaining > 0:
        text += f", {clock(remaining)} to go"
    return Line(event.at, text, how_dense(roast, event.at))


def _target(event: Event, roast: RoastState) -> Line:
    stage, remaining = event.fields["stage"], abs(float(event.fields["remaining"]))
    text = {
        "near": f"{remaining:.0f} s to the target",
        "reached": "TARGET reached",
        "over": f"{remaining:.0f} s past the target",
    }[stage]
    reached = stage == "reached"
    return Line(event.at if reached else event.announced_at, text, loud=reached)  # what remains is told late after undo


def _drop(event: Event, roast: RoastState) -> Line | None:
    if "undo" in event.fields:
        return None
    return Line(event.at, f"drop, {_how(event)}")


def _cooled(event: Event, roast: RoastState) -> Line:
    return Line(event.at, f"cooled, {_how(event)}".rstrip(", "))


def _mark(event: Event, roast: RoastState) -> Line | None:
    what, taken_back, _ = str(event.fields["what"]).partition(NOT_YET)
    if "undo" in event.fields:
        return Line(event.announced_at, f"undone: {marked(event, roast, undo='')}")
    if what == CONFIRMED:
        return Line(event.at, "first crack confirmed by you")
    if taken_back:
        return Line(event.at, f"{spoken(what)} taken back by you; it has not been yet")
    if what in ("charge", "drop", "cooled"):  # these have an event of their own
        return None
    return Line(event.at, f"{spoken(what)}, marked by you")


def _health(event: Event, roast: RoastState) -> Line | None:
    if event.fields["kind"] == "own_sound":
        return None  # nothing is wrong; whoever listens live has heard it as well
    return Line(event.at, f"sound: {event.fields['message']}")


_LINES: Mapping[str, Callable[[Event, RoastState], Line | None]] = {
    "charge": _charge,
    "density": _density,
    "first_crack.start": _first_crack,
    "first_crack.end": _first_crack_end,
    "second_crack.start": _second_crack,
    "development": _development,
    "target": _target,
    "drop": _drop,
    "cooled": _cooled,
    "mark": _mark,
    "health": _health,
}


def _clock(seconds: float, roast: RoastState) -> str:
    return clock(seconds if roast.charge is None else seconds - roast.charge.at)


def _between(event: Event, roast: RoastState) -> str:
    earliest, latest = (_clock(event.fields[name], roast) for name in ("earliest", "latest"))
    return f"between {earliest} and {latest}"


def _how(event: Event) -> str:
    """How it is known; what was heard with how late and how sure, as it may be taken back."""
    how = _HOW.get(event.fields.get("how", ""), "")
    if event.fields.get("how") != "heard":
        return how
    late = event.announced_at - event.at
    return f"{how}, {percent_sure(event.fields['confidence'])} % sure, told {late:.0f} s later"
