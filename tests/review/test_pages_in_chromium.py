"""The pages in a real browser: sound plays, words are corrected, a job is signed, and the bench display follows a running job."""

import shutil
import threading
import time
from datetime import UTC, datetime

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from assistant.engine import events as e
from assistant.engine.state import State, evolve
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.live import Live, LiveFile
from assistant.review.bench_pages import level_of
from assistant.review.bench_view import Follower, heard_phrase
from tests.review.shop import FINDING, Screen, PASSWORD, TO_THE_FINDING, TO_THE_JOINT, app_of, bench_of, heard, people_of, served, spoken_job
from tests.support import PUMP

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed; scripts/setup test installs it")
JOB = "2026-03-09-F7-01"
START = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)
WAIT_MS = 20_000
"""A loaded computer is no fault of the page."""


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"])
        yield found
        found.close()


@pytest.fixture
def shop(tmp_path):
    """(store, address) of a shop with a finished job and an earlier one of the same pump."""
    store = tmp_path / "jobs"
    spoken_job(store, start=datetime(2026, 1, 12, 8, 0, tzinfo=UTC))
    spoken_job(store, start=START)
    with served(app_of(store, people_of(store))) as address:
        yield store, address


@pytest.fixture
def page(browser, shop):
    """A page on which nothing may go wrong unseen."""
    context = browser.new_context(base_url=shop[1], viewport={"width": 1366, "height": 900})
    context.set_default_timeout(WAIT_MS)
    found = context.new_page()
    wrong = []
    found.on("pageerror", lambda error: wrong.append(str(error)))
    # A refused form is answered with 4xx, which the browser reports; everything else it reports is a fault.
    found.on("console", lambda message: wrong.append(message.text) if message.type == "error" and "the server responded with a status of 4" not in message.text else None)
    yield found
    context.close()
    assert not wrong, wrong


def log_in(page, name="Robin"):
    page.goto("/login?next=/jobs")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("heading", name="Jobs", exact=True)).to_be_visible()


