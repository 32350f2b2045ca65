"""Hostile requests to the pages: an answer, never a fault; nothing told or recorded to who may not."""

import pytest
from hypothesis import HealthCheck, given, settings

from tests.fuzz.hostile_web import OWN, Hostile, pages, requests


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    with pages(tmp_path_factory.mktemp("shop")) as made:
        yield made


@settings(max_examples=150, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
@given(requests())
def test_a_hostile_request_is_answered_and_does_no_harm(shop, hostile):
    shop.try_one(hostile)
