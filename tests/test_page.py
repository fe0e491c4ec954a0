"""The page of a live roast: what stands on it, what each phone is told, and what it lets in. Without a browser."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import http.client
import itertools
import json
import os
import selectors
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest
from commands import RATE, EndingMicrophone, Run, expected_events
from pages import Phone, Served, taken
from patience import PATIENCE_S, no_thread_left, wait_until
from test_alerts import begun, crack, density, development, event, mark, start

from crackdetect.audio import microphone
from crackdetect.audio.files import open_recording
from crackdetect.errors import SettingError, install_command
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.notation import clock
from crackdetect.notice import Notice
from crackdetect.page import access, address, connection, guard, live
from crackdetect.page.board import LiveBoard, next_mark
from crackdetect.page.stream import Stream, difference
from crackdetect.pipeline import Pipeline
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.marking import Mark
from crackdetect.roast.series import HISTORY_S
from crackdetect.roast.stage import how_dense
from crackdetect.roast.state import CONFIRMED, RoastState
from crackdetect.running.loop import listen
from crackdetect.terminal.level import LevelWatch

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("segno")

CHARGE = event("charge", 10.0, how="key")
BEGUN = begun(560.0, 568.0)
ROAST = [start(target="1:45", coffee="Meadow Lane", green_g=200.0), CHARGE, crack(550.0), BEGUN, density(600.0)]
SUMMARY = event(
    "summary",
    700.0,
    **dict.fromkeys(
        ("first_crack", "first_crack_earliest", "first_crack_latest", "first_crack_end", "second_crack", "drop")
    ),
    **dict.fromkeys(("peak_per_minute", "peak_low", "peak_high", "total", "development", "ratio")),
    cracks=1,
    health={},
)


@pytest.fixture
def served() -> Iterator[Served]:
    with Served() as page:
        yield page
        assert taken(page.notices) == []  # nothing has failed


@pytest.fixture(scope="module")
def standing() -> Iterator[Served]:
    """One that is asked by many."""
    with Served() as page:
        page.tell(start(), density(1.0))
        yield page
        assert taken(page.notices) == []


# -- what stands on the board ----------------------------------------------------------------------------------


class Table:
    """A board with a clock of its own."""

    def __init__(self) -> None:
        self.now = 0.0
        self.marks: list[Mark] = []
        self.board = LiveBoard(
            device="Desk microphone",
            alerts=Alerts(),
            level=LevelWatch(),
            mark=self.marks.append,
            monotonic=lambda: self.now,
        )

    def tell(self, *events: Event, at: float) -> dict[str, Any]:
        self.now = at
        for one in events:
            self.board.send(one)
        return dict(self.board.shown().parts)


def test_the_board_says_what_the_roast_s_state_says() -> None:
    """First crack at roast time 9:10, 40 s ago: 40 of 590 s are 6.8 % (arithmetic)."""
    parts = Table().tell(*ROAST, at=600.0)
    state = RoastState.of(ROAST)
    assert parts["title"] == "Meadow Lane  ·  200 g  ·  target 1:45"
    assert (parts["phase"], parts["figure"]) == ("development", clock(state.development(600.0)))
    assert parts["note"] == "first crack at 9:10, heard, between 9:08 and 9:12"
    assert parts["facts"] == [
        ["to the target", "1:05", True],
        ["development ratio", "6.8 %", False],
        ["roast time", "9:50", False],
    ]
    assert parts["density"] == how_dense(state, 600.0)
    assert parts["said"][0][1:4] == ["9:18", "First crack began 9:10, 8 s ago.", 2]
    assert parts["button"][:2] == ["drop", "Drop"]
    assert parts["undo"] == ["undo first_crack.start heard", "Undo first crack, as heard"]


@pytest.mark.parametrize(
    ("events", "what"),
    [
        ([], "charge"),
        ([CHARGE], "first_crack.start"),
        ([CHARGE, BEGUN], "drop"),
        ([BEGUN], "drop"),
        ([CHARGE, BEGUN, event("drop", 600.0, how="key")], None),
        ([CHARGE, BEGUN, mark("first_crack.not_yet", 570.0)], "first_crack.start"),
    ],
)
def test_the_large_button_is_the_next_thing_to_mark(events: list[Event], what: str | None) -> None:
    assert next_mark(RoastState.of([start(), *events])) == what


def test_the_clock_runs_on_between_events_and_stands_after_the_summary() -> None:
    table = Table()
    assert table.tell(*ROAST, at=600.0)["figure"] == "0:40"
    assert table.tell(at=603.0)["figure"] == "0:43"
    table.tell(event("drop", 690.0, how="key"), SUMMARY, at=700.0)
    over = table.tell(at=900.0)
    assert (over["ended"], over["button"], over["undo"], over["next"]) == (True, None, None, "")
    assert table.board.shown().now == 700.0


def test_only_what_the_board_offers_can_be_pressed_and_once() -> None:
    table = Table()
    table.tell(start(), at=1.0)
    assert table.board.press("drop") is not None
    assert table.board.press("charge") is None
    assert table.board.press("charge") is not None  # a second finger, before the first mark has been taken
    table.tell(event("charge", 1.1, how="key"), at=1.2)
    assert table.board.press("charge") is not None
    assert table.board.press("undo charge key") is None
    assert table.marks == [Mark("charge"), Mark("undo")]
    table.tell(SUMMARY, at=700.0)
    assert table.board.press("charge") is not None


def test_who_presses_for_first_crack_while_it_is_announced_says_yes_to_it() -> None:
    table = Table()
    table.tell(*ROAST[:4], at=568.5)
    assert table.board.press("first_crack.start") is None
    assert table.marks == [Mark(CONFIRMED)]
    table.tell(at=600.0)  # long after it that is a page that is behind
    assert table.board.press("first_crack.start") == "That has just changed; look again."


def test_the_small_button_says_what_it_undoes() -> None:
    table = Table()
    says = [
        table.tell(one, at=600.0)["undo"]
        for one in (start(), CHARGE, BEGUN, mark(CONFIRMED, 570.0), mark("first_crack.not_yet", 580.0))
    ]
    assert [None if one is None else one[1] for one in says] == [
        None,
        "Undo charge",
        "Undo first crack, as heard",
        "Undo your yes to first crack",
        "Undo: bring first crack back",
    ]


def test_the_board_answers_a_mark_in_words() -> None:
    parts = Table().tell(start(), mark("charge", 5.0), event("charge", 5.0, how="key"), at=5.0)
    assert parts["said"][0][2].endswith("; the small button undoes it.")


# -- what a phone is told --------------------------------------------------------------------------------------


def test_a_phone_is_told_everything_and_then_what_has_changed(served: Served) -> None:
    served.tell(*ROAST[:2])
    phone = Phone(served)
    phone.until("phase", "roast time")
    served.tell(*ROAST[2:], development(601.0, 560.0))
    phone.until("phase", "development")
    assert [said["whole"] for said in phone.messages] == [True] + [False] * (len(phone.messages) - 1)
    assert "title" not in phone.messages[-1]["parts"]
    assert phone.density == [[600.0, 3.0, 0.0, 9.0]]
    assert phone.pops == [[550.0, "first", 0.9]]
    phone.close()


class _Skipping(selectors.DefaultSelector):
    """Nobody waits: where nothing is going on, time goes on to what is next."""

    now = 0.0

    def select(self, timeout: float | None = None) -> Any:
        found = super().select(timeout if timeout is None else 0)
        if not found:
            self.now += timeout or 0.0
        return found


def at_once(main: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Runs it by a clock that only its own waiting moves: however loaded the machine is, it sees the same times."""

    def new_loop() -> asyncio.AbstractEventLoop:
        selector = _Skipping()
        loop = asyncio.SelectorEventLoop(selector)
        loop.time = lambda: selector.now  # type: ignore[method-assign]
        return loop

    with asyncio.Runner(loop_factory=new_loop) as runner:
        runner.run(main())


