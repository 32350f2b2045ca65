"""`gloveside review` as it is started: addresses, certificates, refusals, and streams that end with the log-in."""

import datetime
import http.client
import ipaddress
import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from contextlib import suppress

import pytest
from click.testing import CliRunner
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from starlette.testclient import TestClient

from assistant.cli import main
from assistant.errors import GlovesideError
from assistant.record.clock import SimulatedClock
from assistant.review.app import certificate_names
from tests.review.shop import PASSWORD, app_of, bench_of, heard, people_of, served, spoken_job
from tests.review.test_bench_view import START

JOB = "2026-03-09-F7-01"


@pytest.fixture
def store(tmp_path):
    spoken_job(tmp_path / "jobs", phrases=["begin the job"])
    return tmp_path / "jobs"


@pytest.fixture
def certificate(tmp_path):
    """(certificate, private key) made out to bench.example and 127.0.0.1."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "bench.example")])
    now = datetime.datetime.now(datetime.UTC)
    names = x509.SubjectAlternativeName([x509.DNSName("bench.example"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key()).serial_number(1).not_valid_before(now).not_valid_after(now + datetime.timedelta(days=1)).add_extension(names, False).sign(key, hashes.SHA256())
    paths = tmp_path / "shop.pem", tmp_path / "shop.key"
    paths[0].write_bytes(made.public_bytes(serialization.Encoding.PEM))
    paths[1].write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
    return paths


def started(store, *arguments):
    """The running program and the addresses it printed."""
    process = subprocess.Popen([sys.executable, "-c", "from assistant.cli import main; main()", "review", "--store", str(store), "--keys", str(store.parent / "keys"), "--port", "0", *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"})
    lines = [process.stdout.readline(), process.stdout.readline()]
    return process, lines


def stopped(process) -> tuple[int, str]:
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30)
    return process.returncode, errors


def test_it_prints_where_to_look_serves_this_computer_only_and_ends_quietly(store):
    process, lines = started(store)
    try:
        address = re.search(r"http://127\.0\.0\.1:(\d+)/jobs", lines[0])
        assert address and lines[1].strip().endswith(f":{address[1]}/bench")
        connection = http.client.HTTPConnection("127.0.0.1", int(address[1]), timeout=20)
        connection.request("GET", f"/bench/{JOB}")
        answer = connection.getresponse()
        assert answer.status == 200 and b"Close both valves" in answer.read()
        assert answer.headers["server"] is None
        port = int(address[1])
        with pytest.raises(OSError), socket.create_connection((_other_address(), port), 2):
            pass
    finally:
        code, errors = stopped(process)
    assert (code, errors) == (0, "")


def _other_address() -> str:
    """This computer's address on a network; a loopback one that is not listened at where there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing
            return probe.getsockname()[0]
        except OSError:
            return "127.0.0.2"


def test_on_a_network_it_goes_over_tls_with_a_log_in(store, certificate):
    people_of(store)
    process, lines = started(store, "--host", "0.0.0.0", "--certificate", certificate[0], "--private-key", certificate[1])
    try:
        port = int(re.search(r"https://0\.0\.0\.0:(\d+)/jobs", lines[0])[1])
        trust = ssl.create_default_context(cafile=certificate[0])
        for host, status in (("bench.example", 303), ("127.0.0.1", 303), ("other.example", 421)):
            connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=20, context=trust)
            connection.request("GET", f"/jobs/{JOB}", headers={"host": host, "accept": "text/html"})
            answer = connection.getresponse()
            assert answer.status == status and b"valves" not in answer.read()
            connection.close()
        plain = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        plain.request("GET", f"/jobs/{JOB}")
        with pytest.raises((http.client.HTTPException, OSError)):
            plain.getresponse().read()
    finally:
        code, _ = stopped(process)
    assert code == 0


def refused(*arguments) -> str:
    result = CliRunner().invoke(main, ["review", *map(str, arguments)])
    assert result.exit_code == 1 and "\n" not in result.stderr.strip() and "Traceback" not in result.output
    return result.stderr


