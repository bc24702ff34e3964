"""The scanner finds every key of a TOML text, and on the right line."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loggerd.settings.key_lines import KeyPath, key_lines, nearest_line


def test_tables_keys_and_list_entries_have_their_lines() -> None:
    text = """\
# a comment with [brackets] and = signs
top = 1
[site]
name = "a # b"   # [not.a.table]
[[device]]
name = 'one'
[device.connection]
kind = "x"
[[device.channel]]
shunt = { rated_amps = 500, "odd key" = [1, { deep = 2 }] }
valid = [
    -600,
    # between
    600,
]
[[device.channel]]
a.b.c = 2026-05-01 07:30:00Z
[[device]]
text = \"\"\"
[device]
name = "no key"
\"\"\"
'quoted.key' = '''
x = 1
'''
last = true
"""

    lines = key_lines(text)

    assert lines[("top",)] == 2
    assert lines[("site",)] == 3
    assert lines[("site", "name")] == 4
    assert lines[("device",)] == lines[("device", 0)] == 5
    assert lines[("device", 0, "connection", "kind")] == 8
    assert lines[("device", 0, "channel", 0)] == 9
    assert lines[("device", 0, "channel", 0, "shunt", "rated_amps")] == 10
    assert lines[("device", 0, "channel", 0, "shunt", "odd key", 1, "deep")] == 10
    assert lines[("device", 0, "channel", 0, "valid", 1)] == 14
    assert lines[("device", 0, "channel", 1, "a", "b", "c")] == 17
    assert lines[("device", 1)] == 18
    assert lines[("device", 1, "quoted.key")] == 23
    assert lines[("device", 1, "last")] == 26
    assert len([path for path in lines if path[:2] == ("device", 1)]) == 4


@pytest.mark.parametrize(
    "value",
    [
        '"""a"""',
        '""""quoted\\""""',
        '"""two"" quotes"""""',
        "''''one''''",
        "'''a\nb'''",
        '"\\\\"',
        '"\\""',
        "'\\'",
        "[]",
        "{}",
        "[[1, 2], [], ['a,]', \"]\"],]",
        "{a = '}', b.c = [1,\n2]}",
        "0x_ff".replace("_", ""),
        "1979-05-27 07:32:00",
        "-inf",
    ],
)
def test_values_of_every_form_are_passed_over(value: str) -> None:
    text = f"first = {value} # comment\nsecond = 2\n"
    tomllib.loads(text)

    expected = 2 + value.count("\n")
    assert key_lines(text)[("second",)] == expected


def test_a_key_that_is_not_there_is_put_at_the_table_around_it() -> None:
    lines = key_lines("a = 1\n\n[b]\nc = 2\n")

    assert nearest_line(lines, ("b", "d", 3, "e")) == 3
    assert nearest_line(lines, ("z",)) == 1


KEY = st.text(st.sampled_from('ab_-1 ."\\é#[]=\n'), min_size=1, max_size=4)
SCALAR = (
    st.integers(-(2**40), 2**40)
    | st.booleans()
    | st.floats(allow_nan=False, width=32)
    | st.text(st.sampled_from("ab,]}#'\"\\\n =[{"), max_size=8)
    | st.dates(date(1980, 1, 1), date(2100, 1, 1))
)
VALUE = st.recursive(SCALAR, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEY, inner, max_size=3))
TABLE = st.recursive(
    st.dictionaries(KEY, VALUE, max_size=3),
    lambda inner: st.dictionaries(KEY, inner | st.lists(inner, min_size=1, max_size=2), max_size=2),
    max_leaves=6,
)


def quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def inline(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return "[" + ",\n ".join(map(inline, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(key)} = {inline(entry)}" for key, entry in value.items()) + "}"
    return str(value)


def written(table: dict[str, object], header: str = "") -> str:
    """TOML text with lists of tables as [[arrays of tables]]."""
    plain, tables = [], []
    for key, value in table.items():
        path = f"{header}.{quoted(key)}".lstrip(".")
        if isinstance(value, dict):
            tables.append(f"[{path}]\n{written(value, path)}")
        elif isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value):
            tables += [f"[[{path}]]\n{written(entry, path)}" for entry in value]
        else:
            plain.append(f"{quoted(key)} = {inline(value)}\n")
    return "".join(plain + tables)


def paths(value: object, path: KeyPath = ()) -> set[KeyPath]:
    found = {path} if path else set()
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, entry in entries:
        found |= paths(entry, (*path, key))
    return found


@settings(max_examples=400, deadline=None)
@given(TABLE)
def test_the_scanner_sees_the_structure_that_tomllib_sees(table: dict[str, object]) -> None:
    text = written(table)
    parsed = tomllib.loads(text)

    lines = key_lines(text)

    assert set(lines) == paths(parsed)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
    for path, line in lines.items():
        if isinstance(path[-1], str):
            assert quoted(path[-1]) in text.split("\n")[line - 1]