def test_it_hears_from_the_computer_every_second_and_soon_after_an_event() -> None:
    """Beside what the machine itself takes, see tests/benchmark.py."""

    async def main() -> None:
        table, loop = Table(), asyncio.get_running_loop()
        table.tell(*ROAST, at=600.0)
        stream = Stream(table.board.shown)
        looking = asyncio.ensure_future(stream.run())
        told = stream.told("")
        times = []
        for _ in range(8):
            await anext(told)
            times.append(loop.time())
        assert [now - before for before, now in itertools.pairwise(times[1:])] == pytest.approx([1.0] * 6)
        for after_s in (0.013, 0.31, 0.77):

            def happens() -> None:
                table.tell(density(table.now + 1.0), at=table.now + 1.0)
                stream.wake()

            due = loop.time() + after_s
            loop.call_at(due, happens)
            assert b"density" in await anext(told)
            assert loop.time() - due <= 0.06
        await told.aclose()
        looking.cancel()

    at_once(main)


def test_one_that_comes_back_goes_on_where_it_was_and_shows_the_same(served: Served) -> None:
    served.tell(*ROAST[:3])
    away = Phone(served)
    away.until("phase", "roast time")
    away.close()
    served.tell(*ROAST[3:])
    back, new = Phone(served, last_id=away.last_id), Phone(served)
    back.parts, back.density, back.pops = dict(away.parts), list(away.density), list(away.pops)
    served.tell(SUMMARY)  # the board stands still from here
    for phone in (back, new):
        phone.until("ended", True)
        assert phone.read() is False  # and the stream ends
        phone.close()
    assert [said["whole"] for said in back.messages][:1] == [False]
    assert (back.parts, back.density, back.pops) == (new.parts, new.density, new.pops)


