"""The commands search, export, import and backup, as their users meet them."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from assistant.archive_cli import COMMANDS
from assistant.cli import ARCHIVE, main
from assistant.record.journal import DATABASE
from tests.record.handed_out import NAME, key, made, raw_key, rows  # noqa: F401
from tests.support import ROOT


@pytest.fixture
def store(made, tmp_path) -> Path:  # noqa: F811
    shutil.copytree(made, tmp_path / "store" / NAME)
    return tmp_path / "store"


def gloveside(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, [str(word) for word in words], env={"COLUMNS": "160"})
    assert done.exit_code == code, done.output
    return done.output


def test_search(store):
    found = gloveside("search", "flat", "side", "--store", store)
    assert NAME in found and "a flat on one side" in found
    (line,) = gloveside("search", "flat on one", "--part", "ball", "--json", "--store", store).splitlines()
    assert json.loads(line)["condition"] == "worn"
    assert "Nothing found" in gloveside("search", "one flat", "--store", store, code=1)
    assert "Nothing found" in gloveside("search", "flat", "--since", "2026-03-03", "--store", store, code=1)
    gloveside("search", "--store", store, code=2)
    gloveside("search", "flat", "--since", "yesterday", "--store", store, code=2)


@pytest.mark.parametrize("name", ["job.zip", "job"])
def test_what_was_handed_out_is_verified_as_it_is(store, raw_key, tmp_path, name):  # noqa: F811
    out, keys, pem = tmp_path / name, tmp_path / "keys", tmp_path / "shop.pub"
    pem.write_bytes(Ed25519PublicKey.from_public_bytes(raw_key).public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    gloveside("export", NAME, "--out", out, "--store", store)
    assert "as it was sealed" in gloveside("verify", out, "--public-key", pem, "--keys", keys)
    assert "not everything is proven" in gloveside("verify", out, "--keys", keys, code=9)
    (tmp_path / "other.zip").write_bytes(b"no zip")
    assert "other.zip" in gloveside("verify", tmp_path / "other.zip", code=1)
    if out.is_dir():
        (out / "chain.txt").write_text((out / "chain.txt").read_text().replace("worn", "torn"))
        assert "is refused: chain.txt is not as SHA256SUMS says" in gloveside("verify", out, "--public-key", pem, code=1)


def test_a_damaged_job_is_named_beside_what_is_found(store):
    shutil.copytree(store / NAME, store / "2026-03-02-P1-02")
    (store / "2026-03-02-P1-02" / DATABASE).write_bytes(b"damage" * 999)
    found = gloveside("search", "flat", "--store", store)
    assert "2026-03-02-P1-02 was not searched" in found and "a flat on one side" in found


def test_out_and_in(store, made, tmp_path):  # noqa: F811
    gloveside("export", NAME, "--out", tmp_path / "job.zip", "--store", store)
    assert "exists already" in gloveside("export", NAME, "--out", tmp_path / "job.zip", "--store", store, code=1)
    said = gloveside("import", tmp_path / "job.zip", "--store", tmp_path / "other", "--keys", tmp_path / "none")
    assert "not known here" in said and rows(tmp_path / "other" / NAME) == rows(made)
    refused = gloveside("import", tmp_path / "job.zip", "--store", tmp_path / "other", "--keys", tmp_path / "none", code=1)
    assert "already" in refused and refused.count("\n") == 1
    gloveside("export", "2026-01-01-X-01", "--out", tmp_path / "x.zip", "--store", store, code=6)


def test_backup(store, tmp_path):
    assert "1 job, " in gloveside("backup", "--out", tmp_path / "copy", "--store", store)
    assert NAME in gloveside("records", "--store", tmp_path / "copy")
    assert "not empty" in gloveside("backup", "--out", tmp_path / "copy", "--store", store, code=1)


@pytest.mark.parametrize("name", ARCHIVE)
def test_each_command_is_documented_with_an_example(name):
    assert name in COMMANDS and f"`gloveside {name}" in (ROOT / "README.md").read_text()
    assert f"gloveside {name}" in gloveside(name, "--help").split("Example")[1]
