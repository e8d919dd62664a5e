"""The users of the OPC UA server: a JSON file with names, roles and hashed passwords, for its owner's eyes only.

What changes in the file is taken up at the next look. While the file is broken or others can read it, nobody is let in.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from controller.plant.image import PlantError
from controller.plant.opcua.caller import Grade
from controller.plant.opcua.own import pki_folder
from controller.settings.base import SettingsError, Strict, check
from controller.settings.plant import OpcUaServerSection

Role = Literal["view", "operate", "engineer"]
GRADES: dict[Role, Grade] = {"view": Grade.VIEW, "operate": Grade.OPERATE, "engineer": Grade.ENGINEER}
LEAST_CHARACTERS, MOST_CHARACTERS = 8, 256
COST = (2**14, 8, 5)
"""scrypt's N, r and p: 0.2 s of a core and 16 MiB a try, done in a thread; one of the settings commonly advised."""


def _name(text: str) -> str:
    if not re.fullmatch(r"\w[\w.@-]{0,63}", text):
        raise ValueError(f'{text!r} is no user name; use up to 64 letters, digits, ".", "-", "_" and "@"')
    return text


class User(Strict):
    """One user."""

    name: Annotated[str, AfterValidator(_name)]
    role: Role
    password: str = Field(pattern=r"^scrypt\$\d{1,8}\$\d{1,3}\$\d{1,3}\$[0-9a-f]{16,128}\$[0-9a-f]{32,128}$")


class UsersFile(Strict):
    """The file as a whole."""

    format: Literal[1] = 1
    users: list[User] = Field(default_factory=list)


def users_file(section: OpcUaServerSection, folder: Path) -> Path:
    """Where the users are kept. Raises PlantError where the user has no home directory and the line does not say."""
    if section.users is not None:
        return folder / Path(section.users).expanduser()
    return pki_folder(section, folder) / "users.json"


def hashed(password: str) -> str:
    """A password as the file keeps it, with a salt of its own. Raises ValueError for one that is too short or long."""
    if not LEAST_CHARACTERS <= len(password) <= MOST_CHARACTERS:
        raise ValueError(f"a password has {LEAST_CHARACTERS} to {MOST_CHARACTERS} characters")
    salt = secrets.token_bytes(16)
    n, r, p = COST
    return f"scrypt${n}${r}${p}${salt.hex()}${_scrypt(password, salt, n, r, p).hex()}"


def fits(password: str, kept: str) -> bool:
    """Whether a password is the one that was hashed."""
    _, n, r, p, salt, digest = kept.split("$")
    try:
        found = _scrypt(password, bytes.fromhex(salt), int(n), int(r), int(p))
    except ValueError:
        return False  # a cost that nothing here can pay: written by hand
    return hmac.compare_digest(found, bytes.fromhex(digest))


NO_ONES = "scrypt${}${}${}${}${}".format(*COST, "00" * 16, "00" * 32)
"""What an unknown user's password is compared with, so that it takes as long as a known one's; nothing fits it."""


def _scrypt(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, n=n, r=r, p=p, maxmem=64 * 2**20, dklen=32)


class Users:
    """The users in a file, which need not exist."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._stamp: tuple[int, ...] | None = None
        self._found: Mapping[str, User] | PlantError = {}

    def all(self) -> Mapping[str, User]:
        """By name, as the file has them now. Raises PlantError where it is broken or open to others."""
        stamp = self._look()
        if stamp != self._stamp:
            try:
                self._found = {} if stamp is None else _load(self.file)
            except PlantError as error:
                self._found = error
            self._stamp = stamp
        if isinstance(self._found, PlantError):
            raise self._found
        return self._found

    def put(self, user: User) -> None:
        """Add a user, or change one of the same name. Raises PlantError."""
        self._save({**self.all(), user.name: user})

    def remove(self, name: str) -> None:
        """Take a user out. Raises PlantError, KeyError where there is none of that name."""
        users = dict(self.all())
        del users[name]
        self._save(users)

    def _look(self) -> tuple[int, ...] | None:
        try:
            about = self.file.stat()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise PlantError(f"{self.file}: {error.strerror}; check the path and its permissions") from None
        return about.st_ino, about.st_mtime_ns, about.st_size, about.st_mode, about.st_uid

    def _save(self, users: Mapping[str, User]) -> None:
        whole = UsersFile(users=list(users.values())).model_dump()
        try:
            self.file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            # A file made this way is its owner's only from the start.
            handle, fresh = tempfile.mkstemp(prefix=".users-", dir=self.file.parent)
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as out:
                    json.dump(whole, out, ensure_ascii=False, indent=2)
                    out.flush()
                    os.fsync(out.fileno())
                Path(fresh).replace(self.file)
            except BaseException:
                Path(fresh).unlink(missing_ok=True)
                raise
        except OSError as error:
            raise PlantError(f"{self.file}: cannot be written ({error.strerror})") from None


def _load(file: Path) -> Mapping[str, User]:
    try:
        about = file.stat()
        raw = file.read_bytes()
    except OSError as error:
        raise PlantError(f"{file}: cannot be read ({error.strerror}); check the path and its permissions") from None
    if about.st_mode & 0o077:
        raise PlantError(f"{file}: others can read or change the users; run chmod 600 {file}")
    if about.st_uid not in (os.getuid(), 0):
        raise PlantError(f"{file}: belongs to another user of this computer; run chown on it")
    try:
        data = json.loads(raw)
        if not isinstance(data, dict):
            raise ValueError
    except (ValueError, RecursionError):
        raise PlantError(f"{file}: is no users file; remove it and add the users anew with beltcue users") from None
    try:
        found = check(file, data, UsersFile).users
    except SettingsError as error:
        raise PlantError(str(error)) from None
    users = {user.name: user for user in found}
    if len(users) != len(found):
        raise PlantError(f"{file}: has two users of one name; remove one")
    return users
