"""Who may see and do what: nothing of a job leaves a network's pages without a log-in, and nobody does more than their role allows."""

import http.client
import re
import secrets

import anyio
import pytest
from starlette.testclient import TestClient

from assistant.engine import events as e
from assistant.record import afterwards
from assistant.record.clock import SystemClock
from assistant.record.journal import Journal
from assistant.record.keys import load_or_make_key
from assistant.review.access import HEADERS, IDLE_S, LONGEST_S, REQUESTS, Limit, Sessions, known_hosts, local_path
from tests.review.shop import PASSWORD, app_of, people_of, served, spoken_job

HTML = {"accept": "text/html,application/xhtml+xml"}


@pytest.fixture
def store(tmp_path):
    spoken_job(tmp_path / "jobs")
    return tmp_path / "jobs"


JOB = "2026-03-09-F7-01"


class Hand:
    """One person's browser, without a screen."""

    def __init__(self, app, host="127.0.0.1", scheme="http"):
        self.client = TestClient(app, base_url=f"{scheme}://{host}", follow_redirects=False, headers=HTML, raise_server_exceptions=False)

    def token(self, path: str) -> str:
        found = re.search(r'name="form_token" value="([^"]*)"', self.client.get(path).text)
        return found[1] if found else ""

    def log_in(self, name: str, password: str = PASSWORD):
        return self.client.post("/login", data={"form_token": self.token("/login"), "name": name, "password": password, "next": "/jobs"})

    def post(self, path: str, **data):
        token = self.token(f"/jobs/{JOB}")
        return self.client.post(path, data={"form_token": token, **data})


def events_of(store, kind=None):
    with Journal.read(store / JOB) as journal:
        return [event for event in journal.events() if kind is None or event.kind == kind]


@pytest.fixture
def people(store):
    return people_of(store)


@pytest.fixture
def local(store, people):
    return Hand(app_of(store, people))


@pytest.fixture
def network(store, people):
    return Hand(app_of(store, people, host="0.0.0.0"))


def finding_of(store) -> int:
    return events_of(store, "finding")[0].seq


# --- without a log-in ---


def all_paths(store) -> list[str]:
    seq = finding_of(store)
    clip = events_of(store, "finding")[0].body["clips"][0]
    return [
        "/", "/jobs", "/search?text=torn", "/log-ins", "/bench", f"/bench/{JOB}", f"/bench/{JOB}/live", "/bench-live", f"/jobs/{JOB}", "/jobs/2026-01-01-none-01",
        f"/jobs/{JOB}/entries/{seq}/sound", f"/jobs/{JOB}/entries/{seq}/words", f"/jobs/{JOB}/report.pdf", f"/jobs/{JOB}/verification", f"/clips/{clip}.flac", "/people.sqlite", f"/{JOB}/record.json", "/no-such-page",
    ]  # fmt: skip


def test_on_a_network_nothing_is_shown_without_a_log_in(store, network):
    for path in all_paths(store):
        answer = network.client.get(path)
        assert answer.status_code == 303 and answer.headers["location"].startswith("/login?next="), path
        assert not answer.content
        bare = network.client.get(path, headers={"accept": "audio/*"})
        # The same words whether there is such a job or not.
        assert (bare.status_code, bare.text) == (401, "Log in first, in another tab; then go back and send this again.\n"), path


def test_on_a_network_nothing_is_changed_without_a_log_in(store, network):
    before = len(events_of(store))
    for path in ("sign", "ask", f"entries/{finding_of(store)}/amend", "questions/1/answer"):
        assert network.client.post(f"/jobs/{JOB}/{path}", data={"form_token": "x", "why": "y", "remark": "z"}).status_code == 401
    assert len(events_of(store)) == before


def test_on_this_computer_all_may_look_but_nobody_may_change(store, local):
    assert local.client.get(f"/jobs/{JOB}").status_code == 200
    assert local.client.get(f"/jobs/{JOB}/entries/{finding_of(store)}/sound").status_code == 200
    assert local.client.get("/log-ins").status_code == 403
    for path in ("sign", "ask", f"entries/{finding_of(store)}/amend"):
        for token in ("", "x", secrets.token_urlsafe(32)):
            assert local.client.post(f"/jobs/{JOB}/{path}", data={"form_token": token, "why": "y", "remark": "z"}).status_code == 403
    assert not events_of(store, "amended")


# --- logging in ---


