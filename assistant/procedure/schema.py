"""JSON Schema of a procedure file, for editors."""

from typing import Any

from assistant.procedure.model import Procedure

_PARAMETER = {"type": "string", "pattern": r"^\$\{[^}]+\}$"}
_INCLUDE = {
    "type": "object",
    "properties": {"include": {"type": "string", "description": "a fragment's path from this file"}, "with": {"type": "object", "description": "what the fragment needs"}},
    "required": ["include"],
    "additionalProperties": False,
}


def procedure_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12, made from the model that reads the files; includes and parameters are allowed where they are filled in."""
    schema = Procedure.model_json_schema(by_alias=True)
    for shape in [schema, *schema["$defs"].values()]:
        shape["properties"] = {name: _or_parameter(value) for name, value in shape.get("properties", {}).items()}
    for shape, name in ((schema, "stages"), (schema["$defs"]["Stage"], "steps")):
        shape["properties"][name]["items"] = {"anyOf": [shape["properties"][name]["items"], _INCLUDE]}
    schema["properties"]["spec"] = {"type": "object", "description": "parameters: names and their values, used as ${name}"}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _or_parameter(value: dict[str, Any]) -> dict[str, Any]:
    """A value, or a parameter that stands for it. Lists stay lists, so that editors go on completing what is in them."""
    if value.get("type") in ("string", "array"):
        return value
    kept = {name: value[name] for name in ("default", "title", "description") if name in value}
    return {"anyOf": [*value.get("anyOf", [{name: part for name, part in value.items() if name not in kept}]), _PARAMETER], **kept}
