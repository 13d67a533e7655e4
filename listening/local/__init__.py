"""Listening on this machine: sound device, terminal, level check."""