@pytest.mark.parametrize("last", ["", "1", "00000000-1", "-", "x" * 500, "٣-٣", "00000000-99999999999999999999"])
def test_one_that_comes_from_elsewhere_gets_the_whole_board(standing: Served, last: str) -> None:
    status, _, body = 0, {}, b""
    connection_ = http.client.HTTPConnection(standing.place.host, standing.place.port, timeout=PATIENCE_S)
    connection_.request("GET", "/events", headers={"Cookie": standing.cookie, "Last-Event-ID": last.encode()})
    answer = connection_.getresponse()
    status, body = answer.status, b"".join(answer.readline() for _ in range(4))
    connection_.close()
    assert status == 200
    assert b'"whole":true' in body


def test_what_has_changed_put_onto_what_was_is_what_is() -> None:
    table, shown = Table(), []
    for number, one in enumerate([*ROAST, density(601.0), density(602.0), crack(602.5), SUMMARY]):
        table.tell(one, at=600.0 + number)
        shown.append(table.board.shown())
    for first in range(len(shown)):
        for then in range(first, len(shown)):
            told = difference(shown[first], shown[then])
            assert {**shown[first].parts, **told["parts"]} == shown[then].parts
            for rows in ("density", "pops"):
                put = (*getattr(shown[first], rows), *told[rows])
                kept = tuple(row for row in put if row[0] > told["now"] - HISTORY_S)
                assert kept == getattr(shown[then], rows)


def test_a_phone_that_takes_nothing_is_told_all_at_once_and_nothing_waits_for_it() -> None:
    async def main() -> None:
        table = Table()
        table.tell(*ROAST, at=600.0)
        stream = Stream(table.board.shown)
        looking = asyncio.ensure_future(stream.run())
        slow = stream.told("")
        await anext(slow)
        assert b'"whole":true' in await anext(slow)
        for number in range(20):
            table.tell(density(601.0 + number), at=601.0 + number)
            stream.wake()
            await asyncio.sleep(0.1)
        said = json.loads((await anext(slow)).decode().split("data: ")[1])
        assert len(said["density"]) == 20
        await slow.aclose()
        assert stream.phones == 0
        looking.cancel()

    at_once(main)