def test_a_log_in_and_a_log_out(store):
    hand = Hand(app_of(store, host="0.0.0.0"))
    answer = hand.log_in("Robin")
    cookie = answer.headers["set-cookie"]
    assert (answer.status_code, answer.headers["location"]) == (303, "/jobs")
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie
    assert hand.client.get("/jobs").status_code == 200
    old = dict(hand.client.cookies)
    assert hand.post("/logout").status_code == 303
    hand.client.cookies.update(old)
    assert hand.client.get("/jobs").status_code == 303, "the old cookie must be worth nothing"


def test_over_tls_the_cookie_goes_nowhere_else(store):
    hand = Hand(app_of(store, host="0.0.0.0", tls=True), scheme="https")
    cookie = hand.log_in("Robin").headers["set-cookie"]
    assert cookie.startswith("__Host-gloveside=") and "Secure" in cookie and "Domain" not in cookie


@pytest.mark.parametrize("name, password", [("Robin", "wrong password 1"), ("nobody", PASSWORD), ("", ""), ("Robin", ""), ("Robin' OR 1=1 --", PASSWORD), ("Robin", PASSWORD + "x"), ("Robin\0", PASSWORD)])
def test_a_wrong_log_in_says_the_same_for_all(network, name, password):
    answer = network.log_in(name, password)
    assert answer.status_code == 401 and "Name and password do not belong together" in answer.text
    assert network.client.get("/jobs").status_code == 303


def test_after_five_wrong_passwords_even_the_right_one_waits(network):
    for _ in range(5):
        assert network.log_in("Robin", "wrong password 1").status_code == 401
    answer = network.log_in("Robin")
    assert answer.status_code == 429 and 0 < int(answer.headers["retry-after"]) <= 301
    assert network.client.get("/jobs").status_code == 303
    assert network.log_in("Kim").status_code == 303, "others are not kept out"


def test_a_disabled_person_is_out_at_once(store, people):
    hand = Hand(app_of(store, people, host="0.0.0.0"))
    hand.log_in("Robin")
    assert hand.client.get("/jobs").status_code == 200
    people.disable("Robin")
    assert hand.client.get("/jobs").status_code == 303


def test_log_ins_are_kept_for_supervisors(store):
    hand = Hand(app_of(store, host="0.0.0.0"))
    hand.log_in("Kim", "wrong password 1")
    hand.log_in("Kim")
    assert hand.client.get("/log-ins").status_code == 403
    hand.log_in("Robin")
    page = hand.client.get("/log-ins").text
    assert "refused: wrong password" in page and page.count("logged in") >= 2


@pytest.mark.parametrize(
    "wanted, path",
    [("/jobs/x", "/jobs/x"), ("", "/jobs"), (None, "/jobs"), ("https://other.example/", "/jobs"), ("//other.example", "/jobs"), ("/\\other.example", "/jobs"), ("\\\\other", "/jobs"), ("javascript:x", "/jobs"), ("/a\r\nset-cookie: x=1", "/jobs"), (" /jobs", "/jobs")],
)
def test_after_logging_in_nobody_is_sent_to_another_site(wanted, path):
    assert local_path(wanted) == path


class _Hours:
    now = 0.0

    def __call__(self):
        return self.now


def test_a_session_ends_when_it_is_not_used_and_after_a_shift():
    clock = _Hours()
    sessions = Sessions(clock)
    token = sessions.open("Robin")
    clock.now += IDLE_S
    assert sessions.find(token).name == "Robin"
    clock.now += IDLE_S + 1
    assert sessions.find(token) is None and sessions.find("") is None
    used = sessions.open("Robin")
    for _ in range(int(LONGEST_S / IDLE_S)):
        clock.now += IDLE_S
        assert sessions.find(used) is not None
    clock.now += 1
    assert sessions.find(used) is None


def test_no_token_is_kept_in_memory():
    sessions = Sessions()
    token = sessions.open("Robin")
    assert token not in repr(vars(sessions)) and len(token) >= 43


def test_a_limit_lets_one_more_through_when_the_oldest_is_past():
    clock = _Hours()
    limit = Limit(2, 10, clock, keys=3)
    for _ in range(2):
        assert limit.wait_s("a") == 0
        limit.count("a")
        clock.now += 1
    assert limit.wait_s("a") == 8 and limit.wait_s("b") == 0
    clock.now += 8
    assert limit.wait_s("a") == 0
    for key in "bcdefg":
        limit.count(key)
    assert len(limit._seen) == 3, "an attacker's many addresses must not fill the memory"


