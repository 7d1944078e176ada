"""YAML becomes plain data with line numbers, and its classic traps are refused."""

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from whichhop.config.load import key_text, load_yaml, read_yaml
from whichhop.errors import ConfigError


def complaints(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load_yaml(text, "h.yaml")
    return [str(c) for c in caught.value.complaints]


def test_a_repeated_key_is_refused_with_both_lines() -> None:
    assert complaints("a: 1\nb: 2\na: 3\n") == [
        "h.yaml:3: a: the key is repeated (first on line 1); keep one, or rename the other"
    ]


@pytest.mark.parametrize("word", ["no", "yes", "on", "off", "Yes", "TRUE"])
def test_a_bare_word_that_yaml_reads_as_a_truth_value_is_refused(word: str) -> None:
    assert "means true or false to YAML" in complaints(f"room: {word}\n")[0]


def test_a_time_of_day_without_quotes_is_refused() -> None:
    assert "base 60" in complaints("quiet: 1:30\n")[0]


@pytest.mark.parametrize("number", ["0x10", "0o17", "0b1", ".inf", ".nan"])
def test_numbers_that_are_not_plain_decimals_are_refused(number: str) -> None:
    if isinstance(yaml.safe_load(number), str):
        assert load_yaml(f"a: {number}", "h.yaml").data == {"a": number}
    else:
        assert "not a plain number" in complaints(f"a: {number}\n")[0]


def test_an_alias_is_refused() -> None:
    assert any("alias" in c for c in complaints("a: &x {b: 1}\nc: *x\n"))


def test_what_is_not_yaml_names_the_line() -> None:
    (line,) = complaints("a: 1\nb: [1, 2\nc: 3\n")
    assert line.startswith("h.yaml:3: (top level): not YAML")


def test_an_empty_file_says_where_to_start() -> None:
    assert "configs/" in complaints("# nothing\n")[0]


def test_every_complaint_comes_at_once() -> None:
    assert len(complaints("a: no\nb: 1:30\na: 2\n")) == 3


def test_lines_are_those_of_the_keys() -> None:
    located = load_yaml("a:\n  b: 1\n  c:\n    - x\n    - y\n", "h.yaml")
    assert located.line(("a", "b")) == 2
    assert located.line(("a", "c", 1)) == 5
    assert located.line(("a", "zzz")) == 1


def test_key_paths_read_as_people_write_them() -> None:
    assert key_text(("links", 2, "join", 0)) == "links[2].join[0]"


plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text("abc xyz", max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text("abc", min_size=1, max_size=64), inner, max_size=3)
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.text("abcd", min_size=1, max_size=64), plain, min_size=1))
def test_ordinary_data_reads_as_pyyaml_reads_it(data: dict[str, object]) -> None:
    # PyYAML's safe loader is the independent reader; its aliases and line wraps are switched off.
    class Dumper(yaml.SafeDumper):
        def ignore_aliases(self, data: object) -> bool:
            return True

    text = yaml.dump(data, Dumper=Dumper)
    assert load_yaml(text, "h.yaml").data == yaml.safe_load(text)


@settings(max_examples=60)
@given(st.recursive(st.text("ab:-#? '\"&*!|>%@`,[]{}\n\t0", max_size=12), lambda s: st.lists(s, max_size=3)))
def test_the_reader_in_c_reads_as_the_one_in_python(drawn: object) -> None:
    # Reference: the YAML library's own reader in Python, which stands where there is none in C.
    text = drawn if isinstance(drawn, str) else yaml.safe_dump(drawn)
    fast = _read_or_refused(text)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(yaml, "CSafeLoader", yaml.SafeLoader)
        assert _read_or_refused(text) == fast


def _read_or_refused(text: str) -> object:
    try:
        found = read_yaml(text, "home.yaml")
    except ConfigError as why:
        return str(why)
    return found.data, found.lines, found.complaints
