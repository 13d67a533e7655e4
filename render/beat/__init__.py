"""Tempo, beat and bar 1 of a bounce: estimated, followed, tapped, compared with a grid."""