def test_a_reader_that_hangs_is_left_behind() -> None:
    async def main() -> None:
        table = Table()
        table.tell(*ROAST, at=600.0)
        stream = Stream(table.board.shown)

        async def receive() -> dict[str, Any]:
            await asyncio.sleep(60)
            return {}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.body":
                await asyncio.sleep(60)

        scope = {"type": "http", "method": "GET", "headers": [], "query_string": b"", "path": "/events"}
        with pytest.raises(TimeoutError):
            await live.Events(stream)(scope, receive, send)  # type: ignore[arg-type]
        assert stream.phones == 0
        assert asyncio.get_running_loop().time() == pytest.approx(live.SEND_S)

    at_once(main)


def test_a_mark_is_made_by_the_button_and_by_nothing_else(served: Served) -> None:
    served.tell(start(), density(1.0))
    assert served.press("charge") == 204
    assert served.press("drop") == 409
    for nonsense in (None, 5, ["charge"], {"what": "charge"}, "x" * 900):
        assert served.press(nonsense) in (400, 409)
    own = {"Origin": served.place.origin}
    for body in (b"", b"{", b"[]", b"null", b"\xff", b"[" * 900):
        assert served.ask("POST", "/mark", body=body, **own)[0] == 400
    assert served.marked == ["charge"]


# -- what it lets in -------------------------------------------------------------------------------------------


def test_the_token_is_exchanged_for_a_cookie_that_scripts_and_other_sites_do_not_get(served: Served) -> None:
    status, headers, body = served.ask("GET", f"/in/{served.access.token}", known=False)
    assert status == 200
    assert served.access.token.encode() not in body
    (name, value), *rest = (part.strip().partition("=")[::2] for part in headers["set-cookie"].split(";"))
    assert (name, value) == tuple(served.cookie.split("="))
    assert {(key.lower(), what.lower()) for key, what in rest} == {
        ("httponly", ""),
        ("path", "/"),
        ("samesite", "strict"),
    }
    assert served.access.token != served.access.cookie
    assert served.ask("GET", "/")[0] == 200


FILES = ["/", "/page.css", "/page.js", "/live.css", "/live.js", "/icon.svg"]
PATHS = [*FILES, "/events", "/code.svg", "/signal/near.wav", "/in/", "/nothing"]


@pytest.mark.parametrize("path", PATHS)
def test_without_token_or_cookie_nothing_is_shown(standing: Served, path: str) -> None:
    wrong = standing.cookie[:-1] + ("A" if standing.cookie[-1] != "A" else "B")
    for headers in ({}, {"Cookie": wrong}, {"Cookie": f"crackdetect_{standing.place.port}="}, {"Cookie": "\x80=;;=,"}):
        assert standing.ask("GET", path, known=False, **headers)[0] == 403


def test_a_wrong_token_opens_nothing(standing: Served) -> None:
    token = standing.access.token
    for wrong in (token[:-1], token + "A", token.swapcase(), standing.access.cookie, "", "%00", token + "/..", "é"):
        path = "/in/" + wrong.encode("unicode_escape").decode()
        status, headers, _ = standing.ask("GET", path, known=False)
        assert (status, "set-cookie" in headers) == (403, False)
    assert standing.ask("POST", f"/in/{token}", body=b"", known=False, Origin=standing.place.origin)[0] == 403


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "", "localhost.:{port}"]
)
def test_another_host_is_refused_even_with_the_cookie(standing: Served, host: str) -> None:
    """DNS rebinding: a foreign name that was pointed at this computer."""
    named = host.format(port=standing.place.port)
    assert standing.ask("GET", "/", Host=named)[0] == 421
    assert standing.ask("GET", f"/in/{standing.access.token}", known=False, Host=named)[0] == 421
    assert standing.press("charge", Host=named) == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "https://127.0.0.1:{port}", "http://127.0.0.1"])
