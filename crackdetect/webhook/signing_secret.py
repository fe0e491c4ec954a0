"""The secret that signs: from a file, the environment or the system's keyring; it is never shown."""

from __future__ import annotations

import base64
import binascii
import os
import secrets
from pathlib import Path

from crackdetect.errors import MissingPartError, OutputError, SettingError
from crackdetect.webhook.address import show

ENVIRONMENT = "CRACKDETECT_WEBHOOK_SECRET"
ENVIRONMENT_FILE = "CRACKDETECT_WEBHOOK_SECRET_FILE"
_SERVICE = "crackdetect webhook"
_PREFIX = "whsec_"
_FORM = "write it as whsec_ and the base64 of 24 to 64 bytes, as 'crackdetect webhook secret' makes it"


class SigningSecret:
    """What messages are signed with (Standard Webhooks 1.0.0).

    Parameters
    ----------
    value : str
        ``whsec_`` + base64 of 24 to 64 bytes.
    origin : str
        Where it is from, to tell the person.
    warning : str, optional
        What is wrong with that place, a sentence for the person.

    Raises
    ------
    SettingError
        On any other value, without telling it.
    """

    def __init__(self, value: str, *, origin: str, warning: str | None = None) -> None:
        self.origin = origin
        self.warning = warning
        text = value.strip()
        try:
            key = base64.b64decode(text.removeprefix(_PREFIX), validate=True)
        except (binascii.Error, ValueError):
            key = b""
        if not text.startswith(_PREFIX) or not 24 <= len(key) <= 64:
            raise SettingError(f"the webhook secret from {origin} is not one; {_FORM}")
        self._text = text

    def __repr__(self) -> str:
        return f"SigningSecret(hidden, from {self.origin})"

    def sign(self, body: str, *, message: str, timestamp: int) -> str:
        """The ``webhook-signature`` of one try (Standard Webhooks 1.0.0: HMAC-SHA256 over id, timestamp and body).

        Parameters
        ----------
        message
            Its id.
        timestamp
            Unix seconds of the try.
        """
        from datetime import UTC, datetime

        from standardwebhooks.webhooks import Webhook

        return Webhook(self._text).sign(message, datetime.fromtimestamp(timestamp, UTC), body)

    def verify(self, body: bytes, headers: dict[str, str]) -> str | None:
        """Why a received message is not genuine; ``None`` = it is."""
        from standardwebhooks.webhooks import Webhook, WebhookVerificationError

        try:
            Webhook(self._text).verify(body, headers, json_parse=False)
        except WebhookVerificationError as error:
            return str(error).lower()
        except (ValueError, binascii.Error):  # headers of another form than the package expects
            return "the signature is damaged"
        return None


def find(url: str, *, file: Path | None = None) -> SigningSecret | None:
    """The secret for an address; None = there is none, then messages are not signed.

    In this order: ``file``; the environment variable; the file that the environment names; the keyring's entry for this
    address.

    Raises
    ------
    SettingError
        On a secret that is not one.
    OutputError
        Where a file cannot be read.
    """
    if file is not None:
        return _from_file(file)
    if value := os.environ.get(ENVIRONMENT):
        return SigningSecret(value, origin=f"the environment ({ENVIRONMENT})")
    if name := os.environ.get(ENVIRONMENT_FILE):
        return _from_file(Path(name))
    return _from_keyring(url)


def keep(url: str, value: str | None) -> None:
    """Puts a secret into the keyring, or takes it out (``None``). Raises CrackdetectError of some kind."""
    if value is not None:
        SigningSecret(value, origin="what was typed")
    try:
        import keyring
        import keyring.errors
    except ImportError:
        raise MissingPartError.of("webhook") from None
    try:
        if value is None:
            keyring.delete_password(_SERVICE, url)
        else:
            keyring.set_password(_SERVICE, url, value.strip())
    except keyring.errors.PasswordDeleteError:
        raise SettingError(f"the keyring holds no secret for {show(url)}; check the address") from None
    except (keyring.errors.KeyringError, RuntimeError) as error:
        raise OutputError(
            f"the system's keyring cannot be used ({type(error).__name__}); put the secret into a file that only "
            f"you may read, and name it with {ENVIRONMENT_FILE}"
        ) from None


def new() -> str:
    """A fresh secret of 32 random bytes."""
    return _PREFIX + base64.b64encode(secrets.token_bytes(32)).decode("ascii")


def _from_file(path: Path) -> SigningSecret:
    try:
        if path.exists() and not path.is_file():  # a pipe could keep the roast waiting without end
            raise OSError(None, "it is not an ordinary file")
        text = path.read_text(encoding="utf-8")
        seen = os.name == "posix" and path.stat().st_mode & 0o077  # elsewhere the mode tells nothing of others
    except (OSError, ValueError) as error:  # what is not UTF-8, and a name that no file can have, are ValueErrors
        reason = getattr(error, "strerror", None) or ("it is not text" if path.exists() else "no file can be so named")
        raise SettingError(
            f"the file of the webhook secret, {path}, cannot be read ({reason}); check its name"
        ) from None
    warning = f"others on this computer may read the webhook secret in {path}; take that right away: chmod 600 {path}"
    return SigningSecret(text, origin=f"the file {path}", warning=warning if seen else None)


def _from_keyring(url: str) -> SigningSecret | None:
    try:
        import keyring
        import keyring.errors
    except ImportError:
        return None
    try:
        value = keyring.get_password(_SERVICE, url)
    except (keyring.errors.KeyringError, RuntimeError):  # there is none on this system, or it is locked
        return None
    return None if value is None else SigningSecret(value, origin="the system's keyring")
