"""The listening page: one form at a time in a browser, on this machine or on a co-writer's."""
