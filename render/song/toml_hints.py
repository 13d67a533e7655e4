"""TOML syntax errors in plain words: the line, and the likely cause."""

from __future__ import annotations

import re
import tomllib

CURLY_QUOTES = "“”„‘’«»"


def toml_problem(text: str, error: tomllib.TOMLDecodeError) -> str:
    """One message: the line number, the line as it stands, and what probably happened."""
    place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    lines = text.splitlines()
    if not place or int(place[1]) > len(lines):
        last = next((line for line in reversed(lines) if line.strip()), "")
        return f'it ends too soon, after "{last.strip()[:80]}"; a quote, bracket or brace is not closed'
    number = int(place[1])
    line = lines[number - 1].strip()
    return f"line {number} cannot be read: {line[:120]}\n  {_cause(str(error), line)}"


def _cause(complaint: str, line: str) -> str:
    """The likeliest cause of a complaint of the parser about a line."""
    key = line.split("=")[0].strip()
    if "overwrite" in complaint or "twice" in complaint or "Cannot declare" in complaint:
        return f"there is another entry of the name {key}; each name can stand only once"
    if any(quote in line for quote in CURLY_QUOTES):
        return 'it has typographic quotes; use straight ones: "…"'
    if re.search(r"=\s*\d+,\d+", line):
        return "a decimal number is written with a point: 104.5"
    if line.count('"') % 2:
        return "a quotation mark is missing"
    if "=" in line and " " in key and not key.startswith(('"', "'")):
        return f'a name with a space needs quotation marks: "{key}" = …'
    if complaint.startswith(("Unclosed array", "Unclosed inline table")):
        return "a comma or a closing bracket is missing, here or in the line before"
    return f"the parser says: {complaint.split(' (at')[0].lower()}; mend that line"
