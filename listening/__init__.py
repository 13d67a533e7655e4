"""Rounds as they are heard (device, terminal, page, packet) and the command line."""
