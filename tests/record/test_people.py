"""Who may log in: names, roles, passwords, tries written down, and waiting after too many wrong ones."""

import os
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest
from argon2 import PasswordHasher, extract_parameters

from assistant.errors import JournalError, NoSuchPerson, PeopleError
from assistant.record.clock import SimulatedClock
from assistant.record.people import DATABASE, PASSWORD_RULE, TRIES, TRIES_FROM_ONE_PLACE, WINDOW_S, People

GOOD = "blue bench 42"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""Weak on purpose: these tests log in hundreds of times."""


@pytest.fixture
def clock():
    return SimulatedClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC))


@pytest.fixture
def people(tmp_path, clock):
    shop = People(tmp_path, clock, QUICK)
    shop.add("Kim", ["technician"], GOOD)
    return shop


def whys(people, count=50):
    return [login.why for login in people.logins(count)]


@pytest.mark.parametrize(
    "name, roles, password, wrong",
    [
        ("Ana", ["supervisor"], "short", PASSWORD_RULE),
        ("Ana", ["supervisor"], "aaaaaaaaaaaaaaaa", PASSWORD_RULE),
        ("Ana", ["supervisor"], "my name is ANA 7", PASSWORD_RULE),
        ("Ana", ["supervisor"], "x1y2z" * 50, PASSWORD_RULE),
        ("Ana", [], GOOD, "No role"),
        ("Ana", ["owner"], GOOD, "owner cannot be given"),
        ("", ["supervisor"], GOOD, "1 to 60 characters"),
        ("An\x1b[2Ja", ["supervisor"], GOOD, "printable"),
        ("A" * 61, ["supervisor"], GOOD, "1 to 60 characters"),
        ("  kIM ", ["supervisor"], GOOD, "already"),
    ],
)
def test_a_person_that_cannot_be_added_is_refused_with_the_rule(people, name, roles, password, wrong):
    with pytest.raises(PeopleError, match=wrong.replace("(", "\\(")):
        people.add(name, roles, password)
    assert [person.name for person in people.all()] == ["Kim"]


@pytest.mark.parametrize(
    "typed, password, found, why",
    [
        ("Kim", GOOD, "Kim", ""),
        ("  KIM ", GOOD, "Kim", ""),
        ("Kim", "blue bench 43", None, "wrong password"),
        ("Kim", "", None, "wrong password"),
        ("Kim", GOOD + " " * 100_000, None, "wrong password"),
        ("Nobody", GOOD, None, "unknown name"),
        ("Kim' OR '1'='1", GOOD, None, "unknown name"),
    ],
)
def test_every_try_is_checked_and_written_down(people, typed, password, found, why):
    person = people.check(typed, password, "10.0.0.7")
    assert (person.name if person else None) == found
    login = people.logins()[0]
    assert (login.name, login.address, login.ok, login.why, login.at) == (typed, "10.0.0.7", found is not None, why, "2026-03-02T08:00:00" + login.at[19:])


def test_the_same_accent_typed_another_way_is_the_same_name_and_password(people):
    people.add("Zoë", ["supervisor"], "Türschloss 12")
    assert people.check("Zoe\u0308", "Tu\u0308rschloss 12").name == "Zoë"
    assert people.find("ZOË").roles == {"supervisor"}


def test_passwords_are_kept_as_argon2id_hashes_for_this_user_only(people, tmp_path):
    content = (tmp_path / DATABASE).read_bytes()
    assert GOOD.encode() not in content and b"$argon2id$" in content
    assert os.stat(tmp_path / DATABASE).st_mode & 0o077 == 0


def test_a_hash_of_older_parameters_is_made_anew_at_log_in(people, tmp_path, clock):
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    assert People(tmp_path, clock, stronger).check("Kim", GOOD) is not None
    with sqlite3.connect(tmp_path / DATABASE) as database:
        ((secret,),) = database.execute("SELECT password FROM people").fetchall()
    assert extract_parameters(secret).time_cost == 2
    assert people.check("Kim", GOOD) is not None


def test_a_disabled_person_cannot_log_in_and_keeps_the_name(people):
    people.disable("kim")
    assert people.check("Kim", GOOD) is None and whys(people, 1) == ["disabled"]
    assert people.find("Kim").disabled
    with pytest.raises(PeopleError, match="already"):
        people.add("Kim", ["supervisor"], GOOD)


def test_a_new_password_takes_the_place_of_the_old(people):
    people.set_password("Kim", "another bench 5")
    assert people.check("Kim", GOOD) is None and people.check("Kim", "another bench 5") is not None


@pytest.mark.parametrize("change", [lambda people: people.set_password("Lee", GOOD), lambda people: people.disable("Lee")])
def test_a_change_for_nobody_names_who_there_is(people, change):
    with pytest.raises(NoSuchPerson, match="there are Kim"):
        change(people)


def test_five_wrong_passwords_make_even_the_right_one_wait(people, clock):
    for _ in range(TRIES):
        assert people.wait_s("Kim", "here") == 0
        people.check("Kim", "wrong", "here")
    assert people.check("Kim", GOOD, "here") is None and whys(people, 1) == ["too many tries"]
    assert WINDOW_S - 5 < people.wait_s("KIM", "here") <= WINDOW_S
    # Elsewhere the person is not locked out by a stranger's tries.
    assert people.check("Kim", GOOD, "at the bench") is not None
    clock.advance(WINDOW_S + 1)
    assert people.wait_s("Kim", "here") == 0 and people.check("Kim", GOOD, "here") is not None


def test_refused_tries_do_not_lengthen_the_wait(people, clock):
    for _ in range(TRIES):
        people.check("Kim", "wrong", "here")
    for _ in range(10):
        clock.advance(20)
        assert people.check("Kim", GOOD, "here") is None
    clock.advance(WINDOW_S - 199)
    assert people.check("Kim", GOOD, "here") is not None


def test_a_success_begins_the_count_anew(people):
    for _ in range(3):
        for _ in range(TRIES - 1):
            people.check("Kim", "wrong", "here")
        assert people.check("Kim", GOOD, "here") is not None


def test_many_names_from_one_place_wait_too(people):
    for number in range(TRIES_FROM_ONE_PLACE):
        people.check(f"name {number}", GOOD, "10.0.0.9")
    assert people.check("Kim", GOOD, "10.0.0.9") is None and people.check("Kim", GOOD, "10.0.0.8") is not None


def test_a_hundred_tries_at_once_do_not_pass_the_limit_together(people):
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: people.check("Kim", "wrong", "here"), range(60)))
    assert len([why for why in whys(people, 100) if why == "wrong password"]) <= TRIES


def test_a_clock_that_was_set_back_locks_nobody_out(people, tmp_path):
    for _ in range(TRIES):
        people.check("Kim", "wrong", "here")
    earlier = People(tmp_path, SimulatedClock(datetime(2026, 3, 1, 8, 0, tzinfo=UTC)), QUICK)
    assert earlier.check("Kim", GOOD, "here") is not None


def test_an_unknown_name_is_refused_by_the_same_work_as_a_wrong_password(tmp_path):
    """Counted, not timed: one Argon2 verification with the same parameters in either case."""
    done = []

    class Counting(PasswordHasher):
        def verify(self, hash, password):
            done.append(extract_parameters(hash))
            return super().verify(hash, password)

    shop = People(tmp_path, hasher=Counting(time_cost=1, memory_cost=8, parallelism=1))
    shop.add("Kim", ["technician"], GOOD)
    shop.add("Lee", ["technician"], GOOD)
    shop.disable("Lee")
    for name in ("Kim", "Nobody", "Lee"):
        shop.check(name, "wrong password")
    assert len(done) == 3 and len(set(map(str, done))) == 1


def test_control_characters_of_a_stranger_do_not_reach_the_log(people):
    people.check("Kim\n2026 ok\x1b[31m", GOOD, "fe80::1\r\n")
    login = people.logins()[0]
    assert login.name.isprintable() and login.address.isprintable()


def test_reading_makes_no_file(tmp_path):
    shop = People(tmp_path / "none")
    assert shop.all() == [] and shop.find("Kim") is None and shop.logins() == [] and shop.wait_s("Kim") == 0
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("content", [b"not a database, whatever its name says", b""])
def test_a_file_of_something_else_is_named(tmp_path, content):
    (tmp_path / DATABASE).write_bytes(content * 200)
    if content:
        with pytest.raises(JournalError, match=DATABASE):
            People(tmp_path).all()
    else:
        assert People(tmp_path).all() == []


def test_another_programs_database_is_left_alone(tmp_path):
    with sqlite3.connect(tmp_path / DATABASE) as database:
        database.execute("CREATE TABLE things(a)")
    with pytest.raises(PeopleError, match="does not hold the people"):
        People(tmp_path, hasher=QUICK).add("Kim", ["technician"], GOOD)


def test_what_somebody_agreed_to_is_remembered_until_they_are_asked_again(people):
    assert people.agreement("Kim") is None
    people.agree("Kim", "Your voice is kept.", False, "2026-03-02-P1-01")
    found = people.agreement(" kim")
    assert (found.given, found.text, found.job, found.at[:10]) == (False, "Your voice is kept.", "2026-03-02-P1-01", "2026-03-02")
    people.ask_again("KIM")
    assert people.agreement("Kim") is None
