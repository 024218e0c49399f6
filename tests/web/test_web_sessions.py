"""Sessions end by time and when the person changes; guessing gets slower and slower."""

from __future__ import annotations

import pytest

from gateway.people.book import People, Person
from gateway.people.roles import Role
from gateway.web.patience import FORGOTTEN_S, FREE, FREE_HERE, KEPT, MOST_S, Patience
from gateway.web.sessions import MOST_OF_ONE, Session, Sessions
from gateway.web.viewing import way_back

ADA = Person(name="Ada Example", role=Role.OPERATOR, hash="", edition="1")
BEN = Person(name="Ben Example", role=Role.VIEWER, hash="", edition="1")


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Kept:
    """Sessions of two people, who can be changed."""

    def __init__(self) -> None:
        self.clock = Clock()
        self.people = People(people=(ADA, BEN))
        self.ended: list[tuple[str, str]] = []
        self.all = Sessions(
            lambda: self.people, idle_s=900, longest_s=3600, ended=self._over, clock=self.clock
        )

    def _over(self, one: Session) -> None:
        self.ended.append((one.name, one.ended))


def test_a_session_is_found_by_its_token_alone() -> None:
    kept = Kept()
    token, session = kept.all.begin(ADA)
    other, _ = kept.all.begin(ADA)
    assert len({token, other, session.csrf}) == 3
    assert len(token) >= 43, "256 bits in base64"
    assert kept.all.of(token) is session
    for wrong in (None, "", token[:-1], session.csrf):
        assert kept.all.of(wrong) is None
    assert token not in repr(vars(kept.all)), "only its hash is kept"


def test_without_use_it_ends_and_use_prolongs_it_up_to_its_longest_time() -> None:
    kept = Kept()
    token, session = kept.all.begin(ADA)
    kept.clock.now += 899
    assert kept.all.of(token)
    assert kept.all.left_s(session) == 1.0
    kept.clock.now += 1
    assert kept.all.of(token) is None
    assert kept.ended == [("Ada Example", "nothing was done")]
    token, session = kept.all.begin(ADA)
    for _ in range(4):
        kept.clock.now += 800
        assert kept.all.lasts(session)
        kept.all.use(session)
    assert kept.all.left_s(session) == 400
    kept.clock.now += 400
    assert not kept.all.lasts(session)
    assert kept.ended[-1] == ("Ada Example", "its longest time is over")


@pytest.mark.parametrize("people", [(BEN,), (ADA.model_copy(update={"edition": "2"}), BEN)])
def test_another_role_or_password_and_a_removal_end_it(people: tuple[Person, ...]) -> None:
    kept = Kept()
    token, session = kept.all.begin(ADA)
    bens, _ = kept.all.begin(BEN)
    kept.people = People(people=people)
    assert not kept.all.lasts(session)
    assert kept.all.of(token) is None
    assert kept.all.of(bens), "somebody else goes on"
    assert kept.ended == [("Ada Example", "role or password changed, or removed")]


def test_signing_out_ends_one_session_alone() -> None:
    kept = Kept()
    first, _ = kept.all.begin(ADA)
    second, _ = kept.all.begin(ADA)
    kept.all.end(first, "signed out")
    kept.all.end(first, "signed out")
    assert kept.all.of(first) is None
    assert kept.all.of(second)
    assert kept.ended == [("Ada Example", "signed out")]


def test_so_many_sessions_and_the_oldest_goes() -> None:
    kept = Kept()
    tokens = []
    for _ in range(MOST_OF_ONE + 1):
        kept.clock.now += 1
        tokens.append(kept.all.begin(ADA)[0])
    assert kept.all.of(tokens[0]) is None
    assert all(map(kept.all.of, tokens[1:]))


