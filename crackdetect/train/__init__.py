"""Fitting the small classifier: what it hears (``scenes``, ``sounds``), what it learns from (``dataset``), ``fit``."""
