"""Writes anew what is made from the home file's schema: the JSON schema, and README.md's table of keys."""

import re
from pathlib import Path

from support.home_file_schema import json_schema_text
from whichhop.config.reference import markdown

TOP = Path(__file__).parents[2]


def main() -> None:
    """Replace both files."""
    (TOP / "shared" / "home-file.schema.json").write_text(json_schema_text())
    readme = TOP / "README.md"
    table = r"\| key \| write \| meaning \|\n(?:.+\n)+"
    readme.write_text(re.sub(table, lambda _: markdown(), readme.read_text(), count=1))


if __name__ == "__main__":
    main()
