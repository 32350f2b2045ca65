"""Ledgers against examples worked by hand, with collections.Counter as the independent count. There is no published source for counting."""

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.ledger import FastenerMove, Fitted, FittedLine, KitUse, fastener_ledger, kit_ledger, offered, parts_ledger
from assistant.figures.thread import FigureError

# --- fasteners ---


# Worked by hand: eight long bolts out of each chamber, counted aloud on the left only; all eight back on the left, seven on the right.
def test_a_bolt_is_missing_on_the_right():
    ledger = fastener_ledger(
        [
            FastenerMove("out", "long", 8, "left", counted=True),
            FastenerMove("out", "long", 8, "right"),
            FastenerMove("out", "short", 4, "outlet", counted=True),
            FastenerMove("in", "long", 8, "left", counted=True),
            FastenerMove("in", "long", 7, "right", counted=True),
            FastenerMove("in", "short", 4, "outlet"),
        ]
    )
    assert [(row.fastener, row.out, row.back_in, row.still_out, row.extra) for row in ledger.by_fastener] == [("long", 16, 15, 1, 0), ("short", 4, 4, 0, 0)]
    assert [(row.fastener, row.place, row.still_out) for row in ledger.by_place] == [("long", "left", 0), ("long", "right", 1), ("short", "outlet", 0)]
    assert [(row.counted_out, row.counted_in) for row in ledger.by_place] == [(8, 8), (0, 7), (4, 0)]
    assert not ledger.balanced


# Worked by hand: nothing is missing in all, but one bolt of the left went into the right.
def test_a_bolt_in_the_wrong_place_shows_by_place_only():
    moves = [FastenerMove("out", "long", 8, "left"), FastenerMove("out", "long", 8, "right"), FastenerMove("in", "long", 7, "left"), FastenerMove("in", "long", 9, "right")]
    ledger = fastener_ledger(moves)
    assert ledger.by_fastener[0].still_out == ledger.by_fastener[0].extra == 0
    assert [(row.still_out, row.extra) for row in ledger.by_place] == [(1, 0), (0, 1)]
    assert not ledger.balanced


def test_nothing_moved_is_balanced():
    assert fastener_ledger([]).balanced and fastener_ledger([]).by_fastener == ()


NAMES = st.sampled_from(["long", "short", "nut"])
PLACES = st.sampled_from(["left", "right", ""])
MOVES = st.lists(st.builds(FastenerMove, st.sampled_from(["out", "in"]), NAMES, st.integers(0, 20), PLACES, st.booleans()), max_size=30)


@given(MOVES)
def test_fasteners_add_up(moves):
    ledger = fastener_ledger(moves)
    counted = Counter()
    for move in moves:
        counted[move.fastener, move.way] += move.count
    for row in ledger.by_fastener:
        assert (row.out, row.back_in) == (counted[row.fastener, "out"], counted[row.fastener, "in"])
        of_it = [place for place in ledger.by_place if place.fastener == row.fastener]
        for name in ("out", "back_in", "counted_out", "counted_in"):
            assert sum(getattr(place, name) for place in of_it) == getattr(row, name)
        assert row.counted_out <= row.out and row.counted_in <= row.back_in
    for row in (*ledger.by_fastener, *ledger.by_place):
        assert row.out - row.back_in == row.still_out - row.extra
        assert 0 in (row.still_out, row.extra)


@given(MOVES, st.randoms())
def test_the_order_of_moves_does_not_matter(moves, chance):
    mixed = chance.sample(moves, len(moves))
    assert set(fastener_ledger(mixed).by_place) == set(fastener_ledger(moves).by_place)


@given(MOVES)
def test_what_comes_out_and_goes_back_balances(moves):
    back = [FastenerMove("in" if move.way == "out" else "out", move.fastener, move.count, move.place) for move in moves]
    assert fastener_ledger([*moves, *back]).balanced


# --- what is said ---


# Worked by hand: the left chamber has eight long bolts and two nuts.
@pytest.mark.parametrize(
    ("fastener", "count", "verdict", "expected", "difference"),
    [("long", 8, "agrees", 8, 0), ("long", 7, "count differs", 8, -1), ("nut", 3, "count differs", 2, 1), ("short", 4, "not of this place", None, None), ("spare", 0, "not of this place", None, None), ("long", 0, "count differs", 8, -8)],
)
def test_offered(fastener, count, verdict, expected, difference):
    offer = offered({"long": 8, "nut": 2, "spare": 0}, fastener, count)
    assert (offer.verdict, offer.expected, offer.difference) == (verdict, expected, difference)
    assert offer.belongs_here == (("long", 8), ("nut", 2))
    assert (offer.fastener, offer.said) == (fastener, count)


