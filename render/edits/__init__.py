"""Changes to the text of song.toml: comments and order kept, the result checked."""
