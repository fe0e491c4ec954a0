"""crackdetect hears first crack in a coffee roast, dates its start and times development.

The program is ``for block in source: for event in pipeline.push(block): sinks.send(event)`` and then
``pipeline.finish()``, for a microphone and for a recording alike. See DEVELOPERS.md for the map.
"""

__version__ = "0.1.0"
