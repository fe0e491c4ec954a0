"""The real command with its page, on a terminal and the virtual microphone: what is pressed there is marked here."""

from __future__ import annotations

import http.client
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
import vmic
from clicks import clicks_in_noise
from patience import PATIENCE_S
from test_at_the_roaster import OPTIONS, Terminal

from crackdetect.storage.first_use import Step, remember
from crackdetect.storage.paths import HOME

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("segno")
pytestmark = pytest.mark.live


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[Terminal]:
    vmic.require()
    sound = clicks_in_noise([0.5 + 1.5 * n for n in range(30)], samplerate=vmic.RATE, duration_s=50)
    for step in get_args(Step):  # nobody is asked to read what is shown once
        remember(tmp_path / "home" / "data", step)
    environment = {**vmic.file_microphone(tmp_path, sound, silence_s=3_000), HOME: str(tmp_path / "home")}
    terminal = Terminal(environment, *OPTIONS, "--page")
    yield terminal
    terminal.close()


def test_a_press_on_the_page_is_a_mark_on_the_board(listening: Terminal, tmp_path: Path) -> None:
    listening.until("Only this computer can open it")
    (port, token), *_ = re.findall(r"http://127\.0\.0\.1:(\d+)/in/([A-Za-z0-9_-]{22})", listening.text)
    kept = tmp_path / "home" / "data" / "page.json"
    assert json.loads(kept.read_text())["token"] == token
    listening.until("Any key shows the board")
    asking = http.client.HTTPConnection("127.0.0.1", int(port), timeout=PATIENCE_S)
    asking.request("GET", f"/in/{token}")
    answer = asking.getresponse()
    cookie = answer.headers["Set-Cookie"].partition(";")[0]
    assert b"live.js" in answer.read()
    headers = {"Cookie": cookie, "Origin": f"http://127.0.0.1:{port}"}
    asking.request("POST", "/mark", body=json.dumps({"what": "charge"}), headers=headers)
    answer = asking.getresponse()
    assert (answer.status, answer.read()) == (204, b"")
    asking.request("GET", "/events", headers=headers)
    stream = asking.getresponse()
    said = ""
    while "You marked charge" not in said:
        said = stream.readline().decode()
    listening.until("You marked charge")  # the card has gone, for somebody looks at the page
    listening.press("e")
    listening.until("Press [e] again")
    assert listening.finish("ee") == 0
    while line := stream.readline():
        said = line.decode() if line.startswith(b"data: {") else said
    assert '"ended":true' in said
    assert "charge, marked by you" in listening.text
    assert not kept.exists()
    asking.close()
