"""The record as a page: what it says, what it says is missing, that nothing in it can act, and its drawings."""

import base64
import csv
import io
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from assistant.errors import PrintError
from assistant.record import proofs, report
from assistant.record.blocks import Code, Figure, printable
from assistant.record.clips import save_clip
from assistant.record.contents import contents
from assistant.record.report import as_csv, as_html, write_record
from tests.record.printed import CODE, REMARK, full_record, plain_record

SECTIONS = [
    "Open points", "Findings", "Amendments", "Torque", "Proof tests", "Measurements", "Parts fitted", "Kits", "Fasteners", "Signatures", "Questions after the job",
    "Sounds taken out", "Clock moved during the job", "Seal", "Skipped steps", "Steps", "Time",
]  # fmt: skip
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(1)>{{ 7*7 }} </style>'


class Page(HTMLParser):
    """Tags with their attributes, and the words between them."""

    def __init__(self, text: str):
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.words: list[str] = []
        self._inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._inside.append(tag)

    def handle_endtag(self, tag):
        if tag in self._inside:
            while self._inside.pop() != tag:
                pass

    def handle_data(self, data):
        if "style" not in self._inside and data.strip():
            self.words.append(" ".join(data.split()))

    @property
    def text(self) -> str:
        return " ".join(self.words)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return plain_record(tmp_path_factory.mktemp("printed") / "job")


@pytest.fixture(scope="module")
def full(plain):
    return full_record(plain)


def test_sections_come_in_order_after_the_summary(full):
    page = Page(as_html(full))
    text = page.text
    places = [text.index("was carried out on P1"), *(text.index(f"{title} ", text.index("Sealed")) for title in ("Open points",))]
    assert places == sorted(places)
    assert [section.title for section in contents(full).sections] == SECTIONS


@pytest.mark.parametrize(
    "words",
    [
        "Steps: 6 of 6 done.",
        # By hand: the rod and the leak are within, the share of the curve is not; the rest has no limits.
        "Within their limits: 1 of 1 torques and 2 of 3 measurements and test results.",
        f"“{REMARK}” (amended by Robin)", "machine-written, not checked: whisper tiny.en, confidence 0.43", "amended, see amendment 1",
        "finding, ball remark, entry 900 split a long split along the inner edge heard on replay Robin, supervisor 2026-03-02 09:00:00 UTC",
        "technician: Kim (no longer stands); supervisor: Robin", "no longer amended since Open points named: Outside its limits: share of the curve 80 %", "Technician: not signed again since the record was amended.",
        "How long is the split? about finding, ball", "Ten millimetres. Kim", "Is the old ball kept?", "not answered yet", "kept for its term", "1 clip kept, 1 taken out",
        CODE, "1 entry was added after this seal.", "gloveside verify", "3 of 3 3.9, 13, 13 N·m", "outside limits", "long bolt M8 × 60 the left tray 4 4 0 4 out, 4 in", "Received by, name",
    ],
)  # fmt: skip
def test_the_page_says(full, words):
    assert words in Page(as_html(full)).text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "Technician: not signed yet. Supervisor: not signed yet."),
        ({}, "Signed not signed yet Sealed not sealed"),
        ({}, "Not sealed: nothing proves that this record is as it was written."),
        ({}, "Questions after the job None asked."),
        ({"computed": []}, "No proof test is recorded."),
        ({"people": {"technician": "", "released_holds": []}}, "by a technician who is not named"),
        ({"finished": None, "status": "open"}, "is not finished"),
        ({"open_points": []}, "No point is open."),
        ({"open_points": ["Skipped: a"]}, "One point is open."),
        ({}, "Clock moved during the job No move was seen."),
        ({"clock_moves": [{"seq": 12, "at": "2026-03-02T08:05:00.000Z", "seconds": -3600.0}]}, "Before entry 12, 2026-03-02 08:05:00 UTC: the clock was set back by 3600 s."),
        ({"clock_moves": [{"seq": 12, "at": "2026-03-02T08:05:00.000Z", "seconds": 90.5}]}, "the clock went forward by 90.5 s: it was set, or the computer slept."),
        ({"clock": "simulated"}, "This was a demonstration: its clock was simulated."),
        ({"time": {"labour_hours": None, "waiting_minutes": None, "paused_minutes": None, "stages": []}}, "not known, the clock was set during the job"),
    ],
)
def test_what_is_missing_is_said(plain, change, words):
    assert words in Page(as_html(plain | change)).text


