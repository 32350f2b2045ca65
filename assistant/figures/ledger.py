"""Bookkeeping of a job: fasteners out and in, what a kit held, which parts are new. Counts only; the sentences are made elsewhere."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from assistant.figures.thread import FigureError


@dataclass(frozen=True)
class FastenerMove:
    """Fasteners taken out or put in at one place."""

    way: Literal["out", "in"]
    """Out of the machine, or back in."""
    fastener: str
    """Its id."""
    count: int
    """How many."""
    place: str
    """Where, such as the left chamber."""
    counted: bool = False
    """True when the technician counted them aloud."""


@dataclass(frozen=True)
class FastenerBalance:
    """What became of one fastener, at one place or at all. out - back_in = still_out - extra, always."""

    fastener: str
    """Its id."""
    place: str
    """Empty for all places together."""
    out: int
    """Taken out."""
    back_in: int
    """Put in."""
    counted_out: int
    """Of those out, counted aloud."""
    counted_in: int
    """Of those in, counted aloud."""

    @property
    def still_out(self) -> int:
        """How many are yet to go in."""
        return max(self.out - self.back_in, 0)

    @property
    def extra(self) -> int:
        """How many more went in than came out: new ones, or some of another place."""
        return max(self.back_in - self.out, 0)


@dataclass(frozen=True)
class FastenerLedger:
    """All fasteners of a job, in the order in which they were first moved."""

    by_fastener: tuple[FastenerBalance, ...]
    """One line for each fastener."""
    by_place: tuple[FastenerBalance, ...]
    """One line for each fastener at each place."""

    @property
    def balanced(self) -> bool:
        """Whether every place has back exactly what was taken out there."""
        return all(row.out == row.back_in for row in self.by_place)


def fastener_ledger(moves: Iterable[FastenerMove]) -> FastenerLedger:
    """Add the moves up. Raises FigureError for a count below 0."""
    at_all: dict[str, list[int]] = {}
    at_place: dict[tuple[str, str], list[int]] = {}
    for move in moves:
        _whole(move.count, move.fastener, move.place)
        for sums in (at_all.setdefault(move.fastener, [0] * 4), at_place.setdefault((move.fastener, move.place), [0] * 4)):
            way = 0 if move.way == "out" else 1
            sums[way] += move.count
            sums[2 + way] += move.count if move.counted else 0
    return FastenerLedger(
        tuple(FastenerBalance(fastener, "", *sums) for fastener, sums in at_all.items()),
        tuple(FastenerBalance(fastener, place, *sums) for (fastener, place), sums in at_place.items()),
    )


@dataclass(frozen=True)
class Offer:
    """What was said of a fastener, held against what belongs to the place."""

    verdict: Literal["agrees", "count differs", "not of this place"]
    """The three cases."""
    fastener: str
    """The one said."""
    said: int
    """The count said."""
    expected: int | None
    """How many belong here; None where this fastener does not."""
    belongs_here: tuple[tuple[str, int], ...]
    """(fastener, count) of the place, in its own order."""

    @property
    def difference(self) -> int | None:
        """Said less expected: below 0 some are missing. None where the fastener does not belong here."""
        return None if self.expected is None else self.said - self.expected


def offered(expected: Mapping[str, int], said_fastener: str, said_count: int) -> Offer:
    """Hold what is said against the place's {fastener: count}; a fastener with a count of 0 does not belong there.

    Raises FigureError for a count below 0.
    """
    _whole(said_count, said_fastener, "what was said")
    belongs = tuple((fastener, count) for fastener, count in expected.items() if count)
    wanted = dict(belongs).get(said_fastener)
    verdict = "not of this place" if wanted is None else "agrees" if wanted == said_count else "count differs"
    return Offer(verdict, said_fastener, said_count, wanted, belongs)


@dataclass(frozen=True)
class KitUse:
    """Parts taken out of a kit or out of stock."""

    kit: str
    """Its id."""
    part: str
    """Id of the part."""
    count: int
    """How many."""


@dataclass(frozen=True)
class KitLine:
    """One part of one kit. held + over = used + left, always."""

    kit: str
    """Its id."""
    part: str
    """Id of the part."""
    held: int
    """What the kit came with; 0 for a part it does not list."""
    used: int
    """What was taken."""

    @property
    def left(self) -> int:
        """What it still holds."""
        return max(self.held - self.used, 0)

    @property
    def over(self) -> int:
        """How many more were taken than it held."""
        return max(self.used - self.held, 0)


def kit_ledger(contents: Mapping[str, Mapping[str, int]], uses: Iterable[KitUse]) -> tuple[KitLine, ...]:
    """Lines of {kit: {part: count}} in its order, then of parts taken that no kit lists. Raises FigureError for a count below 0."""
    held: dict[tuple[str, str], int] = {}
    for kit, parts in contents.items():
        for part, count in parts.items():
            _whole(count, part, kit)
            held[kit, part] = count
    used: dict[tuple[str, str], int] = {}
    for use in uses:
        _whole(use.count, use.part, use.kit)
        used[use.kit, use.part] = used.get((use.kit, use.part), 0) + use.count
    # A dict rather than a set: the order of the kits must hold.
    return tuple(KitLine(*key, held.get(key, 0), used.get(key, 0)) for key in dict.fromkeys([*held, *used]))


@dataclass(frozen=True)
class Fitted:
    """Parts put in at one place."""

    part: str
    """Id of the part."""
    count: int
    """How many."""
    place: str
    """Where."""
    source: str = ""
    """Kit or stock of a new part; empty when the old one goes back."""
    finding: str = ""
    """For an old part: the finding by which it was good enough."""


@dataclass(frozen=True)
class FittedLine:
    """The same part from the same source, or reused on the same finding."""

    part: str
    """Id of the part."""
    count: int
    """How many in all."""
    places: tuple[str, ...]
    """Where, each once, in order."""
    source: str
    """Empty for reused parts."""
    finding: str
    """Empty for new parts, and for old ones put back without a finding."""


@dataclass(frozen=True)
class PartsLedger:
    """What is new in the machine and what went back."""

    replaced: tuple[FittedLine, ...]
    """New parts, by part and source."""
    reused: tuple[FittedLine, ...]
    """Old parts with the finding that let them go back."""
    reused_unseen: tuple[FittedLine, ...]
    """Old parts put back without any finding."""


def parts_ledger(fitted: Iterable[Fitted]) -> PartsLedger:
    """Add up the parts put in. Raises FigureError for a count below 0, and for a new part with a finding of an old one."""
    counts: dict[tuple[str, str, str], int] = {}
    places: dict[tuple[str, str, str], dict[str, None]] = {}
    for item in fitted:
        _whole(item.count, item.part, item.place)
        if item.source and item.finding:
            raise FigureError(f"The {item.part} at {item.place} is both new from {item.source} and reused; enter it twice, once for each.")
        key = (item.part, item.source, item.finding)
        counts[key] = counts.get(key, 0) + item.count
        places.setdefault(key, {})[item.place] = None
    lines = [FittedLine(part, counts[part, source, finding], tuple(places[part, source, finding]), source, finding) for part, source, finding in counts]
    return PartsLedger(
        tuple(line for line in lines if line.source),
        tuple(line for line in lines if line.finding),
        tuple(line for line in lines if not line.source and not line.finding),
    )


def _whole(count: int, what: str, where: str) -> None:
    if count < 0 or count != int(count):
        raise FigureError(f"A count of {count} for {what} ({where}) cannot be; count them as 0, 1, 2 and so on.")