def test_a_press_from_another_page_is_refused_even_with_the_cookie(standing: Served, origin: str) -> None:
    assert standing.press("charge", Origin=origin.format(port=standing.place.port)) == 403
    assert standing.press("charge", Sec_Fetch_Site="cross-site") == 403
    body = json.dumps({"what": "charge"}).encode()
    assert standing.ask("POST", "/mark", body=body)[0] == 403  # without an origin
    assert (
        standing.ask("POST", "/mark", body=body, known=False, Origin=standing.place.origin)[0] == 403
    )  # without the cookie
    assert standing.marked == []


TRAVERSALS = [
    "/../pyproject.toml",
    "/%2e%2e/%2e%2e/etc/passwd",
    "/static/live.js",
    "/signal/..%2f..%2fx.wav",
    "//etc/passwd",
]


@pytest.mark.parametrize("path", [*TRAVERSALS, "/signal/nothing.wav", "/live.py", "/page.json", "/signal/"])
def test_no_path_leads_anywhere_else(standing: Served, path: str) -> None:
    status, _, body = standing.ask("GET", path)
    assert status == 404
    assert b"root:" not in body


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "POST"])
def test_no_other_method_does_anything(standing: Served, method: str) -> None:
    assert standing.ask(method, "/", Origin=standing.place.origin)[0] == 404
    assert standing.ask(method, "/events", Origin=standing.place.origin)[0] == 404
    assert standing.ask("HEAD", "/events")[0] == 404


def test_every_answer_says_that_nothing_foreign_may_run(standing: Served) -> None:
    for known, path in (
        (True, "/"),
        (False, "/"),
        (True, "/nothing"),
        (True, "/live.js"),
        (False, f"/in/{standing.access.token}"),
    ):
        _, headers, body = standing.ask("GET", path, known=known)
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self';")
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert (headers["referrer-policy"], headers["x-content-type-options"]) == ("no-referrer", "nosniff")
        assert headers["cache-control"] == "no-store"
        assert "server" not in headers
        assert b" style=" not in body
        assert b"<style" not in body


def test_a_large_body_is_not_read(served: Served) -> None:
    own = {"Origin": served.place.origin}
    sent = 0
    with contextlib.suppress(OSError), socket.create_connection((served.place.host, served.place.port)) as raw:
        raw.settimeout(5)
        head = (
            f"POST /mark HTTP/1.1\r\nHost: {served.place.host}:{served.place.port}\r\nOrigin: {served.place.origin}\r\n"
        )
        raw.sendall((head + f"Cookie: {served.cookie}\r\nContent-Length: 10000000\r\n\r\n").encode())
        answer = raw.recv(200)
        assert answer.startswith(b"HTTP/1.1 413")
        for _ in range(160):
            sent += raw.send(b"x" * 65_536)
    assert sent < 10_000_000
    # of unknown length
    chunked = http.client.HTTPConnection(served.place.host, served.place.port, timeout=PATIENCE_S)
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        chunked.request(
            "POST", "/mark", body=iter([b"x" * 600] * 40), headers={**own, "Cookie": served.cookie}, encode_chunked=True
        )
        assert chunked.getresponse().status in (400, 413)
    chunked.close()
    assert served.ask("GET", "/")[0] == 200


def test_a_websocket_is_refused_in_words(standing: Served) -> None:
    key = {"Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ==", "Sec_WebSocket_Version": "13"}
    status, _, body = standing.ask("GET", "/events", Connection="Upgrade", Upgrade="websocket", **key)
    assert status == 400
    assert b"plain HTTP" in body


def test_a_request_that_never_ends_is_cut_off(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "REQUEST_S", 0.5)
    monkeypatch.setattr(guard, "BODY_S", 0.5)
    where = (served.place.host, served.place.port)
    head = f"Host: {where[0]}:{where[1]}\r\n"
    unfinished = f"POST /mark HTTP/1.1\r\n{head}Origin: {served.place.origin}\r\nCookie: {served.cookie}\r\n"
    beginnings = [b"", b"GET / HTTP/1.1\r\n", f"{unfinished}Content-Length: 10\r\n\r\nx".encode()]
    for beginning in beginnings:
        with socket.create_connection(where) as raw:
            raw.settimeout(PATIENCE_S)
            raw.sendall(beginning)
            with contextlib.suppress(ConnectionResetError):
                while raw.recv(1000):
                    pass


