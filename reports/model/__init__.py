"""The statistical model of the ratings: fit, posterior, gates."""
