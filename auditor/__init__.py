"""Tells an EEG lab, from the files alone, whether a returned study covered its ordered time."""

__version__ = "0.1.0"
