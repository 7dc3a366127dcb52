"""The command line: one command in one file, imported when it is asked for."""
