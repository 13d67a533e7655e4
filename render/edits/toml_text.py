"""A TOML document edited in place: comments, order and spacing of what is not touched stay as they are."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.items import (
    AoT,
    Array,
    Comment,
    InlineTable,
    Item,
    Key,
    KeyType,
    SingleKey,
    Table,
    Trivia,
    Whitespace,
)

from render.errors import SongError
from render.song.toml_hints import toml_problem

LONGEST_LINE = 110
QUOTED = ("sections", "forms")  # tables whose names are written in quotation marks throughout
Body = list[tuple[Key | None, Item]]


class TomlText:
    """Tables of named values, such as `[forms]`; `str()` gives the text.

    Raises:
        SongError: the text is not TOML, or is written in a way that cannot be edited in place.
    """

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self._mark = text[:1] if text.startswith("\ufeff") else ""
        text = text[len(self._mark) :]
        self._newline = "\r\n" if "\r\n" in text else "\n"
        try:
            self._data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise SongError(f"{file} is not valid TOML: {toml_problem(text, error)}") from None
        self._document = tomlkit.parse(text if text.endswith("\n") or not text else text + "\n")

    def __str__(self) -> str:
        text = tomlkit.dumps(self._document)
        try:
            as_written = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            as_written = None
        if as_written != self._data:
            raise SongError(
                f"{self.file} is written in a way that cannot be changed in place; give each table a header "
                "of its own, such as [forms], and each entry a line of its own"
            )
        return self._mark + re.sub(r"\r?\n", self._newline, text)

    def table(self, table: str) -> Mapping[str, Any]:
        """The values of a table as plain data; empty where there is none."""
        values = self._data.get(table, {})
        return values if isinstance(values, dict) else {}

    def set(self, table: str, key: str, value: object, *, after: str | None = None, remark: str = "") -> None:
        """Give a key a value, in its place if it is there, else below `after`, or last in its table.

        `after` "" means on top; `remark` is a comment that goes above a new entry.
        """
        place = self._find(table, key)
        self._values(table)[key] = value
        if self._written_inline(table):
            return
        if place:
            body, at = place
            old_key, old = body[at]
            body[at] = (old_key, _in_its_place(old, value))
        else:
            self._insert(table, key, value, after, remark)

    def remove(self, table: str, key: str, remark: str | None = None) -> None:
        """Take a key out, with its line's comment, and the comment above it if that matches `remark`."""
        self._values(table).pop(key, None)
        if self._written_inline(table):
            return
        while place := self._find(table, key):
            body, at = place
            del body[at]
            above = body[at - 1][1] if at else None
            if remark and isinstance(above, Comment) and re.match(remark, above.trivia.comment):
                del body[at - 1]

    def rename(self, table: str, old: str, new: str) -> None:
        """Give an entry another name, in its place."""
        for body, at in list(self._places(table)):
            key, item = body[at]
            if key is not None and key.key == old:
                if isinstance(item, Table):
                    item.invalidate_display_name()
                spaced = key.as_string()[len(key.as_string().rstrip()) :]
                body[at] = (_key(table, new, spaced + key.sep), item)
        values = self._values(table)
        entries = [(new if key == old else key, value) for key, value in values.items()]
        values.clear()
        values.update(entries)
        self._written_inline(table)

    def _written_inline(self, table: str) -> bool:
        """Write a table that stands in one line, `forms = { … }`, as its values now are; False for others."""
        body = self._document.body
        for at, (key, item) in enumerate(body):
            if key is not None and key.key == table and isinstance(item, InlineTable):
                body[at] = (key, _in_its_place(item, self._data[table]))
                return True
        return False

    def _values(self, table: str) -> dict[str, Any]:
        values: dict[str, Any] = self._data.setdefault(table, {})
        return values

    def _bodies(self, table: str) -> Iterator[Body]:
        """The table's entries, fragment by fragment, if it is written in several places."""
        for key, item in self._document.body:
            if key is not None and key.key == table and isinstance(item.value, Container):
                yield item.value.body

    def _places(self, table: str) -> Iterator[tuple[Body, int]]:
        for body in self._bodies(table):
            yield from ((body, at) for at in range(len(body)))

    def _find(self, table: str, key: str) -> tuple[Body, int] | None:
        here = ((body, at) for body, at in self._places(table))
        return next(((b, at) for b, at in here if (k := b[at][0]) is not None and k.key == key), None)

    def _insert(self, table: str, key: str, value: object, after: str | None, remark: str) -> None:
        place = self._find(table, after) if after else None
        body = place[0] if place else self._open_body(table)
        at = place[1] + 1 if place else _end(body)
        if after == "":
            at = next((at for at, (there, _) in enumerate(body) if there is not None), at)
        if at and not isinstance(body[at - 1][1], Table):
            _end_the_line(body[at - 1][1])
        item = _item(key, value)
        item.trivia.trail = "\n"
        body.insert(at, (_key(table, key, " = "), item))
        if remark:
            body.insert(at, (None, Comment(Trivia(comment=f"# {remark}", trail="\n"))))

    def _open_body(self, table: str) -> Body:
        """The entries below the table's own header, which is added at the end where there is none."""
        for key, item in self._document.body:
            if key is None or key.key != table or not isinstance(item, Table):
                continue
            if key.is_dotted() or not item.is_super_table():
                body: Body = item.value.body
                return body
        text = tomlkit.dumps(self._document)
        gap = "" if not text.strip() else "\n" if text.endswith("\n") else "\n\n"
        self._document = tomlkit.parse(f"{text}{gap}[{table}]\n")
        return self._open_body(table)


