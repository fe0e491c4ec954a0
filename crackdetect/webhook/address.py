"""Addresses that events may be sent to."""

from __future__ import annotations

import ipaddress
import re
from urllib.parse import urlsplit

from crackdetect.errors import SettingError

#: Ends of names that are never on the public internet: RFC 6761 (localhost), RFC 6762 (local), RFC 8375 (home.arpa),
#: ICANN's board resolution of 2024-07-29 (internal); ``lan`` is common practice of home routers, no source.
_AT_HOME = ("localhost", "local", "home.arpa", "internal", "lan")
#: Private addresses: RFC 1918, RFC 4193; link-local: RFC 3927, RFC 4291; this computer: RFC 1122, RFC 4291 (from
#: memory). Networks for documentation and tests, which are nobody's, are not among them.
_HOME_NETWORKS = tuple(
    ipaddress.ip_network(network)
    for network in (
        "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7", "169.254.0.0/16", "fe80::/10", "127.0.0.0/8",
        "::1/128", "0.0.0.0/32", "::/128",
    )
)  # fmt: skip
#: The last label of what programs read as an IPv4 address though it is not written as one (WHATWG URL, "ends in a
#: number"): 134744072 and 0x08080808 are 8.8.8.8. They do not agree on what such a thing means, so none is at home.
_NUMBER = re.compile(r"\d+|0x[0-9a-f]*")
_LONGEST_NAME = 253  # RFC 1035, 2.3.4, as text


def check(url: str) -> str:
    """The address as given. Raises SettingError where it cannot be one, or would go over the internet unencrypted."""
    shown = show(url)
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        raise SettingError(f"webhook address {shown} cannot be understood; write it as https://host/path") from None
    unfit = any(letter.isspace() or not letter.isprintable() for letter in url)
    if "://" not in url and not unfit and (meant := _without_scheme(url)):
        raise SettingError(f"webhook address {meant.partition('://')[2]} lacks its beginning; did you mean {meant}?")
    if parts.scheme not in ("http", "https") or not host or unfit:
        raise SettingError(f"webhook address {shown} cannot be used; write it as https://host/path")
    if parts.username is not None or parts.password is not None:
        raise SettingError(
            f"webhook address {shown} carries a password, which would be seen in the list of processes; leave it out "
            "and let the receiver check the signature"
        )
    if _plain(host) is None:
        raise SettingError(f"webhook address {shown} has a host that cannot be one; check its name")
    if parts.scheme == "http" and not at_home(host):
        raise SettingError(
            f"webhook address {shown} would go over the internet unencrypted; use https (http is for your own network)"
        )
    return url


def _without_scheme(url: str) -> str:
    """What was probably meant by an address without http or https, shown as :func:`show` does; may be empty."""
    try:
        host = urlsplit(f"http://{url}").hostname
    except ValueError:
        return ""
    return show(f"{'http' if at_home(host) else 'https'}://{url}") if host else ""


def at_home(host: str) -> bool:
    """Whether a host is this computer or in the own network, by its name or address alone.

    A name of one part, as routers give it to a computer, is at home: by ICANN's rules no such name is on the public
    internet (resolution of 2013-08-13 against dotless domains, from memory).
    """
    name = _plain(host)
    if name is None:
        return False
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        *ends, last = name.split(".")
        return not _NUMBER.fullmatch(last) and (not ends or any(name.endswith("." + end) for end in _AT_HOME))
    mapped = getattr(address, "ipv4_mapped", None) or address
    return any(mapped in network for network in _HOME_NETWORKS)


def _plain(host: str) -> str | None:
    """A host as resolvers see it, to whom other full stops and wide letters are plain; ``None`` = it cannot be one."""
    if ":" in host:
        return host
    try:
        name = host.encode("idna").decode("ascii").casefold().removesuffix(".")
    except UnicodeError:  # a part that is empty, too long, or of letters that no name may have
        return None
    return name if name and len(name) <= _LONGEST_NAME else None


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
    host = "".join(letter if letter.isprintable() else "\ufffd" for letter in host)
    host = f"[{host}]" if ":" in host else host
    more = "/…" if parts.path.strip("/") or parts.query else ""
    return f"{parts.scheme}://{host}{port}{more}"
