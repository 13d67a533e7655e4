"""What the log says: the verdict, the report, the way back to the song's project."""