def toml_text(value: object) -> str:
    """A value as TOML, in one line."""
    if isinstance(value, Mapping):
        entries = ", ".join(f"{_key('', key).as_string()} = {toml_text(v)}" for key, v in value.items())
        return f"{{ {entries} }}" if entries else "{}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(map(toml_text, value))}]"
    return tomlkit.item(value).as_string()


def _item(key: str, value: object) -> Item:
    """A new entry's value; a list too long for a line gets one entry a line."""
    text = toml_text(value)
    if isinstance(value, list) and len(key) + len(text) > LONGEST_LINE:
        text = "[\n" + "".join(f"    {toml_text(entry)},\n" for entry in value) + "]"
    return tomlkit.value(text)


def _in_its_place(old: Item, value: object) -> Item:
    """`value` with the old one's comment and, for lists and tables, spacing of what stays the same."""
    if isinstance(old, Array) and isinstance(value, list) and all(isinstance(v, str) for v in value):
        _edit_list(old, value)
        return old
    if isinstance(old, Table) and isinstance(value, Mapping):
        _edit_table(old, value)
        return old
    if isinstance(old, InlineTable) and isinstance(value, Mapping):
        new = tomlkit.value(_inline_text(old, value))
    else:
        new = _item("", value)
    if isinstance(old, AoT | Table):
        new.trivia.trail = "\n\n"
    else:
        new.trivia.indent, new.trivia.trail = old.trivia.indent, old.trivia.trail or "\n"
        new.trivia.comment_ws, new.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    return new


def _edit_table(old: Table, value: Mapping[str, object]) -> None:
    """The keys that differ changed, those that are new added, the others taken out."""
    for key in [key for key in old if key not in value]:
        old.remove(key)
    for key, wanted in value.items():
        there = old.value.item(key) if key in old else None
        if not isinstance(there, Item):
            old[key] = _item(key, wanted)
        elif there.unwrap() != wanted:
            old[key] = _in_its_place(there, wanted)


def _inline_text(old: InlineTable, value: Mapping[str, object]) -> str:
    """An inline table as text; what stays in it stays as it is spelt."""
    spelt = {key.key: key.as_string().strip() for key, _ in old.value.body if key is not None}
    entries = []
    for key, wanted in value.items():
        there = old.value.item(key) if key in old else None
        text = _in_its_place(there, wanted).as_string() if isinstance(there, Item) else toml_text(wanted)
        entries.append(f"{spelt.get(key) or _key('', key).as_string()} = {text}")
    return f"{{ {', '.join(entries)} }}" if entries else "{}"


def _edit_list(array: Array, wanted: list[str]) -> None:
    """The fewest changes that make a list of strings the wanted one."""
    there = [str(entry) for entry in array]
    steps = difflib.SequenceMatcher(None, there, wanted, autojunk=False).get_opcodes()
    for _, i1, i2, j1, j2 in reversed([step for step in steps if step[0] != "equal"]):
        both = min(i2 - i1, j2 - j1)
        for at in range(both):
            array[i1 + at] = wanted[j1 + at]
        for at in range(i2 - 1, i1 + both - 1, -1):
            del array[at]
        for at in range(both, j2 - j1):
            array.insert(i1 + at, wanted[j1 + at])


def _end(body: Body) -> int:
    """Where a new last entry goes: below the last or, in a table without any, below its first comments."""
    keyed = [at for at, (key, item) in enumerate(body) if key is not None and not isinstance(item, Table)]
    if keyed:
        return keyed[-1] + 1
    at = 0
    while at < len(body) and isinstance(body[at][1], Comment):
        at += 1
    return at


def _end_the_line(item: Item) -> None:
    if not isinstance(item, Whitespace) and "\n" not in item.trivia.trail:
        item.trivia.trail += "\n"


def _key(table: str, name: str, separator: str = "") -> SingleKey:
    """A name as a key of a table: bare where it may be."""
    bare = table not in QUOTED and re.fullmatch(r"[A-Za-z0-9_-]+", name)
    return SingleKey(name, KeyType.Bare if bare else KeyType.Basic, separator)