def test_too_many_requests_from_one_address_wait(network):
    for _ in range(REQUESTS):
        network.client.get("/static/pages.css")
    answer = network.client.get("/login")
    assert answer.status_code == 429 and int(answer.headers["retry-after"]) >= 1


# --- forms and sites ---


@pytest.mark.parametrize("token", [None, "", "x", "0" * 43])
def test_a_form_without_its_token_changes_nothing(store, local, token):
    local.log_in("Robin")
    data = {} if token is None else {"form_token": token}
    for path in ("sign", "ask", f"entries/{finding_of(store)}/amend", "questions/1/answer"):
        answer = local.client.post(f"/jobs/{JOB}/{path}", data={**data, "text": "Why?", "why": "y", "remark": "z", "role": "supervisor", "password": PASSWORD})
        assert answer.status_code == 403 and "did not come from this page" in answer.text, path
    assert local.client.post("/logout", data=data).status_code == 403
    assert not [event for event in events_of(store) if event.kind in ("amended", "signed", "review_question")]


def test_the_token_of_another_session_is_no_good(store):
    app = app_of(store)
    kim, robin = Hand(app), Hand(app)
    kim.log_in("Kim")
    robin.log_in("Robin")
    stolen = kim.token(f"/jobs/{JOB}")
    assert robin.client.post(f"/jobs/{JOB}/ask", data={"form_token": stolen, "text": "Why?"}).status_code == 403
    assert not events_of(store, "review_question")


def test_logging_in_needs_a_form_of_this_site(local):
    token = local.token("/login")
    local.client.cookies.clear()
    assert local.client.post("/login", data={"form_token": token, "name": "Robin", "password": PASSWORD}).status_code == 403


@pytest.mark.parametrize("headers, allowed", [({"origin": "https://other.example"}, False), ({"origin": "null"}, False), ({"origin": "http://127.0.0.1.other.example"}, False), ({"sec-fetch-site": "cross-site"}, False), ({"sec-fetch-site": "same-site"}, False), ({"origin": "http://127.0.0.1"}, True), ({"sec-fetch-site": "same-origin"}, True), ({}, True)])
def test_a_form_from_another_site_is_refused(store, local, headers, allowed):
    local.log_in("Robin")
    answer = local.client.post(f"/jobs/{JOB}/ask", data={"form_token": local.token(f"/jobs/{JOB}"), "text": "Why?"}, headers=headers)
    assert (answer.status_code == 303) is allowed
    assert len(events_of(store, "review_question")) == allowed


@pytest.mark.parametrize("host, status", [("127.0.0.1", 200), ("localhost:8420", 200), ("[::1]:8420", 200), ("LOCALHOST", 200), ("other.example", 421), ("127.0.0.1.other.example", 421), ("", 421), ("a b", 421), ("[", 421), ("bench.shop.example", 200)])
def test_a_name_that_is_not_ours_is_refused(store, host, status):
    hand = Hand(app_of(store, names=("bench.shop.example",)))
    assert hand.client.get("/jobs", headers={"host": host}).status_code == status


def test_all_addresses_are_no_name():
    assert known_hosts("0.0.0.0", ["Bench.Example"]) == {"localhost", "127.0.0.1", "::1", "bench.example"}
    assert "192.0.2.10" in known_hosts("192.0.2.10", [])


def test_every_answer_has_the_headers(store, local, network):
    answers = [local.client.get(path) for path in ("/jobs", "/", "/login", f"/jobs/{JOB}", "/jobs/none", "/static/pages.css", "/static/none", f"/jobs/{JOB}/entries/99999/sound", "/bench")]
    answers += [local.client.get("/jobs", headers={"host": "other.example"}), local.client.post("/login", data={}), local.client.post("/login", data={}, headers={"origin": "null"}), local.client.put("/jobs"), local.client.post("/", content=b"x" * 300_000), network.client.get("/jobs"), network.client.post("/x")]
    for answer in answers:
        for name, value in HEADERS.items():
            assert answer.headers.get(name) == value, f"{answer.url} lacks {name}"
    assert "unsafe-inline" not in HEADERS["content-security-policy"]


