"""Any way to write a table: what is set in it is there, and nothing else has changed."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from render.edits.toml_text import TomlText, toml_text
from render.errors import SongError

NAME, PARTS = 'odd "name"', ["A", "silence 1 bar", "A"]
LAYOUTS = [
    "",
    "[sections]\nA = { bars = 1 }",
    "[forms]",
    "[forms]\r\na = ['A']\r\n\r\n[plan]\r\nrounds = 3\r\n",
    '[forms."x"]\nparts = ["A"]\n[plan]\nrounds = 3\n',
    '[forms."x"]\nparts = ["A"]\n[plan]\nrounds = 3\n[forms.y]\nparts = []\n',
    'note = """\n[forms]\n"""\n[forms]\na = [\n  "A",\n  # [listeners]\n]\n',
    "[forms]\nnested = [\n['x'],\n[\n'y']]\n[plan]\n",
    'forms = { a = ["A"] }\n',
    "forms = {}\n[plan]\nrounds = 3 # few",
    'forms.a = ["A"]\nforms.b.parts = ["B"]\n[plan]\nrounds = 3\n',
    "[forms] # ours\n# none yet\n\n\n[plan]\n",
]


@pytest.mark.parametrize("text", LAYOUTS)
def test_an_entry_is_added_changed_renamed_and_taken_out(text: str) -> None:
    before = tomllib.loads(text)
    rest = {key: value for key, value in before.items() if key != "forms"}
    document = TomlText(text, "song.toml")
    document.set("forms", NAME, PARTS)
    added = str(document)
    assert tomllib.loads(added) == {**rest, "forms": {**before.get("forms", {}), NAME: PARTS}}
    if "\r\n" in text:
        assert "\n" not in added.replace("\r\n", "")
    document = TomlText(added, "song.toml")
    document.set("forms", NAME, {"parts": ["B"], "ending": "cut"})
    document.rename("forms", NAME, "plain")
    changed = tomllib.loads(str(document))
    assert changed["forms"] == {**before.get("forms", {}), "plain": {"parts": ["B"], "ending": "cut"}}
    document = TomlText(str(document), "song.toml")
    document.remove("forms", "plain")
    assert tomllib.loads(str(document)) == {**rest, "forms": before.get("forms", {})}


def test_text_that_is_no_toml_is_refused() -> None:
    with pytest.raises(SongError, match=r"song\.toml is not valid TOML"):
        TomlText("[forms\n", "song.toml")


VALUES = st.recursive(
    st.text() | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False) | st.booleans(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_any_value_is_written_as_toml(value: object) -> None:
    assert tomllib.loads(f"x = {toml_text(value)}") == {"x": value}


@given(st.lists(st.sampled_from(["A", "B", "C x2"]), max_size=8), st.lists(st.sampled_from(["A", "B", "D"])))
def test_any_list_of_parts_becomes_any_other(one: list[str], two: list[str]) -> None:
    several = "[\n" + "".join(f'  "{part}", # {at}\n' for at, part in enumerate(one)) + "]"
    for text in (f"[forms]\na = {toml_text(one)} # c\nb = []\n", f"[forms]\na = {several} # c\nb = []\n"):
        document = TomlText(text, "song.toml")
        document.set("forms", "a", two)
        assert tomllib.loads(str(document))["forms"] == {"a": two, "b": []}
        assert "# c\n" in str(document)
