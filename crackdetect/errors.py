"""The errors a person may see: one sentence each, with an exit code; the guide's page on events lists them."""

from __future__ import annotations

from importlib.util import find_spec


class CrackdetectError(Exception):
    """Root of all errors of this package. ``str(error)`` is one sentence: what is wrong, what to do."""

    exit_code = 1


class SettingError(CrackdetectError):
    """A value given by the person is out of range or does not make sense (names the value and the range)."""

    exit_code = 2


class InputError(CrackdetectError):
    """A recording cannot be read, or holds nothing that can be heard."""

    exit_code = 3


class DeviceError(CrackdetectError):
    """No microphone, no audio layer, or the microphone was lost."""

    exit_code = 4


class DeviceLost(DeviceError):
    """The microphone was there and is gone."""


class ModelError(CrackdetectError):
    """A model file is damaged, of another version, or does not give the answers it was shipped with."""

    exit_code = 5


class OutputError(CrackdetectError):
    """Something could not be written: a full disk, a missing folder, no permission."""

    exit_code = 6


class LogError(CrackdetectError):
    """The roast log is damaged, of a newer version, not a log, or held by another program."""

    exit_code = 8


class MissingPartError(CrackdetectError):
    """An optional part (a package of an extra) is not installed."""

    exit_code = 7

    @classmethod
    def of(cls, extra: str, *packages: str) -> MissingPartError:
        """What an extra is for, the packages that are missing, where they are known, and how to install it."""
        return cls(f"{_NEED[extra]} {', '.join(packages) or 'more packages'}; run: {install_command(extra)}")


_NEED = {
    "cluster": "a cluster needs",
    "page": "the page needs",
    "report": "figures and reports need",
    "train": "training and evaluation need",
    "webhook": "webhooks need",
}


_PACKAGES = {"page": ("starlette", "uvicorn", "segno")}


def require(extra: str, *packages: str) -> None:
    """Raises MissingPartError where one of these packages of an extra is missing; asked before anything is done.

    packages: of ``page`` they need not be named.
    """
    missing = [name for name in packages or _PACKAGES[extra] if find_spec(name) is None]
    if missing:
        raise MissingPartError.of(extra, *missing)


def install_command(extra: str | None = None) -> str:
    """The command that installs this package with an extra, from where it came (PEP 610: direct_url.json)."""
    import json
    from importlib import metadata
    from urllib.parse import urlsplit
    from urllib.request import url2pathname

    with_extra = "crackdetect" if extra is None else f"crackdetect[{extra}]"
    try:
        told = json.loads(metadata.distribution("crackdetect").read_text("direct_url.json") or "{}")
    except metadata.PackageNotFoundError:
        told = {}
    url = str(told.get("url", ""))
    if url.startswith("file:"):
        option = "-e " if told.get("dir_info", {}).get("editable") else ""
        return f'pip install {option}"{url2pathname(urlsplit(url).path)}{with_extra.removeprefix("crackdetect")}"'
    if url:
        kind = f"{told['vcs_info']['vcs']}+" if "vcs_info" in told else ""
        return f'pip install "{with_extra} @ {kind}{url}"'
    return f'pip install "{with_extra}"'
