"""Copies of one study: found by folder and time, proved by their samples, put on one time line."""