def turned_away(one: socket.socket) -> bool:
    try:
        said = one.recv(20)
    except BlockingIOError:
        return False
    except OSError:
        return True
    assert said.startswith(b"HTTP/1.1 503")
    return True


def test_five_hundred_connections_find_the_door_shut_and_the_phones_stay(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "REQUEST_S", 2 * PATIENCE_S)
    served.tell(*ROAST)
    phone = Phone(served)
    phone.read()
    with contextlib.ExitStack() as crowd:
        waiting: list[socket.socket] = []
        for _ in range(500):
            with contextlib.suppress(OSError):
                one = socket.create_connection((served.place.host, served.place.port), timeout=PATIENCE_S)
                waiting.append(crowd.enter_context(one))
                one.setblocking(False)

        def are_few() -> bool:
            waiting[:] = [one for one in waiting if not turned_away(one)]
            return len(waiting) < connection.MOST

        wait_until(are_few)
        assert waiting
        served.tell(event("drop", 640.0, how="key"))
        phone.until("phase", "since the drop")
    phone.close()

    def is_open() -> bool:
        with contextlib.suppress(OSError):
            return served.ask("GET", "/")[0] == 200
        return False

    wait_until(is_open)


def test_who_never_reads_is_hung_up_on_at_the_end() -> None:
    """Else the connection stays until its last reference is collected, anywhere in the program, with a warning."""
    with Served() as served, socket.socket() as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        slow.connect((served.place.host, served.place.port))
        slow.setblocking(False)
        host = f"{served.place.host}:{served.place.port}"
        asked = f"GET /live.js HTTP/1.1\r\nHost: {host}\r\nCookie: {served.cookie}\r\n\r\n"
        with contextlib.suppress(BlockingIOError):  # once nothing more is taken, the answers wait in the server
            for _ in range(100_000):
                slow.send(asked.encode())
        served.page.close()
        gc.collect()


def test_streams_leave_room_for_the_rest_of_a_page(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "MOST_STREAMS", 2)
    served.tell(*ROAST)
    phones = [Phone(served) for _ in range(2)]
    for phone in phones:
        phone.read()
    assert served.ask("GET", "/events")[0] == 503
    for phone in phones:
        phone.close()


def test_nothing_of_a_request_is_written_anywhere(
    served: Served, capfd: pytest.CaptureFixture[str], caplog: Any
) -> None:
    served.ask("GET", f"/in/{served.access.token}", known=False)
    served.ask("GET", f"/in/{served.access.token}x", known=False, Connection="Upgrade", Upgrade="websocket")
    with contextlib.suppress(OSError), socket.create_connection((served.place.host, served.place.port)) as raw:
        raw.sendall(b"nonsense\r\n\r\n")
        raw.recv(100)
    assert capfd.readouterr() == ("", "")
    # under python -X dev the event loop itself tells what took long
    assert [one for one in caplog.records if one.name != "asyncio"] == []
    assert served.access.token not in caplog.text


# -- beside the hearing ----------------------------------------------------------------------------------------


class Live:
    """A recording as a microphone."""

    kind, name, channel_note = "microphone", "Desk", None

    def __init__(self, path: Path) -> None:
        self._source = open_recording(path, block_s=0.1)
        self.samplerate = self._source.samplerate

    def __iter__(self) -> Iterator[Any]:
        return iter(self._source)

    def close(self) -> None:
        self._source.close()


def heard_with(sinks: list[Any], path: Path, model: Model) -> list[str]:
    class Kept:
        events: list[str] = []

        def send(self, one: Event) -> None:
            self.events.append(one.to_json())

    kept = Kept()
    kept.events = []
    pipeline = Pipeline(samplerate=RATE, model=model, roast="monday", source="file")
    assert listen(Live(path), pipeline, [kept, *sinks]) == 0  # type: ignore[arg-type]
    return kept.events


