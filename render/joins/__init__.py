"""Joins of a form: measured, judged, with remedies, and heard in isolation."""
