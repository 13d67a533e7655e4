"""song.toml read and checked: grid, sections, stems, forms and the part language."""
