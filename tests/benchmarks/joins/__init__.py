"""Joins measured against the performed form: scores, performances, features, a frozen classifier."""
