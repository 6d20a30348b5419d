"""One file per command: its arguments and how its answer is printed."""
