"""A whole study as one file that can be checked with nothing but a ZIP reader and SHA-256, and back."""
