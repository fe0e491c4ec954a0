"""The errors a person may see: one sentence each, with an exit code that README.md documents."""

from __future__ import annotations


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
    def training(cls) -> MissingPartError:
        """The packages that only ``train`` and ``evaluate`` need."""
        return cls("training and evaluation need more packages; install them with 'crackdetect[train]'")

    @classmethod
    def cluster(cls) -> MissingPartError:
        """The packages that reach an existing cluster."""
        return cls("a cluster needs more packages; install them with: pip install 'crackdetect[cluster]'")

    @classmethod
    def webhook(cls) -> MissingPartError:
        """The packages that send events to other programs."""
        return cls("webhooks need more packages; install them with: pip install 'crackdetect[webhook]'")
