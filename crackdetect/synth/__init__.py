"""The seeded generator of synthetic roasts: ``plan`` has the numbers, ``render`` the samples, ``truth`` the events.

Two families. The narrow one: sparse blows over a fan's noise (``machine``, ``cracks``, ``chain``). The wide one, many
kinds of machine with all their beans in them: ``wide`` has its numbers, ``kinds`` draws machines and ``roasts`` what
happens on them. Beans strike (``tumbling``, ``blows``, ``walls``, ``contact``) and crack (``chorus``: when, ``voices``:
how), the machine makes the rest (``air``, ``mechanism``), it all comes to the microphone (``paths``, ``place``) and is
recorded (``recorder``); ``stage`` puts a second together. Both share the kitchen (``household``), lent recordings
(``sounds``), levels (``levels``) and how sounds are laid in time (``placing``).
"""
