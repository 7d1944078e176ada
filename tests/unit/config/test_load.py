"""YAML becomes plain data with line numbers, and its classic traps are refused."""

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from whichhop.config.load import key_text, load_yaml
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
        assert "not a plain decimal" in complaints(f"a: {number}\n")[0]


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
        st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", min_size=1), inner, max_size=3)
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.text("abcd", min_size=1), plain, min_size=1))
def test_ordinary_data_reads_as_pyyaml_reads_it(data: dict[str, object]) -> None:
    # PyYAML's safe loader is the independent reader; its aliases and line wraps are switched off.
    class Dumper(yaml.SafeDumper):
        def ignore_aliases(self, data: object) -> bool:
            return True

    text = yaml.dump(data, Dumper=Dumper)
    assert load_yaml(text, "h.yaml").data == yaml.safe_load(text)
