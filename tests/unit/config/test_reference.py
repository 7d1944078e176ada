"""The reference names every key of the schema, and README.md holds it as it is."""

from pathlib import Path

import pytest

from whichhop.cli import main
from whichhop.config.reference import all_keys, find_keys, markdown
from whichhop.config.schema import HomeFile

README = Path(__file__).parents[3] / "README.md"


def test_every_key_of_the_schema_is_there_and_explained() -> None:
    keys = {key.path: key for key in all_keys()}
    schema = HomeFile.model_json_schema(by_alias=True)
    names = {n for part in (schema, *schema["$defs"].values()) for n in part.get("properties", {})}
    assert names == {path.rpartition(".")[2] for path in keys}
    assert all(key.meaning for key in keys.values())
    assert keys["links[].join"].required
    assert keys["ports.stamp"].default == "862"
    assert "to 65535" in keys["ports.stamp"].form


def test_the_readme_holds_the_table_as_it_is_made_now() -> None:
    assert markdown() in README.read_text(), "write it anew: tests/run schema"


def test_a_key_is_found_by_its_path_its_end_or_its_part() -> None:
    assert [k.path for k in find_keys("links.kind")] == ["links[].kind"]
    assert {k.path for k in find_keys("medium")} == {"links[].medium"}
    assert len(find_keys("cabling")) > 10


def test_the_verb_shows_other_words_and_offers_the_nearest_key(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["home-file", "nodes.kind"]) == 0
    assert "laptop" in capsys.readouterr().out
    assert main(["home-file", "medim"]) == 2
    assert "did you mean links[].medium?" in capsys.readouterr().err
