"""A page at a place: its files and whatever else it answers, for whoever was let in, from a thread of its own."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from importlib import resources
from types import MappingProxyType

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crackdetect.page.access import DOOR, Access
from crackdetect.page.address import Place
from crackdetect.page.guard import Guard, sentence
from crackdetect.page.server import PageServer

_KINDS: Mapping[str, str] = MappingProxyType(
    {
        "html": "text/html; charset=utf-8",
        "css": "text/css; charset=utf-8",
        "js": "text/javascript; charset=utf-8",
        "svg": "image/svg+xml",
    }
)
#: Files of every page.
_SHARED = ("page.css", "page.js", "icon.svg")
NOTHING = sentence(404, "There is nothing here.")


class Site:
    """Serves ``static/NAME.html``, ``.css`` and ``.js``, and what the routes answer. No other file is ever opened.

    Parameters
    ----------
    name
        Of the page's own files.
    place
        Where it is.
    access
        Who may see it.
    routes
        What else is answered.
    beside
        Runs in the same event loop.
    failed
        Takes what the application raised, and what ended the server, in the server's thread.
    """

    def __init__(
        self,
        name: str,
        place: Place,
        access: Access,
        *,
        routes: Sequence[Route],
        beside: Callable[[], Awaitable[None]],
        failed: Callable[[BaseException], None],
    ) -> None:
        self.place = place
        self._access = access
        self._cookie = f"crackdetect_{place.port}"
        page = f"{name}.html"
        app = Starlette(
            routes=[
                Route("/", self._file(page)),
                Route(DOOR + "{token}", self._file(page, let_in=True)),
                *(Route(f"/{file}", self._file(file)) for file in (f"{name}.css", f"{name}.js", *_SHARED)),
                *routes,
            ],
            exception_handlers={404: _not_there, 405: _not_there},
        )
        guard = Guard(app, access=access, hosts=place.hosts, cookie=self._cookie, failed=failed)
        self._server = PageServer(place, guard, beside=beside, failed=failed)

    @property
    def address(self) -> str:
        """With the token in it."""
        return self._access.address(self.place.origin)

    def begin(self) -> None:
        """Serves from now on."""
        self._server.begin()

    def close(self) -> None:
        """Ends it, within a few seconds at most."""
        self._server.close()

    def _file(self, name: str, *, let_in: bool = False) -> Callable[[Request], Awaitable[Response]]:
        """What answers with a file. let_in: with the cookie; the page's script takes the token out of the address."""
        content = resources.files(__package__).joinpath("static", name).read_bytes()

        async def answer(request: Request) -> Response:
            response = Response(content, media_type=_KINDS[name.rpartition(".")[2]])
            if let_in:
                response.set_cookie(self._cookie, self._access.cookie, httponly=True, samesite="strict", path="/")
            return response

        return answer


async def _not_there(request: Request, error: Exception) -> Response:
    return NOTHING