def test_a_sound_that_is_not_there_is_said(full, tmp_path):
    assert "1 clip kept, 1 taken out, not here to be played" in Page(as_html(full, tmp_path)).text


def test_what_is_left_of_the_sound_can_be_played(full, tmp_path):
    kept = save_clip(tmp_path, np.full(1600, 1000, np.int16))["sha256"]
    record = full | {"findings": [full["findings"][0] | {"clips": ["a" * 64, kept]}]}
    sounds = [attrs["src"] for tag, attrs in Page(as_html(record, tmp_path)).tags if tag == "audio"]
    assert len(sounds) == 1
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(sounds[0].removeprefix("data:audio/flac;base64,"))), dtype="int16")
    assert rate == 16_000 and list(samples[:1600]) == [1000] * 1600


@pytest.mark.parametrize("key", ["amendments", "signatures", "questions", "removed_clips", "seal"])
def test_a_record_from_before_these_existed_is_still_printed(plain, key):
    assert "Service record" in as_html({name: value for name, value in plain.items() if name != key})


def test_a_torque_that_was_not_recorded_is_said(plain):
    steps = [dict(step, values=[value for value in step["values"] if value["quantity"] != "torque"]) for step in plain["steps"]]
    assert "3 of 3 3.9, 13, 13 N·m not recorded" in Page(as_html(plain | {"steps": steps})).text


def everywhere(value, text):
    """The same record with a text put into every field that a person or an author writes."""
    written = {"asset", "shop", "title", "technician", "instruction", "stage", "quantity", "part", "condition", "remark", "who", "role", "why", "old", "new", "statement", "text", "asked", "said", "fastener", "kept", "kit", "defer_to", "asset_class", "code", "engine", "job"}
    if isinstance(value, dict):
        return {key: text if key in written and isinstance(item, str) else everywhere(item, text) for key, item in value.items()}
    if isinstance(value, list):
        return [text if isinstance(item, str) and item[:1].isupper() else everywhere(item, text) for item in value]
    return value


def test_nothing_written_in_a_record_becomes_part_of_the_page(full):
    spoilt = everywhere(full, HOSTILE) | {"computed": [figure | {"stage": HOSTILE, "quantity": HOSTILE} for figure in full["computed"]]}
    usual, page = Page(as_html(full)), Page(as_html(spoilt))
    assert {tag for tag, _ in page.tags} <= {tag for tag, _ in usual.tags}
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert HOSTILE.split(">")[1] in page.text or "alert(1)" in page.text
    assert "49" not in re.findall(r"onerror=alert\(1\)>(.*?) ", page.text)
    assert as_html(spoilt).count("</style>") == 1


def test_no_meaning_by_colour(full):
    page = as_html(full)
    for colour in re.findall(r"#([0-9a-fA-F]{3}|[0-9a-fA-F]{6})\b(?=[;\"' ])", page):
        wide = colour if len(colour) == 6 else "".join(digit * 2 for digit in colour)
        assert wide[:2] == wide[2:4] == wide[4:], colour
    assert "@page" in page and "counter(pages)" in page


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("seal face", "seal face"),
        ("한국어 ok", "한국어 ok"),
        ("a\x00b\x1bc\nd", "a b c d"),
        ("\u202e12 bar\u202c", "12 bar"),
        ("\u2067x\u2069\ufeff", "x"),
        ("half \ud800 pair", "half   pair"),
        ({"a": ["\x07", 1, None]}, {"a": [" ", 1, None]}),
    ],
)
def test_printable(text, shown):
    assert printable(text) == shown


