"""One try: a POST that is signed, verified by TLS, not redirected, and over in time whatever the endpoint does."""

from __future__ import annotations

import ssl
import threading
import time
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from crackdetect import __version__
from crackdetect.errors import MissingPartError, SettingError
from crackdetect.webhook.address import at_home, show
from crackdetect.webhook.envelope import CONTENT_TYPE
from crackdetect.webhook.signing_secret import SigningSecret
from crackdetect.webhook.verdict import Answer
from crackdetect.worker import begin

if TYPE_CHECKING:
    import httpx

#: Seconds for the connection, for each step, and for the whole try (Standard Webhooks advises 15 to 30 s; a roast
#: moves faster).
CONNECT_S = 5.0
STEP_S = 10.0
WHOLE_S = 15.0


class Postman:
    """Posts to one address, over one connection while that lasts; for one thread.

    Parameters
    ----------
    address : str
    secret : SigningSecret or None
        None = messages are not signed.

    Raises
    ------
    MissingPartError
        Where the packages are missing.
    SettingError
        Where they do not take the address.
    """

    def __init__(self, address: str, secret: SigningSecret | None) -> None:
        try:
            import httpx
            import standardwebhooks  # noqa: F401 - to say so before anything is listened to
        except ImportError:
            raise MissingPartError.of("webhook") from None
        try:
            _ = httpx.URL(address).host  # decoded only when it is asked for
        except (httpx.InvalidURL, ValueError):
            raise SettingError(
                f"webhook address {show(address)} has a host that cannot be one; check its name"
            ) from None
        self.address = address
        self.secret = secret
        self._httpx = httpx
        self._client: httpx.Client | None = None

    def post(self, body: str, *, message: str) -> Answer:
        """Tries to send a body. message: its id, the same on each try. Raises nothing of the network's."""
        now = int(time.time())
        headers = {
            "content-type": CONTENT_TYPE,
            "user-agent": f"crackdetect/{__version__}",
            "webhook-id": message,
            "webhook-timestamp": str(now),
        }
        if self.secret is not None:
            headers["webhook-signature"] = self.secret.sign(body, message=message, timestamp=now)
        try:
            client = self._open()
        except (ImportError, OSError, ValueError) as error:
            return Answer(None, trouble=_unready(error))
        watch = threading.Timer(WHOLE_S, client.close)  # one that sends a byte now and then would never end
        watch.daemon = True
        begin(watch)
        try:
            # the answer's body is of no interest and may have no end
            with client.stream("POST", self.address, content=body.encode("utf-8"), headers=headers) as response:
                answer = Answer(response.status_code, response.headers.get("retry-after"))
            if response.status_code >= 300:
                self.close()
        # besides what it documents, httpx lets through what the system's resolver and TLS say of odd hosts and files
        except (self._httpx.HTTPError, self._httpx.InvalidURL, RuntimeError, OSError, ValueError) as error:
            self.close()
            answer = Answer(None, trouble=self._trouble(error))
        finally:
            watch.cancel()
        return answer

    def close(self) -> None:
        """Closes the connection; a later message opens a new one."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _open(self) -> httpx.Client:
        if self._client is None:
            from crackdetect.webhook.short_answers import read_short_answers  # it needs the packages

            home = at_home(urlsplit(self.address).hostname or "")
            client = self._httpx.Client(
                timeout=self._httpx.Timeout(STEP_S, connect=CONNECT_S),
                follow_redirects=False,
                transport=self._httpx.HTTPTransport() if home else None,  # a transport of its own passes by proxies
            )
            self._client = read_short_answers(client)
        return self._client

    def _trouble(self, error: Exception) -> str:
        """Own words, for the library's may hold the address."""
        httpx = self._httpx
        cause: BaseException | None = error
        while cause is not None:
            if isinstance(cause, ssl.SSLCertVerificationError):
                return f"its certificate is not accepted ({cause.verify_message}); renew it, or correct the address"
            if isinstance(cause, ssl.SSLError):
                return f"no secure connection is possible ({cause.reason}); check that the address is one for https"
            cause = cause.__cause__ or cause.__context__
        if isinstance(error, httpx.ConnectTimeout):
            return f"it did not answer the connection within {CONNECT_S:g} s; check address and network"
        if isinstance(error, httpx.TimeoutException):
            return f"it gave no answer within {STEP_S:g} s; look into its log"
        if isinstance(error, httpx.ConnectError):
            return "no connection is possible; check that it runs, the address and the network"
        if isinstance(error, httpx.ProxyError):
            return "the proxy does not let it through; check the proxy's settings"
        if isinstance(error, httpx.RequestError | RuntimeError):
            return "it broke the connection off before it answered; look into its log"
        return f"it cannot be reached ({type(error).__name__}); check the address"


def _unready(error: Exception) -> str:
    """Own words here too: a proxy's address may hold a password."""
    if isinstance(error, ImportError):
        return (
            "the proxy is of a kind that needs another package; run: pip install 'httpx[socks]', or name no such proxy"
        )
    if isinstance(error, OSError):  # of TLS among them
        return "the certificates that SSL_CERT_FILE or SSL_CERT_DIR names cannot be read; correct that, or unset it"
    return "the proxy that the environment names (HTTPS_PROXY, ALL_PROXY) cannot be used; correct it, or unset it"
