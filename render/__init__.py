"""Audio and music time: from song.toml and a bounce to forms rendered at matched loudness."""
