"""What is written once: fragments that are included, and the parameters of a spec block, filled in before the procedure is read.

    spec: {bolts: 8, torque: {value: 13, unit: N.m}}
    stages:
      - include: fragments/make-safe-air.yaml
        with: {machine: pump}
      - id: work
        steps:
          - {id: tighten, instruction: "Tighten the ${bolts} bolts.", torque: "${torque}"}

`${name}` alone becomes the value, of any kind; inside other words it becomes text. A fragment has `fragment`, `needs` (the names it is
given) and `stages` or `steps`; its `tools`, `parts`, `references` and `protective_equipment` are added to the procedure's own.
"""

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

import yaml

from assistant.errors import ProcedureError
from assistant.procedure.nodes import LARGEST_FILE, TEXT, ProcedureFaults, Remark, at_node, parse_nodes, read_bytes

SPEC = "spec"
PLACE = re.compile(r"\$\{([^}]*)\}")
ADDED = ("tools", "parts", "references", "protective_equipment")
_FRAGMENT_KEYS = {"fragment", "needs", "stages", "steps", *ADDED}
DEEPEST = 8
"""Fragments within fragments. More is a mistake."""

Parameters = dict[str, yaml.Node]


@dataclass
class Spread:
    """The nodes of a procedure after everything was filled in."""

    root: yaml.MappingNode
    files: dict[int, Path] = field(default_factory=dict)
    """id of a node -> the file it came from, where that is not the procedure's own."""
    faults: list[Remark] = field(default_factory=list)
    filled: int = 0
    """Characters of the texts that parameters were filled into."""
    changed: bool = False
    """Whether anything was filled in."""

    def remark(self, where: tuple[str | int, ...], text: str, severity: str = "error", key_itself: bool = False) -> Remark:
        """A remark at the place of the value at `where`, or of the nearest one above it; `key_itself`: of its key."""
        node: yaml.Node = self.root
        mark, file = node.start_mark, None
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
            file = self.files.get(id(node), file)
        return Remark(mark.line + 1, mark.column + 1, text, severity, str(file) if file else "")


def spread_out(root: yaml.MappingNode, path: Path) -> Spread:
    """Fill in includes and parameters. What is wrong stands in `faults`."""
    spread = Spread(root)
    spec = _value(root, SPEC)
    if spec is not None and not isinstance(spec, yaml.MappingNode):
        spread.faults.append(at_node(spec, "spec holds names and their values; write them as keys"))
        return spread
    filler = _Filler(spread, path, (path.resolve(),))
    filler.fill(root, filler.named(spec) if spec else {})
    return spread


