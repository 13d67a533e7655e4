"""Simulated studies with known truth, and what they say of a plan."""