def test_no_page_needs_a_script_or_style_of_its_own(local):
    local.log_in("Robin")
    for path in ("/jobs", "/search?text=torn", f"/jobs/{JOB}", f"/jobs/{JOB}/verification", "/bench", f"/bench/{JOB}", "/log-ins", "/login"):
        text = local.client.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son[a-z]+=|\sstyle=|<style|javascript:", text), path
        assert not re.search(r'(?:src|href)="(?:https?:)?//', text), f"{path} loads from elsewhere"


def test_a_form_that_is_too_long_is_refused(store, local):
    local.log_in("Robin")
    token = local.token(f"/jobs/{JOB}")
    assert local.client.post(f"/jobs/{JOB}/ask", data={"form_token": token, "text": "x" * 400_000}).status_code == 413
    assert local.client.post(f"/jobs/{JOB}/ask", content=(b"form_token=" for _ in range(200_000)), headers={"content-type": "application/x-www-form-urlencoded"}).status_code == 413
    assert local.client.post(f"/jobs/{JOB}/ask", data={"form_token": token}, files={"text": ("x.txt", b"x")}).status_code == 400
    assert not events_of(store, "review_question")


# --- roles ---


def sign(hand, store, role, password=PASSWORD, **more):
    page = hand.client.get(f"/jobs/{JOB}").text
    points = re.findall(r'name="acknowledged" id="point-\d+" value="([^"]*)"', page)
    last = events_of(store)[-1].seq
    return hand.post(f"/jobs/{JOB}/sign", **{"role": role, "password": password, "acknowledged": points, "last": str(last), **more})


def points_of(store):
    from assistant.record.service_record import service_record
    from tests.support import EN, FLANGE

    return service_record(store / JOB, FLANGE, EN)["open_points"]


@pytest.mark.parametrize(
    "name, role, signs",
    [("Robin", "supervisor", True), ("Kim", "technician", True), ("Kim", "supervisor", False), ("Lee", "supervisor", False), ("Lee", "technician", False), ("Sam", "supervisor", False), ("Sam", "author", False), ("Robin", "technician", False), ("Robin", "", False), ("Robin", "owner", False)],
)
def test_nobody_signs_in_a_role_that_is_not_theirs(store, local, name, role, signs):
    local.log_in(name)
    answer = sign(local, store, role, acknowledged=points_of(store))
    assert answer.status_code == (303 if signs else 403), answer.text
    signed = events_of(store, "signed")
    assert [(event.body["who"], event.body["role"]) for event in signed] == ([(name, role)] if signs else [])


def test_signing_asks_for_the_password_again(store, local):
    local.log_in("Robin")
    assert sign(local, store, "supervisor", "wrong password 1", acknowledged=points_of(store)).status_code == 403
    assert sign(local, store, "supervisor", "", acknowledged=points_of(store)).status_code == 403
    assert not events_of(store, "signed")


def test_guessing_passwords_by_signing_is_limited_too(store, local):
    local.log_in("Robin")
    answers = [sign(local, store, "supervisor", f"wrong password {number}").status_code for number in range(7)]
    assert answers[:5] == [403] * 5 and answers[-1] == 429


def test_open_points_must_each_be_named(store, local):
    points = points_of(store)
    assert len(points) >= 1
    local.log_in("Robin")
    answer = sign(local, store, "supervisor", acknowledged=points[1:])
    assert answer.status_code == 409 and "open point" in answer.text
    assert not events_of(store, "signed")
    assert sign(local, store, "supervisor", acknowledged=points).status_code == 303
    assert events_of(store, "signed")[0].body["open_points"] == points


def test_a_record_that_changed_since_it_was_looked_at_is_not_signed(store, local):
    local.log_in("Robin")
    last = events_of(store)[-1].seq
    assert local.post(f"/jobs/{JOB}/ask", text="Which groove?").status_code == 303
    answer = sign(local, store, "supervisor", acknowledged=points_of(store), last=str(last))
    assert answer.status_code == 422 and "has changed" in answer.text and not events_of(store, "signed")


@pytest.mark.parametrize("name, allowed", [("Robin", True), ("Kim", True), ("Lee", False), ("Sam", False)])
def test_only_a_supervisor_or_the_technician_of_the_job_corrects(store, local, name, allowed):
    local.log_in(name)
    seq = finding_of(store)
    answer = local.post(f"/jobs/{JOB}/entries/{seq}/amend", remark="torn on the outer edge", was_remark="torn on the inner edge", why="misheard")
    assert answer.status_code == (303 if allowed else 403)
    assert [(event.body["who"], event.body["new"]) for event in events_of(store, "amended")] == ([(name, "torn on the outer edge")] if allowed else [])


