"""The command line: one small module a command, found through the table in :mod:`sequencer.cli.main`."""
