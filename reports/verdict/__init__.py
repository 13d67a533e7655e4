"""The verdict on a table of ratings, with sensitivity readings, votes and supplementary statistics."""