@given(st.dictionaries(NAMES, st.integers(0, 20)), NAMES, st.integers(0, 20))
def test_offered_agrees_only_with_the_very_count(expected, fastener, count):
    offer = offered(expected, fastener, count)
    assert (offer.verdict == "agrees") == (expected.get(fastener, 0) == count != 0)
    assert (offer.verdict == "not of this place") == (not expected.get(fastener))
    assert offer.verdict == "not of this place" or (offer.difference == 0) == (offer.verdict == "agrees")


# --- kits ---


# Worked by hand: of four sealing rings five are used, of two diaphragms one, and a ball no kit lists comes out of the wet kit.
def test_a_kit():
    lines = kit_ledger({"wet": {"ring": 4, "diaphragm": 2}, "air": {"seal": 1}}, [KitUse("wet", "ring", 2), KitUse("wet", "ring", 3), KitUse("wet", "diaphragm", 1), KitUse("wet", "ball", 1)])
    assert [(line.kit, line.part, line.held, line.used, line.left, line.over) for line in lines] == [
        ("wet", "ring", 4, 5, 0, 1),
        ("wet", "diaphragm", 2, 1, 1, 0),
        ("air", "seal", 1, 0, 1, 0),
        ("wet", "ball", 0, 1, 0, 1),
    ]


@given(st.dictionaries(NAMES, st.dictionaries(NAMES, st.integers(0, 9))), st.lists(st.builds(KitUse, NAMES, NAMES, st.integers(0, 9))))
def test_kits_add_up(contents, uses):
    lines = kit_ledger(contents, uses)
    assert len({(line.kit, line.part) for line in lines}) == len(lines)
    assert sum(line.used for line in lines) == sum(use.count for use in uses)
    assert sum(line.held for line in lines) == sum(count for parts in contents.values() for count in parts.values())
    for line in lines:
        assert line.held + line.over == line.used + line.left
        assert min(line.left, line.over) == 0 <= line.left


# --- parts ---


# Worked by hand: new diaphragms from the kit on both sides, the rod reused on its diameter, a gasket put back that nobody looked at.
def test_parts():
    ledger = parts_ledger([Fitted("diaphragm", 1, "left", "wet"), Fitted("diaphragm", 1, "right", "wet"), Fitted("rod", 1, "centre", finding="19.98 mm, within"), Fitted("gasket", 2, "valve"), Fitted("ball", 1, "left", "stock"), Fitted("ball", 1, "right", finding="sound")])
    assert ledger.replaced == (FittedLine("diaphragm", 2, ("left", "right"), "wet", ""), FittedLine("ball", 1, ("left",), "stock", ""))
    assert ledger.reused == (FittedLine("rod", 1, ("centre",), "", "19.98 mm, within"), FittedLine("ball", 1, ("right",), "", "sound"))
    assert ledger.reused_unseen == (FittedLine("gasket", 2, ("valve",), "", ""),)


@given(st.lists(st.tuples(NAMES, st.integers(0, 9), PLACES, st.sampled_from([("kit", ""), ("", "sound"), ("", "")]))))
def test_parts_add_up(rows):
    fitted = [Fitted(part, count, place, source, finding) for part, count, place, (source, finding) in rows]
    ledger = parts_ledger(fitted)
    lines = ledger.replaced + ledger.reused + ledger.reused_unseen
    assert sum(line.count for line in lines) == sum(item.count for item in fitted)
    assert sum(line.count for line in ledger.replaced) == sum(item.count for item in fitted if item.source)


@pytest.mark.parametrize(
    "make",
    [
        lambda: fastener_ledger([FastenerMove("out", "long", -1, "left")]),
        lambda: offered({"long": 8}, "long", -1),
        lambda: offered({"long": 8}, "long", 7.5),
        lambda: kit_ledger({"wet": {"ring": -4}}, []),
        lambda: kit_ledger({}, [KitUse("wet", "ring", -4)]),
        lambda: parts_ledger([Fitted("rod", -1, "centre")]),
        lambda: parts_ledger([Fitted("rod", 1, "centre", "stock", "sound")]),
    ],
)
def test_refused(make):
    with pytest.raises(FigureError):
        make()
