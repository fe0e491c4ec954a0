"""What an endpoint's answer means: is the message taken, when is the next try, and in words for the person."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Literal

#: Seconds to the first retry, and at most; each waits twice as long as the one before (figures chosen: events of a
#: roast are worth most while it lasts, so the longest wait is a minute).
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
#: ``Retry-After`` is honoured up to here.
LONGEST_ASKED_S = 3600.0
#: A message that an endpoint itself has refused this often is set aside, so that those behind it can go.
REFUSALS = 60


@dataclass(frozen=True, slots=True)
class Answer:
    """What an endpoint answered.

    Attributes
    ----------
    status : int or None
        Of HTTP; None where none came, then trouble says why.
    retry_after : str or None
        The header as it stands.
    trouble : str
    """

    status: int | None
    retry_after: str | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What an answer means.

    Attributes
    ----------
    outcome : {"taken", "later", "refused", "gone"}
        ``later``: try again; ``refused``: try again, but it may be this message.
    words : str
        What happened and what to do, for the person.
    asked_s : float or None
        Seconds that the endpoint wants to be waited.
    """

    outcome: Literal["taken", "later", "refused", "gone"]
    words: str
    asked_s: float | None = None


#: What to do about statuses that have a cause of their own.
_ADVICE = {
    400: "it does not understand the message; check that it expects CloudEvents in structured JSON",
    401: "it does not accept the signature or wants another login; check the secret on both sides",
    403: "it does not accept the signature or this sender; check the secret on both sides",
    404: "there is nothing at this path; check the address",
    405: "it takes no POST at this path; check the address",
    408: "it waited too long for the message; check the network",
    413: "the message is too large for it; allow it 20 kB",
    415: "it does not take application/cloudevents+json; teach it that content type",
    422: "it understands the message and wants another; check what it expects",
    429: "it gets too many messages; send it fewer kinds with --webhook-events",
}
#: Statuses at which the endpoint, not the message, is the trouble.
_NOT_THE_MESSAGE = frozenset({401, 403, 404, 405, 408, 409, 425, 429})


def judge(answer: Answer, *, now: float) -> Verdict:
    """What to do after an answer. now: Unix seconds, for a ``Retry-After`` that is a date."""
    status = answer.status
    asked_s = _asked(answer.retry_after, now)
    if status is None:
        return Verdict("later", answer.trouble)
    if 200 <= status < 300:
        return Verdict("taken", f"taken (HTTP {status})")
    if status == 410:
        return Verdict(
            "gone", "HTTP 410: it wants no more events; 'crackdetect webhook test' with the address takes it up again"
        )
    if 300 <= status < 400:
        return Verdict("later", f"HTTP {status}: it redirects, which is not followed; give the final address", asked_s)
    if status >= 500:
        return Verdict("later", f"HTTP {status}: it is in trouble itself; look into its log", asked_s)
    words = f"HTTP {status}: {_ADVICE.get(status, 'it refuses the message; look into its log')}"
    return Verdict("later" if status in _NOT_THE_MESSAGE else "refused", words, asked_s)


def wait_s(verdict: Verdict, *, tries: int, chance: random.Random) -> float:
    """Seconds to the next try, at least what the endpoint asks for.

    Parameters
    ----------
    tries
        Made so far, the failed one among them.
    chance
        Spreads the tries of many senders.
    """
    longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries - 1, 20))
    own = longest * chance.uniform(0.5, 1.0)  # so that many senders do not come back at once
    return max(own, verdict.asked_s or 0.0)


def _asked(text: str | None, now: float) -> float | None:
    """RFC 9110, 10.2.3: whole seconds or a date; nonsense is passed over."""
    if text is None:
        return None
    try:
        seconds = float(text) if text.strip().isdecimal() else parsedate_to_datetime(text).timestamp() - now
    except (ValueError, TypeError, OverflowError):
        return None
    return min(max(seconds, 0.0), LONGEST_ASKED_S) if math.isfinite(seconds) else None