@pytest.mark.parametrize("name, allowed", [("Robin", True), ("Kim", False), ("Sam", False)])
def test_only_a_supervisor_asks(store, local, name, allowed):
    local.log_in(name)
    assert local.post(f"/jobs/{JOB}/ask", text="Which groove?").status_code == (303 if allowed else 403)
    assert len(events_of(store, "review_question")) == allowed


# --- paths ---


LEADING_OUT = [
    "/jobs/..", "/jobs/%2e%2e", "/jobs/../people.sqlite", "/jobs/..%2f..%2fetc", "/jobs/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "/jobs/2026-03-09-%2F..%2F..%2Fjobs-01", "/jobs/2026-03-09-..-01", "/jobs/2026-03-09-F7-01%00", "/jobs/%00", "/jobs/people.sqlite",
    "/jobs/~root", f"/jobs/{JOB}{'9' * 5000}", "/jobs/%ff%fe", "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static/%2e%2e%2ftemplates%2fbase.html", "/static//etc/passwd", "/static/%00", "/static/", "/static/..%5capp.py",
    "/bench/%2e%2e/live", "/bench/..%2f..", "/bench/2026-03-09-none-01/live", f"/jobs/{JOB}/entries/-1/sound", f"/jobs/{JOB}/entries/1e9/sound", f"/jobs/{JOB}/entries/{'9' * 4500}/sound", f"/jobs/{JOB}/entries/99999999999999999999999/sound", f"/jobs/{JOB}/entries/..%2f..%2fjournal.sqlite/sound",
    f"/jobs/{JOB}/journal.sqlite", f"/jobs/{JOB}/clips/x.flac", f"/jobs/{JOB}/../people.sqlite", f"/{JOB}/record.json", "//etc/passwd", "/../../etc/passwd",
]  # fmt: skip


def test_no_path_leads_out_of_the_store(store, people):
    (store.parent / "2026-03-09-..-01").mkdir()
    with served(app_of(store, people)) as address:
        for path in LEADING_OUT:
            # Not by a browser's library: that would tidy the path up first.
            connection = http.client.HTTPConnection(address.removeprefix("http://"), timeout=20)
            connection.request("GET", path)
            answer = connection.getresponse()
            text = answer.read().decode("utf-8", "replace")
            connection.close()
            assert answer.status in (400, 404), f"{path}: {answer.status}"
            assert str(store) not in text and "root:" not in text and "def " not in text and "SQLite" not in text, path


def test_only_sounds_that_the_entry_names_are_given_out(store, local):
    (store / JOB / "clips" / "secret.flac").write_bytes(b"fLaC")
    heard, named = [], {event.seq for event in events_of(store) if event.kind != "asked" and event.body.get("clips")}
    for event in events_of(store):
        answer = local.client.get(f"/jobs/{JOB}/entries/{event.seq}/sound")
        assert answer.status_code in (200, 404)
        if answer.status_code == 200:
            heard.append(event.seq)
            assert answer.headers["content-type"] == "audio/flac" and answer.content[:4] == b"fLaC"
    assert set(heard) == named and named


def test_a_sound_that_was_taken_out_is_said_and_not_looked_for(store, local):
    event = events_of(store, "finding")[0]
    key = load_or_make_key(store.parent / "keys")
    afterwards.add_event(store / JOB, SystemClock(), key, lambda _: [e.ClipRemoved(clip, "Robin", "asked to") for clip in dict.fromkeys(event.body["clips"])])
    answer = local.client.get(f"/jobs/{JOB}/entries/{event.seq}/sound")
    assert answer.status_code == 404 and "was removed" in answer.text
    page = local.client.get(f"/jobs/{JOB}").text
    assert f"/entries/{event.seq}/sound" not in page and "Sound of this entry was removed" in page


def test_the_printed_report_is_given_out(local):
    answer = local.client.get(f"/jobs/{JOB}/report.pdf")
    assert (answer.status_code, answer.headers["content-type"], answer.content[:5]) == (200, "application/pdf", b"%PDF-")
    assert answer.headers["content-disposition"] == f'attachment; filename="{JOB}.pdf"'


