"""JSON Schemas of what is handed out: an event, and the service record."""

from dataclasses import MISSING, fields
from typing import Any

from pydantic import TypeAdapter

from assistant.engine.events import KINDS, Event

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_HASH = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_MOMENT = {"type": "string", "description": "ISO 8601, UTC"}
_TEXT, _NUMBER, _WHOLE, _TRUTH, _LIST = {"type": "string"}, {"type": "number"}, {"type": "integer"}, {"type": "boolean"}, {"type": "array"}


def event_schema() -> dict[str, Any]:
    """Of one line of events.jsonl; the body of each kind is made from the class that writes it."""
    columns = {
        "seq": {"type": "integer", "minimum": 1}, "kind": {"enum": sorted(KINDS)}, "at_utc": _MOMENT, "zone_offset": {"type": "integer", "description": "shop time minus UTC, minutes"}, "zone_name": _TEXT,
        "monotonic_s": {"type": "number", "description": "seconds since the program started"}, "body": {"type": "object"}, "previous_hash": _HASH, "hash": _HASH,
    }  # fmt: skip
    bodies = [{"if": {"properties": {"kind": {"const": kind}}}, "then": {"properties": {"body": _body(cls)}}} for kind, cls in sorted(KINDS.items())]
    return {"$schema": _DIALECT, "title": "Event of a job", "type": "object", "properties": columns, "required": list(columns), "additionalProperties": False, "allOf": bodies}


def _body(cls: type[Event]) -> dict[str, Any]:
    schema = TypeAdapter(cls).json_schema(mode="serialization")
    # A journal written before a field was thought of lacks it.
    schema["required"] = [field.name for field in fields(cls) if field.default is MISSING and field.default_factory is MISSING]
    return schema


def _object(optional: bool = False, **properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": ["object", "null"] if optional else "object", "properties": properties, "required": list(properties)}


def _rows(**properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": _object(**properties)}


def _or_none(schema: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [schema, {"type": "null"}]}


def record_schema() -> dict[str, Any]:
    """Of record.json: what every record holds. It may hold more."""
    number, text = _or_none(_NUMBER), _or_none(_TEXT)
    value = {"seq": _WHOLE, "step": _TEXT, "check": _TEXT, "quantity": _TEXT, "value": _NUMBER, "unit": _TEXT, "at_least": number, "at_most": number, "verdict": _TEXT, "at": _MOMENT, "clips": _LIST}
    step = {"key": _TEXT, "stage": _TEXT, "instruction": _TEXT, "status": {"enum": ["done", "skipped", "not done"]}, "seconds": _NUMBER, "answers": _rows(seq=_WHOLE, asked=_TEXT, said=_TEXT, result=_TEXT, at=_MOMENT), "values": _rows(**value)}
    schema = _object(
        format=_WHOLE, gloveside=_TEXT, job=_TEXT, shop=_TEXT, asset=_TEXT, asset_class=_TEXT,
        procedure=_object(id=_TEXT, title=_TEXT, revision=_TEXT, sha256=_HASH),
        people=_object(technician=_TEXT, released_holds=_LIST),
        clock=_TEXT, started=_MOMENT, finished=_or_none(_MOMENT), status={"enum": ["open", "closed"]}, defer_to=_TEXT,
        steps=_rows(**step),
        findings=_rows(seq=_WHOLE, step=_TEXT, part=_TEXT, condition=_TEXT, disposition=_TEXT, remark=text, remark_source=_TEXT, at=_MOMENT, clips=_LIST),
        torques=_rows(**value),
        computed=_rows(seq=_WHOLE, step=_TEXT, figure=_TEXT, quantity=_TEXT, value=_NUMBER, unit=_TEXT, verdict=_TEXT, working=_LIST, at=_MOMENT),
        fasteners=_rows(fastener=_TEXT, out=_WHOLE, still_out=_WHOLE) | {"description": "out, in and still out, by place"},
        parts=_rows(part=_TEXT, count=_WHOLE), kits=_rows(kit=_TEXT, part=_TEXT, held=_WHOLE, used=_WHOLE, left=_WHOLE, over=_WHOLE),
        skipped=_rows(step=_TEXT, instruction=_TEXT, reason=_TEXT, at=_MOMENT), open_points={"type": "array", "items": _TEXT}, clips=_rows(sha256=_HASH, file=_TEXT),
        amendments=_rows(seq=_WHOLE, at=_MOMENT, who=_TEXT, role=_TEXT, why=_TEXT, entry=_WHOLE, field=_TEXT, old=_TEXT, new=_TEXT),
        signatures=_rows(seq=_WHOLE, at=_MOMENT, who=_TEXT, role=_TEXT, statement=_TEXT, open_points=_LIST, stands=_TRUTH),
        questions=_rows(number=_WHOLE, at=_MOMENT, who=_TEXT, text=_TEXT), removed_clips=_rows(sha256=_HASH, at=_MOMENT, who=_TEXT, why=_TEXT),
        journal=_object(events=_WHOLE, last_hash=_HASH),
        seal=_object(optional=True, sealed_at=_MOMENT, events=_WHOLE, last_hash=_HASH, key=_TEXT, public_key=_TEXT, signature=_TEXT, code=_TEXT),
    )  # fmt: skip
    return {"$schema": _DIALECT, "title": "Service record", **schema}
