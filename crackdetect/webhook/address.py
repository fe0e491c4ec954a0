"""Addresses that events may be sent to."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from crackdetect.errors import SettingError

#: Ends of names that are never on the public internet: RFC 6761 (localhost), RFC 6762 (local), RFC 8375 (home.arpa),
#: ICANN's board resolution of 2024-07-29 (internal); ``lan`` is common practice of home routers, no source.
_AT_HOME = ("localhost", "local", "home.arpa", "internal", "lan")


def check(url: str) -> str:
    """The address as given. Raises SettingError where it cannot be one, or would go over the internet unencrypted."""
    shown = show(url)
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        raise SettingError(f"webhook address {shown} cannot be understood; write it as https://host/path") from None
    if parts.scheme not in ("http", "https") or not host or any(letter.isspace() for letter in url):
        raise SettingError(f"webhook address {shown} cannot be used; write it as https://host/path")
    if parts.username is not None or parts.password is not None:
        raise SettingError(
            f"webhook address {shown} carries a password, which would be seen in the list of processes; leave it out "
            "and let the receiver check the signature"
        )
    if parts.scheme == "http" and not at_home(host):
        raise SettingError(
            f"webhook address {shown} would go over the internet unencrypted; use https (http is for your own network)"
        )
    return url


def at_home(host: str) -> bool:
    """Whether a host is this computer or in the own network, by its name or address alone."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        name = host.rstrip(".").casefold()
        return "." not in name or any(name.endswith("." + end) for end in _AT_HOME)
    return address.is_loopback or address.is_private or address.is_link_local


def show(url: str) -> str:
    """The address without what may be secret in it: path, query, user and password."""
    try:
        parts = urlsplit(url)
        host = parts.hostname or ""
        port = "" if parts.port is None else f":{parts.port}"
    except ValueError:
        return "(not an address)"
    if not parts.scheme or not host:
        return "(not an address)"
    host = f"[{host}]" if ":" in host else host
    more = "/…" if parts.path.strip("/") or parts.query else ""
    return f"{parts.scheme}://{host}{port}{more}"
