"""What truly happens in a synthetic recording, exact to the sample, and its JSON form.

The file beside a recording is one JSON object: ``format`` "crackdetect-truth", ``version`` 1, ``samplerate`` (Hz),
``duration_s``, ``charge_s``, ``first_crack_start_s``, ``first_crack_end_s``, ``second_crack_start_s``, ``drop_s``
(seconds from the first sample, or null), ``peak_per_minute``, ``plan`` (every number of the rendering, or null for a
recording of life) and ``events``: a list of ``time_s`` (of the largest sample), ``kind`` (``first``, ``second``,
``stray``, ``distractor``, or ``unsure``: may be a crack or not), ``snr_db`` (null where it is not known) and ``label``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

FORMAT = "crackdetect-truth"
VERSION = 1
#: Kind of what may be a crack or not: neither to be found nor false when said.
UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """time_s: of the largest sample. kind: first, second, stray, distractor or unsure. snr_db: -inf if not known."""

    time_s: float
    kind: str
    snr_db: float
    label: str


@dataclass(frozen=True, slots=True)
class Truth:
    """See the module's text.

    first_crack_start_s is the moment at which the rate leaves the strays' rate; where it does so without a kink
    (``chorus.py``), the moment at which 2 % of all its cracks have come. The same holds for second_crack_start_s.
    first_crack_end_s is the moment at which the falling rate crosses a tenth of its peak.
    """

    samplerate: int
    duration_s: float
    charge_s: float | None
    first_crack_start_s: float | None
    first_crack_end_s: float | None
    second_crack_start_s: float | None
    drop_s: float | None
    peak_per_minute: float
    events: tuple[TruthEvent, ...]
    plan: Mapping[str, Any] | None = None

    def density(self, time_s: float) -> float:
        """True rate of cracks a minute at a time, strays included; from the plan, so 0 without one."""
        if self.plan is None:
            return 0.0
        from crackdetect.synth.plan import RoastPlan

        return RoastPlan.from_dict(self.plan).cracks_per_minute(time_s)

    def to_json(self) -> str:
        """The truth file's text."""
        return json.dumps(
            {
                "format": FORMAT,
                "version": VERSION,
                "samplerate": self.samplerate,
                "duration_s": self.duration_s,
                "charge_s": self.charge_s,
                "first_crack_start_s": self.first_crack_start_s,
                "first_crack_end_s": self.first_crack_end_s,
                "second_crack_start_s": self.second_crack_start_s,
                "drop_s": self.drop_s,
                "peak_per_minute": self.peak_per_minute,
                "plan": None if self.plan is None else dict(self.plan),
                "events": [
                    {
                        "time_s": e.time_s,
                        "kind": e.kind,
                        "snr_db": e.snr_db if math.isfinite(e.snr_db) else None,
                        "label": e.label,
                    }
                    for e in self.events
                ],
            },
            indent=1,
        )

    @classmethod
    def from_json(cls, text: str) -> Truth:
        """Raises ValueError, KeyError or TypeError when the text is not a truth."""
        content = json.loads(text)
        if not isinstance(content, dict) or content.get("format") != FORMAT or content.get("version") != VERSION:
            raise ValueError("not a truth file of this version")
        events = tuple(
            TruthEvent(
                float(e["time_s"]),
                str(e["kind"]),
                float("-inf") if e["snr_db"] is None else float(e["snr_db"]),
                str(e["label"]),
            )
            for e in content["events"]
        )
        names = ("charge_s", "first_crack_start_s", "first_crack_end_s", "second_crack_start_s", "drop_s")
        times = {name: None if content[name] is None else float(content[name]) for name in names}
        return cls(
            samplerate=int(content["samplerate"]),
            duration_s=float(content["duration_s"]),
            peak_per_minute=float(content["peak_per_minute"]),
            events=events,
            plan=content["plan"],
            **times,
        )
