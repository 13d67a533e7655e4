"""Audio by blocks: files, stems, a form laid out in frames and spliced."""
