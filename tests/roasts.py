"""Events of small invented roasts for the tests of the log: what the person would have heard, in a few lines."""

from __future__ import annotations

from typing import Any

from crackdetect.storage.roast_store import RoastLog

#: What a spreadsheet, a page, a path or a terminal could trip over.
HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "\"><svg onload=alert(3)>'",
    '=HYPERLINK("http://127.0.0.1/","x")',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "'=quoted",
    "../../etc/passwd",
    "C:\\Windows\\..\\x",
    "CON",
    "☕🔥 \U0001f9d1\u200d\U0001f373",
    "قهوة عربية",
    "abc\u202egnp.exe",
    "a\x00b\x1b[2Jc\r\nd",
    "$x_1$ {{ 7 * 7 }} {% raw %} %s {0}",
    "Robert'); DROP TABLE roasts;--",
    "\ud800 half a letter",
    "x" * 10_000,
)


def roast_events(
    name: str = "monday",
    *,
    charge: float | None = 10.0,
    first_crack: float | None = 400.0,
    drop: float | None = 500.0,
    cracks: int = 20,
    target: str | None = None,
    about: dict[str, Any] | None = None,
    source: str = "microphone",
    finished: bool = True,
) -> list[dict[str, Any]]:
    """A roast of an hour-glass kind: charge given, first crack heard (±6 s), drop given. Seconds of the recording."""
    found: list[tuple[str, float, float, dict[str, Any]]] = []
    settings = {"charge_at": charge, "drop_at": drop, "target": target, "near_s": [30.0, 10.0]}
    model = {"name": "first-crack", "hash": "30ca0027aeb27b11"}
    start = {"source": source, "samplerate": 44_100, "model": model, "version": "0.1.0", "settings": settings}
    found.append(("roast.start", 0.0, 0.0, {**start, "about": about or {}}))
    if charge is not None:
        found.append(("charge", charge, charge, {"how": "given"}))
    if first_crack is not None:
        for i in range(cracks):
            at = first_crack + 2.0 * i
            fields = {"kind": "first", "probability": 0.9 if i % 4 else 0.55, "snr_db": 15.0 + i % 5}
            found.append(("crack", at, at + 0.07, fields))
        interval = {"earliest": first_crack - 6, "latest": first_crack + 6, "confidence": 0.98}
        told = first_crack + 12
        found.append(("first_crack.start", first_crack, told, interval))
        found += [
            ("density", told + i, told + i, {"per_minute": rate, "low": rate / 2, "high": 2 * rate})
            for i, rate in enumerate([10.0, 40.0, 80.0, 60.0, 20.0])
        ]
    if drop is not None:
        found.append(("drop", drop, drop, {"how": "given"}))
    end = (drop or 600.0) + 20
    if finished:
        both = first_crack is not None and drop is not None
        total = drop - charge if charge is not None and drop is not None else None
        development = drop - first_crack if both and drop is not None and first_crack is not None else None
        summary = {
            "first_crack": first_crack,
            "first_crack_earliest": None if first_crack is None else first_crack - 6,
            "first_crack_latest": None if first_crack is None else first_crack + 6,
            "first_crack_announced": None if first_crack is None else first_crack + 12,
            "drop": drop,
            "total": total,
            "development": development,
            "ratio": development / total if development is not None and total else None,
            "cracks": cracks if first_crack is not None else 0,
            "peak_per_minute": 55.68 if first_crack is not None else None,
            "peak_low": 27.68 if first_crack is not None else None,
            "peak_high": 111.68 if first_crack is not None else None,
            "first_crack_end": None,
            "second_crack": None,
            "health": {},
        }
        found.append(("summary", end, end, summary))
    return [
        {
            "type": kind,
            "at": at,
            "announced_at": told,
            "roast_time": None if charge is None or at < charge else at - charge,
            "seq": seq,
            "roast": name,
            **fields,
        }
        for seq, (kind, at, told, fields) in enumerate(found)
    ]


#: What is told of a device that is a fifth slow.
WRONG_RATE = (
    "microphone 'pair' gives about 20 % fewer samples than its rate of 48000 Hz says, and all times of this roast are "
    "off by that; choose another rate in the system's sound settings, or another microphone"
)


def with_wrong_rate(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same roast through a device that lies about its rate, which is told among 180 gaps."""

    def health(at: float, kind: str, message: str) -> dict[str, Any]:
        fields = {"type": "health", "at": at, "announced_at": at, "kind": kind, "count": 1, "message": message}
        return {**events[0], **fields}

    before = [health(20.0 + 0.2 * number, "gap", "sound was lost") for number in range(60)]
    after = [health(41.0 + 0.2 * number, "gap", "sound was lost") for number in range(120)]
    told = [events[0], *before, health(40.0, "wrong_rate", WRONG_RATE), *after, *events[1:]]
    return [{**event, "seq": seq} for seq, event in enumerate(told)]


def mark(what: str, at: float, name: str = "monday") -> dict[str, Any]:
    """The person's statement."""
    return {
        "type": "mark", "at": at, "announced_at": at, "roast_time": None, "seq": 0, "roast": name, "what": what
    }  # fmt: skip


def keep_roasts(*names: str, **kinds: Any) -> None:
    """Puts a roast of one coffee into the log for each name, a day apart. kinds: as of :func:`roast_events`."""
    with RoastLog() as log:
        for number, name in enumerate(names or ("monday",)):
            about = {"coffee": "Lot Seven", "green_g": 200.0, "started": f"2026-03-{number + 1:02d}T18:30:00+00:00"}
            log.keep(roast_events(name, about=about, **kinds))
