"""How: running a sequence on a bench, keeping what was read, and the command line."""
