"""The demo study: an invented song, its forms, simulated listeners."""
