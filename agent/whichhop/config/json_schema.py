"""The home file's JSON schema, for editors that check while one writes."""

import json

from whichhop.config.schema import HomeFile


def json_schema_text() -> str:
    """The schema as text; shared/home-file.schema.json holds it, and a test keeps that file current."""
    schema = HomeFile.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "whichhop home file"
    return json.dumps(schema, indent=2) + "\n"
