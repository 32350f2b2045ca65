"""YAML nodes of procedure files: parsed with the safe C loader, with their places kept, and turned into plain data."""

import gc
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from assistant.errors import ProcedureError

LARGEST_FILE = 4_000_000
"""Bytes. A longer file is no procedure, and reading it would only hold up the bench."""


MOST_VALUES = 500_000
"""Values in a file once its aliases are written out. A few lines of aliases can stand for more than any memory holds."""
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Signs that are neither said nor printed, and those that turn the direction of the text around them."""


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
    file: str = ""
    """The included file it stands in; "" for the procedure's own."""

    def at(self, path: Path) -> str:
        return f"{self.file or path}:{self.line}:{self.column}: {self.severity}: {self.text}"


class ProcedureFaults(ProcedureError):
    """A procedure file with errors; `remarks` holds them all, `str()` gives one a line."""

    def __init__(self, path: Path, remarks: list[Remark]):
        self.path, self.remarks = path, sorted(remarks)
        super().__init__("\n".join(remark.at(path) for remark in self.remarks))


def read_bytes(path: Path, what: str = "procedure") -> bytes:
    """The bytes of a file. Raises ProcedureError."""
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise ProcedureError(f"{path} has {size:,} bytes; a {what} may have {LARGEST_FILE:,}: split it.")
        return path.read_bytes()
    except FileNotFoundError:
        raise ProcedureError(f"There is no {what} at {path}; check the name, or list the folder it should be in.") from None
    except OSError as error:
        raise ProcedureError(f"The {what} {path} cannot be read ({error.strerror}); check the file and its permissions.") from None


@contextmanager
def no_collector() -> Iterator[None]:
    """A parser makes many small things and no garbage: walking them again and again takes a third of the time of a long file."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def parse_nodes(text: bytes, path: Path) -> yaml.MappingNode:
    """The root of a YAML file that holds keys. Raises ProcedureFaults."""
    loader = None
    try:
        loader = yaml.CSafeLoader(text)
        root = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        raise ProcedureFaults(path, [not_yaml(error)]) from None
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError, ValueError) as error:
        raise ProcedureFaults(path, [not_text(error)]) from None
    finally:
        if loader is not None:
            loader.dispose()
    if not isinstance(root, yaml.MappingNode):
        raise ProcedureFaults(path, [Remark(1, 1, "the file must hold keys such as procedure, title, stages; see the procedures folder for one to copy")])
    return root


def not_yaml(error: yaml.MarkedYAMLError) -> Remark:
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    return Remark(line, column, f"this is not YAML ({error.problem}); check the indentation, colons and quotes here")


def not_text(error: Exception) -> Remark:
    if isinstance(error, TooMuch):
        return Remark(1, 1, f"{error}; write it out in fewer words")
    if isinstance(error, RecursionError):
        return Remark(1, 1, "this is nested too deeply; a procedure has stages, steps and their keys, no more")
    reason = str(error).splitlines()[0] if str(error) else "no reason given"
    return Remark(1, 1, f"the file cannot be read as YAML text ({reason}); save it as UTF-8 without control characters")


class TooMuch(ValueError):
    """More than a procedure can be."""


class Builder:
    """Plain data from nodes, and what is wrong with their keys, in one walk: the parser's own constructor would keep the last and be silent."""

    def __init__(self) -> None:
        self._scalar = yaml.CSafeLoader(b"").construct_object
        self._built: dict[int, tuple[Any, int]] = {}
        """id of a node -> (what was built of it, values in it)."""
        self._values = 0
        self.faults: list[Remark] = []

    def build(self, node: yaml.Node) -> Any:
        """Raises ValueError or yaml.YAMLError for what no procedure holds."""
        self._values += 1
        if node.tag == TEXT and isinstance(node.value, str):
            if _CONTROL.search(node.value):
                self.faults.append(at_node(node, "there is a control character in this text; take it out"))
            return node.value
        if isinstance(node, yaml.ScalarNode):
            try:
                return self._scalar(node)
            except (ValueError, OverflowError) as error:
                self.faults.append(at_node(node, f'"{node.value[:30]}" cannot be read as a value ({str(error).splitlines()[0]}); write another, or put it in quotes'))
                return ""
        # An alias shares its node: it is built once, and one that holds itself is left empty for the model to refuse.
        known = self._built.get(id(node))
        if known is not None:
            self._values += known[1]
            if self._values > MOST_VALUES:
                raise TooMuch(f"the file holds more than {MOST_VALUES:,} values once its aliases are written out")
            return known[0]
        before = self._values
        made: Any = [] if isinstance(node, yaml.SequenceNode) else {}
        self._built[id(node)] = made, 0
        if isinstance(node, yaml.SequenceNode):
            made += [self.build(item) for item in node.value]
        else:
            self._keys(node, made)
        self._built[id(node)] = made, self._values - before
        return made

    def _keys(self, node: yaml.Node, made: dict[Any, Any]) -> None:
        for key, value in node.value:
            if key.tag == "tag:yaml.org,2002:merge":
                self.faults.append(at_node(key, "keys are not merged here; write them out"))
                continue
            name = self.build(key)
            if not isinstance(name, (str, int, float, bool)):
                self.faults.append(at_node(key, "a key must be a word; write one"))
            elif name in made:
                self.faults.append(at_node(key, f'the key "{key.value}" stands here twice; keep one'))
            else:
                made[name] = self.build(value)


TEXT = "tag:yaml.org,2002:str"


def at_node(node: yaml.Node, text: str) -> Remark:
    return Remark(node.start_mark.line + 1, node.start_mark.column + 1, text)
