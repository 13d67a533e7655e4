"""Proposals to a song: a first song.toml, and ideas for other forms."""
