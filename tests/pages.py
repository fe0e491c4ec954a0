"""Pages served as the commands serve them, without a microphone: what asks them, and what stands behind."""

from __future__ import annotations

import http.client
import json
import threading
import time
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Self

from patience import PATIENCE_S, wait_until

from crackdetect.events import Event
from crackdetect.notice import Notices
from crackdetect.page.access import Access
from crackdetect.page.address import Place, open_place
from crackdetect.page.live import LivePage
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.marking import Mark
from crackdetect.roast.series import HISTORY_S
from crackdetect.terminal.level import LevelWatch


class Asked:
    """A page that is asked as a browser does that was let in."""

    place: Place
    access: Access

    @property
    def cookie(self) -> str:
        return f"crackdetect_{self.place.port}={self.access.cookie}"

    def ask(
        self, method: str, path: str, *, body: bytes | None = None, known: bool = True, **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """One request: status, headers and body of the answer. known: with the cookie."""
        connection = http.client.HTTPConnection(self.place.host, self.place.port, timeout=PATIENCE_S)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if known:
            sent["Cookie"] = self.cookie
        try:
            connection.request(method, path, body=body, headers=sent)
            answer = connection.getresponse()
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def post(self, path: str, said: Any, **headers: str) -> tuple[int, dict[str, str], bytes]:
        """As the page's own script says something; headers: instead of its."""
        own = {"Origin": self.place.origin, "Content_Type": "application/json"} | headers
        return self.ask("POST", path, body=json.dumps(said).encode(), **own)


class Served(Asked):
    """The page of a live roast, served while the ``with`` block lasts."""

    def __init__(self, *, access: Access | None = None, port: int = 0, device: str = "Desk microphone") -> None:
        self.access = Access.new() if access is None else access
        self.place = open_place("here", port=port)
        self.marks: SimpleQueue[Mark] = SimpleQueue()
        self.notices: Notices = SimpleQueue()
        self.level = LevelWatch()
        self.phones: list[Phone] = []
        self.page = LivePage(
            self.place,
            self.access,
            device=device,
            marks=self.marks,
            alerts=Alerts(),
            level=self.level,
            notices=self.notices,
        )

    def __enter__(self) -> Self:
        self.page.begin()
        wait_until(self._is_there)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.page.close()
        for phone in self.phones:
            phone.close()

    def _is_there(self) -> bool:
        try:
            self.ask("GET", "/", known=False)
        except OSError:
            return False
        return True

    def tell(self, *events: Event) -> None:
        for event in events:
            self.page.send(event)

    @property
    def marked(self) -> list[str]:
        """What was pressed since it was last asked for."""
        return [mark.what for mark in taken(self.marks)]

    def press(self, what: Any, **headers: str) -> int:
        """The answer to a mark."""
        return self.post("/mark", {"what": what}, **headers)[0]


class Phone:
    """Reads the stream as a browser does, and keeps what would stand on the board."""

    def __init__(self, served: Served, *, last_id: str = "") -> None:
        self._connection = http.client.HTTPConnection(served.place.host, served.place.port, timeout=PATIENCE_S)
        served.phones.append(self)
        headers = {"Cookie": served.cookie}
        if last_id:
            headers["Last-Event-ID"] = last_id
        self.last_id = last_id
        self.parts: dict[str, Any] = {}
        self.density: list[Any] = []
        self.pops: list[Any] = []
        self.messages: list[dict[str, Any]] = []
        self.arrived: list[float] = []
        self.beats = 0
        self._thread: threading.Thread | None = None
        self._connection.request("GET", "/events", headers=headers)
        self._answer = self._connection.getresponse()
        assert self._answer.status == 200, self._answer.status

    def read(self) -> bool:
        """The next message or beat; whether there is one."""
        kind, data = "message", ""
        while line := self._answer.readline():
            name, _, value = line.decode().rstrip("\n").partition(": ")
            if name == "id":
                self.last_id = value
            elif name == "event":
                kind = value
            elif name == "data":
                data = value
            elif not name and kind != "message":
                self.beats += 1
                return True
            elif not name and data:
                self._take(json.loads(data))
                return True
        return False

    def _take(self, said: dict[str, Any]) -> None:
        self.messages.append(said)
        self.arrived.append(time.monotonic())
        if said["whole"]:
            self.density, self.pops, self.parts = [], [], {}
        since = said["now"] - HISTORY_S
        self.density = [row for row in [*self.density, *said["density"]] if row[0] > since]
        self.pops = [row for row in [*self.pops, *said["pops"]] if row[0] > since]
        self.parts |= said["parts"]

    def until(self, part: str, value: Any) -> None:
        ends = time.monotonic() + PATIENCE_S
        while self.parts.get(part) != value:
            assert time.monotonic() < ends, (part, value, self.parts.get(part))
            assert self.read()

    def in_background(self) -> None:
        self._thread = threading.Thread(target=self._read_all, daemon=True)
        self._thread.start()

    def _read_all(self) -> None:
        try:
            while self.read():
                pass
        except (OSError, ValueError, AttributeError):
            pass

    def close(self) -> None:
        self._connection.close()
        if hasattr(self, "_answer"):
            self._answer.close()


def taken(queue: SimpleQueue[Any]) -> list[Any]:
    """What is in a queue."""
    found = []
    while True:
        try:
            found.append(queue.get_nowait())
        except Empty:
            return found