def test_with_a_flooded_page_the_events_are_the_same(roast: Path, plain_model: Model, served: Served) -> None:
    done = threading.Event()

    def flood() -> None:
        while not done.is_set():
            with contextlib.suppress(OSError, http.client.HTTPException):
                served.ask("GET", "/")

    phones = [Phone(served) for _ in range(4)]
    for phone in phones:
        phone.in_background()
    hung = Phone(served)  # reads nothing
    threads = [threading.Thread(target=flood) for _ in range(4)]
    for thread in threads:
        thread.start()
    try:
        heard = heard_with([served.page], roast, plain_model)
    finally:
        done.set()
        for thread in threads:
            thread.join()
    assert heard == expected_events(plain_model, roast, "monday")
    for phone in phones:
        wait_until(lambda phone=phone: phone.parts.get("ended"))  # type: ignore[misc]
        assert phone.parts == phones[0].parts
        phone.close()
    hung.close()


@pytest.mark.parametrize("how", ["dies", "hangs"])
def test_a_page_that_dies_or_hangs_delays_nobody(
    how: str, roast: Path, plain_model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    hangs, go_on = threading.Event(), threading.Event()
    with Served() as page:
        page.tell(start(), density(1.0))

        def shown() -> Any:
            if how == "hangs":
                hangs.set()
                go_on.wait(10 * PATIENCE_S)
                hangs.clear()
            raise RuntimeError("a defect")

        monkeypatch.setattr(page.page.stream, "_shown", shown)
        with contextlib.suppress(OSError, AssertionError):
            phone = Phone(page)
            phone.in_background()
        with Served() as other:
            del other
        page.page.stream.wake()
        if how == "hangs":
            wait_until(hangs.is_set)
        heard = heard_with([page.page], roast, plain_model)
        assert hangs.is_set() is (how == "hangs")  # all was heard meanwhile
        assert heard == heard_with([], roast, plain_model)
        go_on.set()
        notices: list[Notice] = []
        wait_until(lambda: notices.extend(taken(page.notices)) or notices)
        assert "the page has failed (a defect of crackdetect, RuntimeError: a defect)" in notices[0].message


def test_the_page_is_gone_when_the_roast_has_ended() -> None:
    with no_thread_left():
        with Served() as page:
            Phone(page).read()
        with pytest.raises(OSError, match="refused"):
            page.ask("GET", "/")


# -- address and access ----------------------------------------------------------------------------------------


def test_without_more_only_this_computer_is_reached() -> None:
    place = address.open_place("here", port=0)
    assert place.listening.getsockname()[0] == "127.0.0.1"
    assert place.hosts == {f"127.0.0.1:{place.port}", f"localhost:{place.port}"}
    assert "Only this computer" in place.who
    second = address.open_place("here", port=place.port)  # taken: another one
    assert second.port != place.port
    place.listening.close()
    second.listening.close()


def test_lan_is_one_address_of_this_computer_and_says_who_can_see_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(address, "_in_network", lambda: "127.0.0.2")  # stands for one in a network
    place = address.open_place("lan", port=0)
    assert place.listening.getsockname()[0] == "127.0.0.2"
    place.listening.close()
    at_home = address.Place(place.listening, "192.168.1.20", 8321)
    assert at_home.hosts == {"192.168.1.20:8321"}
    for told in ("in the same network", "press its buttons", "unencrypted"):
        assert told in at_home.who


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ("8.8.8.8", "all of the Internet"),
        ("everywhere", "is no address"),
        ("0.0.0.0", "is no address"),
        ("224.0.0.1", "is no address"),
        ("192.168.1.300", "is no address"),
        ("203.0.113.5", "cannot be opened"),
    ],
)
def test_an_address_that_would_be_open_to_all_or_is_none_is_refused(where: str, told: str) -> None:
    with pytest.raises(SettingError, match=told):
        address.open_place(where)