def test_a_sound_that_was_changed_is_not_played(store, local):
    seq = finding_of(store)
    clip = events_of(store, "finding")[0].body["clips"][0]
    path = store / JOB / "clips" / f"{clip}.flac"
    other = next(other for other in (store / JOB / "clips").iterdir() if other != path)
    path.write_bytes(other.read_bytes())
    answer = local.client.get(f"/jobs/{JOB}/entries/{seq}/sound")
    assert answer.status_code == 500 and "not as it was recorded" in answer.text


def test_words_from_the_shop_are_never_taken_for_a_page(store, local):
    local.log_in("Robin")
    nasty = "<script>alert(1)</script> & \"'><img src=x>"
    assert local.post(f"/jobs/{JOB}/entries/{finding_of(store)}/amend", remark=nasty, was_remark="", why=nasty).status_code == 303
    assert local.post(f"/jobs/{JOB}/ask", text=nasty, about=str(finding_of(store))).status_code == 303
    for path in (f"/jobs/{JOB}", "/search?text=alert", "/search?text=" + "%3Cscript%3E", "/log-ins"):
        text = local.client.get(path).text
        assert "<script>alert" not in text and "<img src=x" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in local.client.get(f"/jobs/{JOB}").text


def test_whether_a_job_is_as_it_was_sealed_is_a_page_of_its_own(store, local):
    """For who has no scripts; the page of the job takes it in."""
    assert f'href="/jobs/{JOB}/verification"' in local.client.get(f"/jobs/{JOB}").text
    assert "Not to be trusted" not in local.client.get(f"/jobs/{JOB}").text
    for path in (store / JOB / "clips").iterdir():
        path.write_bytes(b"other")
    text = local.client.get(f"/jobs/{JOB}/verification").text
    assert "Not to be trusted" in text and "is not the sound that was recorded" in text
    assert local.client.get("/jobs/2026-01-01-none-01/verification").status_code == 404


@pytest.mark.parametrize("about", ["9" * 5000, "\u0663", "-1", "x"])
def test_a_question_about_no_entry_is_about_the_whole_job(store, local, about):
    local.log_in("Robin")
    assert local.post(f"/jobs/{JOB}/ask", text="Which groove?", about=about).status_code == 303
    assert [event.body["about"] for event in events_of(store, "review_question")] == [None]


@pytest.mark.parametrize("wanted", ["bytes=" + "9" * 5000 + "-", "bytes=-" + "9" * 5000, "bytes=\u00b2-", "bytes=0-0,2-2"])
def test_a_part_of_a_sound_that_makes_no_sense_gets_all_of_it(store, local, wanted):
    answer = local.client.get(f"/jobs/{JOB}/entries/{finding_of(store)}/sound", headers={"range": wanted.encode("latin-1")})
    assert answer.status_code == 200 and answer.content[:4] == b"fLaC"


def test_a_form_that_is_cut_off_on_the_way_is_no_fault(local):
    """A browser that is closed while it sends must not fill the program's log with tracebacks."""
    left = [{"type": "http.request", "body": b"form_token=", "more_body": True}, {"type": "http.disconnect"}]
    scope = {"type": "http", "method": "POST", "scheme": "http", "path": f"/jobs/{JOB}/ask", "raw_path": b"", "query_string": b"", "root_path": "", "headers": [(b"host", b"127.0.0.1"), (b"content-type", b"application/x-www-form-urlencoded")], "client": ("127.0.0.1", 4000)}
    sent = []

    async def receive():
        return left.pop(0)

    async def send(message):
        sent.append(message)

    anyio.run(local.client.app, scope, receive, send)
    assert sent[0]["status"] == 400


def test_of_a_form_with_a_field_that_is_refused_nothing_is_kept(store, local):
    local.log_in("Robin")
    seq = next(event.seq for event in events_of(store, "value") if event.body["unit"] == "mm")
    answer = local.post(f"/jobs/{JOB}/entries/{seq}/amend", value="0.5", was_value="0.4", unit="bar", was_unit="mm", why="misread")
    assert answer.status_code == 422 and not events_of(store, "amended")
    assert local.post(f"/jobs/{JOB}/entries/{seq}/amend", value="500", was_value="0.4", unit="um", was_unit="mm", why="misread").status_code == 303
    assert [(event.body["field"], event.body["new"]) for event in events_of(store, "amended")] == [("value", "500"), ("unit", "um")]
