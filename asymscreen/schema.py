"""The JSON Schema of the result document; `screen.schema.json` in the package is its published copy."""

from __future__ import annotations

import json
from pathlib import Path

SCHEMA_FILE = Path(__file__).with_name("screen.schema.json")


def schema_text() -> str:
    """The schema (JSON Schema 2020-12) of the result document that this version writes, as indented JSON."""
    from asymscreen.document import SCHEMA, ScreenDocument

    schema = ScreenDocument.model_json_schema(by_alias=True)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": SCHEMA}
    return json.dumps({**head, **{k: v for k, v in schema.items() if k != "title"}}, indent=1) + "\n"
