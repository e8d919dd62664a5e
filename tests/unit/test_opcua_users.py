"""Users of the OPC UA server: hashed, private, changed while it runs; and how often a password may be tried."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.plant.image import Desk, PlantError
from controller.plant.opcua.caller import NOBODY, Caller, Grade, asking, caller
from controller.plant.opcua.door import ANONYMOUS, Door
from controller.plant.opcua.session import LEAST_PUBLISHING_MS, revised
from controller.plant.opcua.tries import FIRST_WAIT_S, FREE, LONGEST_WAIT_S, TABLE, Tries
from controller.plant.opcua.users import NO_ONES, User, Users, fits, hashed, users_file
from controller.settings.plant import OpcUaServerSection
from tests.unit.papers import HASHED, PASSWORD


@pytest.fixture
def users(tmp_path: Path) -> Users:
    kept = Users(tmp_path / "users.json")
    kept.put(User(name="otto", role="operate", password=HASHED))
    return kept


def test_a_password_fits_its_hash_only() -> None:
    assert fits(PASSWORD, HASHED)
    assert not fits(PASSWORD + " ", HASHED)
    assert not fits("", NO_ONES)
    assert not fits(PASSWORD, HASHED.replace("$16384$", "$99999999$"))
    assert hashed(PASSWORD) != HASHED


@pytest.mark.parametrize("password", ["", "1234567", "x" * 257])
def test_a_password_has_a_length(password: str) -> None:
    with pytest.raises(ValueError, match="8 to 256 characters"):
        hashed(password)


def test_the_file_tells_no_password_and_is_its_owners_only(users: Users) -> None:
    assert users.file.stat().st_mode & 0o777 == 0o600
    assert PASSWORD not in users.file.read_text()
    assert list(users.file.parent.iterdir()) == [users.file]


def test_changes_are_seen_by_another_reader(users: Users) -> None:
    server = Users(users.file)
    assert set(server.all()) == {"otto"}
    users.put(User(name="vera", role="view", password=HASHED))
    assert set(server.all()) == {"otto", "vera"}
    users.remove("otto")
    assert set(server.all()) == {"vera"}
    with pytest.raises(KeyError):
        users.remove("otto")
    users.file.unlink()
    assert server.all() == {}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660, 0o602])
def test_a_file_that_others_reach_is_refused(users: Users, mode: int) -> None:
    users.file.chmod(mode)
    with pytest.raises(PlantError, match=r"users\.json: others can read or change the users; run chmod 600"):
        users.all()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("tea", "is no users file"),
        ("[]", "is no users file"),
        ("[" * 100_000, "is no users file"),
        ('{"users": [{"name": "otto"}]}', r"users#1\.role: is missing"),
        ('{"format": 2}', "format"),
        ('{"user": []}', 'did you mean "users"'),
        (
            json.dumps({"users": [{"name": "o", "role": "view", "password": HASHED}] * 2}),
            "has two users of one name",
        ),
        (json.dumps({"users": [{"name": "o", "role": "boss", "password": HASHED}]}), "'boss' is not one of"),
        (json.dumps({"users": [{"name": "o", "role": "view", "password": "plain text"}]}), "password"),
        (json.dumps({"users": [{"name": "a b", "role": "view", "password": HASHED}]}), "is no user name"),
    ],
)
def test_a_broken_file_is_one_line(users: Users, text: str, why: str) -> None:
    users.file.write_text(text)
    with pytest.raises(PlantError, match=why) as refused:
        users.all()
    assert "\n" not in str(refused.value)
    assert HASHED not in str(refused.value)


def test_where_the_file_is(tmp_path: Path) -> None:
    assert users_file(OpcUaServerSection(pki="pki"), tmp_path) == tmp_path / "pki" / "users.json"
    assert users_file(OpcUaServerSection(pki="pki", users="u.json"), tmp_path) == tmp_path / "u.json"


# ---- tries


def test_a_few_wrong_ones_are_free_and_then_it_takes_ever_longer() -> None:
    tries = Tries()
    for _ in range(FREE - 1):
        tries.wrong("a", 0.0)
    assert tries.wait_s("a", 0.0) == 0
    waits = []
    for _ in range(8):
        tries.wrong("a", 0.0)
        waits.append(tries.wait_s("a", 0.0))
    assert waits == [30, 60, 120, 240, 480, 600, 600, 600]
    assert (waits[0], waits[-1]) == (FIRST_WAIT_S, LONGEST_WAIT_S)
    assert tries.wait_s("a", 599.0) == 1
    assert tries.wait_s("b", 0.0) == 0
    tries.right("a")
    assert tries.wait_s("a", 0.0) == 0


def test_the_table_is_bounded() -> None:
    tries = Tries()
    for number in range(TABLE + 1):
        for _ in range(FREE):
            tries.wrong(str(number), 0.0)
    assert tries.wait_s("0", 0.0) == 0
    assert tries.wait_s("1", 0.0) == FIRST_WAIT_S
    assert tries.wait_s(str(TABLE), 0.0) == FIRST_WAIT_S


# ---- the door


class Rig:
    def __init__(self, users: Users, anonymous: bool = False) -> None:
        self.told: list[tuple[str, str]] = []
        self.now_s = 0.0
        self.words: list[Mapping[str, str | int | float]] = []
        self.desk = Desk(NotImplemented, self._tell)
        self.door = Door(users.file.parent, users, self.desk, anonymous, lambda: self.now_s)

    def _tell(self, level: str, what: str, words: Mapping[str, str | int | float]) -> None:
        self.told.append((what, str(words.get("why", ""))))
        self.words.append(words)


async def test_the_right_password_is_let_in_with_its_role(users: Users) -> None:
    rig = Rig(users)
    assert await rig.door.named("otto", PASSWORD, "192.0.2.1") == Caller("otto", Grade.OPERATE, "192.0.2.1")
    assert rig.desk.refusals == {}


async def test_wrong_names_and_passwords_are_told_apart_in_the_log_only(users: Users) -> None:
    rig = Rig(users)
    assert await rig.door.named("otto", "a guess", "192.0.2.1") is None
    assert await rig.door.named("olga", PASSWORD, "192.0.2.1") is None
    assert rig.desk.refusals == {"wrong password": 1, "unknown user": 1}
    assert rig.told == [("refused", "wrong password"), ("refused", "unknown user")]


async def test_a_name_writes_no_line_into_the_log(users: Users) -> None:
    rig = Rig(users)
    assert await rig.door.named("otto\n12:00:00 [info] all is well \x1b[2J", PASSWORD, "192.0.2.1") is None
    assert rig.words[-1]["user"] == "otto·12:00:00 [info] all is well ·[2J"


async def test_a_locked_out_address_waits_even_with_the_right_password(
    users: Users, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.plant.opcua.door.fits", lambda password, _: password == PASSWORD)
    rig = Rig(users)
    for _ in range(FREE):
        assert await rig.door.named("otto", "a guess", "192.0.2.1") is None
    assert await rig.door.named("otto", PASSWORD, "192.0.2.1") is None
    assert rig.desk.refusals == {"wrong password": FREE, "too many tries": 1}
    assert await rig.door.named("otto", PASSWORD, "192.0.2.2") is not None
    rig.now_s = FIRST_WAIT_S
    assert await rig.door.named("otto", PASSWORD, "192.0.2.1") is not None


async def test_while_the_users_file_is_broken_nobody_gets_in_or_keeps_rights(users: Users) -> None:
    rig = Rig(users)
    assert rig.door.grade("otto") is Grade.OPERATE
    users.file.chmod(0o644)
    assert rig.door.grade("otto") is Grade.NONE
    assert rig.door.grade("otto") is Grade.NONE
    assert await rig.door.named("otto", PASSWORD, "192.0.2.1") is None
    assert rig.desk.refusals == {"users file unusable": 1}
    assert [what for what, _ in rig.told] == ["users file unusable", "refused"]
    users.file.chmod(0o600)
    assert rig.door.grade("otto") is Grade.OPERATE


def test_a_grade_is_that_of_the_moment(users: Users) -> None:
    door = Rig(users).door
    users.put(User(name="otto", role="engineer", password=HASHED))
    assert door.grade("otto") is Grade.ENGINEER
    users.remove("otto")
    assert door.grade("otto") is Grade.NONE
    assert door.grade(ANONYMOUS) is Grade.NONE
    assert Rig(users, anonymous=True).door.grade(ANONYMOUS) is Grade.VIEW


def test_nobody_asks_outside_of_a_request() -> None:
    assert caller() == NOBODY
    with asking(Caller("otto", Grade.OPERATE, "192.0.2.1")):
        assert caller().name == "otto"
    assert caller().grade is Grade.NONE


# ---- lifetimes


@given(
    interval_ms=st.floats(),
    alive=st.integers(0, 2**32 - 1),
    life=st.integers(0, 2**32 - 1),
    timeout_ms=st.floats(1000.0, 600_000.0),
)
def test_a_subscription_outlives_its_client_by_the_timeout_at_most(
    interval_ms: float, alive: int, life: int, timeout_ms: float
) -> None:
    interval, keep, lives = revised(interval_ms, alive, life, timeout_ms)
    assert interval >= LEAST_PUBLISHING_MS
    assert lives >= 3 * keep >= 3
    assert interval * (keep + lives + 1) <= timeout_ms * (1 + 1e-9)


def test_what_is_modest_is_given_as_asked() -> None:
    assert revised(100.0, 10, 30, 30_000.0) == (100.0, 10, 30)
