"""The JSON schema beside the project is the one the models imply."""

import json
from pathlib import Path

from support.home_file_schema import json_schema_text

FILE = Path(__file__).parents[3] / "shared" / "home-file.schema.json"


def test_the_schema_file_is_current() -> None:
    text = json_schema_text()
    assert FILE.read_text() == text, "write shared/home-file.schema.json anew: tests/run schema"
    assert json.loads(text)["additionalProperties"] is False
