"""Rendering only: page, data, terminal, marks; whole files or none."""
