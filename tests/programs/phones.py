"""``phones.py stream|flood PORT COOKIE COUNT SECONDS``: pages that only look, or ask as fast as they can."""

from __future__ import annotations

import http.client
import socket
import sys
import threading
import time


def stream(port: int, cookie: str, ends: float) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/events", headers={"Cookie": cookie})
    answer = connection.getresponse()
    while time.monotonic() < ends and answer.readline():
        pass
    connection.close()


def flood(port: int, cookie: str, ends: float) -> None:
    asked = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n".encode()
    while time.monotonic() < ends:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=10) as raw:
                while time.monotonic() < ends:
                    raw.sendall(asked)
                    if not raw.recv(65_536):
                        break
        except OSError:
            pass


if __name__ == "__main__":
    kind, port, cookie, count, seconds = sys.argv[1:]
    until = time.monotonic() + float(seconds)
    work = {"stream": stream, "flood": flood}[kind]
    threads = [threading.Thread(target=work, args=(int(port), cookie, until)) for _ in range(int(count))]
    for thread in threads:
        thread.start()
    print("there", flush=True)
    for thread in threads:
        thread.join()