def until(holds, seconds=WAIT_MS / 1000):
    """Wait in small steps; the page's own waiting would need eval, which its policy forbids."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.05)


def events_of(store, kind):
    with Journal.read(store / JOB) as journal:
        return [event for event in journal.events() if event.kind == kind]


# --- replay ---


def test_a_finding_is_heard(page):
    page.goto(f"/jobs/{JOB}")
    sound = page.locator("audio").first
    sound.focus()
    page.keyboard.press("Space")  # as by hand: a browser plays nothing that nobody asked for
    until(lambda: sound.evaluate("audio => audio.ended"))
    assert sound.evaluate("audio => [audio.error, audio.currentTime === audio.duration, audio.duration > 3]") == [None, True, True]


def test_all_findings_play_in_sequence_with_their_step_read_between(page):
    asked = []
    page.on("request", lambda request: asked.append(request.url.rpartition("/entries/")[2]) if "/entries/" in request.url else None)
    page.goto(f"/jobs/{JOB}")
    for sound in page.locator("audio").all():
        sound.evaluate("audio => { audio.defaultPlaybackRate = audio.playbackRate = 8; }")
    page.get_by_role("button", name="Play all findings").click()
    status = page.get_by_role("status")
    expect(status).to_contain_text("1 of 2. Open the joint. Brush both faces", timeout=WAIT_MS)
    assert page.evaluate("document.activeElement.textContent") == "Stop"
    expect(status).to_have_text("All findings played.", timeout=60_000)
    assert page.evaluate("document.activeElement.textContent") == "Play all findings, one after another"
    kinds = list(dict.fromkeys(asked))
    first, second = (event.seq for event in events_of(shop_of(page), "finding"))
    assert kinds == [f"{first}/words", f"{first}/sound", f"{second}/words", f"{second}/sound"]


def shop_of(page):
    return page.shop_store


@pytest.fixture(autouse=True)
def _store_on_the_page(request):
    if "page" in request.fixturenames:
        request.getfixturevalue("page").shop_store = request.getfixturevalue("shop")[0]


def test_stop_stops(page):
    page.goto(f"/jobs/{JOB}")
    page.get_by_role("button", name="Play all findings").click()
    page.get_by_role("button", name="Stop").click()
    expect(page.get_by_role("status")).to_have_text("Stopped.")
    assert page.evaluate("[...document.querySelectorAll('audio')].every(audio => audio.paused)")


def test_words_are_corrected_while_the_sound_plays(page, shop):
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    seq = events_of(shop[0], "finding")[0].seq
    finding = page.locator(f"#entry-{seq}")
    finding.get_by_text(f"Correct entry {seq}").click()
    words = finding.get_by_label("Words")
    words.focus()
    page.keyboard.press("Alt+p")
    until(lambda: finding.locator("audio").evaluate("audio => audio.currentTime > 0.2"))
    words.press_sequentially("torn on the inner edge")
    assert not finding.locator("audio").evaluate("audio => audio.paused")
    page.keyboard.press("Alt+p")
    assert finding.locator("audio").evaluate("audio => audio.paused")
    page.keyboard.press("Alt+b")
    assert finding.locator("audio").evaluate("audio => audio.currentTime") < 3
    finding.get_by_label("Condition").select_option("hardened")
    finding.get_by_label("Reason for the correction").fill("heard the recording")
    finding.get_by_role("button", name="Save the correction").click()
    expect(finding.locator("q")).to_have_text("torn on the inner edge")
    expect(finding).to_contain_text("amended by Robin")
    expect(finding.get_by_role("heading")).to_have_text("gasket: hardened, replace")
    expect(finding.locator("li").filter(has_text="Condition")).to_contain_text("cut or torn hardened by Robin, supervisor")
    assert [(event.body["field"], event.body["new"], event.body["why"]) for event in events_of(shop[0], "amended")] == [("remark", "torn on the inner edge", "heard the recording"), ("condition", "hardened", "heard the recording")]


def test_a_value_is_corrected_and_the_drawing_follows(page, shop):
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    row = page.locator("tr", has=page.get_by_role("rowheader", name="clearance"))
    assert "Earlier jobs, oldest first: 0.4 mm" in row.locator("svg").get_attribute("aria-label")
    row.get_by_text("Correct entry").click()
    row.get_by_label("Value").fill("0.9")
    row.get_by_label("Reason").fill("read the gauge again")
    row.get_by_role("button", name="Save").click()
    expect(row.locator("strong").first).to_have_text("✖ out")
    assert "clearance 0.9 mm, at most 0.8 mm, out." in row.locator("svg").get_attribute("aria-label")
    expect(page.locator(".points")).to_contain_text("Outside its limits: clearance 0.9 mm")


def test_a_question_is_asked_answered_and_the_job_signed(page, shop):
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    page.get_by_label("Ask about the whole job").fill("Which groove do you mean?")
    page.get_by_role("button", name="Ask").last.click()
    expect(page.locator(".questions")).to_contain_text("Which groove do you mean?")
    page.get_by_role("button", name="Log out").click()
    log_in(page, "Kim")
    page.goto(f"/jobs/{JOB}")
    page.get_by_label("Your answer").fill("The one on the pump's side.")
    page.get_by_role("button", name="Answer", exact=True).click()
    expect(page.locator(".questions")).to_contain_text("The one on the pump's side.")
    page.get_by_role("button", name="Log out").click()
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    page.get_by_role("button", name="Sign", exact=True).click()
    assert page.locator(":invalid").count() > 0 and not events_of(shop[0], "signed"), "nothing is signed before each point is named"
    points = page.locator("#sign input[type=checkbox]")
    assert points.count() >= 1
    for point in points.all():
        point.check()
    page.get_by_label("Your password once more").fill(PASSWORD)
    page.get_by_role("button", name="Sign", exact=True).click()
    expect(page.locator(".signatures")).to_contain_text("Robin")
    expect(page.locator(".signatures")).to_contain_text("Stands.")
    expect(page.locator(".proof")).to_contain_text("Sealed with this shop's key, and as it was written")
    (signed,) = events_of(shop[0], "signed")
    assert signed.body["who"] == "Robin" and signed.body["role"] == "supervisor" and len(signed.body["open_points"]) == points_named(shop[0])
    page.goto("/jobs")
    expect(page.get_by_role("heading", name="Waiting for review: 1")).to_be_visible()


def points_named(store):
    from assistant.record.service_record import service_record
    from tests.support import EN, FLANGE

    return len(service_record(store / JOB, FLANGE, EN)["open_points"])


def test_a_wrong_password_signs_nothing_and_the_form_is_still_there(page, shop):
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    for point in page.locator("#sign input[type=checkbox]").all():
        point.check()
    page.get_by_label("Your password once more").fill("wrong password 1")
    page.get_by_role("button", name="Sign", exact=True).click()
    expect(page.get_by_text("The password is not right; nothing was signed.")).to_be_visible()
    page.go_back()
    expect(page.locator("#sign input[type=checkbox]").first).to_be_visible()
    assert not events_of(shop[0], "signed")


def test_a_damaged_job_is_named_as_such(page, shop):
    log_in(page)
    page.goto(f"/jobs/{JOB}")
    page.get_by_label("Ask about the whole job").fill("Sealed by this?")
    page.get_by_role("button", name="Ask").last.click()
    expect(page.locator(".proof")).to_contain_text("Sealed with this shop's key, and as it was written")
    clip = next((shop[0] / JOB / "clips").iterdir())
    clip.write_bytes(clip.read_bytes()[:-1])
    page.reload()
    expect(page.locator(".proof")).to_contain_text("Not to be trusted")
    expect(page.locator(".faults")).to_contain_text(clip.stem[:8])


def test_jobs_are_found_by_part_and_condition(page):
    page.goto("/jobs")
    expect(page.get_by_role("heading", name="Waiting for review: 2")).to_be_visible()
    page.get_by_label("Condition").fill("hardened")
    page.get_by_label("From day").fill("2026-03-01")
    page.get_by_role("button", name="Search").click()
    rows = page.locator("tbody tr")
    expect(rows).to_have_count(1)
    expect(rows.first).to_contain_text("gasket")
    rows.first.get_by_role("link").click()
    expect(page.locator(".finding:target")).to_contain_text("hardened")


def test_a_page_can_be_used_by_keyboard_alone(page):
    page.goto(f"/jobs/{JOB}")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
    assert {"play-all", "AUDIO", "A", "SUMMARY"} - reached <= {"SUMMARY"}, reached


# --- bench display ---


def test_the_bench_display_follows_a_running_job(page, shop):
    page.goto("/bench")
    expect(page.get_by_role("heading", name="No job is running")).to_be_visible()
    with bench_of(shop[0], "F9", "Lee", SimulatedClock(START)) as bench:
        expect(page.locator(".status")).to_be_visible()
        for phrase in (*TO_THE_FINDING, *FINDING, *TO_THE_JOINT):
            bench.take(heard(phrase))
        expect(page.locator(".instruction")).to_have_text("Tighten in crossing order, pass by pass, then once round at full torque.")
        expect(page.locator(".place .figure")).to_have_text("9 of 11")
        expect(page.locator(".amount")).to_have_text("46 N·m")
        bench.take(heard("bolt by bolt"))
        expect(page.locator(".bolt.now")).to_have_text("1")
        bench.take(heard("next bolt", 0.55))
        expect(page.locator(".bolt.now")).to_have_text("5")
        expect(page.locator(".bolt.done")).to_have_text(["1"])
        expect(page.locator(".heard")).to_contain_text("“next bolt”")
        expect(page.locator(".heard")).to_contain_text("heard fairly surely")
        bench.take(heard("pass is done"))
        expect(page.locator(".amount")).to_have_text("107 N·m")
        expect(page.locator(".passes li")).to_have_class(["done", "now", "waiting"])
        expect(page.locator("#said")).to_contain_text("Step 9 of 11.")
        bench.take(heard("pause the job"))
        bench.take(heard("waiting for parts"))
        expect(page.locator(".status")).to_contain_text("Work is paused")
        assert page.locator("form, button, input").count() == 0, "the display changes nothing"


def test_a_running_timer_counts_on_the_page(page, shop):
    from tests.review.shop import JOINT

    phrases = [*TO_THE_FINDING, *FINDING, *TO_THE_JOINT, *JOINT, "next step", "next step", "i release this hold", "next step", "start the timer"]
    with bench_of(shop[0], "F9", "Lee", SimulatedClock(datetime.now(UTC)), ()) as bench:
        for phrase in phrases:
            bench.take(heard(phrase))
        page.goto("/bench")
        count = page.locator(".timer .count")
        expect(count).to_have_text("9:57", timeout=WAIT_MS)
        expect(count).to_have_text("9:55", timeout=WAIT_MS)


def test_the_display_says_when_it_has_lost_the_bench(browser, tmp_path):
    store = tmp_path / "jobs"
    spoken_job(store, phrases=["begin the job"], start=START)
    context = browser.new_context()
    page = context.new_page()
    with served(app_of(store, people_of(store))) as address:
        page.goto(f"{address}/bench/{JOB}")
        expect(page.locator("#link")).to_be_hidden(timeout=WAIT_MS)
    expect(page.locator("#link")).to_be_visible(timeout=WAIT_MS)
    expect(page.locator(".instruction")).to_be_visible()
    context.close()


SIZES = [(1920, 1080), (1366, 768), (1280, 1024), (1080, 1920)]
SMALLEST_CAPITAL_MM = 6.0
"""A sharp eye reads capitals that stand 5 minutes of arc high, 4.4 mm at three metres (visual acuity charts, from memory); a third more."""
LARGE_CAPITAL_MM = 11.0
"""Of the instruction, the torque and the place: a 270th of the distance. Common practice is a 200th to a 300th, no source."""
CROWDED_CAPITAL_MM = 9.0
"""Of an instruction that stands below long cautions."""
SCREEN_MM = 531.0
"""Width of a 24 inch screen, 16:9."""
CAPITAL = 0.73
"""Height of a capital of DejaVu Sans by the size of its letters."""


def test_everything_on_the_display_reads_from_three_metres(page, shop):
    page.set_viewport_size({"width": 1920, "height": 1080})
    with bench_of(shop[0], "F9", "Lee", SimulatedClock(START)) as bench:
        for phrase in (*TO_THE_FINDING, *FINDING, *TO_THE_JOINT):
            bench.take(heard(phrase))
        with LiveFile(Screen(), bench.journal.directory, lambda: -30.0):
            page.goto("/bench")
            sizes = page.evaluate(
                """() => [...document.querySelectorAll('#bench *')].filter(element => [...element.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()) && !element.closest('.unseen'))
                .map(element => [element.className.baseVal ?? element.className, element instanceof SVGElement ? element.getBoundingClientRect().height : parseFloat(getComputedStyle(element).fontSize)])"""
            )

    def capital(pixels):
        return pixels * SCREEN_MM / 1920 * CAPITAL

    assert len(sizes) > 20 and min(capital(pixels) for _, pixels in sizes) >= SMALLEST_CAPITAL_MM, sorted(sizes, key=lambda size: size[1])[:4]
    large = {name: capital(pixels) for name, pixels in sizes if name in ("instruction", "amount", "figure")}
    assert len(large) == 3 and min(large.values()) >= LARGE_CAPITAL_MM, large


@pytest.mark.parametrize("size", SIZES, ids=lambda size: "x".join(map(str, size)))
def test_no_step_of_a_rebuild_is_cut_off_on_the_display(page, shop, size):
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.goto("/bench")
    follower, site = Follower(PUMP, "j"), app_of(shop[0], object()).state.site
    body = site.templates.get_template("bench_body.html")
    live = Live(0.0, -30.0, "Torque: thirteen newton metres. In passes of three point nine newton metres, nine newton metres, and thirteen newton metres. Crossing order, numbered clockwise.")
    cut = []
    page.evaluate("globalThis.sizes = []")
    for planned in PUMP.steps + PUMP.on_demand:
        follower._state = evolve(State(), e.StepEntered(planned.key))
        follower._heard = heard_phrase(e.PhraseHeard("one hundred and fifty two point five newton metres", False, 0.6, "vosk", ""))
        html = body.render(view=follower.view(0.0), live=live, level=level_of(live))
        fits = page.evaluate(
            """html => { const bench = document.getElementById('bench'); bench.innerHTML = html; fit();
            const words = bench.querySelector('.fit').getBoundingClientRect(), room = bench.querySelector('.act').getBoundingClientRect(), sheet = bench.querySelector('.sheet');
            const tall = innerHeight > innerWidth;
            sizes.push(parseFloat(getComputedStyle(bench.querySelector('.instruction')).fontSize));
            return [words.bottom <= room.bottom + 1, tall || sheet.scrollHeight <= innerHeight + 1, document.documentElement.scrollWidth <= innerWidth, bench.querySelectorAll('.box:not(.heard)').values().every(box => box.scrollWidth <= box.clientWidth + 1)]; }""",
            html,
        )
        if not all(fits):
            cut.append((planned.key, fits))
    assert not cut
    if size[1] / size[0] == 9 / 16:
        assert min(page.evaluate("sizes")) * SCREEN_MM / size[0] * CAPITAL >= CROWDED_CAPITAL_MM


# --- for everybody ---


@pytest.mark.parametrize("path", ["/login", "/jobs", "/search?condition=hardened", f"/jobs/{JOB}", "/log-ins", "/bench", f"/bench/{JOB}", "/jobs/2026-01-01-none-01"])
def test_no_serious_finding_of_axe(page, shop, path):
    if path != "/login":
        log_in(page)
    if path == f"/jobs/{JOB}":
        # With a correction, a question and a signature on it, and all forms open.
        page.goto(path)
        page.get_by_label("Ask about the whole job").fill("Which groove?")
        page.get_by_role("button", name="Ask").last.click()
    page.goto(path)
    page.evaluate("for (const details of document.querySelectorAll('details')) details.open = true")
    found = Axe().run(page)
    serious = [(line["id"], line["impact"], [node["html"][:120] for node in line["nodes"][:3]]) for line in found.response["violations"] if line["impact"] in ("serious", "critical")]
    assert not serious
    assert len(found.response["passes"]) > 5


def test_many_displays_are_refused_beyond_a_number(shop):
    import http.client

    store, address = shop
    streams, statuses = [], []

    def open_one():
        connection = http.client.HTTPConnection(address.removeprefix("http://"), timeout=20)
        connection.request("GET", f"/bench/{JOB}/live")
        answer = connection.getresponse()
        statuses.append(answer.status)
        if answer.status == 200:
            answer.readline()
        streams.append(connection)

    for _ in range(33):
        thread = threading.Thread(target=open_one)
        thread.start()
        thread.join(20)
    assert statuses == [200] * 32 + [503]
    for connection in streams:
        connection.close()
