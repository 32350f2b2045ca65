"""A finished job's record with everything in it that can come after the work, for tests of what is printed."""

import copy
from pathlib import Path
from typing import Any

from tests.record.test_service_record import WHOLE, keep

REMARK = "split along the inner edge"
CODE = "test-01 seal 1 events 84 code 0123456789abcdef0123456789abcdef"


def plain_record(folder: Path) -> dict[str, Any]:
    """Done, with nothing after it: no signature, no seal."""
    return keep(folder, WHOLE)


def full_record(plain: dict[str, Any]) -> dict[str, Any]:
    """The same with a finding, an amendment, a signature from before it and one from after, questions, a removed sound, and a seal."""
    record = copy.deepcopy(plain)
    at, step = "2026-03-02T09:00:00.000Z", record["steps"][2]
    record["findings"] = [
        {
            "seq": 900, "step": step["key"], "stage": step["stage"], "instance": "", "part": "ball", "condition": "cracked", "disposition": "replace", "remark": REMARK, "remark_source": "amended by Robin",
            "transcript": {"text": "split a long the inner hedge", "engine": "whisper", "version": "tiny.en", "confidence": 0.4321}, "at": at, "clips": ["a" * 64, "b" * 64], "corrects": None, "corrected_by": None, "amended_by": [905],
        }
    ]  # fmt: skip
    record["amendments"] = [{"seq": 905, "at": at, "who": "Robin", "role": "supervisor", "why": "heard on replay", "entry": 900, "field": "remark", "old": "split a long", "new": REMARK}]
    record["signatures"] = [
        {"seq": 904, "at": at, "who": "Kim", "role": "technician", "statement": "I did this work.", "open_points": list(record["open_points"]), "stands": False},
        {"seq": 906, "at": at, "who": "Robin", "role": "supervisor", "statement": "I have read this record.", "open_points": list(record["open_points"]), "stands": True},
    ]
    record["questions"] = [
        {"number": 1, "at": at, "who": "Robin", "text": "How long is the split?", "about": 900, "answer": {"who": "Kim", "at": at, "text": "Ten millimetres.", "clips": []}},
        {"number": 2, "at": at, "who": "Robin", "text": "Is the old ball kept?", "about": None, "answer": None},
    ]
    record["removed_clips"] = [{"sha256": "a" * 64, "at": at, "who": "Robin", "why": "kept for its term"}]
    record["seal"] = {"sealed_at": at, "events": record["journal"]["events"] - 1, "last_hash": "c" * 64, "key": "0123456789abcdef", "public_key": "AAAA", "signature": "AAAA", "code": CODE}
    return record
