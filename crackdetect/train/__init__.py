"""Fitting the model: scenes (``scenes``, ``sounds``), what is learnt from them (``labelled_rows``), ``fit``."""
