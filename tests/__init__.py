"""The tests of fairhearing."""
