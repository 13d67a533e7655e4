"""Forms rendered at matched loudness: forecast, written, measured again, listed in a manifest."""
