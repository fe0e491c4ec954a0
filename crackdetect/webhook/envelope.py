"""An event as a CloudEvent 1.0.2 in structured JSON."""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import quote

CONTENT_TYPE = "application/cloudevents+json; charset=UTF-8"
#: The specification wants a reversed DNS name of whoever defines the meaning. ``alt`` is the end of names that are
#: not in the DNS (RFC 9476), so this one cannot belong to somebody else.
TYPE_PREFIX = "alt.crackdetect."


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent, the same on each try.

    Attributes
    ----------
    id : str
        Of the message, also its ``webhook-id``.
    type : str
        Of the event.
    body : str
        A CloudEvent as JSON.
    """

    id: str
    type: str
    body: str


def message_of(event: Mapping[str, Any], *, started: datetime) -> Message:
    """The message that tells an event.

    Parameters
    ----------
    event : mapping
        As ``Event.to_dict`` gives it.
    started : datetime.datetime
        Wall clock at the first sample, with its offset from UTC.
    """
    identity = f"msg_{uuid.uuid4().hex}"
    body = {
        "specversion": "1.0",
        "id": identity,
        "source": f"/crackdetect/roasts/{quote(event['roast'], safe='', errors='replace')}",
        "type": TYPE_PREFIX + event["type"],
        "subject": event["roast"],
        "time": (started + timedelta(seconds=event["at"])).isoformat(timespec="milliseconds"),
        "datacontenttype": "application/json",
        "data": dict(event),
    }
    text = json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # what was typed in bytes that are not UTF-8 holds halves of characters, which nothing could store or send
    return Message(identity, event["type"], text.encode("utf-8", "replace").decode("utf-8"))
