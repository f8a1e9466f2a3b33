"""What every room stands on: time, text, intervals, errors. Knows nothing of the trade."""

__version__ = "0.1.0"
