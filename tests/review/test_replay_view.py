"""What the replay page is made of: visits and their times, findings and their words, plots, and sound in parts."""

import io
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile
from starlette.requests import Request

from assistant.errors import JournalError
from assistant.record.kept import read_events
from assistant.record.service_record import service_record
from assistant.review.plots import MARGIN, WIDTH, plot_of
from assistant.review.replay_view import BAR, replay_of, shop_clock
from assistant.review.sound import GAP_S, joined, sound_response, spoken
from tests.review.shop import WHOLE, spoken_job
from tests.support import EN, FLANGE


class Earlier:
    def __init__(self, value, unit, job="2026-01-01-F7-01"):
        self.value, self.unit, self.job = value, unit, job


def value(number=0.4, unit="mm", at_least=None, at_most=0.8, verdict="within", limit_unit="mm"):
    return {"quantity": "clearance", "value": number, "unit": unit, "at_least": at_least, "at_most": at_most, "limit_unit": limit_unit, "verdict": verdict}


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return spoken_job(tmp_path_factory.mktemp("shop") / "jobs", start=datetime(2026, 3, 9, 8, 0, tzinfo=UTC))


@pytest.fixture(scope="module")
def replay(job):
    return replay_of(FLANGE, EN, service_record(job, FLANGE, EN), read_events(job), lambda _: [Earlier(500, "um"), Earlier(0.3, "mm")])


def test_visits_come_in_order_with_their_times_and_fill_the_job(job, replay):
    assert [visit.instruction.split()[0] for visit in replay.visits[:3]] == ["Close", "Open", "Slacken"]
    ends = [visit.start + visit.length for visit in replay.visits]
    assert replay.visits[0].start == 0 and ends[-1] == pytest.approx(BAR, abs=5) and ends == sorted(ends)
    held = next(visit for visit in replay.visits if visit.instruction.startswith("Raise the pressure"))
    assert held.seconds > 600 and held.length > BAR / 3
    assert sum(visit.seconds for visit in replay.visits) == pytest.approx(7 * len(WHOLE) + 600, abs=40)


def test_what_was_recorded_stands_with_the_visit_it_belongs_to(replay):
    faces = next(visit for visit in replay.visits if visit.instruction.startswith("Brush"))
    assert faces.happenings[0].text == "finding: gasket, cut or torn, replace, remark audio only"
    torque = next(visit for visit in replay.visits if visit.instruction.startswith("Tighten"))
    assert [happening.text for happening in torque.happenings] == ["pass 1: 46 N·m", "pass 2: 107 N·m", "pass 3: 152.5 N·m", "torque 152 N·m, within"]


def test_a_finding_has_its_sound_its_words_and_where_they_came_from(replay):
    first, second = replay.findings
    assert (first.part, first.condition, first.disposition) == ("gasket", "cut or torn", "replace")
    assert first.clips and replay.starts_sound and first.step == "Open the joint. Brush both faces along the grooves, and look for scratches across them."
    assert first.source == "audio only" and not first.remark and second.disposition == "ask the supervisor"


def test_every_value_is_held_against_its_limits_and_earlier_jobs(replay):
    gap = next(line for line in replay.values if line.value["quantity"] == "clearance")
    assert gap.plot.words == "clearance 0.4 mm, at most 0.8 mm, within. Earlier jobs, oldest first: 0.5, 0.3 mm."
    assert gap.plot.earlier[1] < gap.plot.at < gap.plot.earlier[0] < gap.plot.high
    torque = next(line for line in replay.values if line.value["quantity"] == "torque")
    assert torque.plot.earlier == (), "values of another kind are not drawn"


@pytest.mark.parametrize(
    "given, low, high, order",
    [
        (value(), False, True, "at < high"),
        (value(0.9, verdict="out"), False, True, "high < at"),
        (value(20, "mm", 10, 30), True, True, "low < at < high"),
        (value(0, "bar", 0, 0, limit_unit="bar"), True, True, "low == at == high"),
        (value(3, "mm", 2, None), True, False, "low < at"),
        (value(130, "lbf.in", 11.7, 14.3, limit_unit="N.m"), True, True, "low < high < at"),
    ],
)
def test_a_value_stands_on_its_line_where_it_belongs(given, low, high, order):
    plot = plot_of(given)
    assert (plot.low is not None, plot.high is not None) == (low, high)
    assert eval(order, {"at": plot.at, "low": plot.low, "high": plot.high}), plot
    for place in (plot.at, plot.low, plot.high):
        assert place is None or MARGIN <= place <= WIDTH - MARGIN


def test_a_value_with_nothing_to_hold_it_against_has_no_drawing():
    assert plot_of(value(at_most=None)) is None
    assert plot_of(value(at_most=None), [Earlier(0.3, "bar")]) is None
    assert plot_of(value(at_most=None), [Earlier(0.3, "mm")]).earlier != ()


@pytest.mark.parametrize("offset, clock", [(0, "08:00:00"), (60, "09:00:00"), (-300, "03:00:00"), (330, "13:30:00")])
def test_times_are_shown_as_the_shop_clock_had_them(offset, clock):
    assert shop_clock("2026-03-09T08:00:00.000Z", offset) == clock


# --- sound ---


def test_the_clips_of_an_entry_are_one_sound_in_their_order(job, replay):
    content = joined(job, replay.findings[0].clips)
    samples, rate = soundfile.read(io.BytesIO(content), dtype="int16")
    lengths = [soundfile.info(job / "clips" / f"{clip}.flac").frames + int(GAP_S * rate) for clip in replay.findings[0].clips]
    assert rate == 16000 and len(samples) == sum(lengths)
    first, _ = soundfile.read(job / "clips" / f"{replay.findings[0].clips[0]}.flac", dtype="int16")
    assert np.array_equal(samples[: len(first)], first)


def test_a_missing_clip_is_said(job):
    with pytest.raises(JournalError, match="missing"):
        joined(job, ["0" * 64])


def request(asked=None):
    return Request({"type": "http", "method": "GET", "path": "/", "headers": [(b"range", asked.encode())] if asked else []})


@pytest.mark.parametrize(
    "asked, status, body, part",
    [
        (None, 200, b"0123456789", None), ("bytes=0-", 206, b"0123456789", "bytes 0-9/10"), ("bytes=4-6", 206, b"456", "bytes 4-6/10"), ("bytes=7-99", 206, b"789", "bytes 7-9/10"), ("bytes=-3", 206, b"789", "bytes 7-9/10"), ("bytes=-99", 206, b"0123456789", "bytes 0-9/10"),
        ("bytes=10-", 416, b"", "bytes */10"), ("bytes=6-4", 416, b"", "bytes */10"), ("bytes=-", 200, b"0123456789", None), ("bytes=0-1,4-5", 200, b"0123456789", None), ("pages=1-2", 200, b"0123456789", None),
    ],
)  # fmt: skip
def test_a_player_may_ask_for_a_part(asked, status, body, part):
    answer = sound_response(request(asked), b"0123456789", "audio/flac")
    assert (answer.status_code, answer.body, answer.headers.get("content-range")) == (status, body, part)


def test_words_are_spoken_and_no_word_is_an_option():
    for words in ("Take out the gasket.", "--help", "-f /etc/passwd", "$(touch x) `x` ; rm"):
        samples, rate = soundfile.read(io.BytesIO(spoken(words, "en")), dtype="int16")
        assert len(samples) / rate > 0.3 and np.abs(samples).max() > 1000, words


def test_without_the_machine_voice_there_are_no_words_and_no_error(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert spoken("Only these words, said nowhere else.", "en") is None
