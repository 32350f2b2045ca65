"""JSON Schema of a procedure file, for editors."""

from typing import Any

from assistant.procedure.model import Procedure


def procedure_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12, made from the model that reads the files."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Procedure.model_json_schema(by_alias=True)}
