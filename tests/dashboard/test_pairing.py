"""Codes, paired browsers and links, with a clock of our own."""

from datetime import UTC, datetime, timedelta

import pytest

from dashboard.pairing import CODE_LASTS_S, MOST_LINKS, TRIES, TRIES_WITHIN_S, Code, Pairing, Role, TooManyTriesError

NOON = datetime(2026, 5, 6, 12, tzinfo=UTC)


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def told() -> list[Code]:
    return []


@pytest.fixture
def pairing(clock: Clock, told: list[Code]) -> Pairing:
    return Pairing(clock=clock, on_new_code=told.append, now=lambda: NOON)


def other_than(code: Code) -> str:
    return f"{(int(code.digits) + 1) % 1_000_000:06d}"


def test_the_code_pairs_one_browser_and_is_new_afterwards(pairing: Pairing, told: list[Code]) -> None:
    code = pairing.code()
    token = pairing.pair(code.spaced)
    assert token is not None
    assert pairing.role(token) is Role.PAIRED
    assert [one.digits for one in told] == [code.digits, pairing.code().digits]
    if pairing.code().digits != code.digits:  # one time in a million they are the same
        assert pairing.pair(code.digits) is None


def test_a_code_is_good_for_ten_minutes_and_not_longer(pairing: Pairing, clock: Clock, told: list[Code]) -> None:
    old = pairing.code()
    clock.now_s += CODE_LASTS_S - 1
    assert pairing.code().digits == old.digits
    assert pairing.code().left_s == pytest.approx(1)
    clock.now_s += 1
    pairing.pair(old.digits)
    assert len(told) >= 2
    assert told[1].left_s == pytest.approx(CODE_LASTS_S)


@pytest.mark.parametrize("given", ["", "12345", "1234567", "abcdef", "\u0661\u0662\u0663\u0664\u0665\u0666"])
def test_what_is_no_code_pairs_nobody(pairing: Pairing, given: str) -> None:
    assert pairing.pair(given) is None


def test_codes_may_be_tried_five_times_a_minute_and_the_right_one_is_a_try_too(pairing: Pairing, clock: Clock) -> None:
    for _ in range(TRIES):
        assert pairing.pair(other_than(pairing.code())) is None
        clock.now_s += 1
    with pytest.raises(TooManyTriesError, match="wait 55 s"):
        pairing.pair(pairing.code().digits)
    clock.now_s += TRIES_WITHIN_S - TRIES
    assert pairing.pair(pairing.code().digits) is not None


def test_a_link_looks_on_until_it_is_ended(pairing: Pairing) -> None:
    link = pairing.add_link("a student", days=7)
    assert link is not None
    assert pairing.role(link.token) is Role.READER
    assert pairing.revoke(link.token)
    assert pairing.role(link.token) is Role.STRANGER
    assert not pairing.revoke(link.token)


def test_a_link_says_whom_it_is_for_and_holds_for_its_days(pairing: Pairing, clock: Clock) -> None:
    short, long = (pairing.add_link(f"for {days}", days=days) for days in (1, 7))
    assert short is not None
    assert long is not None
    assert (short.name, short.made_at, short.until) == ("for 1", NOON, NOON + timedelta(days=1))
    clock.now_s += 86_399
    assert pairing.links() == [short, long]
    clock.now_s += 1
    assert pairing.links() == [long]
    assert (pairing.role(short.token), pairing.link(short.token)) == (Role.STRANGER, None)
    assert pairing.link(long.token) == long


def test_a_paired_browser_is_no_link_that_could_be_ended(pairing: Pairing) -> None:
    token = pairing.pair(pairing.code().digits)
    assert token is not None
    assert not pairing.revoke(token)
    assert pairing.role(token) is Role.PAIRED


def test_links_are_counted(pairing: Pairing) -> None:
    assert len({link.token for _ in range(MOST_LINKS) if (link := pairing.add_link("x", days=1))}) == MOST_LINKS
    assert pairing.add_link("one more", days=1) is None


@pytest.mark.parametrize("token", ["", "x", "\u00e9"])
def test_whoever_has_no_token_of_ours_is_a_stranger(pairing: Pairing, token: str) -> None:
    assert pairing.role(token) is Role.STRANGER
