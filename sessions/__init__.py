"""Studies: the folder, the plan of rounds, the log."""
