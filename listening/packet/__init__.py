"""A round as one file for a listener far away, and its answers taken in."""
