"""Talking over the assistant: what it said itself is no phrase, what the technician says stops it, and all of it through a sound server."""

import subprocess
import time

import pytest

from assistant.language.vocabulary import Vocabulary
from assistant.engine.expect import general_vocabulary
from assistant.session import make_listener
from assistant.speech.echo import EchoCanceller
from assistant.speech.engines import close_recogniser
from assistant.speech.played import Played
from assistant.speech.recognise import Heard
from assistant.speech.speak import SilentSpeaker, WorkerSpeaker
from assistant.virtual_bench import missing_tools, virtual_bench
from tests.aloud import bench_at, started
from tests.support import EN, FLANGE, ROOT


class Speaking(SilentSpeaker):
    """A speaker in the middle of a prompt."""

    def __init__(self):
        self.stops = 0

    def busy(self):
        return not self.stops

    def stop(self):
        self.stops += 1


@pytest.fixture
def bench(tmp_path):
    one = bench_at(tmp_path / "J1", FLANGE, "", [])
    one.start(started(one))
    one.speaker = Speaking()
    return one


def heard(text: str, over_prompt: str | None) -> Heard:
    return Heard(text, 0.99, False, 1.0, 0.0, "phones", None, over_prompt)


def phrases(bench) -> list[str]:
    return [event.body["text"] for event in bench.journal.events() if event.kind == "heard"]


def test_a_phrase_over_a_prompt_stops_it_and_counts(bench):
    bench.take(heard("begin the job", "the flange must be at rest"))
    assert bench.speaker.stops == 1 and phrases(bench) == ["begin the job"]


@pytest.mark.parametrize("said", ["say begin the job", "begin the job", "say begin the job or help"])
def test_what_the_assistant_said_itself_at_that_time_is_no_phrase(bench, said):
    bench.take(heard("begin the job", said))
    assert bench.speaker.stops == 0 and phrases(bench) == []


@pytest.mark.parametrize("said", ["begin the jobs", "begin the work on the job", "job begin the", ""])
def test_words_that_only_resemble_it_do_not_stand_in_the_way(bench, said):
    bench.take(heard("begin the job", said))
    assert bench.speaker.stops == 1 and phrases(bench) == ["begin the job"]


@pytest.mark.parametrize("headset", [True, False])
def test_a_caution_is_read_to_its_end(bench, headset):
    bench.talk_over = headset
    bench.take(heard("begin the job", None if headset else "the flange"))
    assert bench.state.question is not None and bench.state.question.about == "caution"
    bench.speaker = Speaking()
    bench.take(heard("understood", None if headset else "stored pressure"))
    assert bench.speaker.stops == 0 and bench.state.question is not None and phrases(bench) == ["begin the job"]
    bench.take(heard("read the caution", None if headset else "stored pressure"))
    assert bench.speaker.stops == 1, "anything else may be said over it"
    bench.speaker = SilentSpeaker()
    bench.take(heard("understood", None))
    assert [event.kind for event in bench.journal.events()].count("caution_acknowledged") == 1


def test_in_the_quiet_a_prompt_is_not_broken_off_by_typing(bench):
    bench.take(heard("begin the job", None))
    assert bench.speaker.stops == 0 and phrases(bench) == ["begin the job"]


@pytest.mark.microphone
@pytest.mark.skipif(bool(missing_tools()), reason=f"not installed: {missing_tools()}")
def test_through_a_loudspeaker_and_a_microphone(tmp_path):
    """The sound server plays prompt and technician into one sink, and gives back both: nothing but the delay is told to nobody."""
    voice = tmp_path / "technician.wav"
    subprocess.run(["flite", "-voice", "rms", "-t", "where are we", "-o", str(voice)], check=True, timeout=30)
    grammar = Vocabulary(EN).grammar(general_vocabulary())
    with virtual_bench() as bench:
        played = Played()
        recogniser, listener = make_listener("phones", EN, ROOT / "models", None, True, echo=EchoCanceller(played))
        speaker = WorkerSpeaker(played=played)
        found: list[Heard] = []

        def listen_while(until) -> None:
            deadline = time.monotonic() + 60
            while not until() and time.monotonic() < deadline:
                listener.deaf(speaker.busy())
                one = listener.listen(grammar, 0.2)
                if one is not None:
                    found.append(one)
            assert until()

        try:
            # Its own voice says phrases of the grammar, and none of them is taken: while the room is learned nobody listens, then it is taken out.
            speaker.say("The job has begun. To go on, say next step. To hear this once more, say repeat that. To stop for a while, say pause the job. For a list, say help.")
            listen_while(lambda: not speaker.busy())
            assert [one.text for one in found if not one.rejected] == []
            for number in range(2, 6):  # what was not understood over a prompt is said again over the next one
                found.clear()
                speaker.say("The next part is the outlet valve cover. Turn each of the eight bolts by half a turn, crosswise, before any of them is taken out. Keep them in the left tray.")
                listen_while(lambda number=number: played.prompt(time.monotonic() - 0.8) == number and listener._echo.settled)
                bench.play_aside(voice)
                listen_while(lambda: bool(found) or not speaker.busy())
                if found:
                    break
            assert (found[0].text, found[0].rejected) == ("where are we", False) and "turn" in (found[0].over_prompt or "")
            speaker.stop()
            assert not played.between(number, time.monotonic(), 16000).any()
            # In the quiet after it, the same is heard as it is without any prompt.
            quiet = time.monotonic() + 2.0
            listen_while(lambda: time.monotonic() > quiet)
            found.clear()
            bench.play_aside(voice)
            listen_while(lambda: bool(found))
            assert (found[0].text, found[0].over_prompt) == ("where are we", None)
        finally:
            listener.close()
            speaker.close()
            close_recogniser(recogniser)
