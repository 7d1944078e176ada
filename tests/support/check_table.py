"""The table of check values: read from tests/data, rendered as shared/check-values.md.

`PYTHONPATH=tests python -m support.check_table` writes the page anew; a test keeps it current.
"""

import json
from pathlib import Path
from typing import Any

TOP = Path(__file__).resolve().parents[2]
DATA = TOP / "tests/data/check_values.json"
PAGE = TOP / "shared/check-values.md"
PROVENANCE = {
    "read": "the value stands in the document, which was read",
    "from memory": "the document was not opened; the value is as remembered",
    "computed": "worked out from the cited section's rule, by hand or with an unrelated program",
    "common practice": "a trade habit, in no standard",
}
HEAD = """# Check values

Figures from outside the project that the code must reproduce. Made by `python -m support.check_table` from
`tests/data/check_values.json`; `tests/rules/test_check_values.py` runs every row. Null among the
delays is a packet without an answer; packet numbers count from 1.
"""


def rows() -> list[dict[str, Any]]:
    """Every row, in the file's order."""
    found: list[dict[str, Any]] = json.loads(DATA.read_text())
    return found


def _cell(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value)
    return text.replace("|", "\\|")


def _inputs(row: dict[str, Any]) -> str:
    return "; ".join(f"{name} {_cell(value)}" for name, value in row["inputs"].items())


def _expected(expected: Any) -> str:
    if isinstance(expected, dict):
        return "; ".join(f"{name} {_cell(value)}" for name, value in expected.items())
    return _cell(expected)


def page() -> str:
    """The whole page."""
    lines = [HEAD, "| provenance | means |", "|---|---|"]
    lines += [f"| {name} | {words} |" for name, words in PROVENANCE.items()]
    lines += [
        "",
        "| id | source | measure | inputs | expected | within | provenance | note |",
        "|" + "---|" * 8,
    ]
    for row in rows():
        within = "exact" if row["tolerance"] == 0 else f"{row['tolerance']:g}"
        cells = (
            row["id"],
            _cell(row["source"]),
            row["measure"],
            _inputs(row),
            _expected(row["expected"]),
            within,
            row["provenance"],
            _cell(row.get("note", "")),
        )
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(page())
