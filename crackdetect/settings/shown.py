"""A setting's value as a person would write it."""

from __future__ import annotations

from typing import Any

from crackdetect.notation import clock


def shown_value(name: str, value: Any) -> str | None:
    """A value as a person may see it: None for what nobody said, addresses without what may be secret in them."""
    if value is None or value == ():
        return None
    if name == "webhook":
        from crackdetect.webhook.address import show

        return ", ".join(map(show, value))
    if isinstance(value, bool):
        return "true" if value else "false"
    if name == "expect":
        return f"{clock(value[0])}-{clock(value[1])}"
    if name in ("cool", "max_development"):
        return clock(value)
    if name == "batch":
        return f"{value:g}g"
    return str(value)