class _Filler:
    """Fills in one file."""

    def __init__(self, spread: Spread, path: Path, within: tuple[Path, ...], fragment: bool = False):
        self._spread, self._path, self._within, self._is_fragment = spread, path, within, fragment
        self._seen: set[int] = set()

    def fill(self, node: yaml.Node, known: Parameters) -> None:
        """Every parameter and include below a node, in place."""
        if id(node) in self._seen:
            return
        self._seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            node.value = [(key, value if key.value == SPEC and node is self._spread.root else self._filled(value, known)) for key, value in node.value]
        elif isinstance(node, yaml.SequenceNode):
            items: list[yaml.Node] = []
            for item in node.value:
                if isinstance(item, yaml.MappingNode) and _value(item, "include") is not None:
                    items += self._included(item, known)
                else:
                    items.append(self._filled(item, known))
            node.value = items

    def named(self, node: yaml.MappingNode) -> Parameters:
        """The values of a block of names."""
        found: Parameters = {}
        for key, value in node.value:
            if isinstance(key, yaml.ScalarNode):
                found[key.value] = value
            else:
                self._fault(key, "a key must be a word; write one")
        return found

    def _filled(self, node: yaml.Node, known: Parameters) -> yaml.Node:
        if not isinstance(node, yaml.ScalarNode):
            self.fill(node, known)
            return node
        if "${" not in node.value:
            return node
        self._spread.changed = True
        if self._spread.filled > LARGEST_FILE:
            return node
        whole = PLACE.fullmatch(node.value)
        if whole:
            return self._parameter(whole[1], node, known) or node
        text = PLACE.sub(lambda match: self._words(match[1], node, known), node.value)
        self._spread.filled += len(text)
        if self._spread.filled > LARGEST_FILE:
            self._fault(node, f"the parameters filled in come to more than {LARGEST_FILE:,} characters; make them shorter")
        return self._mine(yaml.ScalarNode(TEXT, text, node.start_mark, node.end_mark))

    def _words(self, name: str, node: yaml.Node, known: Parameters) -> str:
        value = self._parameter(name, node, known)
        if value is not None and not isinstance(value, yaml.ScalarNode):
            self._fault(node, f'"{name}" is more than one word and cannot stand inside a sentence; write ${{{name}}} alone')
        return value.value if isinstance(value, yaml.ScalarNode) else ""

    def _parameter(self, name: str, node: yaml.Node, known: Parameters) -> yaml.Node | None:
        if name in known:
            return known[name]
        near = get_close_matches(name, known, n=1, cutoff=0.4)
        hint = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(known)}" if known else "give it in the spec block"
        self._fault(node, f'there is no parameter "{name}"; {hint}')
        return None

    def _included(self, item: yaml.MappingNode, known: Parameters) -> list[yaml.Node]:
        self._spread.changed = True
        for key, _ in item.value:
            if _word(key) not in ("include", "with"):
                self._fault(key, f'unknown key "{key.value}" beside include; known here: include, with')
        target = _value(item, "include")
        assert target is not None  # the caller has looked
        path = self._inside(target)
        if path is None:
            return []
        try:
            root = parse_nodes(read_bytes(path, "fragment"), path)
        except ProcedureFaults as faults:
            self._spread.faults += [Remark(fault.line, fault.column, fault.text, fault.severity, str(path)) for fault in faults.remarks]
            return []
        except ProcedureError as error:
            self._fault(target, str(error).rstrip("."))
            return []
        inner = _Filler(self._spread, path, (*self._within, path.resolve()), True)
        return inner.contents(root, item, known, self)

    def contents(self, root: yaml.MappingNode, item: yaml.MappingNode, known: Parameters, caller: "_Filler") -> list[yaml.Node]:
        """What a fragment puts in place of its include."""
        for key, _ in root.value:
            if _word(key) not in _FRAGMENT_KEYS:
                self._fault(key, f'unknown key "{key.value}" in a fragment; known here: {", ".join(sorted(_FRAGMENT_KEYS))}')
        given = _value(item, "with")
        if given is not None and not isinstance(given, yaml.MappingNode):
            caller._fault(given, "with holds names and their values; write them as keys")
            return []
        own = {name: caller._filled(value, known) for name, value in caller.named(given).items()} if given else {}
        needs = _value(root, "needs")
        wanted = [name.value for name in needs.value if isinstance(name, yaml.ScalarNode)] if isinstance(needs, yaml.SequenceNode) else []
        for name in own.keys() - set(wanted):
            caller._fault(item, f'the fragment {self._path.name} takes no "{name}"; it takes {", ".join(wanted) or "nothing"}')
        for name in wanted:
            if name not in own and name not in known:
                caller._fault(item, f'the fragment {self._path.name} needs "{name}"; give it under with, or in the spec block')
        inner = {name: own.get(name, known.get(name)) for name in wanted}
        self.fill(root, {name: node for name, node in inner.items() if node is not None})
        for name in ADDED:
            self._add(name, _value(root, name))
        held = _value(root, "stages") or _value(root, "steps")
        if not isinstance(held, yaml.SequenceNode):
            self._fault(root, "a fragment holds stages or steps; write one of them as a list")
            return []
        return [self._mine(node) for node in held.value]

    def _add(self, name: str, added: yaml.Node | None) -> None:
        if not isinstance(added, yaml.SequenceNode):
            return
        root = self._spread.root
        own = _value(root, name)
        if own is None:
            own = yaml.SequenceNode("tag:yaml.org,2002:seq", [], added.start_mark, added.end_mark)
            root.value.append((yaml.ScalarNode(TEXT, name, added.start_mark, added.end_mark), own))
        if not isinstance(own, yaml.SequenceNode):
            return  # the model says what must stand there
        known = {_identity(item) for item in own.value}
        own.value += [self._mine(item) for item in added.value if _identity(item) not in known]

    def _inside(self, target: yaml.Node) -> Path | None:
        """The file an include names: beside or below the procedure, and none that is being included already."""
        name = target.value if isinstance(target, yaml.ScalarNode) else ""
        top = self._within[0].parent
        path = (self._path.parent / name)
        if not name or not name.isprintable() or Path(name).is_absolute() or not path.resolve().is_relative_to(top):
            self._fault(target, f"include names a file in or below {top}; write its path from this file")
        elif path.resolve() in self._within:
            ring = " > ".join(file.name for file in (*self._within[self._within.index(path.resolve()) :], path))
            self._fault(target, f"the files include each other in a ring ({ring}); take one include out")
        elif len(self._within) > DEEPEST:
            self._fault(target, f"includes are nested more than {DEEPEST} deep; include the inner one directly")
        else:
            return path
        return None

    def _mine(self, node: yaml.Node) -> yaml.Node:
        if self._is_fragment:
            self._spread.files.setdefault(id(node), self._path)
        return node

    def _fault(self, node: yaml.Node, text: str) -> None:
        remark = at_node(node, text)
        self._spread.faults.append(Remark(remark.line, remark.column, text, "error", str(self._path) if self._is_fragment else ""))


def _word(key: yaml.Node) -> str | None:
    return key.value if isinstance(key, yaml.ScalarNode) else None


def _value(node: yaml.MappingNode, name: str) -> yaml.Node | None:
    return next((value for key, value in node.value if key.value == name), None)


def _identity(node: yaml.Node) -> str:
    """What makes two entries of a list the same: their id, their title, or their words."""
    named = (_value(node, "id") or _value(node, "title")) if isinstance(node, yaml.MappingNode) else node
    # Never the text of a node that holds others: aliases can make that endless.
    return named.value if isinstance(named, yaml.ScalarNode) else f"node {id(node)}"
