"""What a report states of a study, gathered from song, log and verdict."""
