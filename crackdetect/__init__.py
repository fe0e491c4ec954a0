"""crackdetect hears first crack in a coffee roast, dates its start and times development.

>>> import crackdetect
>>> roast = crackdetect.analyze("roast.flac", charge_at="0:20")  # doctest: +SKIP
>>> roast.first_crack  # doctest: +SKIP
Moment(at=512.3, earliest=508.9, latest=515.0, announced_at=527.4, how='heard')

A recording, an array or a stream goes in (:func:`analyze`, :func:`listen`), events come out. The program is ``for block
in source: for event in pipeline.push(block): sink.send(event)`` and then ``pipeline.finish()``, for a microphone and
for a recording alike. See DEVELOPERS.md for the map.
"""

from __future__ import annotations

__version__ = "0.1.0"

#: Names that this package offers, and the module that each comes from when it is first used; ``__init__.pyi`` says the
#: same to type checkers.
_OFFERED = {
    "About": "config",
    "Analysis": "interface",
    "Block": "blocks",
    "CrackdetectError": "errors",
    "DeviceError": "errors",
    "Event": "events",
    "InputError": "errors",
    "LogError": "errors",
    "MissingPartError": "errors",
    "ModelError": "errors",
    "Moment": "interface",
    "OutputError": "errors",
    "Pipeline": "pipeline",
    "SettingError": "errors",
    "Settings": "config",
    "Target": "config",
    "analyze": "interface",
    "listen": "interface",
    "load_model": "model",
    "open_recording": "audio.files",
    "render": "interface",
    "score": "interface",
}
__all__ = ["__version__", *_OFFERED]


def __getattr__(name: str) -> object:
    from importlib import import_module  # here, for an import of this package must cost next to nothing

    if name not in _OFFERED:
        raise AttributeError(f"module 'crackdetect' has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(f"crackdetect.{_OFFERED[name]}"), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
