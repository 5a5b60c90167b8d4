"""The locator against ``tomllib``: every key path is found, on a line that holds its key."""

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warmhold.model.locate import KeyPath, line_of, locate

DATA = Path(__file__).parents[2] / "src" / "warmhold" / "data"


def key_paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    inside: Any = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    for key, one in inside:
        yield (*path, key)
        yield from key_paths(one, (*path, key))


def forms(key: str) -> tuple[str, ...]:
    return key, json.dumps(key), json.dumps(key, ensure_ascii=False), f"'{key}'"


def assert_located(text: str) -> None:
    lines = locate(text)
    assert set(lines) == set(key_paths(tomllib.loads(text)))
    rows = text.split("\n")
    for path, line in lines.items():
        name = path[-1]
        if isinstance(name, str):
            assert any(form in rows[line - 1] for form in forms(name)), (path, line)
        else:
            assert 1 <= line <= len(rows)


# Text is written here by hand, form by form, rather than by a TOML writer, which would use few.
BARE = st.text("abcdefghijklmnopqrstuvwxyzABC0123456789_-", min_size=1, max_size=6)
ODD = st.text(
    st.characters(codec="utf-8", exclude_characters="'\\\"\x7f", min_codepoint=32), max_size=5
)
KEYS = st.one_of(BARE, BARE, ODD)
LINE_ENDS = st.sampled_from(["\n", "\n", "\n\n", " # it's [x] = {\n", "\t\n", "\n#[[no]]\n"])
STRINGS = st.sampled_from(
    [
        '"plain"',
        '"a \\" b = 1 # no"',
        "'raw \\'",
        '"]"',
        "'}'",
        '""',
        "''",
        '"""\nfirst\nkey = 1\n[head]\n"""',
        '"""x""""',
        '"""x"""""',
        '""" \\""" still """',
        "'''\na = 1\n'' '\n'''",
        "'''x''''",
        "''''x'''''",
        '"""\\\n   joined"""',
    ]
)
SCALARS = st.sampled_from(
    [
        "1",
        "-3.5e2",
        "true",
        "1979-05-27 07:32:00",
        "1979-05-27T07:32:00+01:00",
        "07:32:00",
        "0x1F",
        "inf",
        "1_000",
    ]
)
GAPS = st.sampled_from(["", " ", "\n", " # no ] here\n  ", "\n\n"])


@st.composite
def written_keys(draw: st.DrawFn) -> str:
    key = draw(KEYS)
    bare = key != "" and all(c.isascii() and (c.isalnum() or c in "_-") for c in key)
    form = draw(st.sampled_from(["bare", "basic", "raw"] if bare else ["basic", "raw"]))
    if form == "bare":
        return key
    return f"'{key}'" if form == "raw" else json.dumps(key, ensure_ascii=draw(st.booleans()))


@st.composite
def dotted(draw: st.DrawFn) -> str:
    dot = draw(st.sampled_from([".", " . ", ".\t"]))
    return dot.join(draw(st.lists(written_keys(), min_size=1, max_size=3)))


def arrays(inside: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    @st.composite
    def build(draw: st.DrawFn) -> str:
        items = draw(st.lists(inside, max_size=3))
        text = "[" + draw(GAPS)
        for i, item in enumerate(items):
            comma = "," if i < len(items) - 1 or draw(st.booleans()) else ""
            text += item + draw(GAPS) + comma + draw(GAPS)
        return text + "]"

    return build()


def inline_tables(inside: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pairs = st.lists(st.tuples(dotted(), inside), max_size=3)
    return pairs.map(lambda rows: "{ " + ", ".join(f"{key} = {one}" for key, one in rows) + " }")


VALUES = st.recursive(
    st.one_of(SCALARS, STRINGS), lambda inside: arrays(inside) | inline_tables(inside), max_leaves=5
)


@st.composite
def documents(draw: st.DrawFn) -> list[str]:
    """Pieces of a document that tomllib accepts: a piece that would break it is left out."""
    pieces = []
    text = draw(st.sampled_from(["", "# first\n", "\n"]))
    names = draw(st.lists(dotted(), min_size=1, max_size=3))  # few, so that tables meet again
    for _ in range(draw(st.integers(1, 10))):
        key = draw(st.sampled_from(names))
        if draw(st.booleans()):
            key += "." + draw(dotted())
        piece = draw(st.sampled_from(["pair", "pair", "table", "rows", "rows"]))
        if piece == "pair":
            more = f"{draw(GAPS).replace(chr(10), '').split('#')[0]}{key} = {draw(VALUES)}"
        else:
            more = f"[{key}]" if piece == "table" else f"[[ {key} ]]"
        more += draw(LINE_ENDS)
        try:
            tomllib.loads("".join(pieces) + text + more)
        except tomllib.TOMLDecodeError:
            continue
        pieces.append(text + more)
        text = ""
    return [*pieces, text]


@settings(max_examples=400, deadline=None)
@given(documents())
def test_every_key_path_of_any_document(pieces: list[str]) -> None:
    text = "".join(pieces)
    assert_located(text)
    lines = locate(text)
    rows = text.split("\n")
    seen: set[KeyPath] = set()
    before = 0
    for end in range(1, len(pieces) + 1):
        so_far = "".join(pieces[:end])
        last = so_far.count("\n")
        for path in set(key_paths(tomllib.loads(so_far))) - seen:
            seen.add(path)
            inside = before < lines[path] <= last
            # a table that is implied first has its line where it gets a header of its own
            assert inside or rows[lines[path] - 1].startswith("["), (path, lines[path])
        before = last


@settings(max_examples=50, deadline=None)
@given(documents())
def test_line_ends_of_windows_change_nothing(pieces: list[str]) -> None:
    text = "".join(pieces)
    assert locate(text.replace("\n", "\r\n")) == locate(text)


@pytest.mark.parametrize("path", sorted(DATA.rglob("*.toml")), ids=lambda path: path.stem)
def test_every_key_path_of_the_shipped_files(path: Path) -> None:
    assert_located(path.read_text("utf-8"))


def test_lines_counted_by_hand() -> None:
    text = '''a = """x
y = 1""""
b.c = [1, # q
 2, {z.q = 3, "w w" = 'x'}]
[[t]]
[t.u.v]
k = 1979-05-27 07:32:00
[[t]]
[[t.n]]
[[t.n]]
e = 1
[t.u]
[x.y]
[x]
'''
    assert locate(text) == {
        ("a",): 1,
        ("b",): 3,
        ("b", "c"): 3,
        ("b", "c", 0): 3,
        ("b", "c", 1): 4,
        ("b", "c", 2): 4,
        ("b", "c", 2, "z"): 4,
        ("b", "c", 2, "z", "q"): 4,
        ("b", "c", 2, "w w"): 4,
        ("t",): 5,
        ("t", 0): 5,
        ("t", 0, "u"): 6,
        ("t", 0, "u", "v"): 6,
        ("t", 0, "u", "v", "k"): 7,
        ("t", 1): 8,
        ("t", 1, "n"): 9,
        ("t", 1, "n", 0): 9,
        ("t", 1, "n", 1): 10,
        ("t", 1, "n", 1, "e"): 11,
        ("t", 1, "u"): 12,
        ("x",): 14,
        ("x", "y"): 13,
    }


def test_a_missing_key_is_placed_at_the_table_around_it() -> None:
    lines = locate("[a]\nb = 1\n[[c]]\n[[c]]\n")
    assert line_of(lines, ("a", "zz")) == 1
    assert line_of(lines, ("c", 1, "zz", "value")) == 4
    assert line_of(lines, ("zz",)) is None
