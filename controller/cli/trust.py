"""`beltcue trust`: which OPC UA clients of the plant may connect."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.common import OK, BadInputError, RefusedError, Verbs, complain, print_json, print_rows, verb
from controller.cli.plant_files import opcua_section

if TYPE_CHECKING:
    from controller.plant.opcua.trust import Client, TrustList

NAMES = ("trust",)
LEAST_DIGITS = 4
TEXT = (
    "A client that nobody has accepted is turned away, and its certificate is kept so that it can be accepted here. "
    "Compare the fingerprint with the one that the client itself shows, at the client: whoever is accepted may try "
    "passwords. What is changed here holds at once, without a restart; who is removed is cut off within seconds."
)


def register(verbs: Verbs) -> None:
    """Add the verb."""
    parser = verb(verbs, "trust", execute, "list, accept or remove the OPC UA clients of the plant", TEXT)
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")
    what = parser.add_subparsers(title="what to do (default: list them)", metavar="[accept|remove]", dest="what")
    accept = what.add_parser("accept", help="let a client connect", allow_abbrev=False)
    accept.add_argument("which", metavar="FINGERPRINT|FILE", help="the first digits of a rejected one, or its file")
    remove = what.add_parser(
        "remove", help="let a client connect no more, or forget a rejected one", allow_abbrev=False
    )
    remove.add_argument("which", metavar="FINGERPRINT", help="its first digits")


def execute(args: argparse.Namespace) -> int:
    """List, accept or remove. Bad input for what is no certificate known."""
    from controller.plant.image import PlantError
    from controller.plant.opcua.own import pki_folder
    from controller.plant.opcua.trust import TrustList

    section, folder = opcua_section(args.line_file)
    try:
        pki = pki_folder(section, folder)
    except PlantError as error:
        raise BadInputError(str(error)) from None
    trust = TrustList(pki, lambda file, why: complain(f"{file}: {why}; passed over"))
    try:
        if args.what == "accept":
            _accept(args, trust)
        elif args.what == "remove":
            client = _one(args.which, [*trust.trusted(), *trust.rejected()], "certificate")
            trust.remove(client)
            _say(args, f"removed {client.subject}: it may connect no more", client, "removed")
        else:
            _list(args, trust, pki)
    except OSError as error:
        raise RefusedError(f"{error.filename}: {error.strerror}; run this as the controller's user") from None
    return OK


def _accept(args: argparse.Namespace, trust: TrustList) -> None:
    from controller.plant.opcua.trust import out_of_date

    file = Path(args.which)
    client = _from_file(file) if file.is_file() else _one(args.which, trust.rejected(), "rejected certificate")
    why = client.weak or out_of_date(client.certificate, datetime.now(UTC))
    if why is not None:
        raise BadInputError(f"{client.subject} {why}: it would be turned away; make a new one at the client")
    trust.accept(client)
    _say(args, f"accepted {client.subject}: it may connect", client, "accepted")


def _from_file(file: Path) -> Client:
    from controller.certificates import read_certificate
    from controller.plant.opcua.trust import client_of

    try:
        return client_of(file, read_certificate(file.read_bytes()))
    except OSError as error:
        raise BadInputError(f"{file}: cannot be read ({error.strerror}); check its permissions") from None
    except ValueError:
        raise BadInputError(f"{file}: is no certificate; save it as DER or PEM") from None


def _one(which: str, clients: list[Client], what: str) -> Client:
    digits = which.replace(":", "").replace(" ", "").lower()
    if len(digits) < LEAST_DIGITS or not set(digits) <= set("0123456789abcdef"):
        raise BadInputError(f"{which!r} is no file, nor the first {LEAST_DIGITS} or more digits of a fingerprint")
    found = {c.fingerprint: c for c in clients if c.fingerprint.startswith(digits) or c.thumbprint.startswith(digits)}
    if not found:
        raise BadInputError(f"no {what} begins with {digits}; see beltcue trust LINE.toml")
    if len(found) > 1:
        raise BadInputError(f"more than one {what} begins with {digits}; give more digits")
    return next(iter(found.values()))


def _list(args: argparse.Namespace, trust: TrustList, pki: Path) -> None:
    from controller.plant.opcua.own import certificate_file

    own = certificate_file(pki)
    ours = [_from_file(own)] if own.exists() else []
    groups = {"ours": ours, "trusted": trust.trusted(), "rejected": trust.rejected()}
    for name, clients in groups.items():
        print(f"{name}: {'none' if not clients else ''}".rstrip())
        for client in clients:
            print_rows([(f"  {key}", str(text)) for key, text in _shown(client).items()])
            print()
    if args.json:
        print_json({name: [_shown(client) for client in clients] for name, clients in groups.items()})


def _shown(client: Client) -> dict[str, Any]:
    from controller.plant.opcua.trust import out_of_date

    why = client.weak or out_of_date(client.certificate, datetime.now(UTC))
    return {
        "fingerprint": client.fingerprint,
        "thumbprint": client.thumbprint,
        "subject": client.subject,
        "application": client.uri,
        "valid until": f"{client.certificate.not_valid_after_utc:%Y-%m-%d}",
        "file": str(client.file),
    } | ({} if why is None else {"PROBLEM": why})


def _say(args: argparse.Namespace, text: str, client: Client, key: str) -> None:
    print(text)
    if args.json:
        print_json({key: _shown(client)})
