"""Signal analysis of a bounce: onsets, tempo, bar 1, meter changes, sections, stems."""
