"""The events crackdetect speaks in, and their JSON form. Nothing else carries meaning between the parts.

Every event has the envelope ``type``, ``at``, ``announced_at``, ``roast_time``, ``seq``, ``roast`` and the
fields of its type. Unknown fields are to be ignored by a consumer; a field's meaning never changes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

_ENVELOPE = frozenset(("type", "at", "announced_at", "roast_time", "seq", "roast"))

#: All event types. Sinks may rely on this list being complete.
TYPES = (
    "roast.start",
    "charge",
    "crack",
    "density",
    "first_crack.start",
    "first_crack.end",
    "second_crack.start",
    "development",
    "target",
    "drop",
    "cooled",
    "mark",
    "health",
    "summary",
)


@dataclass(frozen=True, slots=True)
class Event:
    """One statement.

    type: one of :data:`TYPES`.
    at: seconds from the first sample of the recording; exact to the sample: ``sample / samplerate``.
    announced_at: seconds at which the statement became possible; ``announced_at - at`` is the latency.
    roast_time: seconds since charge, ``None`` before charge is known.
    seq: 0, 1, 2, ... without a hole in one roast.
    roast: identity of the roast.
    fields: the further fields of this type, JSON values only, none named as the envelope's.
    Raises ValueError for an unknown type or such a name: a defect of ours.
    """

    type: str
    at: float
    announced_at: float
    roast_time: float | None
    seq: int
    roast: str
    fields: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.type not in TYPES:
            raise ValueError(f"event type {self.type!r} is not one of {', '.join(TYPES)}")
        if clash := _ENVELOPE.intersection(self.fields):
            raise ValueError(f"event fields {', '.join(sorted(clash))} would overwrite the envelope")

    def to_dict(self) -> dict[str, Any]:
        """Envelope and fields side by side, as in JSON."""
        return {
            "type": self.type,
            "at": self.at,
            "announced_at": self.announced_at,
            "roast_time": self.roast_time,
            "seq": self.seq,
            "roast": self.roast,
            **self.fields,
        }

    @classmethod
    def from_dict(cls, fields: Mapping[str, Any]) -> Event:
        """The event that ``to_dict`` told. Raises KeyError, TypeError, ValueError where it is none."""
        envelope = {name: fields[name] for name in _ENVELOPE}
        return cls(**envelope, fields={name: value for name, value in fields.items() if name not in _ENVELOPE})

    def to_json(self) -> str:
        """One line of JSON, UTF-8, without NaN or infinity (raises ``ValueError`` on those: a defect of ours)."""
        text = json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        # a file name of bytes that are not UTF-8 arrives as lone surrogates, which no stream could write
        return text.encode("utf-8", "replace").decode("utf-8")


class Sink(Protocol):
    """Where events go. A sink that fails is said to, once, and the roast goes on."""

    def send(self, event: Event) -> None:
        """Takes one event. May raise CrackdetectError, OSError, ValueError or RuntimeError."""
