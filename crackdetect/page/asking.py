"""One roast under review: what its page shows, and what becomes of what a person says there. Nothing is served here."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from crackdetect.errors import SettingError
from crackdetect.notation import clock
from crackdetect.roast.corrections import SAME_CRACK_S, CrackLabel, MarkMove
from crackdetect.roast.doubtful import Doubtful, doubtful
from crackdetect.roast.record import SPOKEN, Roast, RoastRecord
from crackdetect.roast.words import clean, shown
from crackdetect.storage import unsaid_sounds
from crackdetect.storage.roast_store import RoastLog

#: Cracks, and sounds almost taken for one, that are asked about in one go: two minutes.
CARDS = 20
#: Moments that can be seen in the strip.
MARKS = ("charge", "first_crack.start", "first_crack.end", "second_crack.start", "drop")
_ANSWERS = {True: "a crack", False: "not a crack", None: "can't tell"}


class Asking:
    """What is asked of one roast, and what was answered. Each call opens the log anew: others may use it meanwhile.

    Parameters
    ----------
    log
        The file of the log.
    roast
        Its number there.
    by
        Who answers.
    """

    def __init__(self, log: Path, roast: int, *, by: str) -> None:
        self._log = log
        self._roast = str(roast)
        self._by = clean(by) or ""
        self._queue: list[Doubtful] = []
        with RoastLog(log) as opened:
            record = self._record(opened)
            said = [crack.at_s for crack in record.cracks]
            self._unsaid = tuple(
                sound
                for sound in unsaid_sounds.kept(record.roast, folder=log.parent)
                if all(abs(sound.at_s - at) > SAME_CRACK_S for at in said)
            )
            self._ask_more(record)

    def _record(self, log: RoastLog) -> RoastRecord:
        return log.record(log.find(self._roast))

    def _ask_more(self, record: RoastRecord) -> None:
        self._queue = doubtful(record, most=CARDS, unsaid=self._unsaid)

    def shown(self) -> dict[str, Any]:
        """All that the page shows of the roast, as JSON values."""
        with RoastLog(self._log) as log:
            record = self._record(log)
            roast = record.roast
            return {
                "title": shown(roast.coffee or roast.identity, most=80),
                "roast": f"{roast.name}, {roast.day}",
                "by": shown(self._by, most=40),
                "cracks": [
                    [round(crack.at_s, 5), crack.kind, round(crack.probability, 3), crack.snr_db]
                    for crack in record.cracks
                ]
                + [[round(sound.at_s, 5), "unsaid", round(sound.probability, 3), 0.0] for sound in self._unsaid],
                **self._standing(log, record),
            }

    def say(self, said: Mapping[str, Any]) -> dict[str, Any]:
        """A person said something; how it then stands.

        Parameters
        ----------
        said
            One of ``{"crack": place, "is": true, false or null}``, the place counted through the rows of ``cracks``
            and then through those of ``missed``; ``{"mark": name, "at": seconds or null}``; ``{"restore": name}``, a
            moment as it was heard or marked; ``{"undo": number}``; ``{"more": true}``, further cracks.

        Raises
        ------
        SettingError
            One sentence on why it is not taken; then nothing has changed.
        ValueError, TypeError, KeyError
            For what is none of these.
        LogError, OutputError
            When the log cannot be written.
        """
        with RoastLog(self._log) as log:
            roast = log.find(self._roast)
            if "crack" in said:
                self._label(log, roast, place=said["crack"], answer=said["is"])
            elif "mark" in said:
                at = None if said["at"] is None else seconds(said["at"])
                log.edit(roast, moments={_moment(said["mark"]): at}, by=self._by)
            elif "restore" in said:
                log.edit(roast, restore=[_moment(said["restore"])], by=self._by)
            elif "undo" in said:
                log.undo_correction(roast, _whole(said["undo"]))
            elif "more" in said:
                self._ask_more(self._record(log))
            else:
                raise ValueError("nothing was said")
            return self._standing(log, self._record(log))

    def add(self, at: float) -> dict[str, Any]:
        """A person heard a crack at ``at`` seconds; how it then stands, and in ``placed`` where that is.

        Where the program heard one as well the answer is about that one. Raises as :meth:`say` does.
        """
        with RoastLog(self._log) as log:
            roast = log.find(self._roast)
            heard = self._places(log.record(roast))
            placed = next((place for place in heard if abs(place - at) <= SAME_CRACK_S), at)
            log.label_crack(roast, placed, True, by=self._by)
            return {**self._standing(log, self._record(log)), "placed": round(placed, 5)}

    def _label(self, log: RoastLog, roast: Roast, *, place: Any, answer: Any) -> None:
        record = log.record(roast)
        places = [*self._places(record), *(label.at for label in self._missed(record))]
        if _whole(place) >= len(places):
            raise SettingError("there is no such crack any more; load the page again")
        if answer is not None and not isinstance(answer, bool):
            raise ValueError("that is no answer")
        log.label_crack(roast, places[place], answer, by=self._by)

    def _places(self, record: RoastRecord) -> list[float]:
        """Of all that was heard, as cracks or not, seconds."""
        return [crack.at_s for crack in (*record.cracks, *self._unsaid)]

    def _missed(self, record: RoastRecord) -> list[CrackLabel]:
        """What was said of places where nothing was heard."""
        heard = [sound.at_s for sound in self._unsaid]
        return [label for label in record.not_heard if all(abs(label.at - at) > SAME_CRACK_S for at in heard)]

    # -- how it stands ----------------------------------------------------------------------------------------

    def _standing(self, log: RoastLog, record: RoastRecord) -> dict[str, Any]:
        """What may change."""
        roast, corrections = record.roast, record.corrections
        last = log.last_correction(roast)
        labels = {}
        heard, missed = self._places(record), self._missed(record)
        for place, at in enumerate(heard) if corrections.labels else ():
            if (label := corrections.of_crack(at)) is not None:
                labels[place] = label.is_crack
        labels |= {len(heard) + n: label.is_crack for n, label in enumerate(missed)}
        cards = [[one.place, one.why] for one in self._queue if one.place not in labels]
        return {
            "charge": roast.at_s("charge"),
            "marks": [_mark(roast, what) for what in MARKS],
            "missed": [round(label.at, 5) for label in missed],
            "labels": [[place, answer] for place, answer in labels.items()],
            "cards": cards,
            "asked": len(self._queue),
            "more": 0 if cards else len(doubtful(record, most=CARDS, unsaid=self._unsaid)),
            "undo": None if last is None else [last[0], _words(record, last[1], missed)],
        }


def _mark(roast: Roast, what: str) -> dict[str, Any]:
    """A moment as it holds, and as it was heard."""
    moment = roast.moment(what)
    return {
        "what": what,
        "name": SPOKEN[what],
        "at": moment.at_s,
        "whose": moment.whose,
        "heard": moment.heard_s,
        "marked": moment.marked_s,
        "interval": [moment.earliest_s, moment.latest_s] if None not in (moment.earliest_s, moment.latest_s) else None,
    }


def _words(record: RoastRecord, one: CrackLabel | MarkMove, missed: list[CrackLabel]) -> str:
    """What undo would take back. missed: what was said of places where nothing was heard."""
    roast = record.roast
    if isinstance(one, CrackLabel):
        added = one.is_crack and one in missed
        return f"{'a crack added' if added else _ANSWERS[one.is_crack]}, {clock(roast.roast_time(one.at))}"
    name = SPOKEN.get(one.mark, one.mark)
    if one.now is None:
        return f"{name} did not happen"
    return f"{name} to {clock(one.now if one.mark == 'charge' else roast.roast_time(one.now))}"


def _moment(value: Any) -> str:
    if value not in MARKS:
        raise ValueError("that is no moment")
    return str(value)


def seconds(value: Any) -> float:
    """A time as the page's script writes it. Raises ValueError for what is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e6:
        raise ValueError("that is no time")
    return float(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
        raise ValueError("that is no number")
    return value
