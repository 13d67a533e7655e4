"""The commands, in rooms by what they are for."""
