"""The pass-through protocol, as the agent's manual page snmpd.conf(5) gives it."""

import io
from pathlib import Path

from support.pass_through import answer, read_table, serve, write_table

TABLE = {(1, 3, 6, 1, 9, 1): ("integer", 5), (1, 3, 6, 1, 10, 1): ("counter", 7)}


def test_get_answers_three_lines_or_none() -> None:
    assert answer(TABLE, "get", (1, 3, 6, 1, 9, 1)) == ".1.3.6.1.9.1\ninteger\n5\n"
    assert answer(TABLE, "get", (1, 3, 6, 1, 9)) == "NONE\n"


def test_getnext_goes_by_numbers_and_not_by_text() -> None:
    assert answer(TABLE, "getnext", (1, 3, 6, 1, 9, 1)).startswith(".1.3.6.1.10.1\n")
    assert answer(TABLE, "getnext", (1, 3, 6, 1, 10, 1)) == "NONE\n"


def test_a_whole_talk(tmp_path: Path) -> None:
    write_table(tmp_path / "table.json", TABLE)
    assert read_table(tmp_path / "table.json") == TABLE
    asked = "PING\nget\n.1.3.6.1.9.1\nset\n.1.3.6.1.9.1\ninteger 6\ngetnext\n.1.3.6.1.10.1\n\n"
    replies = io.StringIO()
    serve(tmp_path / "table.json", io.StringIO(asked), replies)
    assert replies.getvalue() == "PONG\n.1.3.6.1.9.1\ninteger\n5\nnot-writable\nNONE\n"


def test_a_missing_table_answers_nothing(tmp_path: Path) -> None:
    assert read_table(tmp_path / "none.json") == {}
