"""Keys are found where they were written, whatever way of writing TOML allows (toml.io, v1.0.0)."""

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.validation.positions import Positions

# --- documents ------------------------------------------------------------------------------------------
# A document is a tree. Scalars are TOML texts; tables and arrays carry how they are to be written.

BARE = st.from_regex(r"[A-Za-z0-9_-]{1,5}", fullmatch=True)
ANY_KEY = st.one_of(BARE, st.text(st.characters(exclude_categories=["Cs"]), max_size=4))
SCALARS = st.sampled_from(
    [
        "1",
        "-0.5e3",
        "true",
        "inf",
        "1979-05-27T07:32:00Z",
        '"text"',
        '"λ [table] # \\" = 1"',
        "'C:\\path # no comment'",
        '"""\n[not.a.table]\nnot_a_key = 1\n"""',
        "'''\n[[nor.this]]\n# nor a comment\n'''",
    ]
)


def _tables(children):
    return st.tuples(
        st.sampled_from(["table", "implicit", "dotted", "inline"]),
        st.dictionaries(ANY_KEY, children, max_size=4),
    )


def _arrays(children):
    in_line = st.tuples(st.sampled_from(["flat", "tall"]), st.lists(children, max_size=3))
    of_tables = st.tuples(
        st.just("array of tables"),
        st.lists(st.tuples(st.just("table"), st.dictionaries(ANY_KEY, children, max_size=3)), min_size=1, max_size=3),
    )
    return st.one_of(in_line, of_tables)


NODES = st.recursive(SCALARS, lambda children: st.one_of(_tables(children), _arrays(children)), max_leaves=12)
DOCUMENTS = st.dictionaries(ANY_KEY, NODES, max_size=5)


class Writer:
    """Writes a document and notes where each key path is first written."""

    def __init__(self, newline: str, noise: st.DataObject) -> None:
        self.text, self.places = "", {(): (1, 1)}
        self._newline, self._noise = newline, noise

    def document(self, entries):
        self._body(entries, (), ())

    def _here(self):
        return self.text.count("\n") + 1, len(self.text) - self.text.rfind("\n")

    def _note(self, path):
        for n in range(1, len(path) + 1):
            self.places.setdefault(path[:n], self._here())

    def _put(self, text):
        self.text += text.replace("\n", self._newline)

    def _end_line(self):
        self._put(self._noise.draw(st.sampled_from(["\n", "\n\n", " # [c] = 1\n", "\n# é [[d]]\n"])))

    def _key(self, key):
        bare = key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key)
        if bare and self._noise.draw(st.booleans()):
            return key
        if "'" not in key and all(c.isprintable() for c in key) and self._noise.draw(st.booleans()):
            return f"'{key}'"
        escaped = key.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04X}" for c in escaped) + '"'

    def _dotted(self, keys):
        return self._noise.draw(st.sampled_from([".", " . "])).join(self._key(k) for k in keys)

    def _body(self, entries, path, headers):
        """The lines of a table, then its tables; `headers` is `path` without the numbers in arrays."""
        later = []
        for key, node in entries.items():
            if isinstance(node, tuple) and node[0] in ("table", "implicit", "array of tables"):
                later.append((key, node))
            else:
                self._pair((key,), node, path)
                # Comments end lines here, at the top level of a table only.
        for key, (style, content) in later:
            below = (*path, key)
            if style == "array of tables":
                for n, (_, inner) in enumerate(content):
                    self._header("[[", (*below, n), (*headers, key), "]]")
                    self._body(inner, (*below, n), (*headers, key))
                continue
            has_tables = any(isinstance(n, tuple) and n[0] == "table" for n in content.values())
            has_pairs = any(
                not (isinstance(n, tuple) and n[0] in ("table", "implicit", "array of tables"))
                for n in content.values()
            )
            if style == "table" or has_pairs or not has_tables:
                self._header("[", below, (*headers, key), "]")
            self._body(content, below, (*headers, key))

    def _header(self, opening, path, keys, closing):
        self._put(self._noise.draw(st.sampled_from(["", "  "])) + opening + " ")
        self._note(path)
        self._put(self._dotted(keys) + closing)
        self._end_line()

    def _pair(self, keys, node, path):
        if isinstance(node, tuple) and node[0] == "dotted" and node[1]:
            for key, inner in node[1].items():
                self._pair((*keys, key), inner, path)
            return
        self._put(self._noise.draw(st.sampled_from(["", "\t"])))
        self._assign(keys, node, path)
        self._end_line()

    def _assign(self, keys, node, path):
        self._note((*path, *keys))
        self._put(self._dotted(keys) + " = ")
        self._value(node, (*path, *keys))

    def _value(self, node, path):
        if isinstance(node, str):
            self._put(node)
            return
        style, content = node
        if isinstance(content, dict):
            self._put("{ ")
            for n, (key, inner) in enumerate(content.items()):
                self._put(", " if n else "")
                self._assign((key,), inner, path)
            self._put(" }")
            return
        gap = "\n    " if style == "tall" else " "
        self._put("[" + (" # [first]\n" if style == "tall" else ""))
        for n, inner in enumerate(content):
            self._put(gap)
            self._note((*path, n))
            self._value(inner, (*path, n))
            self._put("," if style == "tall" or n + 1 < len(content) else "")
        self._put(("\n" if style == "tall" else "") + "]")


def paths_of(value, path=()):
    """Every key path that the reference parser finds."""
    found = [path]
    if isinstance(value, dict):
        for key, inner in value.items():
            found += paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            found += paths_of(inner, (*path, n))
    return found


@settings(max_examples=300, deadline=None)
@given(DOCUMENTS, st.sampled_from(["\n", "\r\n"]), st.data())
def test_each_key_that_the_standard_parser_finds_is_found_where_it_was_written(document, newline, noise):
    writer = Writer(newline, noise)
    writer.document(document)
    positions = Positions(writer.text)
    paths = paths_of(tomllib.loads(writer.text))
    assert set(paths) == set(writer.places), "the test's writer and the parser disagree"
    found = {path: positions.key(path) for path in paths}
    assert found == {path: writer.places[path] for path in paths}


def test_a_key_that_is_not_in_the_text_is_looked_for_at_what_would_hold_it():
    positions = Positions("[a]\nb = 1\n\n[c.d]\ne = 2\n")
    assert positions.key(("a", "missing")) == (1, 2)
    assert positions.key(("c", "d", "missing", 3)) == (4, 2)
    assert positions.key(("nothing",)) == (1, 1)


def test_a_union_tag_in_the_path_is_passed_over():
    positions = Positions("[channels.map]\nunit = 3\n")
    assert positions.key(("channels", "map", "measured", "unit")) == (2, 1)


def test_the_value_is_found_apart_from_its_key():
    positions = Positions('a = 1\nλ_key = """\ntext"""\n'.replace("λ_key", '"λ"'))
    assert positions.value(("λ",)) == (2, 7)
    assert positions.value(("a",)) == (1, 5)


def test_columns_count_characters_and_not_bytes():
    assert Positions('t = { "λλ" = 1, x = 2 }').key(("t", "x")) == (1, 17)
