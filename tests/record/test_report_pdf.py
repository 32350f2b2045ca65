"""The record as a PDF: the same as the page, with nothing in it that can act as source, readable aloud, the same bytes each time."""

import io
import re
import sys

import pypdf
import pytest
from click.testing import CliRunner

from assistant.cli import main
from assistant.errors import PrintError
from assistant.record import pdf
from assistant.record.contents import contents
from assistant.record.pdf import NO_GLYPH, as_pdf
from tests.record.printed import CODE, REMARK, full_record, plain_record
from tests.support import ROOT


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    return full_record(plain_record(tmp_path_factory.mktemp("printed") / "job"))


def read(data: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(data))


def words(data: bytes) -> str:
    """All words, with breaks and spaces taken out: where a line ends is the page's affair."""
    return squeezed("".join(page.extract_text() for page in read(data).pages))


def squeezed(text: str) -> str:
    return re.sub(r"[\s\u200b\u00ad]+", "", text)


def test_the_same_in_the_same_order_as_the_page(full):
    text, at = words(as_pdf(full)), 0
    document = contents(full)
    for part in [document.title, *document.summary, *(section.title for section in document.sections)]:
        at = text.index(squeezed(part), at) + 1
    for part in (REMARK, CODE, "machine-written, not checked", "no longer", "not answered yet", document.foot[0]):
        assert squeezed(part) in text


def test_metadata_and_tags(full):
    found = read(as_pdf(full))
    assert (found.metadata.title, found.metadata.author) == ("Service record: P1", "Kim")
    assert found.metadata.creation_date.strftime("%Y-%m-%d %H:%M") == full["finished"][:16].replace("T", " ")
    catalogue = found.trailer["/Root"]
    assert catalogue["/MarkInfo"]["/Marked"] and catalogue["/Lang"] == "en" and "/StructTreeRoot" in catalogue
    # PDF/UA-1 and PDF/A-2a are claimed where every character can be shown.
    about = catalogue["/Metadata"].get_data().decode()
    assert "pdfuaid" in about and "pdfaid" in about


def test_the_code_can_be_copied_out_as_it_is(full):
    text = " ".join("".join(page.extract_text() for page in read(as_pdf(full)).pages).split())
    assert CODE in text and full["seal"]["last_hash"] in text and full["journal"]["last_hash"] in text


def test_each_page_has_its_number(full):
    pages = read(as_pdf(full)).pages
    for number, page in enumerate(pages, start=1):
        assert squeezed(f"Page {number} of {len(pages)}") in squeezed(page.extract_text())


@pytest.mark.parametrize(("paper", "points"), [("a4", (595.28, 841.89)), ("letter", (612, 792))])
def test_papers(full, paper, points):
    box = read(as_pdf(full, paper=paper)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(points, abs=0.05)


def test_the_same_record_gives_the_same_bytes(full):
    assert as_pdf(full) == as_pdf(full)


@pytest.mark.parametrize(
    ("remark", "shown"),
    [
        ('#read("/etc/passwd")', '#read("/etc/passwd")'),
        ('#import "@preview/x:1.0.0": *', '#import "@preview/x:1.0.0": *'),
        ("#panic()", "#panic()"),
        ("$ x^2 $ and $", "$ x^2 $ and $"),
        ("*bold* _slanted_ `code` = head", "*bold* _slanted_ `code` = head"),
        ("back\\slash \\u{41} \\", "back\\slash \\u{41} \\"),
        ('" ] } ) // /* end', '" ] } ) // /* end'),
        ("<label> @reference ~ --- ...", "<label> @reference ~ --- ..."),
        ("line\nbreak\x00\x1b", "line break"),
        ("", "machine-written"),
    ],
    ids=lambda text: text[:24],
)
def test_words_never_become_source(full, remark, shown):
    record = full | {"findings": [full["findings"][0] | {"remark": remark}], "open_points": [remark or "None"], "asset": full["asset"] + remark[:40]}
    text = words(as_pdf(record))
    assert squeezed(shown) in text and "root:" not in text and "daemon:" not in text


def test_a_word_longer_than_a_page_is_broken_and_whole(full):
    # Twice: among the open points and in a cell of a table. Page feet stand in between.
    record = full | {"findings": [full["findings"][0] | {"remark": "x" * 10_000}], "open_points": ["x" * 10_000]}
    data = as_pdf(record)
    assert words(data).count("x") >= 20_000
    # Nothing runs out of the page: every letter's place is inside it.
    for page in read(data).pages:
        places = []
        page.extract_text(visitor_text=lambda text, cm, tm, font, size: places.append(tm[4] * cm[0] + cm[4]) if "x" in text else None)
        assert all(40 < place < 560 for place in places)


@pytest.mark.parametrize("remark", ["한국어 기록", "ש לום עולם 12 bar", "مرحبا", "😀 good", "\U0010fffd"], ids=["korean", "hebrew", "arabic", "emoji", "no font has it"])
def test_other_writing_is_set_or_said_to_be_missing(full, remark):
    record = full | {"findings": [full["findings"][0] | {"remark": remark}]}
    found = read(as_pdf(record))
    text = squeezed("".join(page.extract_text() for page in found.pages))
    whole = "pdfaid" in found.trailer["/Root"]["/Metadata"].get_data().decode()
    assert (squeezed(NO_GLYPH) in text) is not whole
    if remark == "\U0010fffd":
        assert not whole
    assert squeezed("Page 1 of") in text


def test_what_typst_refuses_is_said_in_one_sentence(full, monkeypatch):
    monkeypatch.setattr(pdf, "TEMPLATES", pdf.TEMPLATES / "missing")
    with pytest.raises(PrintError, match=r"^The record of job test-01 cannot be set as a PDF \(.*\); take --format html and print that\.$"):
        as_pdf(full)


def test_without_typst_it_is_said_too(full, monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(PrintError, match="cannot be set as a PDF"):
        as_pdf(full)


@pytest.fixture
def store(tmp_path):
    """A store with one job on the flange: begun, and left."""
    store = tmp_path / "jobs"
    CliRunner().invoke(main, ["run", str(ROOT / "procedures" / "bolted-flange.yaml"), "--asset", "F7", "--technician", "Kim", "--listen", "typed", "--speak", "silent", "--store", str(store)], input="begin the job\nunderstood\n")
    return store


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_command_writes_a_pdf(store, tmp_path, paper):
    job = next(folder.name for folder in store.iterdir() if folder.is_dir())
    done = CliRunner().invoke(main, ["report", job, "--format", "pdf", "--paper", paper, "--out", str(tmp_path / "record.pdf"), "--store", str(store)])
    assert done.exit_code == 0, done.output
    text = words((tmp_path / "record.pdf").read_bytes())
    assert squeezed("and is not finished by Kim") in text and squeezed("Technician: not signed yet.") in text
    assert CliRunner().invoke(main, ["report", job, "--format", "pdf", "--store", str(store)]).stdout_bytes.startswith(b"%PDF-")
