"""Invented studies: a simulator of returned recordings, and the demo made with it."""
