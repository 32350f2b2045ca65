"""Which remarks still wait for their words."""

import pytest

from assistant.engine import events as e
from assistant.engine.remarks import unwritten

ASKED = e.Question("remark", "s/a", "finding", clips=("part", "cond", "disp"))


def read_back(remark: str, source: str = "audio only") -> e.Question:
    return e.Question("confirm_finding", "s/a", "finding", remark_source=source, clips=("part", "cond", "disp", remark))


def finding(remark: str, source: str = "audio only", corrects: int | None = None) -> e.FindingRecorded:
    return e.FindingRecorded("s/a", "finding", ("part", "cond", "disp", remark, "yes"), corrects, "ball", "worn", "replace", None, source)


SPOKEN = (ASKED, read_back("r1"), finding("r1"))


@pytest.mark.parametrize(
    "events, waiting",
    [
        (SPOKEN, [(3, "r1")]),
        ((*SPOKEN, e.Transcribed(3, "flat on one side", "whisper", "1", 0.9)), []),
        ((*SPOKEN, ASKED, read_back("r2"), finding("r2", corrects=3)), [(6, "r2")]),
        ((ASKED, read_back("r1", "typed"), finding("r1", "typed")), []),
        ((ASKED, read_back("r1"), e.Question("part", "s/a", "finding"), ASKED, read_back("r2"), finding("r2")), [(6, "r2")]),
        ((ASKED, read_back("r1")), []),
    ],
    ids=["spoken", "written down", "corrected", "typed", "said again", "not confirmed"],
)
def test_a_spoken_remark_waits_for_its_words(events, waiting):
    assert unwritten(events) == waiting
