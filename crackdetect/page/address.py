"""Where a page is, who can see it there, and how a phone gets to it."""

from __future__ import annotations

import ipaddress
import os
import socket
from dataclasses import dataclass

from crackdetect.errors import SettingError

#: Tried first, so that an address stays the same from roast to roast; any free one where another program has it.
PORT = 8321
#: Words for the two usual places.
HERE, LAN = "here", "lan"
_LOOPBACK = "127.0.0.1"
#: An address that no network has (RFC 5737): asked for the way to it, a computer names its own, and sends nothing.
_NOWHERE = "192.0.2.1"


@dataclass(frozen=True, slots=True)
class Place:
    """An address of this computer that a page is served at.

    Attributes
    ----------
    listening : socket.socket
        Bound; nobody else can have the address any more.
    host : str
        The address, IPv4.
    port : int
    """

    listening: socket.socket
    host: str
    port: int

    @property
    def origin(self) -> str:
        """``http://host:port``."""
        return f"http://{self.host}:{self.port}"

    @property
    def hosts(self) -> frozenset[str]:
        """Every name under which it was announced, as a browser sends it in ``Host``."""
        names = {self.host, "localhost"} if self.for_this_computer else {self.host}
        return frozenset(f"{name}:{self.port}" for name in names)

    @property
    def for_this_computer(self) -> bool:
        """Whether nobody else can reach it."""
        return ipaddress.ip_address(self.host).is_loopback

    @property
    def who(self) -> str:
        """Who can see the page, in words."""
        if self.for_this_computer:
            return "Only this computer can open it; for a phone, start with --page lan."
        return (
            "Whoever is in the same network and has this address, or photographs its code, can see the roast and press "
            "its buttons until it ends. It is sent unencrypted: who listens in on the network can read it too."
        )


def open_place(where: str, *, port: int = PORT) -> Place:
    """Takes the address of a page.

    Parameters
    ----------
    where : str
        ``here`` for this computer alone, ``lan`` for the network it is in, or one of its addresses.
    port : int
        Tried first.

    Returns
    -------
    Place

    Raises
    ------
    SettingError
        For an address that is none, that this computer has not, that all of the Internet could reach; or where there
        is no network.
    """
    host = {HERE: _LOOPBACK}.get(where) or (_in_network() if where == LAN else _checked(where))
    if ipaddress.ip_address(host).is_global:
        raise SettingError(
            f"page {host} is an address that all of the Internet could reach; name one of a home network, or leave the "
            "page on this computer (--page here)"
        )
    for number in (port, 0):
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if (
            os.name == "posix"
        ):  # else a page cannot come back to its place for a minute; on Windows it means another thing
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((host, number))
            listening.listen()  # only now nobody else can have it
        except OSError as error:
            listening.close()
            if number == 0:
                reason = error.strerror or error
                raise SettingError(f"page {host} cannot be opened ({reason}); is it this computer's address?") from None
        else:
            return Place(listening, host, listening.getsockname()[1])
    raise AssertionError("unreachable")


def _checked(where: str) -> str:
    try:
        named = ipaddress.IPv4Address(where)
    except ValueError:
        named = None
    if named is None or named.is_unspecified or named.is_multicast:
        raise SettingError(f"page {where!r} is no address of one computer; give here, lan, or one like 192.168.1.20")
    return str(named)


def _in_network() -> str:
    """The address of this computer on its way out. Raises SettingError."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((_NOWHERE, 9))
            host = str(asking.getsockname()[0])
        except OSError:
            host = "0.0.0.0"
    if ipaddress.ip_address(host).is_loopback or ipaddress.ip_address(host).is_unspecified:
        raise SettingError(
            "page lan: this computer is in no network; connect it, or name its address: --page 192.168.1.20"
        )
    return host


def code_lines(address: str) -> list[str]:
    """A QR code of the address as lines of half blocks, to be drawn black on white whatever the terminal's colours."""
    import segno

    rows = [bytes(row) for row in segno.make(address, error="l", micro=False).matrix_iter(border=2)]
    rows += [bytes(len(rows[0]))] * (len(rows) % 2)
    return [
        "".join(" ▄▀█"[2 * upper + lower] for upper, lower in zip(above, below, strict=True))
        for above, below in zip(rows[::2], rows[1::2], strict=True)
    ]
