"""`beltcue users`: who may log in to the plant's OPC UA server, and what they may do there."""

from __future__ import annotations

import argparse
import getpass
import sys
from typing import TYPE_CHECKING

from controller.cli.common import OK, BadInputError, RefusedError, Verbs, print_json, print_rows, verb
from controller.cli.plant_files import opcua_section

if TYPE_CHECKING:
    from controller.plant.opcua.users import User, Users

NAMES = ("users",)
ROLES = ("view", "operate", "engineer")
TEXT = (
    "view may look; operate may also give commands, where the line is set to remote; engineer may also set counters "
    "back. Give each person or program a name of its own: commands are recorded with it. What is changed here holds at "
    "once, without a restart. Passwords are kept hashed, in a file that only the controller's user may read."
)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(verbs, "users", execute, "list, add, change or remove the users of the OPC UA server", TEXT)
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    what = parser.add_subparsers(title="what to do (default: list)", metavar="[add|remove|role]", dest="what")
    add = what.add_parser("add", help="add a user, or give one a new password and role", allow_abbrev=False)
    add.add_argument("name", metavar="NAME", help="letters, digits, and . - _ @")
    add.add_argument("--role", required=True, choices=ROLES, help="what the user may do")
    add.add_argument("--password-stdin", action="store_true", help="take the password from the first line of stdin")
    remove = what.add_parser("remove", help="remove a user, who is turned away from then on", allow_abbrev=False)
    remove.add_argument("name", metavar="NAME")
    role = what.add_parser("role", help="change what a user may do", allow_abbrev=False)
    role.add_argument("name", metavar="NAME")
    role.add_argument("role", choices=ROLES, metavar="ROLE", help=", ".join(ROLES))


def execute(args: argparse.Namespace) -> int:
    """List or change. Bad input for a name, a password or a file that cannot be used."""
    from controller.plant.image import PlantError
    from controller.plant.opcua.users import Users, users_file

    section, folder = opcua_section(args.line_file)
    try:
        users = Users(users_file(section, folder))
        if args.what == "add":
            _add(args, users)
        elif args.what == "remove":
            _known(args.name, users)
            users.remove(args.name)
            print(f"removed {args.name}")
        elif args.what == "role":
            users.put(_known(args.name, users).model_copy(update={"role": args.role}))
            print(f"{args.name} may {args.role} now")
        elif users.all():
            print_rows([(user.name, user.role) for user in users.all().values()])
        else:
            print(f"no users yet; add one: beltcue users {args.line_file} add NAME --role view")
        if args.json:
            print_json({"file": str(users.file), "users": {user.name: user.role for user in users.all().values()}})
    except PlantError as error:
        raise BadInputError(str(error)) from None
    return OK


def _add(args: argparse.Namespace, users: Users) -> None:
    from pydantic import ValidationError

    from controller.plant.opcua.users import User, hashed

    new = args.name not in users.all()
    try:
        password = hashed(_password(args))
        user = User(name=args.name, role=args.role, password=password)
    except ValidationError as error:
        raise BadInputError(error.errors()[0]["msg"].removeprefix("Value error, ")) from None
    except ValueError as error:
        raise BadInputError(str(error)) from None
    users.put(user)
    print(f"{'added' if new else 'changed'} {args.name}, who may {args.role}")


def _password(args: argparse.Namespace) -> str:
    if args.password_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        raise BadInputError("a password is typed at a terminal; from a script, give it with --password-stdin")
    password = getpass.getpass(f"password for {args.name}: ")
    if getpass.getpass("once more: ") != password:
        raise RefusedError("the two passwords differ; nothing was changed")
    return password


def _known(name: str, users: Users) -> User:
    found = users.all().get(name)
    if found is None:
        raise BadInputError(f"there is no user {name!r}; known: {', '.join(users.all()) or 'none'}")
    return found