def test_a_network_without_a_certificate_is_refused(store):
    people_of(store)
    assert "TLS only" in refused("--store", store, "--host", "0.0.0.0")


def test_a_network_without_people_is_refused(store, certificate):
    assert "gloveside people add" in refused("--store", store, "--host", "0.0.0.0", "--certificate", certificate[0], "--private-key", certificate[1])


def test_a_certificate_and_key_that_do_not_fit_are_refused(store, certificate):
    other = ec.generate_private_key(ec.SECP256R1())
    certificate[1].write_bytes(other.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
    people_of(store)
    assert "belong to each other" in refused("--store", store, "--host", "0.0.0.0", "--port", 0, "--certificate", certificate[0], "--private-key", certificate[1])
    certificate[0].write_text("no certificate")
    assert "no PEM certificate" in refused("--store", store, "--certificate", certificate[0], "--private-key", certificate[1])


def test_a_port_in_use_is_said(store):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert "choose another with --port" in refused("--store", store, "--port", taken.getsockname()[1])


def test_the_names_of_a_certificate(certificate, tmp_path):
    assert certificate_names(certificate[0]) == ("bench.example", "127.0.0.1")
    with pytest.raises(GlovesideError, match="cannot be read"):
        certificate_names(tmp_path / "none.pem")


# --- streams ---


class Stream:
    """Server-sent events, read aside."""

    def __init__(self, address: str, path: str, headers=None):
        self.connection = http.client.HTTPConnection(address.removeprefix("http://"), timeout=30)
        self.connection.request("GET", path, headers=headers or {})
        self.answer = self.connection.getresponse()
        self.lines: list[str] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        with suppress(OSError, ValueError, AttributeError, http.client.HTTPException):  # closed by us while it is read
            while line := self.answer.readline():
                self.lines.append(line.decode().rstrip("\n"))
        self.lines.append("(end)")

    def stop(self):
        self.connection.sock.shutdown(socket.SHUT_RDWR)  # close() would wait for the line that is being read

    def wait(self, holds, seconds=20.0):
        until = time.monotonic() + seconds
        while not (found := [line for line in list(self.lines) if holds(line)]):
            assert time.monotonic() < until, self.lines[-5:]
            time.sleep(0.02)
        return found[0]


def test_what_is_recorded_is_on_the_stream(store):
    with served(app_of(store)) as address, bench_of(store, "F9", "Kim", SimulatedClock(START)) as bench:
        stream = Stream(address, f"/bench/{bench.journal.directory.name}/live")
        assert stream.answer.status == 200 and stream.answer.headers["content-type"].startswith("text/event-stream")
        stream.wait(lambda line: line.startswith("data:") and "not begun" in line)
        bench.take(heard("begin the job"))
        view = json.loads(stream.wait(lambda line: line.startswith("data:") and "Close both valves" in line).removeprefix("data: "))
        assert "Step 1 of 11." in view["say"] and "<script" not in view["html"]
        stream.stop()


def test_a_stream_ends_with_the_log_in(store, monkeypatch):
    monkeypatch.setattr("assistant.review.bench_pages.BEAT_S", 0.1)
    people = people_of(store)
    app = app_of(store, people, host="0.0.0.0")
    hand = TestClient(app, base_url="http://127.0.0.1", follow_redirects=False)
    token = re.search(r'name="form_token" value="([^"]*)"', hand.get("/login").text)[1]
    hand.post("/login", data={"form_token": token, "name": "Kim", "password": PASSWORD, "next": "/bench"})
    cookie = {"cookie": f"gloveside={hand.cookies['gloveside']}"}
    with served(app) as address:
        assert Stream(address, f"/bench/{JOB}/live").answer.status == 401
        stream = Stream(address, f"/bench/{JOB}/live", cookie)
        stream.wait(lambda line: "Close both valves" in line)
        people.disable("Kim")
        stream.wait(lambda line: line == "event: ended")
        stream.wait(lambda line: line == "(end)")
    until = time.monotonic() + 10
    while app.state.streams:
        assert time.monotonic() < until
        time.sleep(0.05)
