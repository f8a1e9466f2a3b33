"""The desk: a local page for staff who use no terminal.

``auditor desk`` serves it to this machine's own browser: choose a study's folder, fill in the
order, watch the audit, read the four answers, decide. Forms work without script.
"""
