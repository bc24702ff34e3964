"""loggerd access: who may look at the pages, and which programs."""

from __future__ import annotations

import argparse
import getpass
import json
import sys
from typing import TYPE_CHECKING

from loggerd.cli.arguments import WordsError, add_settings, local_text, verb_parser

if TYPE_CHECKING:
    from loggerd.access.doors import Access
    from loggerd.store.access_shapes import AuditLine, Person

_DESCRIPTION = """\
Who may open the pages that `loggerd pages` serves. Nobody may until somebody is added here. A reader may look; a
keeper may also enter into the log book and acknowledge alarms. Programs show a token instead of a password.

  loggerd access SETTINGS list                     people and tokens
  loggerd access SETTINGS add NAME --role keeper   asks for the password twice; changes it: password NAME
  loggerd access SETTINGS role NAME reader         gives another role; remove NAME takes somebody out
  loggerd access SETTINGS sessions [NAME]          browsers that are signed in; end-sessions NAME signs them out
  loggerd access SETTINGS token NAME --scope read  makes a token and prints it once; revoke NAME ends it
  loggerd access SETTINGS audit                    what was done about all this

A password is never given as a word of the command, where others on the machine could see it: it is asked for, or
read from standard input with --password-stdin. Run it as the user that the service runs as, or as root."""
_LONGEST_LINE = 1000
_AUDIT_LINES = 100
_WHATS = (
    "list",
    "add",
    "password",
    "role",
    "remove",
    "sessions",
    "end-sessions",
    "token",
    "revoke",
    "audit",
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    example = "loggerd access site.toml add anna --role keeper"
    parser = verb_parser(subparsers, "access", "say who may look at the pages", _DESCRIPTION, example)
    add_settings(parser)
    parser.add_argument("what", nargs="?", default="list", choices=_WHATS, help="what to do; list without it")
    parser.add_argument("words", metavar="NAME", nargs="*", help="whom, or which token")
    parser.add_argument("--role", choices=("keeper", "reader"), help="of somebody who is added")
    parser.add_argument("--scope", choices=("read", "enter"), help="what the program behind a token may do")
    parser.add_argument("--password-stdin", action="store_true", help="read the password from standard input")
    parser.add_argument("--json", action="store_true", help="as JSON: of list, sessions and audit")
    parser.set_defaults(run=run, late_words="words")


def run(arguments: argparse.Namespace) -> int:
    """Do what was asked. Returns the exit code."""
    from loggerd.access.doors import Access
    from loggerd.clock import SystemClock
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    _check_words(arguments)
    access = Access.of(settings, SystemClock())
    doing = {
        "add": _add,
        "password": _password,
        "role": _role,
        "remove": _remove,
        "end-sessions": _end_sessions,
        "token": _token,
        "revoke": _revoke,
    }
    if arguments.what in doing:
        return doing[arguments.what](arguments, access)
    showing = {"list": _list, "sessions": _sessions, "audit": _audit}
    return showing[arguments.what](arguments, access, settings.site.timezone)


def _check_words(arguments: argparse.Namespace) -> None:
    """Raises WordsError."""
    least, most = {"list": (0, 0), "audit": (0, 0), "sessions": (0, 1), "role": (2, 2)}.get(arguments.what, (1, 1))
    if not least <= len(arguments.words) <= most:
        wanted = {"role": "a name and a role", "list": "no name", "audit": "no name"}.get(arguments.what, "one name")
        raise WordsError(f"{arguments.what} wants {wanted}; found {' '.join(arguments.words) or 'nothing'}")
    if arguments.what == "add" and arguments.role is None:
        raise WordsError("which role? Expected --role keeper (may look and enter) or --role reader (may look)")
    if arguments.what == "token" and arguments.scope is None:
        raise WordsError("what may the program do? Expected --scope read or --scope enter")


def _line(access: Access, what: str, words: str = "") -> AuditLine:
    return access.line(f"{getpass.getuser()} (command)", "", what, words)


def _known(arguments: argparse.Namespace, access: Access) -> Person:
    """Raises WordsError."""
    from loggerd.access.doors import normal_name

    found = access.store.person(normal_name(arguments.words[0]))
    if found is None:
        names = ", ".join(one.name for one in access.store.people()) or "none"
        raise WordsError(f'there is nobody called "{arguments.words[0]}"; there are: {names}')
    return found


def _new_name(arguments: argparse.Namespace) -> str:
    """Raises WordsError."""
    from loggerd.access.doors import NameRefused, checked_name

    try:
        return checked_name(arguments.words[0])
    except NameRefused as refused:
        raise WordsError(str(refused)) from refused


# -- people --


def _add(arguments: argparse.Namespace, access: Access) -> int:
    from loggerd.model.access import Role

    name = _new_name(arguments)
    if access.store.person(name) is not None:
        raise WordsError(f'there is somebody called "{name}" already')
    hashed = access.passwords.hashed(_asked_password(arguments))
    if not access.store.add_person(
        name, Role(arguments.role), hashed, _line(access, "added", f"{name}, {arguments.role}")
    ):
        raise WordsError(f'there is somebody called "{name}" already')
    print(f"{name} may sign in as {arguments.role}")
    return 0


def _password(arguments: argparse.Namespace, access: Access) -> int:
    person = _known(arguments, access)
    hashed = access.passwords.hashed(_asked_password(arguments))
    access.store.set_password(person.id, hashed, _line(access, "password set", person.name))
    print(f"{person.name} has a new password and is signed out everywhere")
    return 0


def _asked_password(arguments: argparse.Namespace) -> str:
    """Raises WordsError, PasswordRefused."""
    from loggerd.access.passwords import accepted

    if arguments.password_stdin:
        return sys.stdin.readline(_LONGEST_LINE).removesuffix("\n").removesuffix("\r")
    if not sys.stdin.isatty():
        raise WordsError("there is no terminal to ask for the password at; expected --password-stdin")
    password = getpass.getpass("Password: ")
    accepted(password)
    if getpass.getpass("The same again: ") != password:
        raise WordsError("the two are not the same; nothing was changed")
    return password


def _role(arguments: argparse.Namespace, access: Access) -> int:
    from loggerd.model.access import Role

    person, word = _known(arguments, access), arguments.words[1]
    if word not in {one.value for one in Role}:
        raise WordsError(f'"{word}" is no role; expected keeper or reader')
    access.store.set_role(person.id, Role(word), _line(access, "role given", f"{person.name}, {word}"))
    print(f"{person.name} is a {word} from now on")
    return 0


def _remove(arguments: argparse.Namespace, access: Access) -> int:
    person = _known(arguments, access)
    access.store.remove_person(person.id, _line(access, "removed", person.name))
    print(f"{person.name} may not sign in any more and is signed out everywhere")
    return 0


def _end_sessions(arguments: argparse.Namespace, access: Access) -> int:
    person = _known(arguments, access)
    ended = access.store.end_sessions(person.id, _line(access, "sessions ended", person.name))
    print(f"{person.name} is signed out everywhere ({ended} browsers)")
    return 0


# -- programs --


def _token(arguments: argparse.Namespace, access: Access) -> int:
    from loggerd.access.doors import hash_of, new_token
    from loggerd.model.access import Scope

    name, token = _new_name(arguments), new_token()
    line = _line(access, "token made", f"{name}, {arguments.scope}")
    if not access.store.add_token(name, hash_of(token), Scope(arguments.scope), line):
        raise WordsError(f'there is or was a token called "{name}"; choose another name')
    print(token)
    print("This is shown once. The program sends it as:  Authorization: Bearer TOKEN", file=sys.stderr)
    return 0


def _revoke(arguments: argparse.Namespace, access: Access) -> int:
    from loggerd.access.doors import normal_name

    name = normal_name(arguments.words[0])
    if not access.store.revoke_token(name, _line(access, "token revoked", name)):
        names = ", ".join(one.name for one in access.store.tokens() if one.revoked_ms is None) or "none"
        raise WordsError(f'no token "{name}" holds; there are: {names}')
    print(f"the token {name} is worth nothing any more")
    return 0


# -- looking --


def _list(arguments: argparse.Namespace, access: Access, zone: str) -> int:
    people, tokens = access.store.people(), access.store.tokens()
    if arguments.json:
        _print_json(
            {
                "people": [{"name": one.name, "role": one.role.value, "created_ms": one.created_ms} for one in people],
                "tokens": [{**vars(one), "scope": one.scope.value} for one in tokens],
            }
        )
        return 0
    for one in people:
        print(f"{one.name}: {one.role.value}, since {local_text(one.created_ms, zone)}")
    if not people:
        print("nobody may sign in yet:  loggerd access SETTINGS add NAME --role keeper")
    for token in tokens:
        used = "never used" if token.used_ms is None else f"last used {local_text(token.used_ms, zone)}"
        held = "" if token.revoked_ms is None else f", revoked {local_text(token.revoked_ms, zone)}"
        print(f"token {token.name}: {token.scope.value}, made {local_text(token.created_ms, zone)}, {used}{held}")
    return 0


def _sessions(arguments: argparse.Namespace, access: Access, zone: str) -> int:
    person = _known(arguments, access) if arguments.words else None
    held = [one for one in access.store.sessions(person.id if person else None) if access.holds(one)]
    if arguments.json:
        keys = ("began_ms", "seen_ms", "ends_ms", "agent", "address")
        _print_json([{"name": one.person.name, **{key: getattr(one, key) for key in keys}} for one in held])
        return 0
    for one in held:
        times = f"since {local_text(one.began_ms, zone)}, last used {local_text(one.seen_ms, zone)}"
        print(f"{one.person.name}: {times}, from {one.address or 'nowhere known'}: {one.agent or 'says nothing'}")
    if not held:
        print("nobody is signed in")
    return 0


def _audit(arguments: argparse.Namespace, access: Access, zone: str) -> int:
    lines = access.store.audit(_AUDIT_LINES)[::-1]
    if arguments.json:
        _print_json([vars(one) for one in lines])
        return 0
    for one in lines:
        place = f" from {one.address}" if one.address else ""
        words = f": {one.words}" if one.words else ""
        print(f"{local_text(one.at_ms, zone)} {one.who or 'somebody'}{place}: {one.what}{words}")
    return 0


def _print_json(value: object) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=1))
