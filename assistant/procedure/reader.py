"""Reads a procedure from YAML. Every error says file:line:column and what to write instead; all errors come at once."""

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

import yaml
from pydantic import BaseModel, ValidationError

from assistant.procedure.include import SPEC, Spread, spread_out
from assistant.procedure.model import Procedure
from assistant.procedure.nodes import Builder, ProcedureFaults, Remark, no_collector, not_text, not_yaml, parse_nodes, read_bytes

__all__ = ["ProcedureFaults", "Remark", "Source", "parse_procedure", "read_procedure"]


@dataclass(frozen=True)
class Source:
    """A procedure and where each part of it stands in its file."""

    path: Path
    text: bytes
    """The procedure as it is carried out, includes and parameters filled in."""
    procedure: Procedure
    spread: Spread

    def remark(self, where: tuple[str | int, ...], text: str, severity: str = "error") -> Remark:
        """A remark on the value at a path such as "stages", 0, "steps", 2; on the nearest one above it if missing."""
        return self.spread.remark(where, text, severity)


def read_procedure(path: Path) -> Source:
    """Read and check the shape of one file.

    Raises ProcedureError when it cannot be read, ProcedureFaults when it holds errors.
    """
    return parse_procedure(read_bytes(path), path)


@no_collector()
def parse_procedure(text: bytes, path: Path) -> Source:
    """The same from bytes already read; includes are looked for beside `path`."""
    root = parse_nodes(text, path)
    builder = Builder()
    try:
        spread = spread_out(root, path)
        data = builder.build(spread.root)
    except yaml.MarkedYAMLError as error:
        raise ProcedureFaults(path, [not_yaml(error)]) from None
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise ProcedureFaults(path, [not_text(error)]) from None
    if spread.faults or builder.faults:
        raise ProcedureFaults(path, [*spread.faults, *builder.faults])
    data.pop(SPEC, None)
    try:
        procedure = Procedure.model_validate(data)
    except ValidationError as error:
        raise ProcedureFaults(path, [_remark(item, spread) for item in error.errors()]) from None
    # What a job keeps must stand alone: where anything was filled in, the copy is the procedure as it was carried out.
    whole = yaml.dump(data, Dumper=yaml.CSafeDumper, sort_keys=False, allow_unicode=True).encode() if spread.changed else text
    return Source(path, whole, procedure, spread)


def _remark(error: Any, spread: Spread) -> Remark:
    where = error["loc"]
    unknown = error["type"] == "extra_forbidden"
    name = ".".join(str(part) for part in where if not isinstance(part, int)) or "procedure"
    key = str(where[-1]) if where else ""
    if unknown:
        known = _keys_at(Procedure, where[:-1])
        near = get_close_matches(key, known, n=1, cutoff=0.5)
        text = f'unknown key "{key}"; ' + (f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(known)}")
    elif error["type"] == "missing":
        text = f'"{key}" is missing here; add it'
    elif error["type"] == "string_pattern_mismatch":
        text = f'{name}: "{error["input"]}" is no identifier; write lower-case letters, digits and hyphens'
    elif error["type"] == "literal_error":
        text = f'{name}: "{error["input"]}" is not allowed; write {error["ctx"]["expected"]}'
    else:
        text = f"{name}: {error['msg'].lower()}, not {str(error['input'])[:60]!r}"
    return spread.remark(where, text, key_itself=unknown)


def _keys_at(model: type[BaseModel], where: tuple[str | int, ...]) -> list[str]:
    """The keys the model knows at a path."""
    for part in where:
        if isinstance(part, int):
            continue
        field = next((item for name, item in model.model_fields.items() if part in (name, item.alias)), None)
        inner = _inner_model(field.annotation) if field else None
        if inner is None:
            return []
        model = inner
    return [item.alias or name for name, item in model.model_fields.items()]


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _inner_model(inner))), None)
