"""Who is told what: names that exist, one place for each secret, no password over an open line."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.settings.delivery import WEBHOOK
from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault

_PASSWORD_KEYS = ("password_file", "password_env", "password_credential")
_SECRET_KEYS = ("secret_file", "secret_env", "secret_credential")


def check_secrets(draft: Draft) -> Iterator[Fault]:
    """Each secret stands in one place; a user has a password and a password a user."""
    tables = (
        ("mail", draft.mail, _PASSWORD_KEYS),
        ("webhook", draft.webhook, _SECRET_KEYS),
        ("heartbeat", draft.heartbeat, _SECRET_KEYS),
    )
    for table, settings, keys in tables:
        given = [key for key in keys if settings is not None and getattr(settings, key) is not None]
        for key in given[1:]:
            words = f"only one of {', '.join(keys)}"
            yield Fault((table, key), f'"{given[0]}" beside it', words, other=(table, given[0]))
    mail = draft.mail
    if mail is None:
        return
    places = [key for key in _PASSWORD_KEYS if getattr(mail, key) is not None]
    if mail.user and not places:
        yield Fault(("mail", "user"), "a user without a password", f"one of {', '.join(_PASSWORD_KEYS)} beside it")
    if places and not mail.user:
        yield Fault(("mail", places[0]), "a password without a user", 'the key "user" beside it')


def check_security(draft: Draft) -> Iterator[Fault]:
    """Without encryption, mail goes only to this machine."""
    mail = draft.mail
    if mail is not None and mail.security == "none" and not mail.on_this_machine:
        yield Fault(("mail", "security"), '"none"', '"starttls" or "tls" for a server that is not on this machine')


def check_keepers(draft: Draft) -> Iterator[Fault]:
    """Names are used once, and name what exists."""
    seen: dict[str, int] = {}
    for (_, index), keeper in draft.keepers:
        path = ("keeper", index)
        if keeper.name in seen or keeper.name == WEBHOOK:
            other = ("keeper", seen[keeper.name], "name") if keeper.name in seen else None
            yield Fault((*path, "name"), f'the name "{keeper.name}" again', "a name that is not taken", other=other)
        seen.setdefault(keeper.name, int(index))
        for bank in keeper.banks or ():
            if bank not in draft.bank_names:
                yield Fault((*path, "banks"), f'the text "{bank}"', _one_of(draft.bank_names))
        others = draft.keeper_names - {keeper.name}
        if keeper.escalate_to is not None and keeper.escalate_to not in others:
            yield Fault((*path, "escalate_to"), f'the text "{keeper.escalate_to}"', _one_of(others))
    if draft.keeper_names and "mail" not in draft.raw:
        yield Fault(("keeper", 0), "no table [mail]", "a table [mail] with the server that takes the mails")


def check_heartbeat(draft: Draft) -> Iterator[Fault]:
    """The sign of life goes to somebody who exists."""
    known = draft.keeper_names | ({WEBHOOK} if "webhook" in draft.raw else set())
    for name in draft.heartbeat.to if draft.heartbeat is not None else ():
        if name not in known:
            yield Fault(("heartbeat", "to"), f'the text "{name}"', _one_of(known))


def _one_of(names: frozenset[str] | set[str]) -> str:
    # A name that is wrong itself has a fault of its own, and may not be fit to be printed.
    known = sorted(name for name in names if name.strip() and name.isprintable())
    return f"one of {', '.join(known)}" if known else "a name that stands in this file; there is none"
