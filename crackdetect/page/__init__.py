"""Pages that this computer serves to a browser: the board of a live roast, and the review of one that was kept.

``address`` says where a page is and who can see it, ``access`` who may, ``guard`` and ``connection`` what a page lets
in, ``server`` runs it beside the hearing, and ``site`` serves a page's files with them. Of a live roast ``board`` is
what stands on the board, ``stream`` tells each phone what has changed on it, and ``live`` puts them together. Of a kept
one ``asking`` is what is asked, ``tiles`` are the pictures of its sound, ``review`` puts them together, and ``door``
leads the person at the computer there. ``static/`` is what the browser gets.
"""