def drawings(record):
    return [block for section in contents(record).sections for block in section.blocks if isinstance(block, Figure)]


def test_proof_tests_are_drawn(full):
    fall, curve, strip = drawings(full)
    assert fall.says.startswith("Pressure fell from 3 bar to 2.97 bar in ") and "eak" in fall.caption
    assert "80 % of the curve" in curve.caption and "outside limits" in curve.caption
    assert "40 L/min" in curve.says and "share of the curve 80 %" in strip.says
    for drawing in (fall, curve, strip):
        assert ElementTree.fromstring(drawing.svg).tag.endswith("svg")


@pytest.mark.parametrize(
    ("value", "at_least", "at_most", "verdict", "inside"),
    [(5, 4, 6, "within", True), (3, 4, 6, "out", False), (7, 4, 6, "out", False), (2, None, 6, "within", True), (8, None, 6, "out", False), (9, 6, None, "within", True), (-1, 0, 6, "out", False), (0, 0, 0, "within", True)],
)
def test_a_dot_lies_between_its_posts_when_it_is_within(value, at_least, at_most, verdict, inside):
    drawing = proofs.limits([proofs.Result("flow", value, "L/min", at_least, at_most, "L/min", verdict)])
    space = {"s": "http://www.w3.org/2000/svg"}
    root = ElementTree.fromstring(drawing.svg)
    posts = sorted(float(line.get("x1")) for line in root.findall("s:line", space) if line.get("stroke-width") == "1.2")
    low, high = (posts[0] if at_least is not None else 0, posts[-1] if at_most is not None else 1e9)
    dots = [float(dot.get("cx")) for dot in root.findall("s:circle", space)]
    crosses = [float(path.get("d").split()[1]) + 4 for path in root.findall("s:path", space)]
    assert (len(dots), len(crosses)) == ((1, 0) if inside else (0, 1))
    assert (low - 0.1 <= (dots + crosses)[0] <= high + 0.1) is inside


def test_a_value_in_another_unit_is_placed_in_that_of_its_limits():
    # 0.06 bar are 6 kPa.
    assert proofs.Result("drop", 0.06, "bar", None, 15, "kPa", "within").measured == 6


def test_a_result_without_limits_is_not_drawn():
    assert proofs.limits([proofs.Result("hours", 5, "h", None, None, "h", "no limits")]) is None


def test_the_code_is_drawn_from_the_seal(full):
    def code(record):
        return next(block for section in contents(record).sections for block in section.blocks if isinstance(block, Code))

    other = full | {"seal": full["seal"] | {"code": CODE[:-1] + "e"}}
    assert code(full).text == CODE and code(full).svg != code(other).svg and ElementTree.fromstring(code(full).svg).get("viewBox")


def test_amendments_and_signatures_are_rows_of_the_table(full):
    rows = {row["kind"]: row for row in csv.DictReader(io.StringIO(as_csv(full)))}
    assert (rows["amendment"]["corrects"], rows["amendment"]["said_or_measured"]) == ("900", f"split a long -> {REMARK}")
    assert (rows["signature"]["item"], rows["signature"]["instruction"], rows["signature"]["verdict"]) == ("supervisor", "Robin", "stands")


def test_all_three_are_written(full, tmp_path):
    paths = write_record(full, tmp_path, tmp_path / "out")
    assert [path.name for path in paths] == ["record.json", "record.html", "record.pdf"]
    assert paths[2].read_bytes().startswith(b"%PDF-")


def test_a_pdf_that_fails_leaves_the_rest_and_no_old_one(full, tmp_path, monkeypatch):
    write_record(full, tmp_path, tmp_path)

    def fails(*_):
        raise PrintError("no")

    monkeypatch.setattr(report, "as_pdf", fails)
    assert [path.name for path in write_record(full | {"asset": "P2"}, tmp_path, tmp_path)] == ["record.json", "record.html"]
    assert "Service record: P2" in (tmp_path / "record.html").read_text() and not (tmp_path / "record.pdf").exists()
