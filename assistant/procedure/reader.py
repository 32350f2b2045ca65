"""Reads a procedure from YAML. Every error says file:line:column and what to write instead; all errors come at once."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

import yaml
from pydantic import BaseModel, ValidationError

from assistant.errors import ProcedureError
from assistant.procedure.model import Procedure

LARGEST_FILE = 4_000_000
"""Bytes. A longer file is no procedure, and reading it would only hold up the bench."""


@dataclass(frozen=True, order=True)
class Remark:
    """One thing to mend in a procedure file."""

    line: int
    """From 1."""
    column: int
    """From 1."""
    text: str
    """What is wrong and what to write instead."""
    severity: str = "error"
    """"error" or "warning"."""

    def at(self, path: Path) -> str:
        return f"{path}:{self.line}:{self.column}: {self.severity}: {self.text}"


class ProcedureFaults(ProcedureError):
    """A procedure file with errors; `remarks` holds them all, `str()` gives one a line."""

    def __init__(self, path: Path, remarks: list[Remark]):
        self.path, self.remarks = path, sorted(remarks)
        super().__init__("\n".join(remark.at(path) for remark in self.remarks))


@dataclass(frozen=True)
class Source:
    """A procedure and where each part of it stands in its file."""

    path: Path
    text: bytes
    procedure: Procedure
    root: yaml.Node

    def mark(self, *where: str | int) -> tuple[int, int]:
        """(line, column), from 1, of the value at a path such as "stages", 0, "steps", 2; the nearest one above it if missing."""
        return _mark(self.root, where)


def read_procedure(path: Path) -> Source:
    """Read and check the shape of one file.

    Raises ProcedureError when it cannot be read, ProcedureFaults when it holds errors.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise ProcedureError(f"{path} has {size:,} bytes; a procedure may have {LARGEST_FILE:,}: split it.")
        text = path.read_bytes()
    except FileNotFoundError:
        raise ProcedureError(f"There is no procedure at {path}; check the name, or list the folder it should be in.") from None
    except OSError as error:
        raise ProcedureError(f"The procedure {path} cannot be read ({error.strerror}); check the file and its permissions.") from None
    return parse_procedure(text, path)


@contextmanager
def _no_collector() -> Iterator[None]:
    """A parser makes many small things and no garbage: walking them again and again takes a third of the time of a long file."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


@_no_collector()
def parse_procedure(text: bytes, path: Path) -> Source:
    """The same from bytes already read."""
    loader = None
    try:
        loader = yaml.CSafeLoader(text)
        root = loader.get_single_node()
        if not isinstance(root, yaml.MappingNode):
            raise ProcedureFaults(path, [Remark(1, 1, "the file must hold keys such as procedure, title, stages; see the procedures folder for one to copy")])
        builder = _Builder(loader)
        data = builder.build(root)
        if builder.faults:
            raise ProcedureFaults(path, builder.faults)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise ProcedureFaults(path, [Remark(line, column, f"this is not YAML ({error.problem}); check the indentation, colons and quotes here")]) from None
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else "nested too deeply"
        raise ProcedureFaults(path, [Remark(1, 1, f"the file cannot be read as YAML text ({reason}); save it as UTF-8 without control characters")]) from None
    finally:
        if loader is not None:
            loader.dispose()
    try:
        procedure = Procedure.model_validate(data)
    except ValidationError as error:
        raise ProcedureFaults(path, [_remark(item, root) for item in error.errors()]) from None
    return Source(path, text, procedure, root)


class _Builder:
    """Plain data from nodes, and what is wrong with their keys, in one walk: the parser's own constructor would keep the last and be silent."""

    def __init__(self, loader: yaml.CSafeLoader):
        self._scalar = loader.construct_object
        self._built: dict[int, Any] = {}
        self.faults: list[Remark] = []

    def build(self, node: yaml.Node) -> Any:
        if node.tag == _TEXT:
            return node.value
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node)
        # An alias shares its node: it is built once, and one that holds itself is left empty for the model to refuse.
        known = self._built.get(id(node))
        if known is not None:
            return known
        if isinstance(node, yaml.SequenceNode):
            items: list[Any] = []
            self._built[id(node)] = items
            items += [self.build(item) for item in node.value]
            return items
        made: dict[Any, Any] = {}
        self._built[id(node)] = made
        for key, value in node.value:
            if key.tag == "tag:yaml.org,2002:merge":
                self.faults.append(_at_node(key, "keys are not merged here; write them out"))
                continue
            name = self.build(key)
            if not isinstance(name, (str, int, float, bool)):
                self.faults.append(_at_node(key, "a key must be a word; write one"))
            elif name in made:
                self.faults.append(_at_node(key, f'the key "{key.value}" stands here twice; keep one'))
            else:
                made[name] = self.build(value)
        return made


_TEXT = "tag:yaml.org,2002:str"


def _at_node(node: yaml.Node, text: str) -> Remark:
    return Remark(node.start_mark.line + 1, node.start_mark.column + 1, text)


def _mark(root: yaml.Node, where: tuple[str | int, ...], key_itself: bool = False) -> tuple[int, int]:
    node, mark = root, root.start_mark
    for part in where:
        if isinstance(node, yaml.MappingNode):
            found = next(((key, value) for key, value in node.value if key.value == str(part)), None)
            if found is None:
                break
            key, node = found
            mark = key.start_mark if key_itself else node.start_mark
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            node = node.value[part]
            mark = node.start_mark
    return mark.line + 1, mark.column + 1


def _remark(error: Any, root: yaml.Node) -> Remark:
    where = error["loc"]
    unknown = error["type"] == "extra_forbidden"
    line, column = _mark(root, where, key_itself=unknown)
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
    return Remark(line, column, text)


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
