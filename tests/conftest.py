"""For all tests: a key of their own, never the shop's."""

import os

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_keys(tmp_path_factory):
    before = os.environ.get("GLOVESIDE_KEYS")
    os.environ["GLOVESIDE_KEYS"] = str(tmp_path_factory.mktemp("keys") / "keys")
    yield
    if before is None:
        del os.environ["GLOVESIDE_KEYS"]
    else:
        os.environ["GLOVESIDE_KEYS"] = before
