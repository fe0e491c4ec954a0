"""A roast's events to other programs over HTTP: CloudEvents 1.0.2 in JSON, signed by Standard Webhooks 1.0.0.

event -> ``sink`` -> ``outbox`` (on the disk) -> a ``courier`` an endpoint -> ``post``. The hearing knows only the sink.
"""
