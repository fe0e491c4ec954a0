"""An application that is served beside the hearing, in a thread of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable

import uvicorn
from starlette.types import ASGIApp

from crackdetect.errors import OutputError
from crackdetect.page.address import Place
from crackdetect.page.connection import GuardedConnection
from crackdetect.worker import begin

#: What the server may take to end, seconds.
_END_S = 3.0
#: Nothing of requests is written anywhere: addresses hold secrets. What fails is handed on.
_SILENT = 1_000


class PageServer:
    """Serves from :meth:`begin` to :meth:`close`. Nothing that happens to it reaches the caller, who is told of it.

    Parameters
    ----------
    place
        Where.
    app
        What.
    beside
        Runs in the same event loop until it is cancelled.
    failed
        Called in the server's thread where it ends by itself, and at once where there can be no such thread.
    """

    def __init__(
        self,
        place: Place,
        app: ASGIApp,
        *,
        beside: Callable[[], Awaitable[None]],
        failed: Callable[[BaseException], None],
    ) -> None:
        self._place = place
        self._beside = beside
        self._failed = failed
        self._closing = False
        config = uvicorn.Config(
            app,
            http=GuardedConnection,
            loop="asyncio",
            ws="none",
            lifespan="off",
            log_config=None,
            log_level=_SILENT,
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            timeout_keep_alive=2,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=8_192,
            backlog=512,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def begin(self) -> None:
        """Serves from now on."""
        try:
            begin(self._thread)
        except OutputError as error:
            self._failed(error)

    def close(self) -> None:
        """Ends it, within a few seconds at most."""
        self._closing = True
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(_END_S)
        self._place.listening.close()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
            if not self._closing:
                raise RuntimeError("the server has ended")
        except BaseException as error:  # an exit in a thread ends that thread only, and silently
            if not (self._closing and isinstance(error, asyncio.CancelledError)):
                self._failed(error)

    async def _serve(self) -> None:
        """Until either has ended; then the other one is ended as well."""
        serving = asyncio.ensure_future(self._server.serve(sockets=[self._place.listening]))
        beside = asyncio.ensure_future(self._beside())
        await asyncio.wait({serving, beside}, return_when=asyncio.FIRST_COMPLETED)
        self._server.should_exit = True
        await serving
        self._hang_up()
        await asyncio.sleep(0)  # a connection is closed by the loop's next turn
        if beside.done():
            await beside
        beside.cancel()

    def _hang_up(self) -> None:
        """Ends the connections whose readers are too slow to take what was still to be sent."""
        for connection in list(self._server.server_state.connections):
            connection.transport.abort()
