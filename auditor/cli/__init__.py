"""The command line: parser and commands."""