def test_without_a_network_lan_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    class Nowhere(socket.socket):
        def connect(self, where: Any) -> None:
            raise OSError("no route")

    monkeypatch.setattr(socket, "socket", Nowhere)
    with pytest.raises(SettingError, match="in no network"):
        address.open_place("lan")


def test_the_code_is_read_as_the_address() -> None:
    """The modules of the drawing are those of segno's own matrix (ISO/IEC 18004), with two modules of margin."""
    import segno

    said = "http://192.168.178.120:8321/in/" + "x" * 22
    lines = address.code_lines(said)
    assert (len(lines), len(lines[0])) == (17, 33)  # beside words on 80 by 24
    halves = {" ": (0, 0), "▄": (0, 1), "▀": (1, 0), "█": (1, 1)}
    rows = [[halves[letter][half] for letter in line] for line in lines for half in (0, 1)]
    assert rows[:33] == [list(row) for row in segno.make(said, error="l", micro=False).matrix_iter(border=2)]


def test_access_is_128_bits_and_each_is_new() -> None:
    drawn = [access.Access.new() for _ in range(100)]
    assert len({secret for one in drawn for secret in (one.token, one.cookie)}) == 200
    assert all(len(one.token) * 6 >= 128 for one in drawn)


def test_a_roast_that_is_gone_on_with_keeps_its_phones_and_a_new_one_does_not(tmp_path: Path) -> None:
    first = access.of_roast(tmp_path, "monday", origin="http://127.0.0.1:1")
    path = tmp_path / access.FILE_NAME
    if os.name != "nt":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert json.loads(path.read_text())["address"] == first.address("http://127.0.0.1:1")
    assert access.of_roast(tmp_path, "monday", origin="http://127.0.0.1:1") == first
    assert access.of_roast(tmp_path, "tuesday", origin="http://127.0.0.1:1").token != first.token
    path.write_text('{"roast": "monday", "token": "x", "cookie": 5}')
    assert len(access.of_roast(tmp_path, "monday", origin="http://127.0.0.1:1").token) == 22
    access.forget(tmp_path)
    access.forget(tmp_path)
    assert not path.exists()


# -- the command -----------------------------------------------------------------------------------------------


def test_listen_with_a_page_tells_where_it_is_and_leaves_nothing(
    run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    done = run("listen", "--page", "--quiet", "--no-record", "--model", plain)
    assert done.code == 0
    assert "Only this computer can open it" in done.err
    assert "/in/" not in done.err  # no terminal: it may be a file
    assert not (tmp_path / "data" / access.FILE_NAME).exists()
    assert [one["type"] for one in done.events][-1] == "summary"


def test_a_page_that_cannot_be_is_told_before_anything_is_listened_to(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("listen", "--page", "8.8.8.8").code == 2
    assert run("listen", "--page", "nowhere").code == 2
    monkeypatch.setattr("crackdetect.errors.find_spec", lambda name: None)
    done = run("listen", "--page")
    assert (done.code, install_command("page") in done.err) == (7, True)


def test_without_the_option_nothing_of_it_is_loaded() -> None:
    program = Path(__file__).parent / "programs" / "listen_to_noise.py"
    code = (
        f"import runpy, sys; sys.argv = ['x', '--quiet', '--no-record'];\n"
        f"try: runpy.run_path({str(program)!r}, run_name='__main__')\n"
        "except SystemExit: pass\n"
        "print([name for name in ('starlette', 'uvicorn', 'segno', 'crackdetect.page') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=300)
    assert done.stdout.splitlines()[-1] == "[]"
    assert '"type":"summary"' in done.stdout


def test_the_first_view_is_small(standing: Served) -> None:
    answers: list[Callable[[], Any]] = [lambda path=path: standing.ask("GET", path) for path in FILES]  # type: ignore[misc]
    bodies = [answer()[2] for answer in answers]
    assert sum(map(len, bodies)) < 60_000
    assert not any(
        b"://" in body.replace(b"http://www.w3.org/2000/svg", b"") for body in bodies
    )  # no file from elsewhere