def test_each_failure_makes_the_next_wait_longer() -> None:
    clock = Clock()
    patience = Patience(clock)
    assert [patience.attempt("ada", "192.0.2.1") for _ in range(FREE)] == [0.0] * FREE
    waits = []
    for _ in range(14):
        wait = patience.attempt("ada", "192.0.2.1")
        waits.append(wait)
        clock.now += wait
        assert patience.attempt("ada", "192.0.2.1") == 0.0
    assert waits == [min(MOST_S, 2.0**k) for k in range(14)]
    assert patience.attempt("ada", "192.0.2.2") > 0, "from elsewhere too"
    assert patience.attempt("ben", "192.0.2.2") == 0.0
    clock.now += FORGOTTEN_S + MOST_S
    assert [patience.attempt("ada", "192.0.2.1") for _ in range(FREE)] == [0.0] * FREE


def test_an_address_that_tries_many_names_waits_as_well() -> None:
    clock = Clock()
    patience = Patience(clock)
    for k in range(FREE_HERE):
        assert patience.attempt(f"name {k}", "192.0.2.1") == 0.0
    for k in range(5):
        wait = patience.attempt(f"other {k}", "192.0.2.1")
        assert wait == 2.0**k
        clock.now += wait
        assert patience.attempt(f"other {k}", "192.0.2.1") == 0.0
    assert patience.attempt("ada", "192.0.2.2") == 0.0


def test_the_right_password_forgets_what_the_person_mistyped() -> None:
    patience = Patience(Clock())
    for _ in range(3):
        for _ in range(FREE - 1):
            assert patience.attempt("ada", f"192.0.2.{_}") == 0.0
        assert patience.attempt("ada", "198.51.100.1") == 0.0
        patience.right("ada", "198.51.100.1")
        patience._known.clear()


def test_whoever_has_one_password_guesses_no_other_at_ease() -> None:
    patience = Patience(Clock())
    for _ in range(FREE):
        assert patience.attempt("ada", "192.0.2.1") == 0.0
        assert patience.attempt("eve", "192.0.2.1") == 0.0
        patience.right("eve", "192.0.2.1")
    assert patience.attempt("ada", "192.0.2.1") > 0
    for k in range(FREE_HERE - FREE):
        assert patience.attempt(f"name {k}", "192.0.2.1") == 0.0
        assert patience.attempt("eve", "192.0.2.1") == 0.0
        patience.right("eve", "192.0.2.1")
    assert patience.attempt("ben", "192.0.2.1") > 0, "the address, whatever eve can do"
    assert patience.attempt("eve", "192.0.2.1") == 0.0, "mistyping others keep her from nothing"


def test_nobody_is_kept_out_by_somebody_who_tries_their_name() -> None:
    patience = Patience(Clock())
    assert patience.attempt("ada", "192.0.2.1") == 0.0
    patience.right("ada", "192.0.2.1")
    for _ in range(3 * FREE):
        patience.attempt("ada", "198.51.100.66")
    assert patience.attempt("ada", "198.51.100.66") > 0
    assert patience.attempt("ada", "203.0.113.5") > 0
    assert patience.attempt("ada", "192.0.2.1") == 0.0


def test_names_that_were_tried_are_not_kept_for_ever() -> None:
    patience = Patience(Clock())
    for k in range(KEPT + 50):
        patience.attempt(f"name {k}", f"10.{k // 65536}.{k // 256 % 256}.{k % 256}")
    assert len(patience._counts) <= KEPT


@pytest.mark.parametrize("inside", ["/", "/alarms", "/loops/stair-b?range=day&x=1", "/a b"])
def test_the_way_back_after_signing_in(inside: str) -> None:
    assert way_back(inside) == inside


@pytest.mark.parametrize(
    "outside",
    ["", "https://example.org/", "//example.org", "/\\example.org", "javascript:alert(1)",
     "/\texample", "/a\n", "\\\\example.org", "/sign-in?next=/", "/x\\y"],
)  # fmt: skip
def test_no_way_to_elsewhere(outside: str) -> None:
    assert way_back(outside) == "/"
