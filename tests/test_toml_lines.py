"""The locator against a slower method that knows no TOML: the first prefix of whole lines that holds the key."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.files.files import starter
from harness.files.toml_lines import KeyPath, LineNumbers
from tests.helpers.thorough import examples


def holds(data: Any, path: KeyPath) -> bool:
    for part in path:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return False
    return True


def line_by_prefixes(text: str, path: KeyPath) -> int:
    lines = text.split("\n")
    for count in range(1, len(lines) + 1):
        try:
            data = tomllib.loads("\n".join(lines[:count]) + "\n")
        except tomllib.TOMLDecodeError:
            continue
        if holds(data, path):
            return count
    raise AssertionError(f"{path} is not in the text")


def leaves(data: Any, path: KeyPath = ()) -> list[KeyPath]:
    parts = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path, *(leaf for key, value in parts for leaf in leaves(value, (*path, key)))]


@pytest.mark.parametrize("kind", ["bench", "unit", "job"])
def test_every_key_of_the_starters_is_where_the_prefixes_say(kind: Any) -> None:
    text = starter(kind)
    lines = LineNumbers(text)
    paths = leaves(tomllib.loads(text))[1:]
    assert len(paths) > 10
    for path in paths:
        assert lines.line(path) == line_by_prefixes(text, path), path


AWKWARD = '''\
"quoted key" = "# no comment"   # a comment with = and [
'literal' = 'C:\\not an escape'
"esc\\u0061ped" = """
[not.a.header]
x = "1" """
quotes = """"two"" at the ends"""""
raw = \'\'\'
[neither]\'\'\'
a.b."c.d" = [1, 2, # three
  { x = 1, "y]" = [ ] },
  "]", ]
when = 1979-05-27 07:32:00
[table."with.dot" ]
k=1
[[ list ]]
k = 1
[list.sub]
k = 2
[[list]]
[[list.deep]]
z = {p = {q = "}"}, r = 1}
[[list.deep]]
[list.sub]
k = 3
[later]
[table]
also = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("quoted key",), 1),
        (("literal",), 2),
        (("escaped",), 3),
        (("quotes",), 6),
        (("a", "b", "c.d"), 9),
        (("a", "b", "c.d", 2, "y]"), 10),
        (("a", "b", "c.d", 3), 11),
        (("when",), 12),
        (("table", "with.dot", "k"), 14),
        (("list", 0), 15),
        (("list", 0, "sub", "k"), 18),
        (("list", 1), 19),
        (("list", 1, "deep", 0, "z", "p", "q"), 21),
        (("list", 1, "deep", 1), 22),
        (("list", 1, "sub", "k"), 24),
        (("table",), 26),  # its own header, not that of its child
        (("table", "absent"), 26),
        (("list", 1, "deep", 0, "absent"), 20),
        (("nowhere", "at", "all"), 1),
    ],
)
def test_awkward_spellings(path: KeyPath, line: int) -> None:
    assert LineNumbers(AWKWARD).line(path) == line
    assert LineNumbers(AWKWARD.replace("\n", "\r\n")).line(path) == line


KEYS = st.sampled_from(["a", "b", "c", '"d e"', "'f.g'", "x1"])
SCALARS = st.sampled_from(['"text # "', "'lit'", "1", "2.5", "true", "2026-03-02", '"""a "b" c"""', "'''a'b'''"])
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[ " + ",".join(items) + "]"),
        st.lists(st.tuples(KEYS, inner), max_size=3, unique_by=lambda kv: kv[0]).map(
            lambda items: "{" + ", ".join(f"{key} = {value}" for key, value in items) + "}"
        ),
    ),
    max_leaves=6,
)
STATEMENTS = st.one_of(
    st.tuples(KEYS, VALUES).map(lambda kv: f"{kv[0]} = {kv[1]}"),
    st.tuples(KEYS, KEYS, SCALARS).map(lambda kv: f"{kv[0]} . {kv[1]} = {kv[2]}"),
    KEYS.map(lambda key: f"[{key}]"),
    st.tuples(KEYS, KEYS).map(lambda keys: f"[ {keys[0]} . {keys[1]} ] # c"),
    KEYS.map(lambda key: f"[[{key}]]"),
    st.tuples(KEYS, KEYS).map(lambda keys: f"[[{keys[0]}.{keys[1]}]]"),
    st.sampled_from(["", "# comment [x] = 1", "   "]),
)


@settings(max_examples=examples(400))
@given(st.lists(STATEMENTS, max_size=12))
def test_any_text_of_one_line_values_is_located_as_by_prefixes(statements: list[str]) -> None:
    kept: list[str] = []
    for statement in statements:
        try:
            tomllib.loads("\n".join([*kept, statement]))
        except tomllib.TOMLDecodeError:
            continue
        kept.append(statement)
    text = "\n".join(kept)
    data = tomllib.loads(text)
    lines = LineNumbers(text)
    for path in leaves(data)[1:]:
        if all(isinstance(part, str) for part in path) and isinstance(_value(data, path), dict):
            continue  # a table is at its own header, which may come after its children
        assert lines.line(path) == line_by_prefixes(text, path), (path, text)


def _value(data: Any, path: KeyPath) -> Any:
    for part in path:
        data = data[part]
    return data
